//! The words between the bench and a controller at the other end of a byte stream.
//!
//! Each message is a postcard value in one COBS frame that ends with a zero byte
//! (`docs/PROTOCOL.md`). The bench asks, the controller answers, one answer a question; a question
//! that needs none gets none. It carries what a controller is wired to and nothing of the press's
//! truth.

use crate::control::silence;
use crate::units;
use serde::{Deserialize, Serialize};
use stopwright_core::angle::CrankAngle;
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Inputs, Outputs, ValveDrive};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::Standing;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::stroke::{Mode, Purpose, StopReasons, Stroke};
use stopwright_core::time::Duration;
use stopwright_core::two_hand::PalmContacts;

/// Version of the protocol.
pub const VERSION: u8 = 3;

/// What the bench asks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Question {
    /// Once, at the beginning. The answer is `Answer::Hello`.
    Hello {
        /// [`VERSION`].
        version: u8,
    },
    /// The supply has come on, with what was latched when it went away. No answer.
    PowerUp {
        /// Fault numbers.
        stored: Vec<u8>,
    },
    /// One millisecond. The answer is `Answer::Tick`.
    Tick(Box<Wired>),
    /// The run is over. No answer.
    Bye,
}

/// What a controller is wired to in one tick. Binary facts are positive: true permits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Wired {
    /// End of the last carrier frame, µs since power-up of the bench.
    pub now_us: u64,
    /// Converter codes of the sine winding, oldest first.
    pub sine: [[u16; SAMPLES_PER_FRAME]; FRAMES_PER_TICK],
    /// Converter codes of the cosine winding.
    pub cosine: [[u16; SAMPLES_PER_FRAME]; FRAMES_PER_TICK],
    /// Supply within its limits.
    pub supply_ok: bool,
    /// Palm buttons of the first station: left and right, each normally open and normally closed
    /// contact, true when the contact is closed.
    pub palms: [[bool; 2]; 2],
    /// Contacts of the selector by bit: 0 off, 1 barring, 2 inch, 3 single, 4 continuous, 5 test. A
    /// sound selector closes one.
    pub selector: u16,
    /// Both channels of the emergency chain: true is closed.
    pub emergency_chain: [bool; 2],
    /// Stop control.
    pub stop_control_closed: bool,
    /// Both outputs of the presence sensing: true is clear.
    pub presence: [bool; 2],
    /// Contacts of the guards, the normally open and the normally closed one: closed guards are
    /// true and false.
    pub guards: [bool; 2],
    /// Main motor runs forward.
    pub motor_forward: bool,
    /// Motor off and flywheel at rest.
    pub drive_at_rest: bool,
    /// Clutch air in its window.
    pub clutch_air_ok: bool,
    /// Counterbalance air in its window.
    pub counterbalance_air_ok: bool,
    /// Lubrication, die protection, overload.
    pub auxiliaries_ok: bool,
    /// Key for supervised work.
    pub key_turned: bool,
    /// Both valve elements.
    pub valve: [Element; 2],
    /// Prior action for continuous.
    pub arm_pressed: bool,
    /// Top stop wanted.
    pub top_stop_pressed: bool,
    /// Reset: 0 operator, 1 key holder, 2 after recommissioning.
    pub reset: Option<u8>,
    /// Outputs of the limit channels as they are read back, bit 0 for the first.
    pub limit_read_back: u16,
    /// The index switch is closed; open where none is fitted.
    pub index_closed: bool,
    /// Converter codes of the second resolver's sine winding; 2048 throughout where none is fitted.
    pub second_sine: [[u16; SAMPLES_PER_FRAME]; FRAMES_PER_TICK],
    /// Converter codes of its cosine winding.
    pub second_cosine: [[u16; SAMPLES_PER_FRAME]; FRAMES_PER_TICK],
    /// The brake is no warmer than the stops were commissioned with.
    pub brake_temperature_ok: bool,
}

/// What a valve element reports.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Element {
    /// The coil carries current.
    pub coil_on: bool,
    /// Since when, µs.
    pub coil_changed_us: u64,
    /// The spool has shifted to pressurise.
    pub shifted: bool,
    /// Since when, µs.
    pub shifted_changed_us: u64,
}

/// What a controller answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Answer {
    /// To `Question::Hello`.
    Hello {
        /// The version it speaks.
        version: u8,
        /// Its name.
        name: String,
    },
    /// To `Question::Tick`.
    Tick(Said),
}

