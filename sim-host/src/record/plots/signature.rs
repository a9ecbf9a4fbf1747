//! The stop signature: speed and travel over time from coil off.

use super::Figure;
use super::axis::Axis;
use super::ink::{ADVISORY, COIL_OFF, Ink, LATCH, MEASURED, REACTION, STANDSTILL, Shape};
use super::panel::{Key, Panel, figure as draw};
use crate::record::model::{LimitSet, Record, Stop, StopKind, StopSignature};
use crate::record::numbers::{down, near, plain, up};
use maud::{Markup, html};

/// Room to the right of the last mark, so that it does not lie on the border.
const BEYOND_MARK_MS: f64 = 8.0;

/// A line drawn through both panels at a time, with what it means.
struct Mark {
    at_ms: f64,
    ink: Ink,
    text: String,
}

pub(super) fn figure(record: &Record, index: usize, drawn: &StopSignature) -> Option<Figure> {
    let stop = record.stop_matrix.stop(drawn.stop)?;
    let cell = record.stop_matrix.cell(&stop.cell);
    let is_top = cell.is_some_and(|cell| cell.kind == StopKind::Top);
    let limits = cell
        .filter(|_| is_top)
        .and_then(|cell| record.limits_at(cell.speed_spm));
    let marks = marks(stop, limits);
    let mut keys = vec![Key::line_and_mark(
        MEASURED,
        Shape::Square,
        "this stop, measured",
    )];
    keys.extend(marks.iter().map(|mark| Key::line(mark.ink, &mark.text)));

    let id = format!("stop-signature-{}", index + 1);
    let kind = if is_top {
        "Top stop"
    } else {
        "Mid-stroke stop"
    };
    let title = format!("{kind} {} over time", stop.number);
    let description = describe(stop);
    let svg = draw(
        &id,
        &title,
        &description,
        &panels(drawn, stop, limits, &marks),
        348.0,
        &keys,
    );
    let caption = format!(
        "{description} The speed stays level until the brake takes hold: the length of that part \
         speaks for valve and exhaust, the slope after it for brake torque."
    );
    Some(Figure {
        id,
        title,
        caption,
        svg,
    })
}

fn panels(drawn: &StopSignature, stop: &Stop, limits: Option<&LimitSet>, marks: &[Mark]) -> Markup {
    let levels: Vec<(f64, Ink)> = [
        (limits.and_then(|l| l.advisory_deg), ADVISORY),
        (limits.and_then(|l| l.latch_deg), LATCH),
    ]
    .into_iter()
    .filter_map(|(level, ink)| Some((level?, ink)))
    .collect();
    let ends = marks.iter().map(|m| m.at_ms + BEYOND_MARK_MS);
    let time = Axis::ending_with(drawn.time_ms.iter().copied().chain(ends));
    let speed = Axis::covering(drawn.speed_spm.iter().copied().chain([0.0]));
    let travel_values = drawn
        .travel_deg
        .iter()
        .copied()
        .chain(levels.iter().map(|l| l.0));
    let travel = Axis::covering(travel_values.chain([0.0]));
    let upper = Panel::new(time.clone(), speed, 12.0, 130.0);
    let lower = Panel::new(time, travel, 166.0, 130.0);
    let over_time = |values: &[f64]| -> Vec<(f64, f64)> {
        drawn
            .time_ms
            .iter()
            .copied()
            .zip(values.iter().copied())
            .collect()
    };
    html! {
        (upper.vertical_axis("speed (SPM)")) (upper.horizontal_grid())
        (lower.vertical_axis("travel (deg)"))
        (lower.horizontal_axis("time since coil off (ms)"))
        @for mark in marks { (upper.at_x(mark.at_ms, mark.ink)) (lower.at_x(mark.at_ms, mark.ink)) }
        @for (level, ink) in &levels { (lower.at_y(*level, *ink)) }
        (upper.line(over_time(&drawn.speed_spm), MEASURED))
        (lower.line(over_time(&drawn.travel_deg), MEASURED))
        (lower.marks([(stop.time_ms, stop.travel_deg)], Shape::Square, MEASURED.colour))
        (upper.border()) (lower.border())
    }
}

fn marks(stop: &Stop, limits: Option<&LimitSet>) -> Vec<Mark> {
    let mark =
        |at_ms: Option<f64>, ink: Ink, text: String| at_ms.map(|at_ms| Mark { at_ms, ink, text });
    let ms = |value: Option<f64>| value.map(|v| down(v, 1)).unwrap_or_default();
    let limit = |name: &str, time: Option<f64>, travel: Option<f64>| match travel {
        Some(travel) => format!("{name} limit {} ms, {} deg", ms(time), down(travel, 1)),
        None => format!("{name} limit {} ms", ms(time)),
    };
    let advisory = limits.and_then(|l| l.advisory_ms);
    let latch = limits.and_then(|l| l.latch_ms);
    let travel = |part: fn(&LimitSet) -> Option<f64>| limits.and_then(part);
    [
        mark(Some(0.0), COIL_OFF, "coil off".into()),
        mark(
            stop.reaction_ms,
            REACTION,
            format!("first deceleration {} ms", ms(stop.reaction_ms)),
        ),
        mark(
            Some(stop.time_ms),
            STANDSTILL,
            format!("standstill {} ms", up(stop.time_ms, 1)),
        ),
        mark(
            advisory,
            ADVISORY,
            limit("advisory", advisory, travel(|l| l.advisory_deg)),
        ),
        mark(latch, LATCH, limit("latch", latch, travel(|l| l.latch_deg))),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn describe(stop: &Stop) -> String {
    let parts = match (stop.reaction_ms, stop.braking_ms) {
        (Some(reaction), Some(braking)) => {
            format!(
                ", {} ms of it reaction and {} ms braking",
                near(reaction, 1),
                near(braking, 1)
            )
        }
        _ => String::new(),
    };
    format!(
        "Commanded at {} deg and {} SPM, at rest after {} ms and {} deg{parts}.",
        near(stop.command_deg, 1),
        plain(stop.speed_spm, 1),
        up(stop.time_ms, 1),
        up(stop.travel_deg, 1),
    )
}
