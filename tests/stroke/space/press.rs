//! A press reduced to what the stroke logic can tell apart: a crank of five sectors, hands, a
//! selector, six conditions, and a latch with one fault of each class that the stroke
//! tells apart. Whatever people, machine and faults may do is an action; each is one tick, taken in
//! the order of the controller's own.
//!
//! ```text
//!   top        closing       opening      after mute end    before the top
//! -10..10     10..180       180..300        300..315          315..350      degrees
//!           take-over ^    mute end ^       release ^
//! ```

use super::invariants::{self, Broken};
use super::logic::{Belief, Logic};
use super::readings::reading;
use crate::all::MODES;
use stateright::{Model, Property};
use std::sync::LazyLock;
use stopwright_core::fault::{FaultCode, FaultSet, Reaction};
use stopwright_core::fault_latch::Standing;
use stopwright_core::interlock::{self, Permit};
use stopwright_core::stroke::{Circumstances, Event, Mode, Purpose, Rest, Stroke};

/// Where the crank is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Sector {
    Top,
    Closing,
    Opening,
    AfterMuteEnd,
    BeforeTop,
}

impl Sector {
    pub(crate) const ALL: [Self; 5] = [
        Self::Top,
        Self::Closing,
        Self::Opening,
        Self::AfterMuteEnd,
        Self::BeforeTop,
    ];

    pub(crate) const fn middle_deg(self) -> f64 {
        match self {
            Self::Top => 0.0,
            Self::Closing => 95.0,
            Self::Opening => 240.0,
            Self::AfterMuteEnd => 307.5,
            Self::BeforeTop => 332.5,
        }
    }

    fn turned(self, steps: usize) -> Self {
        Self::ALL[(self as usize + steps) % Self::ALL.len()]
    }
}

/// The operator's hands as the two-hand logic sees them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Hands {
    /// All off the buttons, for long enough.
    Released,
    /// Something is pressed that is no valid actuation.
    Unclear,
    /// A valid actuation is held.
    Held,
}

/// What may go wrong and right again at any time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Condition {
    /// Presence sensing is blocked.
    Presence,
    /// The emergency stop is operated.
    Emergency,
    /// A permissive that stops at once is missing: in barring the drive's standing still,
    /// elsewhere the clutch air.
    Means,
    /// A permissive that lets the stroke finish is missing.
    Auxiliaries,
    /// The crank angle is not trusted.
    Angle,
    /// The index has not proven the angle, as before its first edge.
    Index,
}

impl Condition {
    const ALL: [Self; 6] = [
        Self::Presence,
        Self::Emergency,
        Self::Means,
        Self::Auxiliaries,
        Self::Angle,
        Self::Index,
    ];
}

/// The conditions that are bad now, by bit.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub(crate) struct Bad(u8);

impl Bad {
    pub(crate) const fn has(self, condition: Condition) -> bool {
        self.0 >> condition as u8 & 1 != 0
    }

    const fn toggled(self, condition: Condition) -> Self {
        Self(self.0 ^ 1 << condition as u8)
    }
}

/// The press between two ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) struct State {
    pub(crate) stroke: Stroke,
    pub(crate) latched: FaultSet,
    pub(crate) mode: Mode,
    pub(crate) hands: Hands,
    pub(crate) sector: Sector,
    pub(crate) is_reverse: bool,
    pub(crate) bad: Bad,
    /// The slide has moved since all hands were last released.
    pub(crate) has_moved: bool,
    /// The invariants that the tick which led here has broken.
    pub(crate) broken: Broken,
}

