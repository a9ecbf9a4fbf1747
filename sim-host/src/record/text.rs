//! The record in a few lines, for the terminal.

use super::model::{Distance, LimitSet, Outcome, Record, TopStop};
use super::numbers::{down, near, plain, up};
use std::fmt::Write;

/// Verdict, reasons, ways out, limits, release angles and distances, and where the record is.
/// `place` is printed as given.
pub fn summary(record: &Record, place: Option<&str>) -> String {
    let mut text = format!("{}\n", headline(record));
    let verdict = &record.verdict;
    block(&mut text, "held to", &verdict.restricted_to);
    block(&mut text, "because", &verdict.reasons);
    block(&mut text, "way out", &verdict.ways_out);
    block(&mut text, "limits", record.limits.iter().map(limits));
    block(&mut text, "top stop", record.top_stops.iter().map(top_stop));
    block(&mut text, "distance", record.distances.iter().map(distance));
    block(&mut text, "open", &record.open_points);
    block(&mut text, "record", place);
    text
}

/// The verdict in words.
pub fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Commissionable => "commissionable",
        Outcome::Restricted => "commissionable with restrictions",
        Outcome::NotCommissionable => "not commissionable",
        Outcome::NotJudged => "not judged",
    }
}

fn headline(record: &Record) -> String {
    let verdict = outcome(record.verdict.outcome).to_uppercase();
    format!("{verdict}  {}", record.press.name)
}

fn block<T: AsRef<str>>(text: &mut String, name: &str, lines: impl IntoIterator<Item = T>) {
    let mut name = name;
    for line in lines {
        // Writing to a string cannot fail.
        let _ = writeln!(text, "  {name:<9} {}", line.as_ref());
        name = "";
    }
}

fn limits(set: &LimitSet) -> String {
    let pair = |ms: Option<f64>, deg: Option<f64>| match (ms, deg) {
        (Some(ms), Some(deg)) => format!("{} ms / {} deg", down(ms, 1), down(deg, 1)),
        (Some(ms), None) => format!("{} ms", down(ms, 1)),
        _ => "none can be given".to_owned(),
    };
    format!(
        "at {} SPM: mean {} ms, advisory {}, latch {}",
        plain(set.speed_spm, 1),
        near(set.reference_ms, 1),
        pair(set.advisory_ms, set.advisory_deg),
        pair(set.latch_ms, set.latch_deg),
    )
}

fn top_stop(stop: &TopStop) -> String {
    let release = match (stop.release_deg, &stop.rest_criterion) {
        (Some(deg), _) => format!("release at {} deg", near(deg, 1)),
        (None, Some(rest)) if stop.search.is_empty() => {
            let answer = if rest.pass { "met" } else { "not met" };
            format!("rest criterion {answer} by {} stops", rest.n)
        }
        (None, _) => "no release angle found".to_owned(),
    };
    format!(
        "{} at {} SPM: {release}",
        stop.mode,
        plain(stop.speed_spm, 1)
    )
}

fn distance(distance: &Distance) -> String {
    let required = format!(
        "{} ({}) at {} SPM: {} mm required",
        distance.device,
        distance.rule,
        plain(distance.speed_spm, 1),
        up(distance.required_mm, 0)
    );
    match (distance.installed_mm, distance.margin_mm) {
        (Some(installed), Some(margin)) => format!(
            "{required}, {} mm installed, margin {} mm",
            down(installed, 0),
            down(margin, 0)
        ),
        _ => required,
    }
}
