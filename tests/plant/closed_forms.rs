//! Tables of the design data that follow in closed form from a press's data sheet, and what they
//! say of measuring a stop, held against the simulated press where it can be looked at.

use crate::bench::*;
use stopwright::kinematics;
use stopwright::plant::{Mark, Plant, Setup, Start};
use stopwright::press::Press;

/// Tables N3 and N11: press, strokes per minute, reaction and braking ms, stop in closed form ms and
/// degrees.
const CLOSED_FORMS: [(&str, f64, f64, f64, f64, f64); 12] = [
    ("A", 200.0, 30.0, 20.0, 50.0, 48.2),
    ("A", 600.0, 30.0, 60.0, 91.0, 217.2),
    ("A", 800.0, 30.0, 81.0, 111.0, 338.0),
    ("B", 85.0, 53.0, 85.0, 138.0, 48.7),
    ("C", 40.0, 79.0, 108.0, 188.0, 32.0),
    ("E", 35.0, 62.0, 47.0, 109.0, 18.0),
    ("E", 55.0, 62.0, 74.0, 136.0, 32.7),
    ("E", 70.0, 62.0, 95.0, 157.0, 45.9),
    ("F", 100.0, 129.0, 179.0, 308.0, 131.0),
    ("G", 50.0, 44.0, 41.0, 85.0, 19.5),
    ("G", 120.0, 44.0, 99.0, 143.0, 67.5),
    ("G", 150.0, 44.0, 124.0, 168.0, 95.5),
];

#[test]
fn closed_forms_of_a_stop_are_those_of_the_table() {
    for (letter, spm, reaction_ms, braking_ms, stop_ms, travel_deg) in CLOSED_FORMS {
        let press = press(letter);
        let what = format!("{letter} at {spm}");
        hold(
            &what,
            press.reaction_closed_form_ms(),
            reaction_ms,
            0.51,
            0.0,
        );
        hold(
            &what,
            press.braking_closed_form_ms(spm),
            braking_ms,
            0.51,
            0.0,
        );
        hold(
            &what,
            press.stop_time_closed_form_ms(spm),
            stop_ms,
            0.51,
            0.0,
        );
        hold(
            &what,
            press.stop_travel_closed_form_deg(spm),
            travel_deg,
            0.06,
            0.0,
        );
    }
}