/// What can happen in one tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Action {
    Wait,
    /// The crank goes on into the next sector.
    Turn,
    /// It goes back into the one before.
    TurnBack,
    /// It comes to rest.
    Rest,
    /// It still turns, long after the stop command.
    TurnOn,
    /// All hands go off the buttons.
    Release,
    /// One of the hands that hold goes off its button.
    LetGo,
    /// Both hands, together.
    PressBoth,
    /// One hand alone, or the second too late.
    PressOne,
    /// The two-hand logic fails: it reports an actuation that no release came before.
    PressAgain,
    Select(Mode),
    Change(Condition),
    PressStop,
    AskTopStop,
    Arm,
    WaitTooLong,
    ReachTestAngle,
    PassSelfTest,
    Raise(FaultCode),
    /// Reset; the causes of what is latched may still be there.
    Reset {
        by: Standing,
        cause_remains: bool,
    },
    LosePower,
}

/// One fault of each class, and of each reset rule: a top stop that the operator resets, an
/// immediate stop that takes the key, and a stop by the second means that takes commissioning.
pub(crate) const FAULTS: [FaultCode; 3] = [
    FaultCode::Overspeed,
    FaultCode::StoredFault,
    FaultCode::StopNotEnding,
];

/// One tick, for the invariants to judge.
pub(crate) struct Tick<'a> {
    pub(crate) before: &'a State,
    pub(crate) action: Action,
    pub(crate) after: &'a State,
    pub(crate) permit: Permit,
    /// Muting while the stroke was decided, and after it.
    pub(crate) was_muted: bool,
    pub(crate) is_muted: bool,
}

/// The model: the logic it runs on and how far the world around it may go.
#[derive(Clone, Copy)]
pub(crate) struct Press {
    pub(crate) logic: Logic,
    /// Positions of the selector.
    pub(crate) modes: &'static [Mode],
    /// How many conditions may be bad at the same time.
    pub(crate) bad_max: u32,
    /// What may latch.
    pub(crate) faults: &'static [FaultCode],
}

impl Press {
    /// The core in the whole of the reduced world.
    pub(crate) const WHOLE: Self = Self {
        logic: Logic::CORE,
        modes: &MODES,
        bad_max: 6,
        faults: &FAULTS,
    };

    fn may(&self, state: &State, action: Action) -> bool {
        let stroke = state.stroke;
        match action {
            Action::Wait | Action::LosePower | Action::AskTopStop | Action::PressStop => true,
            Action::Turn => !stroke.is_standing() || stroke == Stroke::Barring,
            Action::TurnBack => !stroke.is_standing() && !state.is_reverse,
            Action::Rest => stroke.is_stopping(),
            Action::TurnOn => {
                stroke.is_stopping() && self.faults.contains(&FaultCode::StopNotEnding)
            }
            Action::Release => state.hands != Hands::Released,
            Action::LetGo => state.hands == Hands::Held,
            Action::PressBoth | Action::PressOne => state.hands == Hands::Released,
            Action::PressAgain => state.hands != Hands::Released,
            Action::Select(mode) => self.modes.contains(&mode) && mode != state.mode,
            Action::Change(condition) => {
                state.bad.toggled(condition).0.count_ones() <= self.bad_max
            }
            Action::Arm => stroke == Stroke::Ready,
            Action::WaitTooLong => stroke == Stroke::Armed,
            Action::ReachTestAngle => stroke == Stroke::TestStroke,
            Action::PassSelfTest => stroke == Stroke::PowerUp && !state.bad.has(Condition::Angle),
            Action::Raise(code) => self.faults.contains(&code) && !state.latched.contains(code),
            // A reset that finds nothing to clear, or comes while the slide moves, is tried with
            // the full standing only.
            Action::Reset { by, cause_remains } => {
                let clears = !state.latched.is_empty() && stroke.is_standing();
                clears || (by == Standing::Recommissioned && !cause_remains)
            }
        }
    }

