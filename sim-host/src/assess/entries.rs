//! The entries of a study's record.

use super::{Cell, Guard, Question};
use crate::distance::{DistanceError, Responses, Site, longest_stopping_ms, required_mm};
use crate::limits::headroom::mid_at_latch_ms;
use crate::limits::{Position, Proposal, SpeedReport};
use crate::record::{
    self, BrakeCondition, DistancePoint, OverrunWindow, RuleStanding, StopKind, Term,
};
use crate::statistics::{Demand, Summary, tolerance};
use crate::study::{RecordedStop, Study};
use stopwright_core::safety_distance::{Rule, Standing};

const CURVE_POINTS: usize = 41;

pub(super) fn recordings(study: &Study, question: &Question) -> Vec<record::Recording> {
    study
        .recordings
        .iter()
        .zip(&question.files)
        .map(|(summary, (file, sha256, rows))| record::Recording {
            file: file.clone(),
            sha256: sha256.clone(),
            rows: *rows,
            sample_rate_hz: 1e3 / summary.sample_period_ms,
            stops: summary.stops as u32,
            positioning_moves: summary.positioning_moves as u32,
            warnings: study
                .warnings
                .iter()
                .filter(|warning| warning.recording == summary.name)
                .map(ToString::to_string)
                .collect(),
        })
        .collect()
}

