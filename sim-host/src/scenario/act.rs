//! What the operator of a scenario does, step by step. Each step waits for its moment, acts, and
//! says so when the press does not answer.

use super::when::When;
use crate::bench::Bench;
use crate::control::Control;
use crate::operator::Trouble;
use crate::units;
use serde::Deserialize;
use stopwright_core::fault_latch::Standing;
use stopwright_core::stroke::Mode;

/// An act at the press.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Act {
    /// Wait for the self-test.
    PowerUp,
    /// Turn the selector and wait until the mode is taken up.
    Select,
    /// Turn the selector and go on.
    TurnSelector,
    /// Take up the mode with the slide at the top, inching where need be.
    Ready,
    /// Single strokes from the top, `count` of them.
    SingleStroke,
    /// A supervised test stroke, stopped at `angle_deg` or at the top.
    TestStroke,
    /// Both palms down.
    PressBoth,
    /// Left palm down.
    PressLeft,
    /// Right palm down.
    PressRight,
    /// Both palms up.
    LetGo,
    /// Left palm up.
    LetGoLeft,
    /// Right palm up.
    LetGoRight,
    /// The prior action for continuous, for a moment.
    Arm,
    /// Ask for a top stop, for a moment.
    TopStop,
    /// Operate the emergency stop.
    EmergencyStop,
    /// Pull it out again.
    EmergencyRelease,
    /// Operate the stop control.
    Stop,
    /// Let it go.
    StopRelease,
    /// A hand in the presence sensing.
    Reach,
    /// The hand is out again.
    Withdraw,
    /// Open an interlocked guard.
    OpenGuard,
    /// Close it.
    CloseGuard,
    /// Turn the key for supervised work.
    TurnKey,
    /// Turn it back.
    TurnKeyBack,
    /// Reset, as `standing`.
    Reset,
    /// Switch the main motor on.
    MotorOn,
    /// Switch it off.
    MotorOff,
    /// Set the speed to `spm`.
    SetSpeed,
    /// Bar the crank by `angle_deg`.
    Bar,
    /// Nothing but wait for the moment.
    Wait,
}

/// Words for [`Act`] in a file.
pub(super) const ACTS: &[&str] = &[
    "power-up",
    "select",
    "turn-selector",
    "ready",
    "single-stroke",
    "test-stroke",
    "press-both",
    "press-left",
    "press-right",
    "let-go",
    "let-go-left",
    "let-go-right",
    "arm",
    "top-stop",
    "emergency-stop",
    "emergency-release",
    "stop",
    "stop-release",
    "reach",
    "withdraw",
    "open-guard",
    "close-guard",
    "turn-key",
    "turn-key-back",
    "reset",
    "motor-on",
    "motor-off",
    "set-speed",
    "bar",
    "wait",
];

/// Words for [`Mode`] in a file.
pub(super) const MODES: &[&str] = &["off", "barring", "inch", "single", "continuous", "test"];

/// The mode of a word out of [`MODES`].
pub(super) fn mode_named(word: &str) -> Option<Mode> {
    Some(match word {
        "off" => Mode::Off,
        "barring" => Mode::Barring,
        "inch" => Mode::Inch,
        "single" => Mode::Single,
        "continuous" => Mode::Continuous,
        "test" => Mode::Test,
        _ => return None,
    })
}

/// Words for [`Standing`] in a file.
pub(super) const STANDINGS: &[&str] = &["operator", "key-holder", "recommissioned"];

/// The standing of a word out of [`STANDINGS`].
pub(super) fn standing_named(word: &str) -> Option<Standing> {
    Some(match word {
        "operator" => Standing::Operator,
        "key-holder" => Standing::KeyHolder,
        "recommissioned" => Standing::Recommissioned,
        _ => return None,
    })
}

