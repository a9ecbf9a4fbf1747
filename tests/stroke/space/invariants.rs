//! What must never happen, judged tick by tick; and what must happen somewhere, so that the walk
//! is known to have met the hard cases.

use super::press::{Action, Condition, Press, Sector, State, Tick};
use stateright::Property;
use stopwright_core::fault::{FaultCode, Reaction, ResetRule};
use stopwright_core::fault_latch::Standing;
use stopwright_core::stroke::{Mode, Purpose, StopReasons, Stroke};

/// An invariant: its sentence, and whether a tick keeps it.
type Invariant = (&'static str, fn(&Tick<'_>) -> bool);

/// Something about a state, in the terms of the checker.
type Judgement = fn(&Press, &State) -> bool;

pub(crate) const PERMIT: &str = "the valve is on only with a valid permit";
pub(crate) const LATCH: &str = "the valve is off while a fault that stops at once is latched";
pub(crate) const RELEASE: &str =
    "no run but continuous, and not that with a fault latched, goes past its release angle";
pub(crate) const ACTUATION: &str = "nothing but an actuation of both hands starts the slide";
pub(crate) const ONE_STROKE: &str = "the slide never moves twice on one actuation";
pub(crate) const CURTAIN: &str = "a blocked field that is not muted stops a production stroke";
pub(crate) const MUTE_ARC: &str = "muted in the opening part of the stroke only";
pub(crate) const MUTE_STATE: &str = "muted in production strokes only";
pub(crate) const MUTE_REVERSE: &str = "never muted in reverse";
pub(crate) const MUTE_TRUST: &str = "never muted on an untrusted angle";
pub(crate) const MUTE_INDEX: &str = "never muted on an angle that the index has not proven";
pub(crate) const STOP: &str = "a stop neither starts over nor changes its class";
pub(crate) const RESET: &str =
    "a latch is cleared by a reset alone, of the right standing, with its cause gone";
pub(crate) const SHOWN: &str = "a press that stands with a fault latched says so";
pub(crate) const EMERGENCY: &str = "an emergency stop is left by a reset alone";
pub(crate) const DEAD_END: &str = "no state is a dead end short of power-off";

const TICKS: [Invariant; 15] = [
    (PERMIT, |tick| !drives(tick.after) || tick.permit.run),
    (LATCH, |tick| {
        let stops_at_once = |code: FaultCode| code.reaction() >= Reaction::ImmediateStop;
        !drives(tick.after) || !tick.after.latched.iter().any(stops_at_once)
    }),
    (RELEASE, |tick| {
        let passes = tick.action == Action::Turn && tick.after.sector == Sector::BeforeTop;
        let may_go_on =
            tick.before.stroke == Stroke::ContinuousRunning && tick.before.latched.is_empty();
        !(passes && drives(tick.before) && drives(tick.after)) || may_go_on
    }),
    (ACTUATION, |tick| {
        let is_actuation = matches!(tick.action, Action::PressBoth | Action::PressAgain);
        !starts(tick) || is_actuation
    }),
    (ONE_STROKE, |tick| !starts(tick) || !tick.before.has_moved),
    (CURTAIN, |tick| {
        let is_production = drives(tick.after)
            && !matches!(tick.after.stroke, Stroke::Inching | Stroke::TestStroke);
        !(is_production && tick.after.bad.has(Condition::Presence)) || tick.was_muted
    }),
    (MUTE_ARC, |tick| {
        !tick.is_muted || tick.after.sector == Sector::Opening
    }),
    (MUTE_STATE, |tick| {
        let is_production = matches!(
            tick.after.stroke,
            Stroke::Opening
                | Stroke::ContinuousRunning
                | Stroke::ContinuousTopStop
                | Stroke::TopStopping {
                    purpose: Purpose::Production,
                    ..
                }
        );
        !tick.is_muted || is_production
    }),
    (MUTE_REVERSE, |tick| {
        !tick.is_muted || !tick.after.is_reverse
    }),
    (MUTE_TRUST, |tick| {
        !tick.is_muted || !tick.after.bad.has(Condition::Angle)
    }),
    (MUTE_INDEX, |tick| {
        !tick.is_muted || !tick.after.bad.has(Condition::Index)
    }),
    (STOP, |tick| match (class(tick.before), class(tick.after)) {
        (Some((before, old)), Some((after, new))) => before == after && new.has(old),
        // A stop ends at rest, or because the crank will not come to rest, or without power.
        (Some(_), None) => {
            tick.after.stroke.is_standing()
                && matches!(
                    tick.action,
                    Action::Rest | Action::TurnOn | Action::LosePower
                )
        }
        (None, _) => true,
    }),
    (RESET, |tick| {
        let (before, after) = (tick.before.latched, tick.after.latched);
        let mut gone = before.iter().filter(|&code| !after.contains(code));
        before == after
            || gone.all(|code| match tick.action {
                Action::Reset { by, cause_remains } => !cause_remains && may_reset(by, code),
                _ => false,
            })
    }),
    (SHOWN, |tick| {
        let says_so = matches!(tick.after.stroke, Stroke::FaultLatched | Stroke::PowerUp);
        !tick.after.stroke.is_standing() || tick.after.latched.is_empty() || says_so
    }),
    (EMERGENCY, |tick| {
        let leaves = tick.before.stroke == Stroke::EmergencyStopped
            && tick.after.stroke != Stroke::EmergencyStopped;
        let is_reset = matches!(tick.action, Action::Reset { .. });
        let is_graver = matches!(tick.after.stroke, Stroke::FaultLatched | Stroke::PowerUp);
        !leaves || is_reset || is_graver
    }),
];