/// What a controller says in one tick.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Said {
    /// Level of the valve drive to take.
    pub drive_on: bool,
    /// When, µs after `now_us`; less than 1000.
    pub drive_after_us: u16,
    /// Dump the air and drop the motor.
    pub second_means: bool,
    /// Presence sensing is muted.
    pub is_muted: bool,
    /// State of the stroke by number.
    pub state: u8,
    /// Mode in force, by number: 0 off, 1 barring, 2 inch, 3 single, 4 continuous, 5 test.
    pub mode: u8,
    /// Numbers of the latched faults.
    pub latched: Vec<u8>,
    /// Numbers of the faults it advises of.
    pub advice: Vec<u8>,
    /// Limit channels to switch on, bit 0 for the first; the others go off.
    pub limit_channels: u16,
}

impl Wired {
    /// What the bench hands over.
    pub fn of(inputs: &Inputs<'_>) -> Self {
        let palm = |contacts: PalmContacts| {
            [
                contacts.normally_open_closed,
                contacts.normally_closed_closed,
            ]
        };
        let pair = |levels: Levels| [levels.first, levels.second];
        let station = &inputs.stations[0];
        Self {
            now_us: inputs.now.as_micros(),
            sine: inputs.frames.map(|frame| frame.sine),
            cosine: inputs.frames.map(|frame| frame.cosine),
            supply_ok: inputs.supply_ok,
            palms: [palm(station.left), palm(station.right)],
            selector: inputs.selector.contacts(),
            emergency_chain: pair(inputs.emergency_chain),
            stop_control_closed: inputs.stop_control_closed,
            presence: pair(inputs.presence),
            guards: pair(inputs.guards),
            motor_forward: inputs.motor_forward,
            drive_at_rest: inputs.drive_at_rest,
            clutch_air_ok: inputs.clutch_air_ok,
            counterbalance_air_ok: inputs.counterbalance_air_ok,
            auxiliaries_ok: inputs.auxiliaries_ok,
            key_turned: inputs.key_turned,
            valve: inputs.valve.map(|element| Element {
                coil_on: element.coil.is_on,
                coil_changed_us: element.coil.changed_at.as_micros(),
                shifted: element.shifted.is_on,
                shifted_changed_us: element.shifted.changed_at.as_micros(),
            }),
            arm_pressed: inputs.arm_pressed,
            top_stop_pressed: inputs.top_stop_pressed,
            reset: inputs.reset.map(|standing| match standing {
                Standing::Operator => 0,
                Standing::KeyHolder => 1,
                Standing::Recommissioned => 2,
            }),
            limit_read_back: inputs.limit_read_back.to_bits(),
            index_closed: inputs.index_closed,
            second_sine: inputs.second_frames.map(|frame| frame.sine),
            second_cosine: inputs.second_frames.map(|frame| frame.cosine),
            brake_temperature_ok: inputs.brake_temperature_ok,
        }
    }
}

impl Said {
    /// As outputs, with what was latched in the tick before.
    ///
    /// # Errors
    /// In words, what is not one.
    pub fn outputs(&self, before: FaultSet) -> Result<Outputs, String> {
        let latched = faults(&self.latched)?;
        let new = latched.iter().filter(|code| !before.contains(*code));
        if self.drive_after_us >= 1_000 {
            return Err(format!(
                "a drive {} us later; less than 1000 is allowed",
                self.drive_after_us
            ));
        }
        Ok(Outputs {
            valve: ValveDrive {
                is_on: self.drive_on,
                after: Duration::from_micros(u32::from(self.drive_after_us)),
            },
            second_means: self.second_means,
            is_muted: self.is_muted,
            stroke: state(self.state)
                .ok_or_else(|| format!("state {}; 0 to 18 are there", self.state))?,
            mode: mode(self.mode).ok_or_else(|| format!("mode {}; 0 to 5 are there", self.mode))?,
            latched,
            raised: new.fold(FaultSet::EMPTY, FaultSet::with),
            advice: faults(&self.advice)?,
            limit_channels: ChannelSet::from_bits(self.limit_channels),
            release: CrankAngle::TOP_DEAD_CENTRE,
            ..silence()
        })
    }
}

/// Numbers of a set.
pub fn numbers(set: FaultSet) -> Vec<u8> {
    set.iter().map(FaultCode::number).collect()
}

