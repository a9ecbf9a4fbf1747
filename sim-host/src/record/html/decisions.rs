//! What was decided: limits, release angle, distances.

use super::part::{
    about, absent, cell, figure, known, list, mark, name, number, numbers, percent, table, words,
};
use crate::record::model::{
    Distance, LimitSet, OverrunWindow, Record, RestCriterion, RuleStanding, TopStop,
};
use crate::record::numbers::{down, near, plain, up};
use crate::record::plots;
use maud::{Markup, html};

pub(super) fn limits(record: &Record) -> Markup {
    if record.limits.is_empty() {
        return absent("limits on the top stop");
    }
    html! {
        p {
            "Above the advisory limit the controller warns; above the latch limit it stops and \
            latches, in time or in travel, whichever comes first. Limits are rounded down. A \
            limit belongs to its speed."
        }
        (table("Proposed limits of the top stop", &LIMIT_COLUMNS, &rows(record, limit_row)))
        (table("What the limits are made of", &ALLOWANCE_COLUMNS, &rows(record, allowance_row)))
        (list(&rules(record)))
        (habit(record))
    }
}

const LIMIT_COLUMNS: [super::part::Column; 7] = [
    numbers("Speed (SPM)"),
    numbers("Mean (ms)"),
    numbers("Advisory (ms)"),
    numbers("Latch (ms)"),
    numbers("Mean (deg)"),
    numbers("Advisory (deg)"),
    numbers("Latch (deg)"),
];

const ALLOWANCE_COLUMNS: [super::part::Column; 7] = [
    numbers("Speed (SPM)"),
    numbers("For scatter (ms)"),
    numbers("For heat and air (ms)"),
    numbers("Most the distance allows (ms)"),
    words("By rule"),
    numbers("Mid-stroke to top"),
    numbers("at most"),
];

fn rows(record: &Record, row: fn(&LimitSet) -> Vec<Markup>) -> Vec<Vec<Markup>> {
    record.limits.iter().map(row).collect()
}

fn limit_row(set: &LimitSet) -> Vec<Markup> {
    let limit = |value: Option<f64>| known(value, |v| down(v, 1));
    vec![
        number(plain(set.speed_spm, 1)),
        about(set.reference_ms, 1),
        limit(set.advisory_ms),
        limit(set.latch_ms),
        about(set.reference_deg, 1),
        limit(set.advisory_deg),
        limit(set.latch_deg),
    ]
}

fn allowance_row(set: &LimitSet) -> Vec<Markup> {
    vec![
        number(plain(set.speed_spm, 1)),
        about(set.scatter_allowance_ms, 1),
        about(set.drift_allowance_ms, 1),
        known(set.distance_ceiling_ms, |v| down(v, 1)),
        cell(set.distance_ceiling_rule.as_deref().unwrap_or("–")),
        known(set.mid_to_top_ratio, |v| percent(v, 1)),
        known(set.mid_to_top_limit_ratio, |v| percent(v, 0)),
    ]
}

/// Each rule once, although every speed names it.
fn rules(record: &Record) -> Vec<String> {
    let mut rules: Vec<String> = record.limits.iter().map(|set| set.rule.clone()).collect();
    rules.dedup();
    rules
}

fn habit(record: &Record) -> Markup {
    let torque = |value: Option<f64>| known(value, |v| percent(v, 0));
    let rows: Vec<_> = record
        .limits
        .iter()
        .filter_map(|set| {
            let habit = set.habit.as_ref()?;
            Some(vec![
                number(plain(set.speed_spm, 1)),
                about(habit.advisory_ms, 1),
                torque(habit.advisory_torque_ratio),
                about(habit.latch_ms, 1),
                torque(habit.latch_torque_ratio),
                habit
                    .distance_holds
                    .map_or(cell("–"), |holds| cell(if holds { "yes" } else { "NO" })),
            ])
        })
        .collect();
    let columns = [
        numbers("Speed (SPM)"),
        numbers("Warns at (ms)"),
        numbers("Brake torque left"),
        numbers("Stops at (ms)"),
        numbers("Brake torque left"),
        words("Distance still holds"),
    ];
    html! {
        @if !rows.is_empty() {
            p {
                "For comparison only: the habit of adding 50 ms and 100 ms to a measured time \
                (common practice, no source), and how much brake torque would be left before it \
                speaks, were lost torque the only cause."
            }
            (table("The shop habit, not in force", &columns, &rows))
        }
    }
}

pub(super) fn top_stop(record: &Record) -> Markup {
    if record.top_stops.is_empty() {
        return absent("a release angle and what rest it gives");
    }
    let found: Vec<_> = record.top_stops.iter().map(release_row).collect();
    let windows: Vec<_> = record.top_stops.iter().map(window_row).collect();
    let criteria: Vec<_> = record.top_stops.iter().filter_map(criterion_row).collect();
    html! {
        p {
            "The release angle was searched under supervision, in few corrections, each from the \
            mean of several stops; then the bounded compensation held it. Compensation never \
            touches the limits above: stops are judged on their own time and travel."
        }
        (table("Release angle", &RELEASE_COLUMNS, &found))
        @for drawn in plots::convergence(record) { (figure(&drawn)) }
        (table("Window around the top", &WINDOW_COLUMNS, &windows))
        @if !criteria.is_empty() { (table("Rests near the target", &CRITERION_COLUMNS, &criteria)) }
    }
}

