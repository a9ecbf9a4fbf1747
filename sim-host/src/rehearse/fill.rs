//! From what the steps measured to the entries of the record.

use super::AtSpeed;
use super::commission::{OVERRUN_DEG, OVERRUN_SOURCE, WINDOW_DEG};
use super::matrix::{Cell, CellKey, MID_STROKE_DEG};
use crate::bench::MeasuredStop;
use crate::limits::{self, LimitSet, Position, Proposal, SpeedReport, Warmth};
use crate::press::Press;
use crate::record::csv::{Trace, TraceSample};
use crate::record::{self, Accuracy, BrakeCondition, NamedText, OverrunWindow, StopKind};
use crate::statistics::rest::RestJudgement;
use crate::statistics::{Demand, Summary};
use crate::units;
use statrs::distribution::{ContinuousCDF, Normal};
use stopwright_core::stop_time::StopRecord;

/// The press's data plate.
pub(super) fn press(press: &Press) -> record::Press {
    let plate = |name: &str, value: String| NamedText {
        name: name.to_owned(),
        value,
    };
    record::Press {
        name: press.name.clone(),
        description: press.description.clone(),
        invented: true,
        rated_force_kn: Some(press.frame.rated_force_kn),
        stroke_mm: Some(press.frame.stroke_mm),
        rod_mm: Some(press.frame.rod_mm),
        speed_min_spm: Some(press.speed.min_spm),
        speed_nominal_spm: Some(press.speed.nominal_spm),
        speed_max_spm: Some(press.speed.max_spm),
        slide_with_die_kg: Some(press.slide_and_die_max_kg()),
        counterbalance: Some(press.counterbalance.kind.clone()),
        sensor_drive: Some(press.resolver.drive.clone()),
        plate: vec![
            plate("clutch air", format!("{} bar", press.air.supply_bar)),
            plate(
                "installed distance, presence sensing",
                format!("{} mm", press.guarding.installed_distance_mm),
            ),
            plate(
                "detection capability",
                format!("{} mm", press.guarding.detection_mm),
            ),
            plate(
                "device response",
                format!("{} ms", press.guarding.device_response_ms),
            ),
        ],
    }
}

/// The stops of a cell as evidence for limits.
pub(super) fn evidence(cell: &Cell) -> limits::Cell {
    limits::Cell {
        position: position(&cell.key),
        speed_spm: cell.key.spm,
        warmth: if cell.key.is_warm {
            Warmth::Warm
        } else {
            Warmth::Cold
        },
        stops: cell
            .stops
            .iter()
            .map(|stop| evidence_stop(&stop.record))
            .collect(),
    }
}

fn position(key: &CellKey) -> Position {
    key.command_deg.map_or(Position::Top, Position::MidStroke)
}

fn evidence_stop(record: &StopRecord) -> limits::Stop {
    limits::Stop {
        speed_spm: units::speed_spm(record.speed),
        time_ms: units::duration_ms(record.stopping_time),
        travel_deg: units::travel_deg(record.stopping_travel),
        rest_deg: units::angle_deg(record.rest_angle),
        reaction_ms: Some(units::duration_ms(record.reaction)),
    }
}

/// Matrix, signatures and traces of all stops.
pub(super) fn stops(
    speeds: &[AtSpeed],
    warm_note: String,
) -> (record::StopMatrix, Vec<record::StopSignature>, Vec<Trace>) {
    let demand = Demand::LIMITS;
    let mut matrix = record::StopMatrix {
        content_ratio: demand.content(),
        confidence_ratio: demand.confidence(),
        warm_note: Some(warm_note),
        ..record::StopMatrix::default()
    };
    let (mut signatures, mut traces) = (Vec::new(), Vec::new());
    for cell in speeds.iter().flat_map(|speed| &speed.cells) {
        matrix.cells.push(cell_entry(cell, demand));
        for (index, stop) in cell.stops.iter().enumerate() {
            let number = matrix.stops.len() as u32 + 1;
            matrix.stops.push(stop_entry(number, cell, stop));
            if index == 0 && !cell.key.is_warm {
                signatures.push(signature(number, stop));
            }
            traces.push(trace(number, stop));
        }
    }
    matrix.accuracy = accuracy(speeds);
    (matrix, signatures, traces)
}