    /// One tick.
    pub(crate) fn tick(&self, before: &State, action: Action) -> State {
        let mut after = *before;
        after.surroundings(action);
        let raised = raised(before, action);
        after.latched = raised.map_or(after.latched, |code| after.latched.with(code));
        if let Action::Reset { by, cause_remains } = action {
            let present = if cause_remains {
                after.latched
            } else {
                FaultSet::EMPTY
            };
            if before.stroke.is_standing() {
                after.latched = (self.logic.reset)(after.latched, by, present);
            }
        }
        let permit = after.permit(action);
        let was_muted = self.mutes(&after);
        let now = after.circumstances(permit, was_muted);
        for event in events(before, action, &after, raised, permit) {
            after.stroke = (self.logic.step)(after.stroke, event, &now);
        }
        if action == Action::LosePower {
            after.latched = (self.logic.power_up)(after.latched);
        }
        let starts = after.stroke.drives_valve() && !before.stroke.drives_valve();
        after.has_moved = after.hands != Hands::Released && (before.has_moved || starts);
        let tick = Tick {
            before,
            action,
            permit,
            was_muted,
            is_muted: self.mutes(&after),
            after: &after,
        };
        after.broken = invariants::broken_by(&tick);
        after
    }

    fn mutes(&self, state: &State) -> bool {
        let reading = reading(state.sector, state.is_reverse);
        let belief = Belief {
            is_trusted: !state.bad.has(Condition::Angle),
            is_proven: !state.bad.has(Condition::Index),
        };
        (self.logic.mute)(state.stroke, reading, belief)
    }

    /// Whether one and the same procedure gets the press out of this state. One that moves is made
    /// to stand; one that stands is made ready to move: take the hands away, put every condition
    /// right, reset with the full standing, select inching, and press.
    pub(crate) fn can_be_recovered(&self, state: &State) -> bool {
        if !state.stroke.is_standing() {
            let stopped = self.tick(state, Action::PressStop);
            return self.tick(&stopped, Action::Rest).stroke.is_standing();
        }
        let mut state = *state;
        for _ in 0..RECOVERY_TICKS {
            state = self.tick(&state, recovery(&state));
            if state.stroke.drives_valve() {
                return true;
            }
        }
        false
    }
}

/// Every condition bad, hands on, self-test, reset, selector, two ticks to be ready, and to press.
const RECOVERY_TICKS: usize = 13;

/// The next step for a press that stands.
fn recovery(state: &State) -> Action {
    let bad = Condition::ALL
        .into_iter()
        .find(|&condition| state.bad.has(condition));
    match (state.stroke, bad) {
        _ if state.hands != Hands::Released => Action::Release,
        (_, Some(condition)) => Action::Change(condition),
        (Stroke::PowerUp, None) => Action::PassSelfTest,
        (Stroke::FaultLatched | Stroke::EmergencyStopped, None) => Action::Reset {
            by: Standing::Recommissioned,
            cause_remains: false,
        },
        _ if state.mode != Mode::Inch => Action::Select(Mode::Inch),
        (Stroke::Off | Stroke::WaitRelease, None) => Action::Wait,
        _ => Action::PressBoth,
    }
}

impl State {
    /// The moment the supply comes on, wherever the slide was left.
    fn at_power_up(sector: Sector) -> Self {
        Self {
            stroke: Stroke::PowerUp,
            latched: FaultSet::EMPTY,
            mode: Mode::Off,
            hands: Hands::Released,
            sector,
            is_reverse: false,
            bad: Bad::default(),
            has_moved: false,
            broken: Broken::default(),
        }
    }

    /// What the action does to everything but the logic.
    fn surroundings(&mut self, action: Action) {
        match action {
            Action::Turn => {
                self.sector = self.sector.turned(1);
                self.is_reverse = false;
            }
            Action::TurnBack => {
                self.sector = self.sector.turned(Sector::ALL.len() - 1);
                self.is_reverse = true;
            }
            Action::Rest | Action::LosePower => self.is_reverse = false,
            Action::Release => self.hands = Hands::Released,
            Action::LetGo | Action::PressOne => self.hands = Hands::Unclear,
            Action::PressBoth | Action::PressAgain => self.hands = Hands::Held,
            Action::Select(mode) => self.mode = mode,
            Action::Change(condition) => self.bad = self.bad.toggled(condition),
            Action::Wait
            | Action::TurnOn
            | Action::PressStop
            | Action::AskTopStop
            | Action::Arm
            | Action::WaitTooLong
            | Action::ReachTestAngle
            | Action::PassSelfTest
            | Action::Raise(_)
            | Action::Reset { .. } => {}
        }
    }

