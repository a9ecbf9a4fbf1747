//! What the controller sees in one tick.

use crate::angle::CrankAngle;
use crate::fault_latch::Standing;
use crate::settings::Settings;
use crate::signal::{CarrierFrame, FRAMES_PER_TICK};
use crate::stroke::Mode;
use crate::time::Instant;
use crate::two_hand::{STATIONS_MAX, Station};
use crate::valve_pair::{ELEMENTS, ElementFeedback};

/// The contacts of the mode selector, one for each mode.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
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

    /// The one mode shown, if exactly one contact is closed.
    pub fn mode(self) -> Option<Mode> {
        let modes = [
            Mode::Off,
            Mode::Barring,
            Mode::Inch,
            Mode::Single,
            Mode::Continuous,
            Mode::Test,
        ];
        modes.into_iter().find(|&mode| self == Self::at(mode))
    }
}

/// What commissioning asks of the controller.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Service<'a> {
    /// Nothing.
    #[default]
    None,
    /// Capture the electrical angle at standstill; asked for until the reply comes.
    CaptureAngle,
    /// Put checked settings in force; at standstill only.
    Adopt(&'a Settings),
}

/// Everything the controller sees in one tick. Binary facts are positive: true permits.
#[derive(Clone, Copy, Debug, PartialEq)]
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
    /// Both channels of the emergency-stop chain.
    pub emergency_chain_closed: [bool; 2],
    /// Stop control.
    pub stop_control_closed: bool,
    /// Both channels of the presence sensing.
    pub presence_clear: [bool; 2],
    /// Both channels of the guards.
    pub guards_closed: [bool; 2],
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
    /// Commissioning.
    pub service: Service<'a>,
}