fn cell_entry(cell: &Cell, demand: Demand) -> record::Cell {
    let of = |value: fn(&StopRecord) -> f64| -> Vec<f64> {
        cell.stops.iter().map(|stop| value(&stop.record)).collect()
    };
    let times = Summary::of(&of(|record| units::duration_ms(record.stopping_time))).ok();
    let travels = Summary::of(&of(|record| units::travel_deg(record.stopping_travel))).ok();
    let limit = |summary: Option<Summary>| summary.and_then(|s| s.upper_limit(demand).ok());
    let factor = crate::statistics::tolerance::one_sided_factor(cell.stops.len(), demand).ok();
    record::Cell {
        id: cell.key.id(),
        kind: kind(&cell.key),
        command_deg: cell
            .key
            .command_deg
            .unwrap_or_else(|| mean_command_deg(cell)),
        speed_spm: cell.key.spm,
        brake: if cell.key.is_warm {
            BrakeCondition::Warm
        } else {
            BrakeCondition::Cold
        },
        n: cell.stops.len() as u32,
        time_mean_ms: times.map_or(0.0, |s| s.mean),
        time_sd_ms: times.map(|s| s.deviation),
        time_worst_ms: times.map_or(0.0, |s| s.largest),
        time_tolerance_limit_ms: limit(times),
        tolerance_factor: factor,
        travel_mean_deg: travels.map_or(0.0, |s| s.mean),
        travel_sd_deg: travels.map(|s| s.deviation),
        travel_worst_deg: travels.map_or(0.0, |s| s.largest),
        travel_tolerance_limit_deg: limit(travels),
        brake_c: Some(cell.brake_c),
    }
}

fn mean_command_deg(cell: &Cell) -> f64 {
    let angles = cell
        .stops
        .iter()
        .map(|stop| units::angle_deg(stop.record.command_angle));
    angles.sum::<f64>() / cell.stops.len().max(1) as f64
}

fn kind(key: &CellKey) -> StopKind {
    if key.command_deg.is_some() {
        StopKind::MidStroke
    } else {
        StopKind::Top
    }
}

fn stop_entry(number: u32, cell: &Cell, stop: &MeasuredStop) -> record::Stop {
    let record = &stop.record;
    record::Stop {
        number,
        cell: cell.key.id(),
        recording: None,
        command_time_s: Some(units::instant_s(record.commanded_at)),
        command_deg: units::angle_deg(record.command_angle),
        speed_spm: units::speed_spm(record.speed),
        time_ms: units::duration_ms(record.stopping_time),
        travel_deg: units::travel_deg(record.stopping_travel),
        rest_deg: units::angle_deg(record.rest_angle),
        reaction_ms: Some(units::duration_ms(record.reaction)),
        braking_ms: Some(units::duration_ms(record.braking)),
        truth: stop.truth.map(|truth| record::StopTruth {
            time_ms: truth.stop_time_ms,
            travel_deg: truth.travel_deg,
            rest_deg: truth.rest_deg,
        }),
    }
}

fn signature(number: u32, stop: &MeasuredStop) -> record::StopSignature {
    let coil_off_s = units::instant_s(stop.record.coil_off_at);
    let mut signature = record::StopSignature {
        stop: number,
        ..Default::default()
    };
    let mut travel = unwrapped(stop);
    let origin = at_coil_off(&travel, coil_off_s);
    for (sample, deg) in stop.trace.iter().zip(travel.drain(..)) {
        signature.time_ms.push((sample.time_s - coil_off_s) * 1e3);
        signature.speed_spm.push(sample.speed_spm);
        signature.travel_deg.push(deg.1 - origin);
    }
    signature
}

/// Time and angle of each sample, the angle counted on over turns.
fn unwrapped(stop: &MeasuredStop) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::with_capacity(stop.trace.len());
    for sample in &stop.trace {
        let last = out.last().map_or(sample.crank_deg, |last| last.1);
        let step = (sample.crank_deg - last + 180.0).rem_euclid(360.0) - 180.0;
        out.push((sample.time_s, last + step));
    }
    out
}

