//! The first page: what it is, the answer, the cautions, the press.

use super::part::{absent, cell, list, number, numbers, table, words};
use crate::record::model::{NamedText, Outcome, Press, Record, Recording, Source, StopKind};
use crate::record::numbers::{down, near, plain, up};
use crate::record::text;
use maud::{Markup, html};

pub(super) fn heading(record: &Record, kind: &str) -> Markup {
    let press = &record.press;
    let origin = match (&record.source, press.invented) {
        (Source::Rehearsal { .. }, true) => "Rehearsal on a simulated, invented press",
        (Source::Rehearsal { .. }, false) => "Rehearsal on a simulated press",
        (Source::Study { .. }, true) => "From recordings of an invented press",
        (Source::Study { .. }, false) => "From recordings",
    };
    html! {
        header {
            p class="kind" { (kind) " · " (origin) }
            h1 { (press.name) }
            @if !press.description.is_empty() { p class="description" { (press.description) } }
            p class="notice" role="note" { (record.notice) }
        }
    }
}

pub(super) fn verdict(record: &Record) -> Markup {
    let verdict = &record.verdict;
    let (class, sign) = match verdict.outcome {
        Outcome::Commissionable => ("yes", "✓"),
        Outcome::Restricted => ("partly", "!"),
        Outcome::NotCommissionable => ("no", "✕"),
        Outcome::NotJudged => ("partly", "?"),
    };
    let part = |title: &str, items: &[String]| {
        html! { @if !items.is_empty() { div { h3 { (title) } (list(items)) } } }
    };
    html! {
        div class={ "verdict " (class) } {
            p class="outcome" {
                span class="sign" aria-hidden="true" { (sign) } " " (text::outcome(verdict.outcome))
            }
            div class="why" {
                (part("Held to", &verdict.restricted_to))
                (part("Because", &verdict.reasons))
                (part("Way out", &verdict.ways_out))
            }
        }
        (glance(record))
    }
}

/// The few numbers people turn the page for.
fn glance(record: &Record) -> Markup {
    let facts: Vec<(String, String, String)> = [
        latch_limit(record),
        release(record),
        worst_mid_stroke(record),
        least_margin(record),
    ]
    .into_iter()
    .flatten()
    .collect();
    html! {
        @if !facts.is_empty() {
            dl class="glance" {
                @for (name, value, note) in &facts {
                    div { dt { (name) } dd { b { (number(value.clone())) } " " span { (note) } } }
                }
            }
        }
    }
}

type Fact = (String, String, String);

fn latch_limit(record: &Record) -> Option<Fact> {
    let set = record.limits.last()?;
    let value = set
        .latch_ms
        .map_or("none".to_owned(), |ms| format!("{} ms", down(ms, 1)));
    let note = format!(
        "at the top, {} SPM; measured mean {} ms",
        plain(set.speed_spm, 1),
        near(set.reference_ms, 1)
    );
    Some(("Latch limit".into(), value, note))
}

fn release(record: &Record) -> Option<Fact> {
    let stop = record.top_stops.last()?;
    let value = stop
        .release_deg
        .map_or("none".to_owned(), |deg| format!("{}°", near(deg, 1)));
    Some((
        "Release angle".into(),
        value,
        format!("{}, {} SPM", stop.mode, plain(stop.speed_spm, 1)),
    ))
}

fn worst_mid_stroke(record: &Record) -> Option<Fact> {
    let cells = record
        .stop_matrix
        .cells
        .iter()
        .filter(|c| c.kind == StopKind::MidStroke);
    let cell = cells.max_by(|a, b| a.time_worst_ms.total_cmp(&b.time_worst_ms))?;
    let note = format!(
        "at {}°, {} SPM",
        near(cell.command_deg, 0),
        plain(cell.speed_spm, 1)
    );
    Some((
        "Longest mid-stroke stop".into(),
        format!("{} ms", up(cell.time_worst_ms, 1)),
        note,
    ))
}

