//! Cells of one place and speed, and the limits their stops alone give.

use super::headroom::Headroom;
use super::release::degrees_per_ms;
use super::{
    Cell, CellEvidence, Criteria, Limits, LimitsError, Position, Stop, Warmth, is_same_speed,
};
use crate::statistics::Summary;
use crate::statistics::rest::signed_deg;
use crate::statistics::tolerance::one_sided_factor;
use crate::stop_curve::SpeedPoint;

/// Fewer stops than this are no evidence at all.
const STOPS_FOR_EVIDENCE: usize = 3;

/// Cells of one place and speed.
pub(super) struct Group<'a> {
    pub(super) position: Position,
    pub(super) speed_spm: f64,
    pub(super) evidence: Vec<CellEvidence>,
    pub(super) cells: Vec<&'a Cell>,
}

impl Group<'_> {
    pub(super) fn baseline(&self, of: fn(&CellEvidence) -> &Summary) -> f64 {
        self.evidence
            .iter()
            .map(|cell| of(cell).mean)
            .fold(f64::NEG_INFINITY, f64::max)
    }

    fn lowest_mean(&self, of: fn(&CellEvidence) -> &Summary) -> f64 {
        self.evidence
            .iter()
            .map(|cell| of(cell).mean)
            .fold(f64::INFINITY, f64::min)
    }

    pub(super) fn drift(&self, of: fn(&CellEvidence) -> &Summary) -> Option<f64> {
        let has = |warmth| self.evidence.iter().any(|cell| cell.warmth == warmth);
        (has(Warmth::Cold) && has(Warmth::Warm)).then(|| self.baseline(of) - self.lowest_mean(of))
    }

    fn scatter(&self, of: fn(&CellEvidence) -> &Summary, least: f64) -> f64 {
        let of_cell = |cell: &CellEvidence| {
            let summary = of(cell);
            (cell.factor * summary.deviation).max(summary.largest - summary.mean)
        };
        self.evidence.iter().map(of_cell).fold(least, f64::max)
    }

    /// The stop that the distance has to cover.
    pub(super) fn worst_ms(&self, criteria: &Criteria) -> Result<f64, LimitsError> {
        self.evidence.iter().try_fold(0.0_f64, |worst, cell| {
            Ok(worst.max(cell.time_ms.upper_limit(criteria.distance)?))
        })
    }

    pub(super) fn is_at(&self, speed_spm: f64) -> bool {
        is_same_speed(self.speed_spm, speed_spm)
    }

    /// The limits with their full margin; `allowed` caps the latch limit.
    pub(super) fn time_limits(&self, criteria: &Criteria, allowed: Option<f64>) -> Limits {
        let baseline = self.baseline(time);
        let scatter = self.scatter(time, criteria.measured_within_ms);
        let advisory = (baseline + scatter).ceil();
        let latch_wanted = (advisory + self.margin_ms(criteria)).floor();
        let latch = allowed.map_or(latch_wanted, |allowed| latch_wanted.min(allowed.floor()));
        let drift = self.drift(time);
        Limits {
            baseline,
            drift,
            scatter,
            advisory,
            latch,
            latch_wanted,
            allowed,
        }
    }

    /// Travel gets the margin that lost torque gives when time uses up its own: half the speed
    /// times the time. A pure delay so meets the travel limit first.
    pub(super) fn travel_limits(&self, criteria: &Criteria) -> Limits {
        let baseline = self.baseline(travel);
        let scatter = self.scatter(travel, criteria.measured_within_deg);
        let advisory = ceil_tenth(baseline + scatter);
        let margin = 0.5 * degrees_per_ms(self.speed_spm) * self.margin_ms(criteria);
        let latch_wanted = floor_tenth(advisory + margin.max(criteria.measured_within_deg));
        let allowed = (self.position == Position::Top)
            .then(|| self.lowest_mean(travel) + criteria.overrun_limit_deg);
        let latch = allowed.map_or(latch_wanted, |allowed| {
            latch_wanted.min(floor_tenth(allowed))
        });
        let drift = self.drift(travel);
        Limits {
            baseline,
            drift,
            scatter,
            advisory,
            latch,
            latch_wanted,
            allowed,
        }
    }

    pub(super) fn margin_ms(&self, criteria: &Criteria) -> f64 {
        let longest = self
            .evidence
            .iter()
            .map(|cell| cell.time_ms.largest)
            .fold(0.0, f64::max);
        (criteria.margin_share * longest).max(criteria.margin_least_ms)
    }

    pub(super) fn stops(&self) -> impl Iterator<Item = &Stop> {
        self.cells.iter().flat_map(|cell| &cell.stops)
    }

    /// Rests with the mean of each cell put on the target: what is left is scatter, not drift.
    pub(super) fn rests_without_drift(&self, target_deg: f64) -> Vec<f64> {
        let centred = |cell: &&Cell| {
            let error = |stop: &Stop| signed_deg(stop.rest_deg - target_deg);
            let mean = cell.stops.iter().map(error).sum::<f64>() / cell.stops.len() as f64;
            let rests = cell.stops.iter().map(|stop| stop.rest_deg - mean);
            rests.collect::<Vec<f64>>()
        };
        self.cells.iter().flat_map(centred).collect()
    }

    /// The mean stop, for the curve over speed.
    pub(super) fn mean_stop(&self) -> SpeedPoint {
        let count = self.stops().count() as f64;
        let mean = |of: fn(&Stop) -> f64| self.stops().map(of).sum::<f64>() / count;
        SpeedPoint {
            speed_spm: mean(|stop| stop.speed_spm),
            time_ms: mean(|stop| stop.time_ms),
            travel_deg: mean(|stop| stop.travel_deg),
        }
    }

    /// Mean of the reactions, when every stop has one.
    pub(super) fn reaction_ms(&self) -> Option<f64> {
        let reactions: Option<Vec<f64>> = self.stops().map(|stop| stop.reaction_ms).collect();
        reactions.map(|all| all.iter().sum::<f64>() / all.len() as f64)
    }
}

