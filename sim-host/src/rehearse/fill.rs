//! From what the steps measured to the entries of the record.

use super::AtSpeed;
use super::commission::{OVERRUN_DEG, OVERRUN_SOURCE, WINDOW_DEG};
use super::matrix::{Cell, CellKey, MID_STROKE_DEG};
use crate::bench::MeasuredStop;
use crate::limits::{self, Position, Proposal, SpeedReport, Warmth};
use crate::press::Press;
use crate::record::csv::{Trace, TraceSample};
use crate::record::{self, Accuracy, BrakeCondition, NamedText, OverrunWindow, StopKind};
use crate::statistics::rest::signed_deg;
use crate::statistics::{Demand, Summary};
use crate::units;
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
        let step = signed_deg(sample.crank_deg - last);
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
            within_assured_ratio: proposal.criteria.rest.share_assured(&rest),
            required_ratio: demand.content(),
            confidence_ratio: demand.confidence(),
            pass: rest.rms_deg <= rest.rms_allowed_deg,
        }),
    }
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