fn least_margin(record: &Record) -> Option<Fact> {
    let margins = record
        .distances
        .iter()
        .filter_map(|d| Some((d, d.margin_mm?)));
    let (distance, margin) = margins.min_by(|a, b| a.1.total_cmp(&b.1))?;
    let note = format!("{}, {}", distance.device, distance.rule);
    Some((
        "Least distance margin".into(),
        format!("{} mm", down(margin, 0)),
        note,
    ))
}

pub(super) fn cautions(record: &Record) -> Markup {
    let rows: Vec<_> = record
        .cautions
        .iter()
        .map(|c| vec![cell(&c.step), cell(&c.text)])
        .collect();
    html! {
        @if rows.is_empty() {
            (absent("no step of it turned a crank"))
        } @else {
            p { "Shown before each step that turns the crank. On a real press each line has to be true, and proven, before the step begins." }
            (table("Cautions by step", &[words("Before"), words("Has to be true")], &rows))
        }
    }
}

pub(super) fn press(record: &Record) -> Markup {
    let rows: Vec<_> = plate(&record.press).iter().map(row).collect();
    html! {
        @if !rows.is_empty() {
            (table("Data plate", &[words("What"), words("Value")], &rows))
        }
        (source(&record.source))
    }
}

fn row(entry: &NamedText) -> Vec<Markup> {
    vec![cell(&entry.name), cell(&entry.value)]
}

fn plate(press: &Press) -> Vec<NamedText> {
    let named = |name: &str, value: String| NamedText {
        name: name.into(),
        value,
    };
    let quantity = |name: &str, value: Option<f64>, unit: &str| {
        value.map(|v| named(name, format!("{} {unit}", plain(v, 2))))
    };
    let text = |name: &str, value: &Option<String>| value.clone().map(|v| named(name, v));
    let known = [
        quantity("Rated force", press.rated_force_kn, "kN"),
        quantity("Stroke", press.stroke_mm, "mm"),
        quantity("Connecting rod", press.rod_mm, "mm"),
        speeds(press).map(|v| named("Speed", v)),
        quantity(
            "Slide with heaviest upper die",
            press.slide_with_die_kg,
            "kg",
        ),
        text("Counterbalance", &press.counterbalance),
        text("Sensor drive", &press.sensor_drive),
    ];
    known
        .into_iter()
        .flatten()
        .chain(press.plate.iter().cloned())
        .collect()
}

fn speeds(press: &Press) -> Option<String> {
    let spm = |name: &str, value: Option<f64>| value.map(|v| format!("{name} {} SPM", plain(v, 1)));
    let known: Vec<String> = [
        spm("lowest", press.speed_min_spm),
        spm("nominal", press.speed_nominal_spm),
        spm("highest", press.speed_max_spm),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!known.is_empty()).then(|| known.join(", "))
}

fn source(source: &Source) -> Markup {
    match source {
        Source::Rehearsal {
            press_file,
            seed,
            options,
        } => html! {
            p {
                "Rehearsed on the press described in " code { (press_file) } " with seed "
                code { (seed) } ". The same program, file, seed and options give the same record."
            }
            (given(options))
        },
        Source::Study {
            recordings,
            options,
        } => html! {
            (recordings_table(recordings))
            (given(options))
        },
    }
}

fn given(options: &[NamedText]) -> Markup {
    let rows: Vec<_> = options.iter().map(row).collect();
    html! {
        @if !rows.is_empty() { (table("Options", &[words("Option"), words("Value")], &rows)) }
    }
}

fn recordings_table(recordings: &[Recording]) -> Markup {
    let rows: Vec<_> = recordings.iter().map(|r| vec![
        html! { code { (r.file) } },
        number(r.rows.to_string()),
        number(plain(r.sample_rate_hz, 1)),
        number(r.stops.to_string()),
        number(r.positioning_moves.to_string()),
        html! { @if r.warnings.is_empty() { "no warnings" } @else { (r.warnings.join("; ")) } },
        html! { code class="digest" { (r.sha256) } },
    ]).collect();
    let columns = [
        words("File"),
        numbers("Rows"),
        numbers("Samples per s"),
        numbers("Stops at speed"),
        numbers("Positioning moves"),
        words("Reading"),
        words("SHA-256"),
    ];
    table("Recordings", &columns, &rows)
}