/// One step.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// What is done.
    pub act: Act,
    /// When.
    pub when: When,
    /// How long the moment is waited for, ms.
    pub within_ms: u32,
    /// Mode to select.
    pub mode: Mode,
    /// An angle the act needs, degrees.
    pub angle_deg: Option<f64>,
    /// Who resets.
    pub standing: Standing,
    /// A speed the act needs, strokes per minute.
    pub spm: f64,
    /// How often.
    pub count: u32,
    /// The press is not meant to answer.
    pub is_in_vain: bool,
}

/// Ticks that a button pressed for a moment is down.
const MOMENT_MS: u32 = 120;

impl Step {
    /// Does it.
    pub(super) fn act<C: Control>(&self, bench: &mut Bench<C>) -> Result<(), Trouble> {
        match self.act {
            Act::PowerUp => bench.power_up()?,
            Act::Select => bench.select(self.mode)?,
            Act::TurnSelector => bench.panel.mode = self.mode,
            Act::Ready => bench.ready_at_top(self.mode)?,
            Act::SingleStroke => {
                for _ in 0..self.count {
                    bench.single_stroke()?;
                }
            }
            Act::TestStroke => {
                bench.test_stroke(self.angle_deg)?;
            }
            Act::PressBoth => bench.press_both(),
            Act::PressLeft => bench.panel.left_pressed = true,
            Act::PressRight => bench.panel.right_pressed = true,
            Act::LetGo => bench.let_go(),
            Act::LetGoLeft => bench.panel.left_pressed = false,
            Act::LetGoRight => bench.panel.right_pressed = false,
            Act::Arm => {
                bench.panel.arm_pressed = true;
                bench.run_ms(MOMENT_MS);
                bench.panel.arm_pressed = false;
            }
            Act::TopStop => {
                bench.panel.top_stop_pressed = true;
                bench.run_ms(MOMENT_MS);
                bench.panel.top_stop_pressed = false;
            }
            Act::EmergencyStop => bench.panel.emergency_operated = true,
            Act::EmergencyRelease => bench.panel.emergency_operated = false,
            Act::Stop => bench.panel.stop_operated = true,
            Act::StopRelease => bench.panel.stop_operated = false,
            Act::Reach => bench.panel.presence_blocked = true,
            Act::Withdraw => bench.panel.presence_blocked = false,
            Act::OpenGuard => bench.panel.guard_open = true,
            Act::CloseGuard => bench.panel.guard_open = false,
            Act::TurnKey => bench.panel.key_turned = true,
            Act::TurnKeyBack => bench.panel.key_turned = false,
            Act::Reset => {
                bench.panel.reset = Some(self.standing);
                bench.tick();
            }
            Act::MotorOn => bench.plant_mut().set_motor(true),
            Act::MotorOff => bench.plant_mut().set_motor(false),
            Act::SetSpeed => bench.plant_mut().set_speed_spm(self.spm),
            Act::Bar => bench.bar_by(self.angle_deg.unwrap_or(0.0))?,
            Act::Wait => {}
        }
        Ok(())
    }

    /// In the words of the file, for a verdict.
    pub(super) fn in_words(&self) -> String {
        let index = self.act as usize;
        let mut words = ACTS.get(index).copied().unwrap_or("wait").to_owned();
        match self.act {
            Act::Select | Act::Ready | Act::TurnSelector => {
                words += &format!(" {:?}", self.mode).to_lowercase();
            }
            Act::TestStroke | Act::Bar => {
                if let Some(deg) = self.angle_deg {
                    words += &format!(" {deg} deg");
                }
            }
            Act::SetSpeed => {
                words += &format!(" {} SPM", units::speed_spm(units::speed(self.spm)).round())
            }
            _ => {}
        }
        words
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_read_as_the_act_in_its_place() {
        #[derive(Deserialize)]
        struct Holder {
            act: Act,
        }
        for (index, word) in ACTS.iter().enumerate() {
            let holder: Holder = toml::from_str(&format!("act = \"{word}\"")).expect(word);
            assert_eq!(holder.act as usize, index, "{word}");
        }
        assert_eq!(Act::Wait as usize + 1, ACTS.len());
    }
}