pub(super) fn time(cell: &CellEvidence) -> &Summary {
    &cell.time_ms
}

pub(super) fn travel(cell: &CellEvidence) -> &Summary {
    &cell.travel_deg
}

/// Groups in the order their cells come; cells with too few stops to sum up are left out, and
/// [`few_stops`] has named them.
pub(super) fn gather<'a>(
    cells: &'a [Cell],
    criteria: &Criteria,
) -> Result<Vec<Group<'a>>, LimitsError> {
    let mut groups: Vec<Group<'a>> = Vec::new();
    for cell in cells
        .iter()
        .filter(|cell| cell.stops.len() >= STOPS_FOR_EVIDENCE)
    {
        let evidence = evidence_of(cell, criteria)?;
        let same =
            |group: &&mut Group<'a>| group.position == cell.position && group.is_at(cell.speed_spm);
        match groups.iter_mut().find(same) {
            Some(group) => {
                group.evidence.push(evidence);
                group.cells.push(cell);
            }
            None => groups.push(Group {
                position: cell.position,
                speed_spm: cell.speed_spm,
                evidence: vec![evidence],
                cells: vec![cell],
            }),
        }
    }
    Ok(groups)
}

fn evidence_of(cell: &Cell, criteria: &Criteria) -> Result<CellEvidence, LimitsError> {
    let column = |of: fn(&Stop) -> f64| cell.stops.iter().map(of).collect::<Vec<f64>>();
    Ok(CellEvidence {
        warmth: cell.warmth,
        time_ms: Summary::of(&column(|stop| stop.time_ms))?,
        travel_deg: Summary::of(&column(|stop| stop.travel_deg))?,
        factor: one_sided_factor(cell.stops.len(), criteria.limits)?,
    })
}

pub(super) fn rule_text(
    group: &Group<'_>,
    limits: &Limits,
    headroom: Option<&Headroom>,
    criteria: &Criteria,
) -> String {
    let stops: Vec<String> = group
        .evidence
        .iter()
        .map(|cell| cell.time_ms.count.to_string())
        .collect();
    let mut text = format!(
        "advisory: highest mean {:.1} ms + scatter {:.1} ms (n {}, {} % of stops with {} % \
         confidence, or the longest seen); latch: advisory + {:.1} ms ({} % of the longest stop, \
         at least {} ms)",
        limits.baseline,
        limits.scatter,
        stops.join(" and "),
        100.0 * criteria.limits.content(),
        100.0 * criteria.limits.confidence(),
        group.margin_ms(criteria),
        100.0 * criteria.margin_share,
        criteria.margin_least_ms,
    );
    if let (Some(allowed), Some(found)) = (limits.allowed, headroom) {
        text += &format!(
            ", at most {allowed:.1} ms, which {} mm allow by {}",
            found.installed_mm, found.governing_rule
        );
    }
    text
}

pub(super) fn check(cells: &[Cell]) -> Result<(), LimitsError> {
    for (cell_index, cell) in cells.iter().enumerate() {
        let place = (cell_index + 1, 0);
        in_range(place, "the speed, SPM,", cell.speed_spm, 0.1, 3_000.0)?;
        if let Position::MidStroke(command_deg) = cell.position {
            in_range(
                place,
                "the command angle, degrees,",
                command_deg,
                0.0,
                360.0,
            )?;
        }
        for (stop_index, stop) in cell.stops.iter().enumerate() {
            check_stop((cell_index + 1, stop_index + 1), stop)?;
        }
    }
    Ok(())
}

fn check_stop(place: (usize, usize), stop: &Stop) -> Result<(), LimitsError> {
    in_range(place, "the speed, SPM,", stop.speed_spm, 0.1, 3_000.0)?;
    in_range(
        place,
        "the stopping time, ms,",
        stop.time_ms,
        0.001,
        60_000.0,
    )?;
    in_range(
        place,
        "the stopping travel, degrees,",
        stop.travel_deg,
        0.001,
        36_000.0,
    )?;
    in_range(
        place,
        "the rest angle, degrees,",
        stop.rest_deg,
        -360.0,
        720.0,
    )?;
    in_range(
        place,
        "the reaction, ms,",
        stop.reaction_ms.unwrap_or(0.0),
        0.0,
        stop.time_ms,
    )
}

fn in_range(
    (cell, stop): (usize, usize),
    what: &'static str,
    found: f64,
    least: f64,
    most: f64,
) -> Result<(), LimitsError> {
    if (least..=most).contains(&found) {
        return Ok(());
    }
    Err(LimitsError::OutOfRange {
        cell,
        stop,
        what,
        found,
        least,
        most,
    })
}

fn ceil_tenth(value: f64) -> f64 {
    (value * 10.0).ceil() / 10.0
}

fn floor_tenth(value: f64) -> f64 {
    (value * 10.0).floor() / 10.0
}
