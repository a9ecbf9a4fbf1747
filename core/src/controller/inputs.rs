//! What the controller sees in one tick.

use crate::angle::CrankAngle;
use crate::contacts::Levels;
use crate::fault_latch::Standing;
use crate::job::CheckedJob;
use crate::limit_channels::ChannelSet;
use crate::peer::Received;
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

    /// The contacts by bit, in the order of [`Mode`].
    pub const fn contacts(self) -> u16 {
        self.0 as u16
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
    /// Put checked settings in force; at standstill only. A job in force ends with it.
    Adopt(&'a Settings),
    /// Put a job in force that was checked with the settings in force; at standstill only.
    AdoptJob(&'a CheckedJob),
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
    /// Commissioning.
    pub service: Service<'a>,
}
