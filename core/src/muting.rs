//! Muting of presence sensing: computed each tick from state, direction, angle, trust and index; never
//! a remembered bit. Only the opening stroke may be muted (OSHA 1910.217(c)(3)(iii)(d)).

use crate::angle::{AngleWindow, CrankAngle};
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::stroke::{Purpose, Stroke};

/// Whether presence sensing is muted now. `is_proven` says that whatever is fitted beside the resolver
/// has proven the angle; `mute_end` is the last muted angle.
pub fn is_muted(
    state: Stroke,
    reading: Option<&CrankReading>,
    is_proven: bool,
    mute_end: CrankAngle,
) -> bool {
    let opening = AngleWindow {
        from: CrankAngle::BOTTOM_DEAD_CENTRE,
        to: mute_end,
    };
    let in_opening = reading.is_some_and(|reading| {
        reading.speed() >= CrankSpeed::ZERO && opening.contains(reading.angle())
    });
    let state_allows = match state {
        Stroke::Opening
        | Stroke::ContinuousRunning
        | Stroke::ContinuousTopStop
        | Stroke::TopStopping {
            purpose: Purpose::Production,
            ..
        } => true,
        Stroke::PowerUp
        | Stroke::Off
        | Stroke::Barring
        | Stroke::WaitRelease
        | Stroke::Ready
        | Stroke::ReadyAwayFromTop
        | Stroke::Inching
        | Stroke::Closing
        | Stroke::TopStopping { .. }
        | Stroke::Interrupted { .. }
        | Stroke::Armed
        | Stroke::ContinuousClosing { .. }
        | Stroke::TestStroke
        | Stroke::ImmediateStopping { .. }
        | Stroke::EmergencyStopped
        | Stroke::FaultLatched => false,
    };
    state_allows && in_opening && is_proven
}
