//! Drills and function checks.

use super::part::{absent, cell, known, mark, number, numbers, table, words};
use crate::record::model::{Drill, Record};
use crate::record::numbers::{near, up};
use maud::{Markup, html};

pub(super) fn drills_and_checks(record: &Record) -> Markup {
    html! {
        @if record.drills.is_empty() {
            (absent("faults injected on purpose"))
        } @else {
            p { "Faults injected on purpose. Latency runs from the fault to the reaction; its bound is part of the stopping-time budget." }
            (table("Drills", &DRILL_COLUMNS, &record.drills.iter().map(drill_row).collect::<Vec<_>>()))
        }
        @if record.function_checks.is_empty() {
            (absent("function checks of the stroke logic"))
        } @else {
            (checks(record))
        }
    }
}

const DRILL_COLUMNS: [super::part::Column; 8] = [
    words("Fault"),
    words("Injected"),
    words("Expected"),
    words("Seen"),
    numbers("Latency (ms)"),
    numbers("Latency (deg)"),
    numbers("Bound (ms)"),
    words("Result"),
];

fn drill_row(drill: &Drill) -> Vec<Markup> {
    vec![
        html! { (drill.fault_number) " " (drill.fault) },
        html! {
            (drill.injected)
            @if let Some(at) = drill.injected_deg { ", at " (number(near(at, 0))) "°" }
        },
        cell(&drill.expected),
        cell(&drill.seen),
        known(drill.latency_ms, |v| up(v, 1)),
        known(drill.latency_deg, |v| up(v, 1)),
        known(drill.bound_ms, |v| near(v, 1)),
        mark(drill.pass),
    ]
}

fn checks(record: &Record) -> Markup {
    let rows: Vec<_> = record
        .function_checks
        .iter()
        .map(|c| {
            vec![
                cell(&c.name),
                cell(&c.expected),
                cell(&c.seen),
                mark(c.pass),
            ]
        })
        .collect();
    let columns = [
        words("Check"),
        words("Expected"),
        words("Seen"),
        words("Result"),
    ];
    table("Function checks", &columns, &rows)
}