/// Table N10 at nominal speed, but for the lag of a tracking loop, which the tests of the receiver
/// hold: press, deceleration degrees/s², what the last change of a 12-bit code is early by at most
/// ms, degrees in a scan of 1 ms and of 10 ms, degrees that a filter of 5 ms lags, slide drop 5 and
/// 10 degrees past the top mm.
type MeasurementRow = (&'static str, f64, f64, [f64; 3], [f64; 2]);

#[rustfmt::skip]
const MEASUREMENT: [MeasurementRow; 6] = [
    ("A", 59_588.0, 1.7, [3.60, 36.0, 18.0], [0.05, 0.18]),
    ("B",  5_975.0, 5.4, [0.51,  5.1,  2.6], [0.15, 0.61]),
    ("C",  2_216.0, 8.9, [0.24,  2.4,  1.2], [0.33, 1.33]),
    ("E",  4_436.0, 6.3, [0.33,  3.3,  1.7], [0.22, 0.87]),
    ("F",  3_347.0, 7.2, [0.60,  6.0,  3.0], [0.13, 0.51]),
    ("G",  7_264.0, 4.9, [0.72,  7.2,  3.6], [0.14, 0.57]),
];

#[test]
fn what_a_stop_is_measured_with_errs_as_in_the_table() {
    for (letter, slows_deg_s2, early_ms, turns_deg, drops_mm) in MEASUREMENT {
        let press = press(letter);
        let spm = press.speed.nominal_spm;
        let closed_deg_s2 = 6e3 * spm / press.braking_closed_form_ms(spm);
        hold(letter, closed_deg_s2, slows_deg_s2, 0.6, 0.0);
        hold(letter, last_change_early_ms(&press), early_ms, 0.06, 0.03);
        // Degrees to their last digit, half of it.
        for (ms, (deg, digit)) in [1.0, 10.0, 5.0]
            .into_iter()
            .zip(turns_deg.into_iter().zip([0.006, 0.06, 0.06]))
        {
            hold(letter, turned_deg(&press, ms), deg, digit, 0.0);
        }
        let (r_mm, rod_mm) = (press.crank_radius_mm(), press.frame.rod_mm);
        for (past_deg, drop_mm) in [5.0_f64, 10.0].into_iter().zip(drops_mm) {
            let drop = kinematics::slide_travel_mm(r_mm, rod_mm, past_deg.to_radians());
            hold(letter, drop, drop_mm, 0.006, 0.0);
        }
    }
}

/// How long a crank that comes to rest at the top takes for its last step of a 12-bit code, ms: an
/// estimate that ends with the last change of the code is early by this at most.
fn last_change_early_ms(press: &Press) -> f64 {
    let setup = released_at_coil_off(press, press.speed.nominal_spm);
    let stop = stop_at_top(press, &setup);
    let code_deg = 360.0 / 4096.0;
    let mut plant = Plant::new(
        press,
        &Setup {
            start: Start::Turning(stop.coil_off_deg),
            ..setup
        },
        1,
    );
    let last = plant.watch(stop.rest_deg - code_deg);
    drive_both(&mut plant, false, 0.0);
    plant.advance_to(1.0);
    let events = plant.take_events();
    let passed = events.iter().find(|it| it.mark == Mark::Passed(last));
    stop.stop_time_ms - 1e3 * passed.expect("the last step").time_s
}

/// Degrees that the crank turns at nominal speed in so many milliseconds.
fn turned_deg(press: &Press, ms: f64) -> f64 {
    let setup = Setup {
        start: Start::Turning(0.0),
        ..setup(press, press.speed.nominal_spm)
    };
    let mut plant = Plant::new(press, &setup, 1);
    plant.advance_to(1e-3 * ms);
    plant.state().angle_rad.to_degrees()
}

/// Table N13: press, greatest speed of the slide m/s and time of half a turn ms at the highest speed.
const DOWNSTROKE: [(&str, f64, f64); 6] = [
    ("A", 1.05, 38.0),
    ("B", 0.40, 353.0),
    ("C", 0.42, 750.0),
    ("E", 0.48, 429.0),
    ("F", 0.39, 300.0),
    ("G", 0.63, 200.0),
];

#[test]
fn the_slide_is_as_fast_and_half_a_turn_as_long_as_in_the_table() {
    for (letter, peak_m_s, half_ms) in DOWNSTROKE {
        let press = press(letter);
        let speed_rad_s = press.speed.max_spm * std::f64::consts::PI / 30.0;
        let (r_mm, rod_mm) = (press.crank_radius_mm(), press.frame.rod_mm);
        let speed = |tenth: u32| {
            let angle_rad = (0.1 * f64::from(tenth)).to_radians();
            1e-3 * kinematics::slide_speed_mm_s(r_mm, rod_mm, angle_rad, speed_rad_s)
        };
        let peak = (0..1_800).map(speed).fold(0.0, f64::max);
        hold(letter, peak, peak_m_s, 0.006, 0.0);
        let setup = Setup {
            start: Start::Turning(0.0),
            ..setup(&press, press.speed.max_spm)
        };
        let mut plant = Plant::new(&press, &setup, 1);
        let bottom = plant.watch(180.0);
        plant.advance_to(1.0);
        let events = plant.take_events();
        let passed = events.iter().find(|it| it.mark == Mark::Passed(bottom));
        let ms = 1e3 * passed.expect("half a turn").time_s;
        // The table divides a turn; the press slows a little on the way, by friction and the slide.
        hold(letter, ms, half_ms, 0.5, 0.01);
    }
}
