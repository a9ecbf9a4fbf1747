//! The stop matrix: one row per cell, every stop a dot.

use super::Figure;
use super::axis::Axis;
use super::ink::{ADVISORY, BLACK, BLUE, Ink, LATCH, MEAN, ROW_RULE, Shape};
use super::panel::{Key, Panel, WIDTH, figure as draw, stroke, text};
use crate::record::model::{BrakeCondition, Cell, Record, StopKind};
use crate::record::numbers::{near, plain};
use maud::{Markup, html};

const ROW: f64 = 38.0;
const TOP: f64 = 8.0;
const WORDS: f64 = 150.0;
/// Dots of one row are spread over so many levels, in the order of the stops.
const LEVELS: usize = 5;
const LEVEL: f64 = 4.0;

pub(super) fn figure(record: &Record) -> Figure {
    let cells = &record.stop_matrix.cells;
    let height = ROW * cells.len() as f64;
    let unit = Axis::between(0.0, 1.0);
    let panel = Panel::new(times(record), unit, TOP, height).indented(WORDS);
    let drawing = html! {
        (panel.horizontal_axis("stopping time, coil off to standstill (ms)"))
        @for (index, cell) in cells.iter().enumerate() {
            (row(record, &panel, cell, TOP + ROW * (index as f64 + 0.5)))
        }
        (panel.border())
    };
    let id = "stop-matrix".to_owned();
    let title = "Stopping times of all cells".to_owned();
    let svg = draw(
        &id,
        &title,
        &describe(record),
        &drawing,
        TOP + height + 52.0,
        &keys(record),
    );
    let caption = format!(
        "One row per cell, cold and warm apart; within a row the stops run downwards in the order \
         they were made. The tolerance limit covers {} % of all stops with {} % confidence, if \
         their times are normally distributed.",
        plain(record.stop_matrix.content_ratio * 100.0, 2),
        plain(record.stop_matrix.confidence_ratio * 100.0, 1),
    );
    Figure {
        id,
        title,
        caption,
        svg,
    }
}

fn times(record: &Record) -> Axis {
    let matrix = &record.stop_matrix;
    let stops = matrix.stops.iter().map(|s| s.time_ms);
    let cells = matrix
        .cells
        .iter()
        .map(|c| c.time_tolerance_limit_ms.unwrap_or(c.time_worst_ms));
    let limits = record
        .limits
        .iter()
        .flat_map(|l| [l.advisory_ms, l.latch_ms])
        .flatten();
    Axis::covering(stops.chain(cells).chain(limits))
}

fn row(record: &Record, panel: &Panel, cell: &Cell, y: f64) -> Markup {
    let stops = record
        .stop_matrix
        .stops
        .iter()
        .filter(|stop| stop.cell == cell.id);
    let limits = record
        .limits_at(cell.speed_spm)
        .filter(|_| cell.kind == StopKind::Top);
    let across = |at_ms: f64, ink: Ink, half: f64| {
        let x = panel.x(at_ms);
        stroke((x, y - half), (x, y + half), ink)
    };
    html! {
        (stroke((8.0, y + ROW / 2.0), (WIDTH - 14.0, y + ROW / 2.0), ROW_RULE))
        (text((WORDS - 8.0, y - 2.0), "end", &name(cell)))
        (text((WORDS - 8.0, y + 13.0), "end", &format!("n = {}", cell.n)))
        @if let Some(limits) = limits {
            @if let Some(at) = limits.advisory_ms { (across(at, ADVISORY, ROW / 2.0)) }
            @if let Some(at) = limits.latch_ms { (across(at, LATCH, ROW / 2.0)) }
        }
        @for (index, stop) in stops.enumerate() {
            @let level = (index % LEVELS) as f64 - (LEVELS / 2) as f64;
            (Shape::Dot.at((panel.x(stop.time_ms), y + level * LEVEL), BLUE))
        }
        (across(cell.time_mean_ms, MEAN, 12.0))
        @if let Some(limit) = cell.time_tolerance_limit_ms {
            (Shape::Bracket.at((panel.x(limit), y), BLACK))
        }
    }
}

/// The cell in words, short enough for the margin.
fn name(cell: &Cell) -> String {
    let place = match cell.kind {
        StopKind::Top => "top".to_owned(),
        StopKind::MidStroke => format!("{}°", near(cell.command_deg, 0)),
    };
    let brake = match cell.brake {
        BrakeCondition::Cold => ", cold",
        BrakeCondition::Warm => ", warm",
        BrakeCondition::NotStated => "",
    };
    format!("{place}, {} SPM{brake}", plain(cell.speed_spm, 1))
}

fn keys(record: &Record) -> Vec<Key> {
    let mut keys = vec![
        Key::mark(Shape::Dot, BLUE, "one stop"),
        Key::mark(Shape::Bar, BLACK, "mean of a cell"),
        Key::mark(Shape::Bracket, BLACK, "its tolerance limit"),
    ];
    if record.limits.iter().any(|l| l.advisory_ms.is_some()) {
        keys.push(Key::line(ADVISORY, "advisory limit, top stops"));
    }
    if record.limits.iter().any(|l| l.latch_ms.is_some()) {
        keys.push(Key::line(LATCH, "latch limit, top stops"));
    }
    keys
}

fn describe(record: &Record) -> String {
    let cells: Vec<String> = record
        .stop_matrix
        .cells
        .iter()
        .map(|c| {
            format!(
                "{}: mean {} ms, worst {} ms",
                name(c),
                near(c.time_mean_ms, 1),
                near(c.time_worst_ms, 1)
            )
        })
        .collect();
    format!("Stopping time by cell. {}.", cells.join("; "))
}