    fn permit(&self, action: Action) -> Permit {
        let is_barring = self.mode == Mode::Barring;
        let means = !self.bad.has(Condition::Means);
        let evidence = interlock::Evidence {
            emergency_chain_closed: !self.bad.has(Condition::Emergency),
            stop_control_closed: action != Action::PressStop,
            motor_forward: !is_barring,
            drive_at_rest: is_barring && means,
            clutch_air_ok: means,
            counterbalance_air_ok: true,
            angle_trusted: !self.bad.has(Condition::Angle),
            guards_closed: true,
            auxiliaries_ok: !self.bad.has(Condition::Auxiliaries),
            is_zeroed: true,
            is_commissioned: true,
            key_turned: true,
        };
        interlock::permit(&evidence, self.mode)
    }

    fn circumstances(&self, permit: Permit, is_muted: bool) -> Circumstances {
        let is_trusted = !self.bad.has(Condition::Angle);
        Circumstances {
            mode: self.mode,
            may_start: permit.start(),
            may_bar: permit.bar,
            is_latched: !self.latched.is_empty(),
            is_emergency: self.bad.has(Condition::Emergency),
            hands_released: self.hands == Hands::Released,
            is_in_top_window: is_trusted && self.sector == Sector::Top,
            is_closing: !is_trusted || matches!(self.sector, Sector::Top | Sector::Closing),
            presence_clear: !self.bad.has(Condition::Presence),
            is_muted,
            is_two_hand_setup: true,
            rest: match self.sector {
                _ if !is_trusted => Rest::Overrun,
                Sector::Top => Rest::InWindow,
                Sector::Closing => Rest::Overrun,
                Sector::Opening | Sector::AfterMuteEnd | Sector::BeforeTop => Rest::Short,
            },
            // A stop that nobody could watch to its end has no record.
            is_past_latch_limit: !is_trusted,
        }
    }
}

/// What latches in this tick that was not latched before.
fn raised(before: &State, action: Action) -> Option<FaultCode> {
    let is_production = matches!(
        before.stroke,
        Stroke::TopStopping {
            purpose: Purpose::Production,
            ..
        }
    );
    let is_trusted = !before.bad.has(Condition::Angle);
    let found = match action {
        Action::Raise(code) => Some(code),
        Action::TurnOn => Some(FaultCode::StopNotEnding),
        // Power lost in mid-stroke counts as a stored fault.
        Action::LosePower if !before.stroke.is_standing() => Some(FaultCode::StoredFault),
        // An overrun is a fault of that class too.
        Action::Rest if is_production && is_trusted && before.sector == Sector::Closing => {
            Some(FaultCode::StoredFault)
        }
        _ => None,
    };
    found.filter(|&code| !before.latched.contains(code))
}

