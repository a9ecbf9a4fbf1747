//! What a record must not say of itself.
//!
//! The record does not judge; whoever fills it does. But a page that says "commissionable" above
//! a failed drill, or counts 25 stops where 24 stand, is worse than none. So the folder is not
//! written when the parts of a record contradict each other, and the contradiction is named.

use super::model::{Outcome, Record};
use std::collections::{BTreeMap, BTreeSet};

/// Differences of a margin below this come from rounding.
const SAME_MM: f64 = 0.01;

/// One sentence for each contradiction; empty when the parts agree.
pub fn contradictions(record: &Record) -> Vec<String> {
    let mut found = verdict(record);
    found.extend(limits(record));
    found.extend(distances(record));
    found.extend(stops(record));
    found
}

fn verdict(record: &Record) -> Vec<String> {
    let verdict = &record.verdict;
    let is_whole = verdict.restricted_to.is_empty();
    let mut found = Vec::new();
    let mut note = |is_wrong: bool, what: &str| {
        if is_wrong {
            found.push(what.to_owned());
        }
    };
    // A plain yes may stand without a reason; anything less may not.
    let needs_reason = verdict.outcome != Outcome::Commissionable;
    note(
        needs_reason && verdict.reasons.is_empty(),
        "the verdict has no reason",
    );
    match verdict.outcome {
        Outcome::Commissionable => {
            note(!is_whole, "the verdict has no restriction, yet names one");
            note(
                verdict.exit_status != 0,
                "the verdict is commissionable, the exit status is not 0",
            );
        }
        Outcome::Restricted => note(
            is_whole,
            "the verdict is restricted, yet names no restriction",
        ),
        Outcome::NotJudged => note(
            verdict.exit_status != 0,
            "the press was not judged, the exit status is not 0",
        ),
        Outcome::NotCommissionable => {
            note(
                verdict.exit_status == 0,
                "the verdict is not commissionable, the exit status is 0",
            );
        }
    }
    if verdict.outcome == Outcome::Commissionable {
        let failed = failed_parts(record);
        found.extend(
            failed
                .into_iter()
                .map(|part| format!("commissionable, yet {part} failed")),
        );
    }
    found
}

/// Every part of the record that says of itself that it did not pass.
fn failed_parts(record: &Record) -> Vec<String> {
    let part = |pass: Option<bool>, name: String| (pass == Some(false)).then_some(name);
    let single = [
        part(
            record.signal_check.as_ref().map(|c| c.pass),
            "the signal check".into(),
        ),
        part(
            record.zero_capture.as_ref().map(|c| c.pass),
            "the zero capture".into(),
        ),
        part(
            record.direction_proof.as_ref().map(|p| p.pass),
            "the direction proof".into(),
        ),
    ];
    let references = record
        .references
        .iter()
        .map(|reference| part(Some(reference.pass), format!("the {}", reference.name)));
    let rests = record.top_stops.iter().map(|stop| {
        let name = format!(
            "the rest criterion of {} at {} SPM",
            stop.mode, stop.speed_spm
        );
        part(stop.rest_criterion.as_ref().map(|c| c.pass), name)
    });
    let distances = record.distances.iter().map(|d| {
        part(
            d.pass,
            format!("the distance of {} by {}", d.device, d.rule),
        )
    });
    let drills = record.drills.iter().map(|d| {
        part(
            Some(d.pass),
            format!("the drill of fault {}", d.fault_number),
        )
    });
    let checks = record
        .function_checks
        .iter()
        .map(|c| part(Some(c.pass), format!("the check: {}", c.name)));
    single
        .into_iter()
        .chain(rests)
        .chain(distances)
        .chain(references)
        .chain(drills)
        .chain(checks)
        .flatten()
        .collect()
}

fn limits(record: &Record) -> Vec<String> {
    let above = |a: Option<f64>, b: Option<f64>| matches!((a, b), (Some(a), Some(b)) if a > b);
    let mut found = Vec::new();
    for set in &record.limits {
        let mut note = |is_wrong: bool, what: &str| {
            if is_wrong {
                found.push(format!("at {} SPM {what}", set.speed_spm));
            }
        };
        note(
            above(set.advisory_ms, set.latch_ms),
            "the advisory limit is above the latch limit",
        );
        note(
            above(set.advisory_deg, set.latch_deg),
            "the advisory limit in travel is above the latch limit in travel",
        );
        note(
            above(set.latch_ms, set.distance_ceiling_ms),
            "the latch limit is above what the installed distance allows",
        );
    }
    found
}

fn distances(record: &Record) -> Vec<String> {
    let mut found = Vec::new();
    for distance in &record.distances {
        let mut note = |is_wrong: bool, what: &str| {
            if is_wrong {
                found.push(format!("{} by {}: {what}", distance.device, distance.rule));
            }
        };
        let margin = distance
            .installed_mm
            .map(|installed| installed - distance.required_mm);
        let is_same = match (margin, distance.margin_mm) {
            (Some(a), Some(b)) => (a - b).abs() < SAME_MM,
            (a, b) => a.is_none() && b.is_none(),
        };
        note(
            !is_same,
            "the margin is not the installed less the required distance",
        );
        let is_short = margin.is_some_and(|margin| margin < 0.0);
        note(
            is_short && distance.pass == Some(true),
            "passed with a distance that is too short",
        );
    }
    found
}

fn stops(record: &Record) -> Vec<String> {
    let matrix = &record.stop_matrix;
    let mut found = Vec::new();
    let mut numbers = BTreeSet::new();
    let mut counts: BTreeMap<&str, u32> = BTreeMap::new();
    for stop in &matrix.stops {
        if !numbers.insert(stop.number) {
            found.push(format!("two stops bear number {}", stop.number));
        }
        *counts.entry(&stop.cell).or_default() += 1;
    }
    for (id, _) in counts.iter().filter(|(id, _)| matrix.cell(id).is_none()) {
        found.push(format!("stops belong to cell {id}, which is not there"));
    }
    for cell in &matrix.cells {
        let counted = counts.get(cell.id.as_str()).copied().unwrap_or(0);
        if counted != cell.n {
            found.push(format!(
                "cell {} counts {} stops, {counted} are there",
                cell.id, cell.n
            ));
        }
    }
    let drawn = record.stop_signatures.iter().map(|s| s.stop);
    found.extend(
        drawn
            .filter(|number| !numbers.contains(number))
            .map(|number| format!("stop {number} is drawn, but not in the list")),
    );
    found
}