/// The invariants that a tick has broken, by their place in the list.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Broken(u16);

pub(crate) fn broken_by(tick: &Tick<'_>) -> Broken {
    let broken = TICKS
        .iter()
        .enumerate()
        .filter(|(_, (_, holds))| !holds(tick));
    Broken(broken.fold(0, |bits, (place, _)| bits | 1 << place))
}

fn drives(state: &State) -> bool {
    state.stroke.drives_valve()
}

fn starts(tick: &Tick<'_>) -> bool {
    drives(tick.after) && !drives(tick.before)
}

/// Class and reasons of a stop.
fn class(state: &State) -> Option<(Option<Purpose>, StopReasons)> {
    match state.stroke {
        Stroke::TopStopping { purpose, reasons } => Some((Some(purpose), reasons)),
        Stroke::ImmediateStopping { reasons } => Some((None, reasons)),
        _ => None,
    }
}

/// The reset rules, told once more.
fn may_reset(by: Standing, code: FaultCode) -> bool {
    let enough = match code.reset_rule() {
        ResetRule::ByItself | ResetRule::Operator => Standing::Operator,
        ResetRule::KeyHolder => Standing::KeyHolder,
        ResetRule::Recommissioning => Standing::Recommissioned,
    };
    by >= enough
}

/// Whether the tick that led here kept the invariant in this place of the list.
fn kept<const PLACE: usize>(_: &Press, state: &State) -> bool {
    state.broken.0 >> PLACE & 1 == 0
}

const KEPT: [Judgement; TICKS.len()] = [
    kept::<0>, kept::<1>, kept::<2>, kept::<3>, kept::<4>, kept::<5>, kept::<6>, kept::<7>,
    kept::<8>, kept::<9>, kept::<10>, kept::<11>, kept::<12>, kept::<13>, kept::<14>,
];

/// Met somewhere in the walk: every kind of state, and the cases an invariant speaks of.
const MET: [(&str, Judgement); 22] = [
    ("off", |_, state| state.stroke == Stroke::Off),
    ("barring", |_, state| state.stroke == Stroke::Barring),
    ("wait for release", |_, state| {
        state.stroke == Stroke::WaitRelease
    }),
    ("ready", |_, state| state.stroke == Stroke::Ready),
    ("ready away from top", |_, state| {
        state.stroke == Stroke::ReadyAwayFromTop
    }),
    ("inching", |_, state| state.stroke == Stroke::Inching),
    ("closing", |_, state| state.stroke == Stroke::Closing),
    ("opening", |_, state| state.stroke == Stroke::Opening),
    ("top stop of production", |_, state| {
        is_top(state, Purpose::Production)
    }),
    ("top stop of an inch", |_, state| {
        is_top(state, Purpose::Inch)
    }),
    ("top stop of a test", |_, state| {
        is_top(state, Purpose::Test)
    }),
    ("interrupted", |_, state| {
        matches!(state.stroke, Stroke::Interrupted { .. })
    }),
    ("armed", |_, state| state.stroke == Stroke::Armed),
    ("continuous, closing", |_, state| {
        matches!(state.stroke, Stroke::ContinuousClosing { .. })
    }),
    ("continuous, running", |_, state| {
        state.stroke == Stroke::ContinuousRunning
    }),
    ("continuous, top stop asked", |_, state| {
        state.stroke == Stroke::ContinuousTopStop
    }),
    ("test stroke", |_, state| state.stroke == Stroke::TestStroke),
    ("emergency stopped", |_, state| {
        state.stroke == Stroke::EmergencyStopped
    }),
    ("every class latched", |_, state| {
        state.latched.iter().count() == 3
    }),
    ("driven with a fault of the top-stop class", |_, state| {
        drives(state) && !state.latched.is_empty()
    }),
    ("a field blocked and muted while driven", |_, state| {
        drives(state) && state.bad.has(Condition::Presence) && state.mode == Mode::Single
    }),
    ("driven and turning back", |_, state| {
        drives(state) && state.is_reverse
    }),
];

fn is_top(state: &State, wanted: Purpose) -> bool {
    matches!(state.stroke, Stroke::TopStopping { purpose, .. } if purpose == wanted)
}

/// All of it, in the terms of the checker.
pub(crate) fn properties() -> Vec<Property<Press>> {
    let kept = TICKS.iter().zip(KEPT);
    let mut all: Vec<_> = kept
        .map(|((name, _), kept)| Property::always(name, kept))
        .collect();
    all.push(Property::always(DEAD_END, Press::can_be_recovered));
    all.extend(MET.map(|(name, met)| Property::sometimes(name, met)));
    all
}
