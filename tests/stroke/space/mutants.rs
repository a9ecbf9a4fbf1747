//! The logic with one guard taken away.

use super::invariants::{
    ACTUATION, CURTAIN, DEAD_END, EMERGENCY, LATCH, MUTE_ARC, MUTE_INDEX, MUTE_REVERSE, MUTE_STATE,
    MUTE_TRUST, ONE_STROKE, PERMIT, RELEASE, RESET, SHOWN, STOP,
};
use super::logic::{Belief, Logic, MUTE_END, Step};
use super::press::{FAULTS, Press};
use stopwright_core::angle::{AngleWindow, CrankAngle};
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::Standing;
use stopwright_core::muting;
use stopwright_core::receiver::CrankReading;
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stroke::{Circumstances, Event, Mode, StopReasons, Stroke};

/// A guard taken away.
pub(crate) struct Mutant {
    /// What is wrong with it.
    pub(crate) what: &'static str,
    /// The invariant it must break, and no other.
    pub(crate) breaks: &'static str,
    /// The mode in which that shows.
    modes: &'static [Mode],
    logic: Logic,
}

impl Mutant {
    /// It runs in a smaller world: one mode besides off, one condition bad at a time, two faults.
    pub(crate) fn press(&self) -> Press {
        Press {
            logic: self.logic,
            modes: self.modes,
            bad_max: 1,
            faults: &FAULTS[..2],
        }
    }
}

const fn with_step(step: Step) -> Logic {
    Logic {
        step,
        ..Logic::CORE
    }
}

const SINGLE: &[Mode] = &[Mode::Off, Mode::Single];
const CONTINUOUS: &[Mode] = &[Mode::Off, Mode::Continuous];
const INCH: &[Mode] = &[Mode::Off, Mode::Inch];

pub(crate) const MUTANTS: [Mutant; 23] = [
    Mutant {
        what: "a lost permissive does not stop",
        breaks: PERMIT,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match event {
            Event::PermissiveLost if stroke.drives_valve() => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a start does not ask for the permit",
        breaks: PERMIT,
        modes: INCH,
        logic: with_step(|stroke, event, now| {
            let may_start = now.may_start || event == Event::HandsBoth;
            stroke.step(event, &Circumstances { may_start, ..*now })
        }),
    },
    Mutant {
        what: "a fault that stops at once does not stop",
        breaks: LATCH,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match event {
            Event::FaultImmediate if stroke.drives_valve() => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "the release angle does not end an opening stroke",
        breaks: RELEASE,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::Opening, Event::ReleaseAngle) => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a fault of the top-stop class is dropped in continuous running",
        breaks: RELEASE,
        modes: CONTINUOUS,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::ContinuousRunning, Event::FaultTop) => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "the same, while the first stroke of continuous closes",
        breaks: RELEASE,
        modes: CONTINUOUS,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::ContinuousClosing { .. }, Event::FaultTop) => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "the prior action for continuous starts",
        breaks: ACTUATION,
        modes: CONTINUOUS,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::Ready, Event::ArmRequested) => {
                stroke.step(event, now).step(Event::HandsBoth, now)
            }
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a finished stroke does not wait for the release of all hands",
        breaks: ONE_STROKE,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match stroke.step(event, now) {
            Stroke::WaitRelease if event == Event::Standstill => Stroke::Ready,
            next => next,
        }),
    },
    Mutant {
        what: "an interrupted stroke is resumed without a release",
        breaks: ONE_STROKE,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::Interrupted { .. }, Event::HandsBoth) => {
                Stroke::Interrupted { release_seen: true }.step(event, now)
            }
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a blocked field does not stop the opening stroke",
        breaks: CURTAIN,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::Opening, Event::PresenceBlocked) => stroke,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "muting does not ask for the angle",
        breaks: MUTE_ARC,
        modes: CONTINUOUS,
        logic: Logic {
            mute: |stroke, reading, belief| {
                is_believed(belief) && is_forward(reading) && mutes(stroke)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "muting does not ask for the state",
        breaks: MUTE_STATE,
        modes: INCH,
        logic: Logic {
            mute: |_, reading, belief| {
                is_believed(belief) && is_forward(reading) && is_opening(reading)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "muting does not ask for the direction",
        breaks: MUTE_REVERSE,
        modes: CONTINUOUS,
        logic: Logic {
            mute: |stroke, reading, belief| {
                is_believed(belief) && is_opening(reading) && mutes(stroke)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "muting takes an angle that nobody trusts",
        breaks: MUTE_TRUST,
        modes: SINGLE,
        logic: Logic {
            mute: |stroke, reading, belief| {
                muting::is_muted(stroke, Some(reading), belief.is_proven, MUTE_END)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "muting takes an angle that the index has not proven",
        breaks: MUTE_INDEX,
        modes: SINGLE,
        logic: Logic {
            mute: |stroke, reading, belief| {
                let reading = Some(reading).filter(|_| belief.is_trusted);
                muting::is_muted(stroke, reading, true, MUTE_END)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "the stop control turns a top stop into an immediate one",
        breaks: STOP,
        modes: SINGLE,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::TopStopping { reasons, .. }, Event::StopControl) => {
                Stroke::ImmediateStopping { reasons }
            }
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a second reason takes the place of the first",
        breaks: STOP,
        modes: INCH,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::ImmediateStopping { .. }, Event::EmergencyStop) => Stroke::ImmediateStopping {
                reasons: StopReasons::EMERGENCY,
            },
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "the operator resets everything",
        breaks: RESET,
        modes: INCH,
        logic: Logic {
            reset: |latched, _, present| {
                (Logic::CORE.reset)(latched, Standing::Recommissioned, present)
            },
            ..Logic::CORE
        },
    },
    Mutant {
        what: "a reset does not ask for the cause",
        breaks: RESET,
        modes: INCH,
        logic: Logic {
            reset: |latched, by, _| (Logic::CORE.reset)(latched, by, FaultSet::EMPTY),
            ..Logic::CORE
        },
    },
    Mutant {
        what: "switching off and on clears the latch",
        breaks: RESET,
        modes: INCH,
        logic: Logic {
            power_up: |_| FaultSet::EMPTY,
            ..Logic::CORE
        },
    },
    Mutant {
        what: "a stop with a fault latched ends as if there were none",
        breaks: SHOWN,
        modes: INCH,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::ImmediateStopping { .. }, Event::Standstill) => Stroke::WaitRelease,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "the mode selector leads out of an emergency stop",
        breaks: EMERGENCY,
        modes: INCH,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::EmergencyStopped, Event::ModeChanged) => Stroke::Off,
            _ => stroke.step(event, now),
        }),
    },
    Mutant {
        what: "a latched fault can not be reset",
        breaks: DEAD_END,
        modes: INCH,
        logic: with_step(|stroke, event, now| match (stroke, event) {
            (Stroke::FaultLatched, Event::Reset) => stroke,
            _ => stroke.step(event, now),
        }),
    },
];

fn is_believed(belief: Belief) -> bool {
    belief.is_trusted && belief.is_proven
}

fn is_forward(reading: &CrankReading) -> bool {
    reading.speed() >= CrankSpeed::ZERO
}

fn is_opening(reading: &CrankReading) -> bool {
    let opening = AngleWindow {
        from: CrankAngle::BOTTOM_DEAD_CENTRE,
        to: MUTE_END,
    };
    opening.contains(reading.angle())
}

/// The states that the core mutes in, wherever the crank is.
fn mutes(stroke: Stroke) -> bool {
    let opening = super::readings::reading(super::press::Sector::Opening, false);
    muting::is_muted(stroke, Some(opening), true, MUTE_END)
}