pub(super) fn matrix(
    study: &Study,
    cells: &[Cell<'_>],
) -> (record::StopMatrix, Vec<record::StopSignature>) {
    let demand = Demand::LIMITS;
    let mut matrix = record::StopMatrix {
        content_ratio: demand.content(),
        confidence_ratio: demand.confidence(),
        ..record::StopMatrix::default()
    };
    let mut signatures = Vec::new();
    for cell in cells {
        matrix.cells.push(cell_entry(cell, demand));
        for (index, stop) in cell.stops.iter().enumerate() {
            let number = matrix.stops.len() as u32 + 1;
            matrix.stops.push(stop_entry(number, cell, stop));
            if index == 0 {
                signatures.push(signature(number, stop));
            }
        }
    }
    matrix.positioning_moves = study
        .positioning_moves
        .iter()
        .map(|moved| record::PositioningMove {
            recording: moved.recording.clone(),
            command_time_s: moved.command_time_s,
            command_deg: moved.command_deg,
            speed_spm: moved.speed_spm,
            rest_deg: moved.rest_deg,
            reason: moved.reason.clone(),
        })
        .collect();
    (matrix, signatures)
}

fn cell_entry(cell: &Cell<'_>, demand: Demand) -> record::Cell {
    let of = |value: fn(&RecordedStop) -> f64| -> Vec<f64> {
        cell.stops.iter().map(|stop| value(stop)).collect()
    };
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len().max(1) as f64;
    let worst = |values: &[f64]| values.iter().copied().fold(0.0, f64::max);
    let (times, travels) = (of(|stop| stop.time_ms), of(|stop| stop.travel_deg));
    let (time, travel) = (Summary::of(&times).ok(), Summary::of(&travels).ok());
    let limit = |summary: Option<Summary>| summary.and_then(|s| s.upper_limit(demand).ok());
    record::Cell {
        id: cell.id(),
        kind: match cell.position {
            Position::Top => StopKind::Top,
            Position::MidStroke(_) => StopKind::MidStroke,
        },
        command_deg: mean(&of(|stop| stop.command_deg)),
        speed_spm: cell.speed_spm,
        brake: BrakeCondition::NotStated,
        n: cell.stops.len() as u32,
        time_mean_ms: mean(&times),
        time_sd_ms: time.map(|s| s.deviation),
        time_worst_ms: worst(&times),
        time_tolerance_limit_ms: limit(time),
        tolerance_factor: tolerance::one_sided_factor(cell.stops.len(), demand).ok(),
        travel_mean_deg: mean(&travels),
        travel_sd_deg: travel.map(|s| s.deviation),
        travel_worst_deg: worst(&travels),
        travel_tolerance_limit_deg: limit(travel),
        brake_c: None,
    }
}

fn stop_entry(number: u32, cell: &Cell<'_>, stop: &RecordedStop) -> record::Stop {
    record::Stop {
        number,
        cell: cell.id(),
        recording: Some(stop.recording.clone()),
        command_time_s: Some(stop.command_time_s),
        command_deg: stop.command_deg,
        speed_spm: stop.speed_spm,
        time_ms: stop.time_ms,
        travel_deg: stop.travel_deg,
        rest_deg: stop.rest_deg,
        reaction_ms: Some(stop.reaction_ms),
        braking_ms: Some(stop.braking_ms),
        truth: None,
    }
}

fn signature(number: u32, stop: &RecordedStop) -> record::StopSignature {
    let points = stop.signature.iter();
    record::StopSignature {
        stop: number,
        time_ms: points.clone().map(|point| point.t_ms).collect(),
        speed_spm: points.clone().map(|point| point.speed_spm).collect(),
        travel_deg: points.map(|point| point.travel_deg).collect(),
    }
}

/// Limits of the top stop at one speed.
pub(crate) fn limits(proposal: &Proposal, report: &SpeedReport) -> Option<record::LimitSet> {
    let set = proposal.limit_set(Position::Top, report.speed_spm)?;
    let ordered_time = set.time_ms.is_ordered();
    let ordered_travel = set.travel_deg.is_ordered();
    let headroom = report.headroom.as_ref();
    Some(record::LimitSet {
        speed_spm: report.speed_spm,
        rule: set.rule.clone(),
        reference_ms: set.time_ms.baseline,
        reference_deg: set.travel_deg.baseline,
        advisory_ms: ordered_time.then_some(set.time_ms.advisory),
        latch_ms: ordered_time.then_some(set.time_ms.latch),
        advisory_deg: ordered_travel.then_some(set.travel_deg.advisory),
        latch_deg: ordered_travel.then_some(set.travel_deg.latch),
        scatter_allowance_ms: set.time_ms.scatter,
        drift_allowance_ms: set.time_ms.drift.unwrap_or(0.0),
        distance_ceiling_ms: headroom.map(|h| h.allowed_top_ms),
        distance_ceiling_rule: headroom.map(|h| h.governing_rule.to_owned()),
        mid_to_top_ratio: report.ratio_mid_to_top,
        mid_to_top_limit_ratio: Some(proposal.criteria.ratio_most),
        habit: report.habit.map(|habit| record::Habit {
            advisory_ms: habit.advisory_ms,
            latch_ms: habit.latch_ms,
            advisory_torque_ratio: Some(habit.torque_left_at_advisory),
            latch_torque_ratio: Some(habit.torque_left_at_latch),
            distance_holds: habit.distance_allows_latch,
        }),
    })
}

/// The curve of top-stop travel over speed, where there is more than one speed.
pub(crate) fn curve(proposal: &Proposal) -> Option<record::StopCurve> {
    let curve = proposal.curve.as_ref()?;
    let points: Vec<record::CurvePoint> = proposal
        .limits
        .iter()
        .filter(|set| set.position == Position::Top)
        .filter_map(|set| {
            Some(record::CurvePoint {
                speed_spm: set.speed_spm,
                travel_deg: set.cells.first()?.travel_deg.mean,
                fitted_deg: curve.travel_deg(set.speed_spm),
            })
        })
        .collect();
    let residual_worst_deg = points
        .iter()
        .map(|p| (p.travel_deg - p.fitted_deg).abs())
        .fold(0.0, f64::max);
    Some(record::StopCurve {
        a_deg_per_spm: curve.a_deg_per_spm,
        b_deg_per_spm2: curve.b_deg_per_spm2,
        reaction_ms: curve.reaction_ms(),
        points,
        residual_worst_deg,
    })
}

pub(super) fn top_stops(cells: &[Cell<'_>], proposal: &Proposal) -> Vec<record::TopStop> {
    let criterion = &proposal.criteria.rest;
    let tops = cells.iter().filter(|cell| cell.position == Position::Top);
    tops.filter_map(|cell| {
        let report = proposal
            .speeds
            .iter()
            .find(|report| report.speed_spm == cell.speed_spm)?;
        let rest = report.rest?;
        Some(record::TopStop {
            mode: "as recorded".to_owned(),
            speed_spm: cell.speed_spm,
            target_deg: criterion.target_deg,
            release_deg: None,
            search: Vec::new(),
            hold: None,
            window: OverrunWindow {
                short_deg: criterion.tolerance_deg,
                past_deg: proposal.criteria.overrun_limit_deg,
                past_equals_ms: Some(report.overrun_by_delay_ms),
                source: "often quoted for Europe, from memory; local codes govern".to_owned(),
            },
            rest_criterion: Some(record::RestCriterion {
                n: rest.stops as u32,
                window_deg: criterion.tolerance_deg,
                within_ratio: rest.share_within,
                within_assured_ratio: criterion.share_assured(&rest),
                required_ratio: criterion.demand.content(),
                confidence_ratio: criterion.demand.confidence(),
                pass: rest.rms_deg <= rest.rms_allowed_deg,
            }),
        })
    })
    .collect()
}

/// A safeguard with one rule, at one speed.
pub(crate) struct Case<'a> {
    pub(crate) device: &'a str,
    pub(crate) rule: Rule,
    pub(crate) site: Site,
    pub(crate) installed_mm: f64,
    pub(crate) device_ms: f64,
    pub(crate) control_ms: f64,
}

/// How top and mid-stroke stops go together at one speed.
pub(crate) struct Stops {
    spm: f64,
    top_baseline_ms: f64,
    top_latch_ms: f64,
    worst_mid_ms: f64,
    mid_latch_ms: f64,
    mid_command_deg: f64,
    growth: f64,
}

impl Stops {
    /// None without top stops, mid-stroke stops or a safeguard at this speed.
    pub(crate) fn of(proposal: &Proposal, report: &SpeedReport) -> Option<Self> {
        let top = proposal.limit_set(Position::Top, report.speed_spm)?;
        let headroom = report.headroom.as_ref()?;
        let place = Position::MidStroke(headroom.worst_mid_command_deg);
        let mid = proposal.limit_set(place, report.speed_spm)?;
        Some(Self {
            spm: report.speed_spm,
            top_baseline_ms: top.time_ms.baseline,
            top_latch_ms: top.time_ms.latch,
            worst_mid_ms: headroom.worst_mid_ms,
            mid_latch_ms: mid.time_ms.latch,
            mid_command_deg: headroom.worst_mid_command_deg,
            growth: headroom.growth,
        })
    }

    /// The longest mid-stroke stop with a latch limit of `top_latch_ms` at the top in force.
    fn mid_ms(&self, top_latch_ms: f64) -> f64 {
        mid_at_latch_ms(
            self.worst_mid_ms,
            self.growth,
            self.top_baseline_ms,
            top_latch_ms,
        )
    }

    /// The stopping time that enters: a mid-stroke stop latches by its own limit, or becomes what
    /// it can before the top stop latches; the longer of the two.
    fn governing_ms(&self) -> f64 {
        self.mid_ms(self.top_latch_ms).max(self.mid_latch_ms)
    }
}

pub(super) fn distances(
    guard: &Guard,
    proposal: &Proposal,
    report: &SpeedReport,
) -> Result<Vec<record::Distance>, DistanceError> {
    let Some(stops) = Stops::of(proposal, report) else {
        return Ok(Vec::new());
    };
    let case = |&rule| Case {
        device: "presence sensing",
        rule,
        site: Site {
            detection_mm: guard.detection_mm,
            ..Site::default()
        },
        installed_mm: guard.installed_mm,
        device_ms: guard.device_ms,
        control_ms: guard.control_ms,
    };
    guard
        .rules
        .iter()
        .map(case)
        .map(|case| distance(&case, &stops))
        .collect()
}

/// What one rule asks of one safeguard at one speed.
///
/// # Errors
/// A rule that lacks something or does not cover the device.
pub(crate) fn distance(case: &Case<'_>, stops: &Stops) -> Result<record::Distance, DistanceError> {
    let text = case.rule.text();
    let responses = |stopping_ms: f64| Responses {
        stopping_ms,
        control_ms: case.control_ms,
        device_ms: case.device_ms,
        monitor_allowance_ms: 0.0,
    };
    let stopping_ms = stops.governing_ms();
    let required = required_mm(case.rule, &case.site, &responses(stopping_ms))?;
    let allowed_mid =
        longest_stopping_ms(case.rule, &case.site, case.installed_mm, &responses(0.0))?;
    let allowed_latch_ms = allowed_mid
        .map(|mid| stops.top_baseline_ms + (mid - stops.worst_mid_ms) / stops.growth)
        .filter(|latch| *latch > stops.top_baseline_ms);
    let mut curve = Vec::with_capacity(CURVE_POINTS);
    for index in 0..CURVE_POINTS {
        let latch_ms = stops.top_baseline_ms * (1.0 + index as f64 / (CURVE_POINTS - 1) as f64);
        let required_mm = required_mm(case.rule, &case.site, &responses(stops.mid_ms(latch_ms)))?;
        curve.push(DistancePoint {
            latch_ms,
            required_mm,
        });
    }
    Ok(record::Distance {
        device: case.device.to_owned(),
        rule: text.name.to_owned(),
        edition: text.edition.to_owned(),
        clause: text.clause.to_owned(),
        standing: match text.standing {
            Standing::Read => RuleStanding::Read,
            Standing::FromMemory => RuleStanding::FromMemory,
        },
        formula: text.asks.to_owned(),
        terms: terms(case, &responses(stopping_ms)),
        stopping_time_ms: stopping_ms,
        stopping_time_source: format!(
            "longest mid-stroke stop before a latch: limit at the top {:.1} ms, at {:.0} degrees \
             {:.1} ms",
            stops.top_latch_ms, stops.mid_command_deg, stops.mid_latch_ms
        ),
        required_mm: required,
        installed_mm: Some(case.installed_mm),
        margin_mm: Some(case.installed_mm - required),
        allowed_latch_ms,
        pass: Some(required <= case.installed_mm),
        speed_spm: stops.spm,
        curve,
    })
}

fn terms(case: &Case<'_>, responses: &Responses) -> Vec<Term> {
    let term = |symbol: &str, meaning: &str, value: f64, unit: &str| Term {
        symbol: symbol.to_owned(),
        meaning: meaning.to_owned(),
        value,
        unit: unit.to_owned(),
    };
    let mut terms = vec![
        term(
            "t_s",
            "stopping time, coil off to standstill",
            responses.stopping_ms,
            "ms",
        ),
        term(
            "t_c",
            "control response, request to coil off",
            responses.control_ms,
            "ms",
        ),
        term(
            "t_d",
            "device response, hand to request",
            responses.device_ms,
            "ms",
        ),
    ];
    if let Some(detection_mm) = case.site.detection_mm {
        terms.push(term("d", "detection capability", detection_mm, "mm"));
    }
    terms
}
