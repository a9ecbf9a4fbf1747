//! Small helpers: one stop, one single stroke.

use stopwright::plant::{ClutchRelease, Event, Mark, Plant, Setup, Start, StopTruth};
use stopwright::press::Press;

/// A built-in press whose coils go off the instant the controller writes.
pub(crate) fn press(letter: &str) -> Press {
    let mut press = Press::builtin(letter).unwrap();
    press.control.output_drop_ms = 0.0;
    press
}

/// A set-up without scatter.
pub(crate) fn setup(press: &Press, spm: f64) -> Setup {
    Setup {
        spm,
        scatter: false,
        ..Setup::nominal(press)
    }
}

/// The simplification of the closed form: no clutch torque after coil off.
pub(crate) fn released_at_coil_off(press: &Press, spm: f64) -> Setup {
    Setup {
        clutch_release: ClutchRelease::AtCoilOff,
        ..setup(press, spm)
    }
}

pub(crate) fn drive_both(plant: &mut Plant, on: bool, at_s: f64) {
    plant.drive(0, on, at_s);
    plant.drive(1, on, at_s);
}

/// One stop from locked running at the set speed, coils off at this crank angle.
pub(crate) fn stop_at(press: &Press, setup: &Setup, coil_off_deg: f64) -> StopTruth {
    stop_with_seed(press, setup, coil_off_deg, 1)
}

pub(crate) fn stop_with_seed(
    press: &Press,
    setup: &Setup,
    coil_off_deg: f64,
    seed: u64,
) -> StopTruth {
    let setup = Setup {
        start: Start::Turning(coil_off_deg),
        ..setup.clone()
    };
    let mut plant = Plant::new(press, &setup, seed);
    drive_both(&mut plant, false, 0.0);
    first_stop(&mut plant, 0.0)
}

/// Lets time pass until a stop has ended; within three seconds.
fn first_stop(plant: &mut Plant, from_s: f64) -> StopTruth {
    for step in 1..=60 {
        plant.advance_to(from_s + 0.05 * f64::from(step));
        if let Some(stop) = plant.take_stops().first() {
            return *stop;
        }
    }
    panic!("the crank did not come to rest");
}

/// The stop whose rest angle is top dead centre, found by moving the angle of coil off.
pub(crate) fn stop_at_top(press: &Press, setup: &Setup) -> StopTruth {
    let first = 360.0 - press.stop_travel_closed_form_deg(setup.spm);
    let mut stop = stop_at(press, setup, first);
    for _ in 0..12 {
        stop = stop_at(press, setup, stop.coil_off_deg - stop.overrun_deg);
    }
    assert!(stop.overrun_deg.abs() < 0.01, "{stop:?}");
    stop
}

/// A single stroke from rest at the top, coils off when the crank passes this angle.
pub(crate) fn single_stroke(press: &Press, setup: &Setup, coil_off_deg: f64) -> Stroke {
    let mut plant = Plant::new(press, setup, 1);
    let watched = plant.watch(coil_off_deg);
    drive_both(&mut plant, true, 0.0);
    let mut events = Vec::new();
    let mut lowest_spm = f64::INFINITY;
    let step_s = 1e-5;
    let mut steps = 0;
    while !passed(&events, watched) {
        steps += 1;
        plant.advance_to(f64::from(steps) * step_s);
        lowest_spm = lowest_spm.min(plant.flywheel_spm());
        events.extend(plant.take_events());
    }
    drive_both(&mut plant, false, 0.0);
    let stop = first_stop(&mut plant, f64::from(steps) * step_s);
    events.extend(plant.take_events());
    Stroke {
        stop,
        events,
        dip: 1.0 - lowest_spm / setup.spm,
    }
}

fn passed(events: &[Event], watched: usize) -> bool {
    events.iter().any(|e| e.mark == Mark::Passed(watched))
}

/// A single stroke: its stop, its marks, and the dip of the flywheel before coil off as a share.
pub(crate) struct Stroke {
    pub(crate) stop: StopTruth,
    pub(crate) events: Vec<Event>,
    pub(crate) dip: f64,
}

/// Holds a value against an expected one within the larger of two tolerances.
#[track_caller]
pub(crate) fn hold(what: &str, value: f64, expected: f64, absolute: f64, share: f64) {
    let allowed = absolute.max(share * expected.abs());
    assert!(
        (value - expected).abs() <= allowed,
        "{what}: {value:.3}, expected {expected} within {allowed:.3}"
    );
}
