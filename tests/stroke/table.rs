//! Properties of the whole table: every state with every event under every circumstance.

use crate::all::{CIRCUMSTANCES, EVENTS, REASONS, circumstances, states};
use crate::reference::Machine;
use stopwright_core::stroke::{Circumstances, Event, StopReasons, Stroke};

/// One entry of the table, and what it leads to.
#[derive(Debug)]
struct Entry<'a> {
    from: Stroke,
    event: Event,
    now: &'a Circumstances,
    to: Stroke,
}

/// Hands out every entry with such a state and such an event.
fn walk(states: &[Stroke], events: &[Event], mut each: impl FnMut(&Entry<'_>)) {
    let all: Vec<Circumstances> = (0..CIRCUMSTANCES).map(circumstances).collect();
    for &from in states {
        for &event in events {
            for now in &all {
                let to = from.step(event, now);
                let entry = Entry {
                    from,
                    event,
                    now,
                    to,
                };
                each(&entry);
            }
        }
    }
}

fn states_that(are: fn(Stroke) -> bool) -> Vec<Stroke> {
    states().into_iter().filter(|&state| are(state)).collect()
}

fn reasons_of(state: Stroke) -> Option<StopReasons> {
    match state {
        Stroke::TopStopping { reasons, .. } | Stroke::ImmediateStopping { reasons } => {
            Some(reasons)
        }
        _ => None,
    }
}

/// Whether a fault of the top-stop class is sure to end this state, at the latest at the next top.
fn ends_at_the_top(state: Stroke) -> bool {
    match state {
        Stroke::Closing | Stroke::Opening | Stroke::ContinuousTopStop => true,
        Stroke::ContinuousClosing { top_stop_pending } => top_stop_pending,
        _ => false,
    }
}

#[test]
fn every_list_is_whole() {
    // The enums' own numbers: one left out, and the places no longer match.
    assert!(
        EVENTS
            .iter()
            .enumerate()
            .all(|(at, &event)| event as usize == at)
    );
    assert_eq!(EVENTS.last(), Some(&Event::HandsBoth));
    let states = states();
    let twice = states
        .iter()
        .enumerate()
        .find(|(at, state)| states[..*at].contains(state));
    assert_eq!(twice, None);
    assert_eq!(states.len(), 15 + 2 + 2 + 64 + 3 * 64);
}

#[test]
fn no_fault_of_the_top_stop_class_or_above_is_ever_dropped() {
    let faults = [Event::FaultTop, Event::FaultImmediate];
    walk(&states(), &faults, |entry| {
        let is_kept = match reasons_of(entry.to) {
            Some(reasons) => reasons.has(StopReasons::FAULT),
            None => entry.to == Stroke::FaultLatched,
        };
        let may_finish = entry.event == Event::FaultTop && ends_at_the_top(entry.to);
        assert!(is_kept || may_finish, "{entry:?}");
    });
    // A crank that turns long after the stop command is past stopping: whoever still stops or
    // stands latches. While the valve is on there is no such stop.
    let not_driven = states_that(|state| !state.drives_valve());
    walk(&not_driven, &[Event::StopOverdue], |entry| {
        assert_eq!(entry.to, Stroke::FaultLatched, "{entry:?}");
    });
}

#[test]
fn no_standstill_is_unhandled() {
    walk(
        &states_that(Stroke::is_stopping),
        &[Event::Standstill],
        |entry| {
            assert!(entry.to.is_standing(), "{entry:?}");
            let is_bad = entry.now.is_latched || entry.now.is_past_latch_limit;
            assert!(!is_bad || entry.to == Stroke::FaultLatched, "{entry:?}");
        },
    );
}

#[test]
fn no_stop_starts_over_changes_its_class_or_forgets_a_reason() {
    walk(&states_that(Stroke::is_stopping), &EVENTS, |entry| {
        let ends = [Event::Standstill, Event::StopOverdue, Event::PowerFails];
        if ends.contains(&entry.event) {
            return assert!(entry.to.is_standing(), "{entry:?}");
        }
        let goes_on = match (entry.from, entry.to) {
            (
                Stroke::TopStopping {
                    purpose: before, ..
                },
                Stroke::TopStopping { purpose, .. },
            ) => purpose == before,
            (Stroke::ImmediateStopping { .. }, Stroke::ImmediateStopping { .. }) => true,
            _ => false,
        };
        let all = |state| reasons_of(state).unwrap_or_default();
        assert!(goes_on && all(entry.to).has(all(entry.from)), "{entry:?}");
    });
}

#[test]
fn the_valve_goes_on_by_both_hands_alone_and_with_everything_permitting() {
    let not_driven = states_that(|state| !state.drives_valve());
    let mut starts = 0;
    walk(&not_driven, &EVENTS, |entry| {
        if entry.to.drives_valve() {
            assert_eq!(entry.event, Event::HandsBoth, "{entry:?}");
            assert!(entry.now.may_start, "{entry:?}");
            let needs_clear = entry.to != Stroke::Inching;
            assert!(entry.now.presence_clear || !needs_clear, "{entry:?}");
            starts += 1;
        }
    });
    assert!(starts > 0);
}

#[test]
fn whatever_must_stop_at_once_stops_every_driven_state() {
    let stops = [
        (Event::FaultImmediate, StopReasons::FAULT),
        (Event::EmergencyStop, StopReasons::EMERGENCY),
        (Event::PermissiveLost, StopReasons::INTERRUPTED),
        (Event::StopControl, StopReasons::INTERRUPTED),
        (Event::ModeChanged, StopReasons::MODE),
    ];
    for (event, reasons) in stops {
        walk(&states_that(Stroke::drives_valve), &[event], |entry| {
            assert_eq!(entry.to, Stroke::ImmediateStopping { reasons }, "{entry:?}");
        });
    }
    walk(&states(), &[Event::PowerFails], |entry| {
        assert_eq!(entry.to, Stroke::PowerUp)
    });
}

#[test]
fn the_release_angle_ends_every_run_but_continuous() {
    walk(
        &states_that(Stroke::drives_valve),
        &[Event::ReleaseAngle],
        |entry| {
            let goes_on = entry.from == Stroke::ContinuousRunning;
            assert_eq!(entry.to.drives_valve(), goes_on, "{entry:?}");
        },
    );
}

/// The random sequences come far; this leaves nothing out. Reasons decide at standstill alone, so
/// that all sets of them are looked at there, and single ones everywhere.
#[test]
fn every_entry_is_that_of_the_table_of_the_trade() {
    let agree = |entry: &Entry<'_>| {
        let mut machine = Machine::at(entry.from, entry.now.is_latched);
        machine.step(entry.event, entry.now);
        assert_eq!(entry.to, machine.as_stroke(), "{entry:?}");
    };
    let has_few = |state| {
        reasons_of(state)
            .is_none_or(|reasons| reasons == StopReasons::NONE || REASONS.contains(&reasons))
    };
    let few: Vec<Stroke> = states()
        .into_iter()
        .filter(|&state| has_few(state))
        .collect();
    walk(&few, &EVENTS, agree);
    walk(
        &states_that(Stroke::is_stopping),
        &[Event::Standstill],
        agree,
    );
}