fn at_coil_off(samples: &[(f64, f64)], coil_off_s: f64) -> f64 {
    let after = samples.partition_point(|sample| sample.0 < coil_off_s);
    match (
        after.checked_sub(1).and_then(|i| samples.get(i)),
        samples.get(after),
    ) {
        (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (coil_off_s - a.0) / (b.0 - a.0),
        (Some(one), None) | (None, Some(one)) => one.1,
        (None, None) => 0.0,
    }
}

fn trace(number: u32, stop: &MeasuredStop) -> Trace {
    let sample = |sample: &crate::bench::Sample| TraceSample {
        time_s: sample.time_s,
        crank_deg: sample.crank_deg,
        stop_cmd: !sample.coil_on,
        speed_spm: sample.speed_spm,
    };
    Trace {
        stop: number,
        samples: stop.trace.iter().map(sample).collect(),
    }
}

/// Measured against plant truth.
fn accuracy(speeds: &[AtSpeed]) -> Option<Accuracy> {
    let errors: Vec<(f64, f64)> = speeds
        .iter()
        .flat_map(|speed| &speed.cells)
        .flat_map(|cell| &cell.stops)
        .filter_map(|stop| {
            let truth = stop.truth?;
            let time = units::duration_ms(stop.record.stopping_time) - truth.stop_time_ms;
            let travel = units::travel_deg(stop.record.stopping_travel) - truth.travel_deg;
            Some((time, travel))
        })
        .collect();
    let n = errors.len();
    let mean = |of: fn(&(f64, f64)) -> f64| errors.iter().map(of).sum::<f64>() / n as f64;
    let worst = |of: fn(&(f64, f64)) -> f64| {
        errors.iter().map(of).fold(
            0.0,
            |worst: f64, e| if e.abs() > worst.abs() { e } else { worst },
        )
    };
    (n > 0).then(|| Accuracy {
        n: n as u32,
        time_bias_ms: mean(|e| e.0),
        time_error_worst_ms: worst(|e| e.0),
        travel_bias_deg: mean(|e| e.1),
        travel_error_worst_deg: worst(|e| e.1),
    })
}

/// Limits of the top stop at one speed.
pub(super) fn limit_entry(proposal: &Proposal, report: &SpeedReport) -> Option<record::LimitSet> {
    let set: &LimitSet = proposal.limit_set(Position::Top, report.speed_spm)?;
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

/// The top stop at one speed.
pub(super) fn top_stop_entry(
    at: &AtSpeed,
    report: Option<&SpeedReport>,
    proposal: &Proposal,
) -> record::TopStop {
    let demand = proposal.criteria.rest.demand;
    let rest = report.and_then(|report| report.rest);
    record::TopStop {
        mode: "single stroke".to_owned(),
        speed_spm: at.spm,
        target_deg: proposal.criteria.rest.target_deg,
        release_deg: Some(at.release_deg),
        search: at.search.clone(),
        hold: None,
        window: OverrunWindow {
            short_deg: WINDOW_DEG,
            past_deg: OVERRUN_DEG,
            past_equals_ms: report.map(|report| report.overrun_by_delay_ms),
            source: OVERRUN_SOURCE.to_owned(),
        },
        rest_criterion: rest.map(|rest| record::RestCriterion {
            n: rest.stops as u32,
            window_deg: proposal.criteria.rest.tolerance_deg,
            within_ratio: rest.share_within,
            within_assured_ratio: share_assured(proposal, &rest),
            required_ratio: demand.content(),
            confidence_ratio: demand.confidence(),
            pass: rest.rms_deg <= rest.rms_allowed_deg,
        }),
    }
}

/// The share within the tolerance that the rests vouch for: that of centred stops as wide as the
/// widest root mean square they leave possible.
fn share_assured(proposal: &Proposal, rest: &RestJudgement) -> f64 {
    let criterion = &proposal.criteria.rest;
    let widest = rest.rms_deg * criterion.deviation_allowed_deg() / rest.rms_allowed_deg;
    let quantile = criterion.tolerance_deg / widest.max(f64::MIN_POSITIVE);
    2.0 * Normal::standard().cdf(quantile) - 1.0
}

/// The curve of travel over speed.
pub(super) fn curve_entry(proposal: &Proposal, speeds: &[AtSpeed]) -> Option<record::StopCurve> {
    let curve = proposal.curve.as_ref()?;
    let points: Vec<record::CurvePoint> = speeds
        .iter()
        .filter_map(|speed| {
            let set = proposal.limit_set(Position::Top, speed.spm)?;
            let travel_deg = set.cells.first()?.travel_deg.mean;
            Some(record::CurvePoint {
                speed_spm: speed.spm,
                travel_deg,
                fitted_deg: curve.travel_deg(speed.spm),
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

/// Mean and deviation of the rest at one speed, degrees.
pub(super) fn rest_deviation_deg(at: &AtSpeed) -> f64 {
    let rests: Vec<f64> = at
        .cells
        .iter()
        .filter(|cell| cell.key.command_deg != Some(MID_STROKE_DEG))
        .flat_map(|cell| &cell.stops)
        .map(|stop| units::overrun_deg(stop.record.rest_angle))
        .collect();
    Summary::of(&rests).map_or(0.0, |summary| summary.deviation)
}

/// Mean crank speed at coil off, of the top or of the mid-stroke stops.
pub(super) fn mean_speed_spm(at: &AtSpeed, is_top: bool) -> f64 {
    let speeds: Vec<f64> = at
        .cells
        .iter()
        .filter(|cell| cell.key.command_deg.is_none() == is_top)
        .flat_map(|cell| &cell.stops)
        .map(|stop| units::speed_spm(stop.record.speed))
        .collect();
    Summary::of(&speeds).map_or(at.spm, |summary| summary.mean)
}