/// The events of a tick, in their order, as the controller notes them.
fn events(
    before: &State,
    action: Action,
    after: &State,
    raised: Option<FaultCode>,
    permit: Permit,
) -> impl Iterator<Item = Event> + use<> {
    let stroke = before.stroke;
    let demand = raised.map(FaultCode::reaction);
    let stands_latched = stroke.is_standing()
        && !matches!(stroke, Stroke::PowerUp | Stroke::FaultLatched)
        && !after.latched.is_empty();
    let may_go_on = if stroke == Stroke::Barring {
        permit.bar
    } else {
        permit.run
    };
    let is_trusted = !after.bad.has(Condition::Angle);
    let is_in = |sectors: [Sector; 2]| is_trusted && sectors.contains(&after.sector);
    let passes_release = action == Action::Turn && after.sector == Sector::BeforeTop;
    let takes_up = stroke == Stroke::Off && after.mode != Mode::Off;
    let noted = [
        (Event::PowerFails, action == Action::LosePower),
        (
            Event::FaultImmediate,
            demand >= Some(Reaction::ImmediateStop) || stands_latched,
        ),
        (Event::EmergencyStop, after.bad.has(Condition::Emergency)),
        (Event::StopOverdue, action == Action::TurnOn),
        (Event::PermissiveLost, !may_go_on),
        (Event::StopControl, action == Action::PressStop),
        (
            Event::ModeChanged,
            matches!(action, Action::Select(_)) || takes_up,
        ),
        (Event::PresenceBlocked, after.bad.has(Condition::Presence)),
        (Event::HandReleased, after.hands != Hands::Held),
        (Event::FaultTop, demand == Some(Reaction::TopStop)),
        (Event::PermissiveLostTop, !permit.run_on),
        (Event::TopStopRequested, action == Action::AskTopStop),
        (
            Event::TakeOver,
            is_in([Sector::Opening, Sector::AfterMuteEnd]),
        ),
        (
            Event::MuteEnd,
            is_in([Sector::AfterMuteEnd, Sector::BeforeTop]),
        ),
        (
            Event::TestAngle,
            action == Action::ReachTestAngle && is_trusted,
        ),
        (Event::ReleaseAngle, passes_release && is_trusted),
        (Event::Standstill, action == Action::Rest),
        (Event::HandsLate, action == Action::PressOne),
        (Event::HandsReleased, after.hands == Hands::Released),
        (Event::ArmRequested, action == Action::Arm),
        (Event::ArmTimeout, action == Action::WaitTooLong),
        (Event::Reset, matches!(action, Action::Reset { .. })),
        (Event::SelfTestPassed, action == Action::PassSelfTest),
        (
            Event::HandsBoth,
            matches!(action, Action::PressBoth | Action::PressAgain),
        ),
    ];
    noted
        .into_iter()
        .filter(|(_, is_noted)| *is_noted)
        .map(|(event, _)| event)
}

/// Everything that can happen at all.
static EVERYTHING: LazyLock<Vec<Action>> = LazyLock::new(|| everything().collect());

fn everything() -> impl Iterator<Item = Action> {
    let standings = [
        Standing::Operator,
        Standing::KeyHolder,
        Standing::Recommissioned,
    ];
    let resets = standings
        .into_iter()
        .flat_map(|by| [false, true].map(|cause_remains| Action::Reset { by, cause_remains }));
    [
        Action::Wait,
        Action::Turn,
        Action::TurnBack,
        Action::Rest,
        Action::TurnOn,
        Action::Release,
        Action::LetGo,
        Action::PressBoth,
        Action::PressOne,
        Action::PressAgain,
        Action::PressStop,
        Action::AskTopStop,
        Action::Arm,
        Action::WaitTooLong,
        Action::ReachTestAngle,
        Action::PassSelfTest,
        Action::LosePower,
    ]
    .into_iter()
    .chain(FAULTS.map(Action::Raise))
    .chain(MODES.map(Action::Select))
    .chain(Condition::ALL.map(Action::Change))
    .chain(resets)
}

impl Model for Press {
    type State = State;
    type Action = Action;

    fn init_states(&self) -> Vec<State> {
        Sector::ALL.map(State::at_power_up).to_vec()
    }

    /// Nothing goes on from a tick that broke an invariant: what it makes of the press tells
    /// nothing more.
    fn actions(&self, state: &State, actions: &mut Vec<Action>) {
        if state.broken == Broken::default() {
            let may = EVERYTHING.iter().filter(|&&action| self.may(state, action));
            actions.extend(may);
        }
    }

    fn next_state(&self, state: &State, action: Action) -> Option<State> {
        Some(self.tick(state, action))
    }

    fn properties(&self) -> Vec<Property<Self>> {
        invariants::properties()
    }
}