const RELEASE_COLUMNS: [super::part::Column; 6] = [
    words("Mode"),
    numbers("Speed (SPM)"),
    numbers("Release (deg)"),
    numbers("Corrections"),
    numbers("Bounds, early and late (deg)"),
    numbers("Authority used"),
];

fn release_row(stop: &TopStop) -> Vec<Markup> {
    let corrections = stop.search.iter().map(|s| s.correction).max();
    let hold = stop.hold.as_ref();
    let bounds = hold.map_or("–".to_owned(), |h| {
        format!(
            "-{} and +{}",
            near(h.authority_early_deg, 1),
            near(h.authority_late_deg, 1)
        )
    });
    vec![
        name(&stop.mode),
        number(plain(stop.speed_spm, 1)),
        known(stop.release_deg, |v| near(v, 1)),
        cell(corrections.map_or("–".to_owned(), |n| n.to_string())),
        number(bounds),
        known(hold.map(|h| h.authority_used_ratio), |v| percent(v, 0)),
    ]
}

const WINDOW_COLUMNS: [super::part::Column; 6] = [
    words("Mode"),
    numbers("Speed (SPM)"),
    numbers("Short of top (deg)"),
    numbers("Overrun limit (deg)"),
    numbers("which equals (ms)"),
    words("Source of the limit"),
];

fn window_row(stop: &TopStop) -> Vec<Markup> {
    let OverrunWindow {
        short_deg,
        past_deg,
        past_equals_ms,
        source,
    } = &stop.window;
    vec![
        name(&stop.mode),
        number(plain(stop.speed_spm, 1)),
        about(*short_deg, 1),
        about(*past_deg, 1),
        known(*past_equals_ms, |v| near(v, 1)),
        cell(source),
    ]
}

const CRITERION_COLUMNS: [super::part::Column; 7] = [
    words("Mode"),
    numbers("Speed (SPM)"),
    numbers("n"),
    words("Near means"),
    numbers("Seen near"),
    words("Assured, and asked for"),
    words("Result"),
];

fn criterion_row(stop: &TopStop) -> Option<Vec<Markup>> {
    let RestCriterion {
        n,
        window_deg,
        within_ratio,
        within_assured_ratio,
        required_ratio,
        confidence_ratio,
        pass,
    } = stop.rest_criterion.as_ref()?;
    Some(vec![
        name(&stop.mode),
        number(plain(stop.speed_spm, 1)),
        number(n.to_string()),
        html! { "within " (about(*window_deg, 1)) "°" },
        number(percent(*within_ratio, 1)),
        html! {
            (down(*within_assured_ratio * 100.0, 2)) " % with " (percent(*confidence_ratio, 0))
            " confidence; asked for " (percent(*required_ratio, 1))
        },
        mark(*pass),
    ])
}

pub(super) fn distances(record: &Record) -> Markup {
    if record.distances.is_empty() {
        return absent("a safety distance");
    }
    let rows: Vec<_> = record.distances.iter().map(distance_row).collect();
    html! {
        p {
            "Computed with the latch limit in force, not with the measured time: the first long \
            stop is not prevented, only the next stroke. Required distances are rounded up, \
            margins and allowed limits down. Which rule applies is for local codes to say."
        }
        (table("Required and installed", &DISTANCE_COLUMNS, &rows))
        @for drawn in plots::distances(record) { (figure(&drawn)) }
        h3 { "How each distance was computed" }
        @for distance in &record.distances { (working(distance)) }
    }
}

const DISTANCE_COLUMNS: [super::part::Column; 8] = [
    words("Safeguard"),
    words("Rule"),
    numbers("Speed (SPM)"),
    numbers("Required (mm)"),
    numbers("Installed (mm)"),
    numbers("Margin (mm)"),
    numbers("Allowed latch limit (ms)"),
    words("Result"),
];

fn distance_row(distance: &Distance) -> Vec<Markup> {
    vec![
        cell(&distance.device),
        name(&distance.rule),
        number(plain(distance.speed_spm, 1)),
        number(up(distance.required_mm, 0)),
        known(distance.installed_mm, |v| down(v, 0)),
        known(distance.margin_mm, |v| down(v, 0)),
        distance
            .allowed_latch_ms
            .map_or_else(|| cell("none"), |v| number(down(v, 1))),
        distance.pass.map_or_else(|| cell("not judged"), mark),
    ]
}

fn working(distance: &Distance) -> Markup {
    let rows: Vec<_> = distance
        .terms
        .iter()
        .map(|t| {
            vec![
                html! { i { (t.symbol) } },
                cell(&t.meaning),
                number(plain(t.value, 3)),
                cell(&t.unit),
            ]
        })
        .collect();
    let standing = match distance.standing {
        RuleStanding::Read => "wording read",
        RuleStanding::FromMemory => "from memory: check the document before relying on it",
    };
    let columns = [
        words("Term"),
        words("Meaning"),
        numbers("Value"),
        words("Unit"),
    ];
    let caption = format!("{}, {}", distance.rule, distance.device);
    html! {
        div class="working" {
            h4 { (distance.device) ": " (distance.rule) }
            p {
                (distance.edition) ", " (distance.clause) " (" (standing) "). " (distance.formula)
                ". Stopping time " (number(up(distance.stopping_time_ms, 1))) " ms: "
                (distance.stopping_time_source) "."
            }
            (table(&caption, &columns, &rows))
        }
    }
}
