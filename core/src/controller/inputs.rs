//! What the controller sees in one tick.

use crate::angle::CrankAngle;
use crate::contacts::Levels;
use crate::fault::FaultSet;
use crate::fault_latch::Standing;
use crate::job::CheckedJob;
use crate::limit_channels::ChannelSet;
use crate::peer::Received;
use crate::settings::Settings;
use crate::signal::{CarrierFrame, FRAMES_PER_TICK};
use crate::stroke::Mode;
use crate::time::Instant;
use crate::two_hand::{PalmContacts, STATIONS_MAX, Station};
use crate::valve_pair::{Captured, ELEMENTS, ElementFeedback};

/// The contacts of the mode selector, one for each mode.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Selector(u8);

impl Selector {
    /// The selector standing at `mode`.
    pub const fn at(mode: Mode) -> Self {
        Self(1u8.wrapping_shl(mode as u32))
    }

    /// Contacts by bit, bit 0 for off, in the order of [`Mode`].
    pub const fn from_contacts(bits: u8) -> Self {
        Self(bits)
    }

    /// The contacts by bit, in the order of [`Mode`].
    pub const fn contacts(self) -> u16 {
        self.0 as u16
    }
}

/// What commissioning asks of the controller.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Service<'a> {
    /// Nothing.
    #[default]
    None,
    /// Capture the electrical angle at standstill; asked for until the reply comes.
    CaptureAngle,
    /// Put checked settings in force; at standstill only. A job in force ends with it.
    Adopt(&'a Settings),
    /// Put a job in force that was checked with the settings in force; at standstill only.
    AdoptJob(&'a CheckedJob),
}

/// Everything the controller sees in one tick. Binary facts are positive: true permits.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Inputs<'a> {
    /// End of the last carrier frame.
    pub now: Instant,
    /// Carrier frames since the last tick, oldest first.
    pub frames: [CarrierFrame; FRAMES_PER_TICK],
    /// The same of the second resolver; looked at when the settings say that it is fitted.
    pub second_frames: [CarrierFrame; FRAMES_PER_TICK],
    /// The index switch is closed; looked at when the settings say that it is fitted.
    pub index_closed: bool,
    /// The supply is within its limits.
    pub supply_ok: bool,
    /// Palm buttons.
    pub stations: [Station; STATIONS_MAX],
    /// Mode selector.
    pub selector: Selector,
    /// Emergency-stop chain: on is closed.
    pub emergency_chain: Levels,
    /// Stop control.
    pub stop_control_closed: bool,
    /// Presence sensing: on is clear.
    pub presence: Levels,
    /// Guards: on is closed.
    pub guards: Levels,
    /// Main motor runs forward.
    pub motor_forward: bool,
    /// Motor off and flywheel at rest.
    pub drive_at_rest: bool,
    /// Clutch air in its window.
    pub clutch_air_ok: bool,
    /// Counterbalance air in its window.
    pub counterbalance_air_ok: bool,
    /// The brake is no warmer than the stops were commissioned with.
    pub brake_temperature_ok: bool,
    /// Lubrication, die protection, overload.
    pub auxiliaries_ok: bool,
    /// Key for supervised work.
    pub key_turned: bool,
    /// Valve elements.
    pub valve: [ElementFeedback; ELEMENTS],
    /// Prior action for continuous.
    pub arm_pressed: bool,
    /// Top stop wanted.
    pub top_stop_pressed: bool,
    /// Reset, with the standing of who asks.
    pub reset: Option<Standing>,
    /// In the test mode: stop at this angle; without it, at the top.
    pub test_angle: Option<CrankAngle>,
    /// Limit channels as they are read back.
    pub limit_read_back: ChannelSet,
    /// A message of the other channel that came since the last tick.
    pub peer: Option<Received>,
    /// A second oscillator, to compare the tick clock with.
    pub second_clock: Option<Instant>,
    /// Faults found by what runs outside the tick: store, journal, press identity, memory test.
    pub reported: FaultSet,
    /// Commissioning.
    pub service: Service<'a>,
}

impl Inputs<'_> {
    /// Nothing connected: no signal, nothing permitted. What a board starts from.
    pub const fn dead(now: Instant) -> Self {
        const OFF: Levels = Levels {
            first: false,
            second: false,
        };
        const NO_STATION: Station = Station {
            is_active: false,
            left: PalmContacts::RELEASED,
            right: PalmContacts::RELEASED,
        };
        const NOT_SHIFTED: Captured = Captured {
            is_on: false,
            changed_at: Instant::from_micros(0),
        };
        Self {
            now,
            frames: [CarrierFrame::SILENT; FRAMES_PER_TICK],
            second_frames: [CarrierFrame::SILENT; FRAMES_PER_TICK],
            index_closed: false,
            supply_ok: false,
            stations: [NO_STATION; STATIONS_MAX],
            selector: Selector(0),
            emergency_chain: OFF,
            stop_control_closed: false,
            presence: OFF,
            guards: OFF,
            motor_forward: false,
            drive_at_rest: false,
            clutch_air_ok: false,
            counterbalance_air_ok: false,
            brake_temperature_ok: false,
            auxiliaries_ok: false,
            key_turned: false,
            valve: [ElementFeedback {
                coil: NOT_SHIFTED,
                shifted: NOT_SHIFTED,
            }; ELEMENTS],
            arm_pressed: false,
            top_stop_pressed: false,
            reset: None,
            test_angle: None,
            limit_read_back: ChannelSet::EMPTY,
            peer: None,
            second_clock: None,
            reported: FaultSet::EMPTY,
            service: Service::None,
        }
    }
}
