//! The drawn parts: everything here comes from [`Stroke::step`].

use super::words::{self, code, codes};
use crate::all::{
    CIRCUMSTANCES, EVENTS, PURPOSES, QUESTIONS, Question, REASONS, RESTS, circumstances, states,
};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::sync::LazyLock;
use stopwright_core::stroke::{Circumstances, Event, Purpose, Rest, StopReasons, Stroke};

/// What an event makes of a state.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Lead {
    /// Nothing.
    Stays,
    /// It stays, and remembers the event.
    Remembers,
    /// It becomes another.
    To(&'static str),
}

/// State by code, event by place, to all it can lead to. Stops are looked at with no reason and
/// with one, which is all that can make a difference here.
static LEADS: LazyLock<BTreeMap<(&'static str, usize), BTreeSet<Lead>>> = LazyLock::new(|| {
    let all: Vec<Circumstances> = (0..CIRCUMSTANCES).map(circumstances).collect();
    let mut leads: BTreeMap<_, BTreeSet<Lead>> = BTreeMap::new();
    for from in few_states() {
        for (place, &event) in EVENTS.iter().enumerate() {
            let to = all.iter().map(|now| lead(from, from.step(event, now)));
            leads.entry((code(from), place)).or_default().extend(to);
        }
    }
    leads
});

fn few_states() -> Vec<Stroke> {
    let is_few = |state: &Stroke| match *state {
        Stroke::TopStopping { reasons, .. } | Stroke::ImmediateStopping { reasons } => {
            reasons == StopReasons::NONE || REASONS.contains(&reasons)
        }
        _ => true,
    };
    states().into_iter().filter(is_few).collect()
}

fn lead(from: Stroke, to: Stroke) -> Lead {
    if to == from {
        Lead::Stays
    } else if code(to) == code(from) {
        Lead::Remembers
    } else {
        Lead::To(code(to))
    }
}

/// The states that an event makes of one.
fn targets(code: &'static str, place: usize) -> impl Iterator<Item = &'static str> {
    LEADS[&(code, place)].iter().filter_map(|lead| match lead {
        Lead::To(to) => Some(*to),
        Lead::Stays | Lead::Remembers => None,
    })
}

/// States that an event treats alike.
#[derive(Clone, Copy)]
struct Class {
    name: &'static str,
    has: fn(Stroke) -> bool,
}

const CLASSES: [Class; 3] = [
    Class {
        name: "stands",
        has: Stroke::is_standing,
    },
    Class {
        name: "is driven",
        has: Stroke::drives_valve,
    },
    Class {
        name: "stops",
        has: Stroke::is_stopping,
    },
];

fn codes_of(class: Class) -> Vec<&'static str> {
    let members = codes().into_iter().filter(|(_, state)| (class.has)(*state));
    members.map(|(code, _)| code).collect()
}

/// Where an event leads every state of a class that it leads anywhere, when that is one place and
/// three states at least go there, or all.
fn common_target(class: Class, place: usize) -> Option<&'static str> {
    let codes = codes_of(class);
    let led: Vec<&str> = codes
        .iter()
        .flat_map(|&code| targets(code, place))
        .collect();
    let first = *led.first()?;
    let are_many = led.len() >= codes.len().min(3);
    (are_many && led.iter().all(|&to| to == first)).then_some(first)
}

/// The diagram, without what is common to a whole class; that stands below it.
pub(crate) fn diagram() -> String {
    let mut edges: BTreeMap<(usize, usize), Vec<&str>> = BTreeMap::new();
    let mut common = Vec::new();
    let order: Vec<&str> = codes().into_iter().map(|(code, _)| code).collect();
    let at = |code: &str| order.iter().position(|&other| other == code).unwrap_or(0);
    for (place, &event) in EVENTS.iter().enumerate() {
        for class in CLASSES {
            let target = common_target(class, place);
            if let Some(target) = target {
                common.push((class.name, words::event(event), target));
                continue;
            }
            for from in codes_of(class) {
                for to in targets(from, place) {
                    edges
                        .entry((at(from), at(to)))
                        .or_default()
                        .push(words::event(event));
                }
            }
        }
    }
    let mut text = "```mermaid\nstateDiagram-v2\n    [*] --> PWR\n".to_owned();
    for ((from, to), events) in edges {
        let (from, to, events) = (order[from], order[to], events.join(", "));
        writeln!(text, "    {from} --> {to}: {events}").expect("text");
    }
    text.push_str(
        "```\n\nNot drawn, because it holds for every state that the event moves at all:\n\n",
    );
    text.push_str("| a press that | on | goes to |\n| --- | --- | --- |\n");
    for (class, event, target) in common {
        writeln!(text, "| {class} | {event} | {target} |").expect("text");
    }
    text
}