fn faults(numbers: &[u8]) -> Result<FaultSet, String> {
    let mut set = FaultSet::EMPTY;
    for &number in numbers {
        let code =
            FaultCode::from_number(number).ok_or_else(|| format!("there is no fault {number}"))?;
        set = set.with(code);
    }
    Ok(set)
}

const fn mode_number(mode: Mode) -> u8 {
    mode as u8
}

const fn mode(number: u8) -> Option<Mode> {
    Some(match number {
        0 => Mode::Off,
        1 => Mode::Barring,
        2 => Mode::Inch,
        3 => Mode::Single,
        4 => Mode::Continuous,
        5 => Mode::Test,
        _ => return None,
    })
}

/// The state of a number; what a state carries besides is left at its plainest.
const fn state(number: u8) -> Option<Stroke> {
    Some(match number {
        0 => Stroke::PowerUp,
        1 => Stroke::Off,
        2 => Stroke::Barring,
        3 => Stroke::WaitRelease,
        4 => Stroke::Ready,
        5 => Stroke::ReadyAwayFromTop,
        6 => Stroke::Inching,
        7 => Stroke::Closing,
        8 => Stroke::Opening,
        9 => Stroke::TopStopping {
            purpose: Purpose::Production,
            reasons: StopReasons::NONE,
        },
        10 => Stroke::Interrupted {
            release_seen: false,
        },
        11 => Stroke::Armed,
        12 => Stroke::ContinuousClosing {
            top_stop_pending: false,
        },
        13 => Stroke::ContinuousRunning,
        14 => Stroke::ContinuousTopStop,
        15 => Stroke::TestStroke,
        16 => Stroke::ImmediateStopping {
            reasons: StopReasons::NONE,
        },
        17 => Stroke::EmergencyStopped,
        18 => Stroke::FaultLatched,
        _ => return None,
    })
}

/// A message as a frame.
///
/// # Errors
/// Only what postcard refuses, which none of these messages is.
pub fn framed<T: Serialize>(message: &T) -> Result<Vec<u8>, postcard::Error> {
    postcard::to_stdvec_cobs(message)
}

/// The message in a frame, without or with its closing zero.
///
/// # Errors
/// When it is not one.
pub fn unframed<T: for<'a> Deserialize<'a>>(mut frame: Vec<u8>) -> Result<T, postcard::Error> {
    postcard::from_bytes_cobs(&mut frame)
}

/// Half of a controller in this process, for tests and for bridges: what the core says, as `Said`.
pub fn said(outputs: &Outputs) -> Said {
    Said {
        drive_on: outputs.valve.is_on,
        drive_after_us: units::duration_ms(outputs.valve.after).mul_add(1e3, 0.0) as u16,
        second_means: outputs.second_means,
        is_muted: outputs.is_muted,
        state: super::trace::state_number(outputs.stroke),
        mode: mode_number(outputs.mode),
        latched: numbers(outputs.latched),
        advice: numbers(outputs.advice),
        limit_channels: outputs.limit_channels.to_bits(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_and_its_number_are_one() {
        for number in 0..=18 {
            let stroke = state(number).unwrap();
            assert_eq!(crate::scenario::trace::state_number(stroke), number);
        }
        assert_eq!(state(19), None);
    }

    #[test]
    fn a_message_survives_its_frame_and_the_frame_ends_at_its_zero() {
        let answer = Answer::Tick(Said {
            drive_on: true,
            drive_after_us: 300,
            latched: vec![1, 0x41],
            ..Said::default()
        });
        let frame = framed(&answer).unwrap();
        assert_eq!(
            frame.iter().position(|byte| *byte == 0),
            Some(frame.len() - 1)
        );
        assert_eq!(unframed::<Answer>(frame).unwrap(), answer);
    }

    #[test]
    fn what_is_no_answer_is_refused_and_nothing_panics() {
        for bytes in [
            vec![],
            vec![0],
            vec![1, 0],
            vec![9; 40],
            vec![2, 7, 0],
            vec![255; 300],
        ] {
            assert!(unframed::<Answer>(bytes).is_err());
        }
        let wrong = [
            Said {
                state: 77,
                ..Said::default()
            },
            Said {
                mode: 9,
                ..Said::default()
            },
            Said {
                latched: vec![200],
                ..Said::default()
            },
            Said {
                drive_after_us: 1_000,
                ..Said::default()
            },
        ];
        for said in wrong {
            assert!(said.outputs(FaultSet::EMPTY).is_err(), "{said:?}");
        }
    }
}
