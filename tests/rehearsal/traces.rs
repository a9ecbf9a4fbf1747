//! A trace of a rehearsal read like the recording of a real press: two ways to a stopping time.

use crate::support::{Run, all, nothing_in};
use stopwright::record::Stop;
use stopwright::record::csv::{Trace, trace};
use stopwright::study::{FindOptions, ReadOptions, RecordedStop, find_stops, read_bytes};

/// A stopping time measured by the controller may be this far off, ms: the bound the project set
/// itself. The two estimators may lie apart by that and by what the study says of itself: each may
/// err the other way. At 8 strokes a minute the last degree of a stop takes 30 ms, in which noise
/// of a few hundredths of a degree is a matter of 2 ms.
const CONTROLLER_OFF_MS: f64 = 1.5;
/// And their rest angles, degrees.
const REST_APART_DEG: f64 = 0.1;

/// The one stop in a trace, as the study finds it.
fn studied(of: &Trace) -> Result<RecordedStop, String> {
    let text = trace(of).expect("CSV");
    let recording = read_bytes(&of.file(), text.as_bytes(), &ReadOptions::default())
        .map_err(|error| error.to_string())?;
    let found = find_stops(&recording, &FindOptions::default());
    match found.stops.as_slice() {
        [stop] => Ok(stop.clone()),
        _ => Err(format!("{} stops, {:?}", found.stops.len(), found.warnings)),
    }
}

/// One trace in eight, which meets every cell, with the stop it belongs to.
fn some(run: &Run) -> impl Iterator<Item = (&Trace, &Stop)> {
    run.done.traces.iter().step_by(8).map(|trace| {
        let stop = run.record().stop_matrix.stop(trace.stop);
        (trace, stop.expect("a trace belongs to a stop"))
    })
}

#[test]
fn the_study_finds_in_every_trace_the_stop_that_the_controller_measured() {
    let (mut wrong, mut widest) = (Vec::new(), 0.0_f64);
    for (letter, run) in all() {
        let (mut apart, mut worst) = (Vec::new(), 0.0_f64);
        for (trace, stop) in some(run) {
            let name = format!("{letter} {} ({})", trace.file(), stop.cell);
            match studied(trace) {
                Err(problem) => wrong.push(format!("{name}: {problem}")),
                Ok(found) => {
                    let time_ms = found.time_ms - stop.time_ms;
                    let rest_deg =
                        (found.rest_deg - stop.rest_deg + 180.0).rem_euclid(360.0) - 180.0;
                    let allowed_ms = found.time_uncertainty_ms + CONTROLLER_OFF_MS;
                    widest = widest.max(allowed_ms);
                    if time_ms.abs() > allowed_ms || rest_deg.abs() > REST_APART_DEG {
                        wrong.push(format!("{name}: {time_ms:.2} ms, {rest_deg:.3} degrees"));
                    }
                    worst = worst.max(time_ms.abs());
                    apart.push(time_ms);
                }
            }
        }
        let mean = apart.iter().sum::<f64>() / apart.len().max(1) as f64;
        println!("{letter}: {mean:.2} ms apart on average, {worst:.2} at most");
        assert!(mean.abs() < CONTROLLER_OFF_MS, "{letter}: {mean}");
    }
    nothing_in(&wrong);
    // An uncertainty that covers everything would hold too.
    assert!(widest < 2.0 * CONTROLLER_OFF_MS, "{widest}");
}

#[test]
fn every_stop_of_the_record_has_its_trace() {
    for (letter, run) in all() {
        let stops = run
            .record()
            .stop_matrix
            .stops
            .iter()
            .map(|stop| stop.number);
        let traces = run.done.traces.iter().map(|trace| trace.stop);
        assert!(stops.eq(traces), "{letter}");
    }
}
