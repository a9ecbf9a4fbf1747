//! Gears that twist and rattle between brake and crank.

use crate::bench::*;
use stopwright::plant::{Plant, Setup, Start, StopTruth};
use stopwright::press::LETTERS;

const LOOK_S: f64 = 50e-6;

/// Time s, angle degrees and speed degrees per second of the crank.
type Look = (f64, f64, f64);

/// The crank from coil off on, looked at again and again, and the stop.
fn swing(letter: &str, elastic_train: bool) -> (Vec<Look>, StopTruth) {
    let press = press(letter);
    let setup = Setup {
        start: Start::Turning(90.0),
        elastic_train,
        ..setup(&press, press.speed.nominal_spm)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    // Let the train take up its twist first.
    plant.advance_to(0.3);
    drive_both(&mut plant, false, 0.3);
    let looks = (0..20_000).map(|step| {
        plant.advance_to(0.3 + f64::from(step) * LOOK_S);
        let state = plant.state();
        (
            state.time_s,
            state.angle_rad.to_degrees(),
            state.speed_rad_s.to_degrees(),
        )
    });
    let looks = looks.collect();
    (looks, plant.take_stops()[0])
}

#[test]
fn the_stop_ends_at_the_first_zero_of_crank_speed_within_six_ms_of_the_rigid_one() {
    for letter in LETTERS {
        let (looks, stop) = swing(letter, true);
        let (_, rigid) = swing(letter, false);
        let seen = looks.iter().find(|look| look.2 <= 0.0).unwrap();
        assert!(
            (seen.0 - stop.standstill_s).abs() < 3.0 * LOOK_S,
            "{letter}"
        );
        let longer_ms = stop.stop_time_ms - rigid.stop_time_ms;
        let further_deg = stop.travel_deg - rigid.travel_deg;
        assert!(longer_ms.abs() < 6.0, "{letter}: {longer_ms}");
        // The crank runs on through twist and lash.
        let play_deg = twist_deg(letter) + press(letter).drive_train.lash_deg;
        assert!(
            (0.0..=1.5 * play_deg).contains(&further_deg),
            "{letter}: {further_deg} {play_deg}"
        );
    }
}

#[test]
fn after_the_stop_the_crank_swings_back_and_comes_to_rest_within_a_third_of_a_second() {
    for letter in LETTERS.into_iter().filter(|letter| *letter != "A") {
        let (looks, stop) = swing(letter, true);
        let after: Vec<_> = looks
            .iter()
            .filter(|look| look.0 > stop.standstill_s)
            .collect();
        let last_moving = after.iter().rfind(|look| look.2 != 0.0).unwrap();
        let rings_s = last_moving.0 - stop.standstill_s;
        assert!((0.05..0.33).contains(&rings_s), "{letter}: {rings_s}");
        let lowest_deg = after
            .iter()
            .map(|look| look.1)
            .fold(f64::INFINITY, f64::min);
        let swing_deg = after[0].1 - lowest_deg;
        let play_deg = twist_deg(letter) + press(letter).drive_train.lash_deg;
        assert!(swing_deg > twist_deg(letter), "{letter}: {swing_deg}");
        assert!(swing_deg < 2.0 * play_deg, "{letter}: {swing_deg}");
    }
}

/// Twist under full brake torque, degrees; 0 for a rigid train.
fn twist_deg(letter: &str) -> f64 {
    let press = press(letter);
    match press.drive_train.stiffness_nm_per_rad {
        0.0 => 0.0,
        stiffness => (press.brake.torque_nm / stiffness).to_degrees(),
    }
}
