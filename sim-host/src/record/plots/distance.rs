//! Required distance over the latch limit, beside the distance that is installed.

use super::Figure;
use super::axis::Axis;
use super::ink::{HABIT, INSTALLED, Ink, LATCH, RULES, SHAPES, Shape};
use super::panel::{Key, Panel, figure as draw};
use crate::record::model::{Distance, LimitSet, Record};
use crate::record::numbers::{down, near, plain, up};
use maud::{Markup, html};

/// Marks along a curve, so that it can be told apart without colour.
const MARKS: usize = 7;

pub(super) fn figures(record: &Record) -> Vec<Figure> {
    let mut speeds: Vec<f64> = Vec::new();
    for distance in record.distances.iter().filter(|d| !d.curve.is_empty()) {
        if !speeds.iter().any(|speed| same(*speed, distance.speed_spm)) {
            speeds.push(distance.speed_spm);
        }
    }
    speeds
        .into_iter()
        .enumerate()
        .map(|(index, speed)| figure(record, index, speed))
        .collect()
}

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() < 0.05
}

fn figure(record: &Record, index: usize, speed: f64) -> Figure {
    let distances: Vec<&Distance> = record
        .distances
        .iter()
        .filter(|d| same(d.speed_spm, speed) && !d.curve.is_empty())
        .collect();
    let limits = record.limits_at(speed);
    let installed = installed(&distances);
    let id = format!("distance-{}", index + 1);
    let title = format!(
        "Required distance over the latch limit at {} SPM",
        plain(speed, 1)
    );
    let drawing = drawing(&distances, limits, &installed);
    let keys = keys(&distances, limits, &installed);
    let svg = draw(&id, &title, &describe(&distances), &drawing, 314.0, &keys);
    let caption = "A longer latch limit lets the stop grow further before the press latches, and \
        asks for more distance. Left of the point where a rule meets the installed distance the \
        rule is kept; right of it a hand can arrive before the slide stands."
        .to_owned();
    Figure {
        id,
        title,
        caption,
        svg,
    }
}

/// Each installed distance once, with the devices that have it.
fn installed(distances: &[&Distance]) -> Vec<(f64, String)> {
    let mut lines: Vec<(f64, String)> = Vec::new();
    for (mm, device) in distances
        .iter()
        .filter_map(|d| Some((d.installed_mm?, &d.device)))
    {
        match lines.iter_mut().find(|line| same(line.0, mm)) {
            Some((_, devices)) if !devices.contains(device.as_str()) => {
                *devices = format!("{devices}, {device}");
            }
            Some(_) => {}
            None => lines.push((mm, device.clone())),
        }
    }
    lines
}

fn drawing(
    distances: &[&Distance],
    limits: Option<&LimitSet>,
    installed: &[(f64, String)],
) -> Markup {
    let points = || distances.iter().flat_map(|d| &d.curve);
    let limits = vertical_lines(limits);
    let times = points()
        .map(|p| p.latch_ms)
        .chain(limits.iter().map(|l| l.0));
    let lengths = points()
        .map(|p| p.required_mm)
        .chain(installed.iter().map(|i| i.0));
    let panel = Panel::new(Axis::covering(times), Axis::covering(lengths), 12.0, 250.0);
    html! {
        (panel.vertical_axis("required distance (mm)"))
        (panel.horizontal_axis("latch limit at the top (ms)"))
        @for (mm, _) in installed { (panel.at_y(*mm, INSTALLED)) }
        @for (at, ink, _) in &limits { (panel.at_x(*at, *ink)) }
        @for (distance, (ink, shape)) in distances.iter().zip(looks()) { (curve(&panel, distance, ink, shape)) }
        (panel.marks(meetings(distances), Shape::Bar, INSTALLED.colour))
        (panel.border())
    }
}

/// Where a rule meets the distance that is installed.
fn meetings(distances: &[&Distance]) -> Vec<(f64, f64)> {
    distances
        .iter()
        .filter_map(|d| Some((d.allowed_latch_ms?, d.installed_mm?)))
        .collect()
}

fn curve(panel: &Panel, distance: &Distance, ink: Ink, shape: Shape) -> Markup {
    let points = || distance.curve.iter().map(|p| (p.latch_ms, p.required_mm));
    let every = distance.curve.len().div_ceil(MARKS).max(1);
    html! {
        (panel.line(points(), ink))
        (panel.marks(points().skip(every / 2).step_by(every), shape, ink.colour))
    }
}

fn looks() -> impl Iterator<Item = (Ink, Shape)> {
    RULES.into_iter().cycle().zip(SHAPES.into_iter().cycle())
}

fn vertical_lines(limits: Option<&LimitSet>) -> Vec<(f64, Ink, String)> {
    let Some(limits) = limits else {
        return Vec::new();
    };
    let latch = limits
        .latch_ms
        .map(|at| (at, LATCH, format!("latch limit {} ms", down(at, 1))));
    let habit = limits.habit.as_ref().map(|h| {
        (
            h.latch_ms,
            HABIT,
            format!("latch limit by shop habit {} ms", near(h.latch_ms, 1)),
        )
    });
    latch.into_iter().chain(habit).collect()
}

fn keys(
    distances: &[&Distance],
    limits: Option<&LimitSet>,
    installed: &[(f64, String)],
) -> Vec<Key> {
    let rules = distances.iter().zip(looks()).map(|(d, (ink, shape))| {
        Key::line_and_mark(ink, shape, format!("{}, {}", d.rule, d.device))
    });
    let lines = vertical_lines(limits);
    let installed = installed.iter().map(|(mm, devices)| {
        Key::line(
            INSTALLED,
            format!("installed: {} mm ({devices})", down(*mm, 0)),
        )
    });
    let lines = lines.into_iter().map(|(_, ink, text)| Key::line(ink, text));
    let meeting = (!meetings(distances).is_empty()).then(|| {
        Key::mark(
            Shape::Bar,
            INSTALLED.colour,
            "longest latch limit the installed distance allows",
        )
    });
    rules.chain(installed).chain(meeting).chain(lines).collect()
}

fn describe(distances: &[&Distance]) -> String {
    let rules: Vec<String> = distances
        .iter()
        .map(|d| {
            format!(
                "{} asks for {} mm at {} ms",
                d.rule,
                up(d.required_mm, 0),
                up(d.stopping_time_ms, 1)
            )
        })
        .collect();
    format!(
        "Required distance rises with the latch limit. {}.",
        rules.join("; ")
    )
}
