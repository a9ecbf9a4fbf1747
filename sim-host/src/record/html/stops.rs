//! The stops: cells, figures, and the long list at the end.

use super::part::{
    about, absent, cell, figure, known, name, number, numbers, percent, table, words,
};
use crate::record::model::{Accuracy, BrakeCondition, Cell, Record, Stop, StopKind, StopMatrix};
use crate::record::numbers::{near, plain, up};
use crate::record::plots;
use maud::{Markup, html};

pub(super) fn stops(record: &Record) -> Markup {
    let matrix = &record.stop_matrix;
    if matrix.cells.is_empty() {
        return absent("stops at speed");
    }
    html! {
        p {
            "Times and travels run from coil off to standstill, the first zero of a fitted speed. \
            The watch on the press sees top stops; the distance follows from the longest stop in \
            mid-stroke, so the two are kept apart. Tolerance limits are mean plus k standard \
            deviations: " (percent(matrix.content_ratio, 2)) " of all stops like these lie below, \
            with " (percent(matrix.confidence_ratio, 1)) " confidence, if they are normally \
            distributed. Worst values and limits are rounded up."
        }
        @if let Some(note) = &matrix.warm_note { p { (note) } }
        (table("Stopping time by cell", &TIME_COLUMNS, &rows(matrix, time_row)))
        (table("Stopping travel by cell", &TRAVEL_COLUMNS, &rows(matrix, travel_row)))
        @if let Some(drawn) = plots::stop_matrix(record) { (figure(&drawn)) }
        @if let Some(accuracy) = &matrix.accuracy { (truth(accuracy)) }
        @for drawn in plots::stop_signatures(record) { (figure(&drawn)) }
        @if let Some(drawn) = plots::stop_curve(record) { (figure(&drawn)) }
    }
}

const TIME_COLUMNS: [super::part::Column; 9] = [
    words("Cell"),
    words("Where"),
    numbers("Speed (SPM)"),
    words("Brake"),
    numbers("n"),
    numbers("Mean (ms)"),
    numbers("Std. dev. (ms)"),
    numbers("Worst (ms)"),
    numbers("Tolerance limit (ms)"),
];

const TRAVEL_COLUMNS: [super::part::Column; 7] = [
    words("Cell"),
    numbers("Command (deg)"),
    numbers("Mean (deg)"),
    numbers("Std. dev. (deg)"),
    numbers("Worst (deg)"),
    numbers("Tolerance limit (deg)"),
    numbers("Factor k"),
];

fn rows(matrix: &StopMatrix, row: fn(&Cell) -> Vec<Markup>) -> Vec<Vec<Markup>> {
    matrix.cells.iter().map(row).collect()
}

fn time_row(c: &Cell) -> Vec<Markup> {
    let place = match c.kind {
        StopKind::Top => "top".to_owned(),
        StopKind::MidStroke => format!("mid-stroke, {}°", near(c.command_deg, 0)),
    };
    vec![
        name(&c.id),
        cell(place),
        number(plain(c.speed_spm, 1)),
        brake(c),
        number(c.n.to_string()),
        about(c.time_mean_ms, 1),
        known(c.time_sd_ms, |v| near(v, 2)),
        number(up(c.time_worst_ms, 1)),
        known(c.time_tolerance_limit_ms, |v| up(v, 1)),
    ]
}

fn brake(c: &Cell) -> Markup {
    let condition = match c.brake {
        BrakeCondition::Cold => "cold",
        BrakeCondition::Warm => "warm",
        BrakeCondition::NotStated => "not stated",
    };
    html! { (condition) @if let Some(at) = c.brake_c { ", " (about(at, 0)) " °C" } }
}

fn travel_row(c: &Cell) -> Vec<Markup> {
    vec![
        name(&c.id),
        about(c.command_deg, 1),
        about(c.travel_mean_deg, 1),
        known(c.travel_sd_deg, |v| near(v, 2)),
        number(up(c.travel_worst_deg, 1)),
        known(c.travel_tolerance_limit_deg, |v| up(v, 1)),
        known(c.tolerance_factor, |v| near(v, 2)),
    ]
}

fn truth(accuracy: &Accuracy) -> Markup {
    let rows = [
        vec![
            cell("Stopping time (ms)"),
            about(accuracy.time_bias_ms, 2),
            about(accuracy.time_error_worst_ms, 2),
        ],
        vec![
            cell("Stopping travel (deg)"),
            about(accuracy.travel_bias_deg, 3),
            about(accuracy.travel_error_worst_deg, 3),
        ],
    ];
    let columns = [
        words("Quantity"),
        numbers("Mean error"),
        numbers("Greatest error"),
    ];
    let caption = format!(
        "Measured less true, over {} stops with known truth",
        accuracy.n
    );
    table(&caption, &columns, &rows)
}

/// Long, so closed until asked for; opened, it prints.
pub(super) fn every_stop(record: &Record) -> Markup {
    let matrix = &record.stop_matrix;
    let stops: Vec<_> = matrix.stops.iter().map(stop_row).collect();
    html! {
        p { "The same rows, with the truth where it is known, are in " code { "stops.csv" } ". Open a list to have it printed." }
        @if !stops.is_empty() {
            details {
                summary { (stops.len()) " stops at speed" }
                (table("Every stop", &STOP_COLUMNS, &stops))
            }
        }
        @if !matrix.positioning_moves.is_empty() { (moves(matrix)) }
    }
}

const STOP_COLUMNS: [super::part::Column; 9] = [
    numbers("No."),
    words("Cell"),
    numbers("Command (deg)"),
    numbers("Speed (SPM)"),
    numbers("Time (ms)"),
    numbers("Reaction (ms)"),
    numbers("Braking (ms)"),
    numbers("Travel (deg)"),
    numbers("Rest (deg)"),
];

fn stop_row(stop: &Stop) -> Vec<Markup> {
    vec![
        number(stop.number.to_string()),
        name(&stop.cell),
        about(stop.command_deg, 2),
        about(stop.speed_spm, 2),
        about(stop.time_ms, 1),
        known(stop.reaction_ms, |v| near(v, 1)),
        known(stop.braking_ms, |v| near(v, 1)),
        about(stop.travel_deg, 2),
        about(stop.rest_deg, 2),
    ]
}

fn moves(matrix: &StopMatrix) -> Markup {
    let rows: Vec<_> = matrix
        .positioning_moves
        .iter()
        .map(|m| {
            vec![
                html! { code { (m.recording) } },
                about(m.command_time_s, 3),
                about(m.command_deg, 1),
                about(m.speed_spm, 1),
                about(m.rest_deg, 1),
                cell(&m.reason),
            ]
        })
        .collect();
    let columns = [
        words("Recording"),
        numbers("Command (s)"),
        numbers("Command (deg)"),
        numbers("Speed (SPM)"),
        numbers("Rest (deg)"),
        words("Why it is no stop at speed"),
    ];
    html! {
        details {
            summary { (rows.len()) " positioning moves, kept out of the statistics" }
            (table("Positioning moves", &columns, &rows))
        }
    }
}
