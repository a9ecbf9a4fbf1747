//! Every state, every event and every circumstance of the stroke logic.

use stopwright_core::stroke::{Circumstances, Event, Mode, Purpose, Rest, StopReasons, Stroke};

/// In the order in which events of one tick are taken.
pub(crate) const EVENTS: [Event; 24] = [
    Event::PowerFails,
    Event::FaultImmediate,
    Event::EmergencyStop,
    Event::StopOverdue,
    Event::PermissiveLost,
    Event::StopControl,
    Event::ModeChanged,
    Event::PresenceBlocked,
    Event::HandReleased,
    Event::FaultTop,
    Event::PermissiveLostTop,
    Event::TopStopRequested,
    Event::TakeOver,
    Event::MuteEnd,
    Event::TestAngle,
    Event::ReleaseAngle,
    Event::Standstill,
    Event::HandsLate,
    Event::HandsReleased,
    Event::ArmRequested,
    Event::ArmTimeout,
    Event::Reset,
    Event::SelfTestPassed,
    Event::HandsBoth,
];

pub(crate) const MODES: [Mode; 6] = [
    Mode::Off,
    Mode::Barring,
    Mode::Inch,
    Mode::Single,
    Mode::Continuous,
    Mode::Test,
];

pub(crate) const RESTS: [Rest; 4] = [Rest::Short, Rest::InWindow, Rest::Late, Rest::Overrun];

pub(crate) const PURPOSES: [Purpose; 3] = [Purpose::Production, Purpose::Inch, Purpose::Test];

pub(crate) const REASONS: [StopReasons; 6] = [
    StopReasons::EMERGENCY,
    StopReasons::FAULT,
    StopReasons::INTERRUPTED,
    StopReasons::MODE,
    StopReasons::LET_GO,
    StopReasons::TEST_ANGLE,
];

/// States without data of their own.
pub(crate) const PLAIN: [Stroke; 15] = [
    Stroke::PowerUp,
    Stroke::Off,
    Stroke::Barring,
    Stroke::WaitRelease,
    Stroke::Ready,
    Stroke::ReadyAwayFromTop,
    Stroke::Inching,
    Stroke::Closing,
    Stroke::Opening,
    Stroke::Armed,
    Stroke::ContinuousRunning,
    Stroke::ContinuousTopStop,
    Stroke::TestStroke,
    Stroke::EmergencyStopped,
    Stroke::FaultLatched,
];

/// Every set of reasons.
fn reason_sets() -> impl Iterator<Item = StopReasons> {
    (0..1u32 << REASONS.len()).map(|bits| {
        let chosen = REASONS
            .iter()
            .enumerate()
            .filter(|(bit, _)| bits >> bit & 1 != 0);
        chosen.fold(StopReasons::NONE, |set, (_, &reason)| set.and(reason))
    })
}

/// Every state, with every set of data it can carry.
pub(crate) fn states() -> Vec<Stroke> {
    let mut states = PLAIN.to_vec();
    for flag in [false, true] {
        states.push(Stroke::Interrupted { release_seen: flag });
        states.push(Stroke::ContinuousClosing {
            top_stop_pending: flag,
        });
    }
    for reasons in reason_sets() {
        states.push(Stroke::ImmediateStopping { reasons });
        let top = |purpose| Stroke::TopStopping { purpose, reasons };
        states.extend(PURPOSES.map(top));
    }
    states
}

/// How many circumstances there are.
pub(crate) const CIRCUMSTANCES: u32 = (MODES.len() as u32 * RESTS.len() as u32) << 11;

/// The circumstances of a number below [`CIRCUMSTANCES`].
pub(crate) fn circumstances(number: u32) -> Circumstances {
    let bit = |place: u32| number >> place & 1 != 0;
    let choice = number as usize >> 11;
    Circumstances {
        mode: MODES[choice % MODES.len()],
        rest: RESTS[choice / MODES.len()],
        may_start: bit(0),
        may_bar: bit(1),
        is_latched: bit(2),
        is_emergency: bit(3),
        hands_released: bit(4),
        is_in_top_window: bit(5),
        is_closing: bit(6),
        presence_clear: bit(7),
        is_muted: bit(8),
        is_two_hand_setup: bit(9),
        is_past_latch_limit: bit(10),
    }
}