/// State and event, a table for each class.
pub(crate) fn tables() -> String {
    let mut text = "`·` nothing changes; `+` the state stays and remembers the event; more than one entry: [what decides](#what-decides) says what is asked.\n".to_owned();
    for class in CLASSES {
        let codes = codes_of(class);
        writeln!(
            text,
            "\nThe press {}:\n\n| event | {} |",
            class.name,
            codes.join(" | ")
        )
        .expect("text");
        writeln!(text, "| --- |{}", " --- |".repeat(codes.len())).expect("text");
        for (place, &event) in EVENTS.iter().enumerate() {
            let cells: Vec<String> = codes.iter().map(|&code| cell(code, place)).collect();
            writeln!(text, "| {} | {} |", words::event(event), cells.join(" | ")).expect("text");
        }
    }
    text
}

fn cell(code: &'static str, place: usize) -> String {
    let leads = LEADS[&(code, place)].iter().map(|lead| match lead {
        Lead::Stays => "·",
        Lead::Remembers => "+",
        Lead::To(to) => to,
    });
    leads.collect::<Vec<_>>().join(" ")
}

/// For every entry with more than one answer, what is asked.
pub(crate) fn deciders() -> String {
    let mut text =
        "| state | event | leads to | what is asked |\n| --- | --- | --- | --- |\n".to_owned();
    for (code, _) in codes() {
        for (place, &event) in EVENTS.iter().enumerate() {
            let leads = &LEADS[&(code, place)];
            // Whether it has to be remembered or is known already, only its memory says.
            let is_memory = *leads == BTreeSet::from([Lead::Stays, Lead::Remembers]);
            if leads.len() > 1 && !is_memory {
                let (name, leads) = (words::event(event), cell(code, place));
                let asked = asked(code, event).join(", ");
                writeln!(text, "| {code} | {name} | {leads} | {asked} |").expect("text");
            }
        }
    }
    text
}

/// The questions whose answer makes a difference somewhere, and the state's memory if that does.
fn asked(wanted: &str, event: Event) -> Vec<&'static str> {
    let states: Vec<Stroke> = few_states()
        .into_iter()
        .filter(|&state| code(state) == wanted)
        .collect();
    let leads = |number: u32| -> Vec<Lead> {
        let now = circumstances(number);
        states
            .iter()
            .map(|&state| lead(state, state.step(event, &now)))
            .collect()
    };
    let all: Vec<Vec<Lead>> = (0..CIRCUMSTANCES).map(leads).collect();
    let at = |number: u32| &all[number as usize];
    let matters = |question: &&Question| {
        let differs = |number: u32| at(question.other_answer(number)) != at(number);
        (0..CIRCUMSTANCES).any(differs)
    };
    let mut asked: Vec<&str> = QUESTIONS
        .iter()
        .filter(matters)
        .map(|question| question.text)
        .collect();
    if all
        .iter()
        .any(|leads| leads.iter().any(|&lead| lead != leads[0]))
    {
        asked.push("what it remembers");
    }
    asked
}

/// Where a stop ends: by its reasons, then by where it rests.
pub(crate) fn rests() -> String {
    let mut text =
        "| a stop | at rest with nothing wrong | goes to |\n| --- | --- | --- |\n".to_owned();
    let calm = circumstances(0);
    let mut row = |what: &str, when: &str, to: Stroke| {
        writeln!(text, "| {what} | {when} | {} |", code(to)).expect("text");
    };
    for purpose in PURPOSES {
        for rest in RESTS {
            let now = Circumstances { rest, ..calm };
            let stop = top_stop(purpose, StopReasons::NONE);
            row(
                words::purpose(purpose),
                words::rest(rest),
                stop.step(Event::Standstill, &now),
            );
        }
    }
    let names = [
        "emergency",
        "fault",
        "interrupted",
        "mode",
        "let go",
        "test angle",
    ];
    for (reasons, name) in REASONS.into_iter().zip(names) {
        let stop = Stroke::ImmediateStopping { reasons };
        let what = format!("immediate stop: {name}");
        row(&what, "anywhere", stop.step(Event::Standstill, &calm));
    }
    text.push_str(&order_of_reasons(&names));
    text
}

const fn top_stop(purpose: Purpose, reasons: StopReasons) -> Stroke {
    Stroke::TopStopping { purpose, reasons }
}

/// Which of two reasons decides, told as an order; holds for every pair or says so.
fn order_of_reasons(names: &[&str; 6]) -> String {
    let now = Circumstances {
        rest: Rest::InWindow,
        ..circumstances(0)
    };
    let to = |reasons| Stroke::ImmediateStopping { reasons }.step(Event::Standstill, &now);
    let wins = |a: StopReasons, b: StopReasons| to(a.and(b)) == to(a);
    let mut order: Vec<usize> = (0..REASONS.len()).collect();
    order.sort_by_key(|&a| {
        let beaten = |b: &&StopReasons| wins(REASONS[a], **b);
        std::cmp::Reverse(REASONS.iter().filter(beaten).count())
    });
    for (place, &a) in order.iter().enumerate() {
        for &b in &order[place + 1..] {
            assert!(
                wins(REASONS[a], REASONS[b]),
                "{} and {}",
                names[a],
                names[b]
            );
        }
    }
    let order: Vec<&str> = order.into_iter().map(|place| names[place]).collect();
    format!(
        "\nA stop may have several reasons; the gravest decides, in the order {}. A latched fault, or a stop past its latch limit, counts as a fault.\n",
        order.join(", ")
    )
}