/// Which states each state leads to in one event, under any circumstances, but for power loss.
fn graph(states: &[Stroke]) -> Vec<Vec<bool>> {
    let place = |wanted: Stroke| states.iter().position(|&state| state == wanted);
    let mut leads = vec![vec![false; states.len()]; states.len()];
    for (at, &state) in states.iter().enumerate() {
        let mut last = state;
        walk(&[state], &EVENTS[1..], |entry| {
            // Most entries lead where the one before led.
            if entry.to != last {
                last = entry.to;
                leads[at][place(last).expect("a listed state")] = true;
            }
        });
    }
    leads
}

/// Everything that `start` leads to, itself included.
fn reach(leads: &[Vec<bool>], start: usize) -> Vec<bool> {
    let mut seen = vec![false; leads.len()];
    seen[start] = true;
    let mut open = vec![start];
    while let Some(at) = open.pop() {
        for (next, _) in leads[at].iter().enumerate().filter(|(_, leads)| **leads) {
            if !std::mem::replace(&mut seen[next], true) {
                open.push(next);
            }
        }
    }
    seen
}

#[test]
fn no_state_is_a_dead_end_short_of_power_off_and_every_kind_of_state_is_reached() {
    let states = states();
    let leads = graph(&states);
    let at = |wanted: Stroke| states.iter().position(|&state| state == wanted);
    let off = at(Stroke::Off).expect("listed");
    for (from, state) in states.iter().enumerate() {
        assert!(
            reach(&leads, from)[off],
            "{state:?} never leads back to off"
        );
    }
    let from_power_up = reach(&leads, at(Stroke::PowerUp).expect("listed"));
    let unreached = states
        .iter()
        .zip(&from_power_up)
        .filter(|(_, reached)| !**reached);
    let unreached: Vec<Stroke> = unreached.map(|(&state, _)| state).collect();
    println!(
        "{} of {} states are reached; of the rest each is a stop with reasons that exclude each other",
        states.len() - unreached.len(),
        states.len()
    );
    for state in unreached {
        let reasons = reasons_of(state).unwrap_or_default();
        let by_angle = matches!(state, Stroke::TopStopping { .. });
        let (let_go, test) = (StopReasons::LET_GO, StopReasons::TEST_ANGLE);
        // These two begin an immediate stop, so neither can join a stop that runs.
        let excluded = if by_angle {
            reasons.has(let_go) || reasons.has(test)
        } else {
            reasons == StopReasons::NONE || reasons.has(let_go.and(test))
        };
        assert!(excluded, "{state:?} is never reached");
    }
}
