//! `docs/FAULTS.md` is written from the core's fault table.

use crate::files::{hold, sources};
use std::fmt::Write;
use stopwright_core::fault::{FaultCode, Reaction, ResetRule};

const OPENING: &str = "# Faults

Written from the table in `core/src/fault.rs` by `tests/documents/faults.rs`; change it there. `stopwright explain` and the controller read the same table. A number is stable: once given it is never given to another fault.

A fault is raised by the controller of a simulated press. The checks named here are what a person on a real press would look at, under lock-out where a hand goes near the slide or the valve, and as local codes and the press's own instructions ask.

## What a fault demands

| demand | what happens |
| --- | --- |
| advise | shown and logged; motion goes on |
| top stop | the press stops at the next release angle, and the fault is latched |
| immediate stop | the valve goes off in the same tick, and the fault is latched |
| second means | as an immediate stop; besides, the clutch air is dumped and the motor drops out |

## How a fault is reset

| reset | who and when |
| --- | --- |
| by itself | nothing is latched; it goes with its condition |
| operator | at standstill, with the cause gone |
| key holder | with the key, after a check |
| recommissioning | with the key, after the step of the commissioning that the fault touches has been repeated |

Power, time and the condition's going away reset nothing that is latched.

";

#[test]
fn the_fault_page_is_the_fault_table() {
    let mut page = OPENING.to_owned();
    let mut line = |text: String| writeln!(page, "{text}").expect("text");
    line("## All faults\n".to_owned());
    line("| number | fault | demand | within | reset |".to_owned());
    line("| --- | --- | --- | --- | --- |".to_owned());
    for code in FaultCode::ALL {
        let row = code.row();
        line(format!(
            "| {0} | [{1}](#{0}-{2}) | {3} | {4} | {5} |",
            row.number,
            row.name,
            row.name.replace(' ', "-"),
            demand(row.reaction),
            row.latency,
            reset(row.reset)
        ));
    }
    let idle = nobody_raises();
    if !idle.is_empty() {
        let names: Vec<String> = idle
            .iter()
            .map(|code| format!("{} ({})", code.number(), code.row().name))
            .collect();
        line(format!(
            "\nIn the table, but raised by nothing in the core yet: {}.",
            names.join(", ")
        ));
    }
    for code in FaultCode::ALL {
        let row = code.row();
        line(format!("\n## {} {}\n", row.number, row.name));
        line(format!("{}\n", row.what));
        line(format!("- Why it matters: {}", row.why));
        line(format!("- Check: {}", row.check));
    }
    hold("docs/FAULTS.md", &page);
}

#[test]
fn a_fault_that_stops_the_press_does_not_go_by_itself() {
    for code in FaultCode::ALL {
        let goes_by_itself = code.reset_rule() == ResetRule::ByItself;
        assert_eq!(
            goes_by_itself,
            code.reaction() == Reaction::Advise,
            "{code:?}"
        );
    }
}

/// Faults that no source of the core names outside the table.
fn nobody_raises() -> Vec<FaultCode> {
    let sources = sources("core/src");
    let is_named = |code: &FaultCode| {
        let name = format!("FaultCode::{code:?}");
        sources
            .iter()
            .filter(|(path, _)| !path.ends_with("core/src/fault.rs"))
            .any(|(_, text)| names(text, &name))
    };
    let all = FaultCode::ALL.iter().copied();
    all.filter(|code| !is_named(code)).collect()
}

/// The name as a whole word.
fn names(text: &str, name: &str) -> bool {
    text.match_indices(name).any(|(at, _)| {
        let next = text[at + name.len()..].chars().next();
        !next.is_some_and(|next| next.is_alphanumeric() || next == '_')
    })
}

const fn demand(reaction: Reaction) -> &'static str {
    match reaction {
        Reaction::Advise => "advise",
        Reaction::TopStop => "top stop",
        Reaction::ImmediateStop => "immediate stop",
        Reaction::SecondMeans => "second means",
    }
}

const fn reset(rule: ResetRule) -> &'static str {
    match rule {
        ResetRule::ByItself => "by itself",
        ResetRule::Operator => "operator",
        ResetRule::KeyHolder => "key holder",
        ResetRule::Recommissioning => "recommissioning",
    }
}
