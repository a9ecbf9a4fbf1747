//! The tracking loop against the continuous loop it samples, and against published figures.
//!
//! Figures: exact evaluation of the closed loop of the *Synchro and Resolver Conversion Handbook*
//! (1980) at 25 Hz with ζ = 0.7071 and 50 Hz with ζ = 1.

use std::collections::HashMap;
use std::f64::consts::TAU;
use stopwright_core::angle::ElectricalAngle;
use stopwright_core::tracking::{
    Config, ConfigError, LAG_OVERSHOOT_PERMILLE, Tracking, bandwidth_for,
};

const FRAME_HZ: u32 = 5_000;
const FRAME_S: f64 = 1.0 / FRAME_HZ as f64;
const COUNTS_PER_DEGREE: f64 = 4_294_967_296.0 / 360.0;

fn config(hertz: u32, damping_permille: u32) -> Config {
    Config::try_new(hertz, damping_permille, FRAME_HZ).expect("a loop that works")
}

fn angle(counts: f64) -> ElectricalAngle {
    ElectricalAngle::from_bits(counts.round().rem_euclid(4_294_967_296.0) as u32)
}

/// Answer to a step of ten degrees, in steps: at each frame and half a frame after it.
fn step_answer(config: &Config, frames: usize) -> Vec<(f64, f64)> {
    let step = 10.0 * COUNTS_PER_DEGREE;
    let mut loop_ = Tracking::new(angle(0.0), 0);
    (0..frames)
        .map(|_| {
            loop_.step(config, angle(step));
            let at = f64::from(loop_.angle().to_bits() as i32);
            (at / step, (at + f64::from(loop_.speed()) / 2.0) / step)
        })
        .collect()
}

fn reference() -> HashMap<String, Vec<f64>> {
    let mut reader = csv::Reader::from_reader(&include_bytes!("data/tracking.csv")[..]);
    let names: Vec<String> = reader
        .headers()
        .expect("a header")
        .iter()
        .map(str::to_owned)
        .collect();
    let mut columns = vec![Vec::new(); names.len()];
    for row in reader.deserialize() {
        let values: Vec<f64> = row.expect("a row of numbers");
        for (column, value) in columns.iter_mut().zip(values) {
            column.push(value);
        }
    }
    names.into_iter().zip(columns).collect()
}

#[test]
fn the_integer_loop_answers_as_the_sampled_loop_to_a_millionth_of_the_step() {
    let reference = reference();
    for (hertz, damping, name) in [
        (25, 707, "sampled_25"),
        (50, 1_000, "sampled_50"),
        (200, 707, "sampled_200"),
        (150, 1_200, "sampled_150"),
    ] {
        let answer = step_answer(&config(hertz, damping), 300);
        // The settings hold the damping in thousandths: 0.7071 is 0.707 there.
        let tolerance = if hertz == 25 { 1e-4 } else { 1e-6 };
        for (k, ((at, _), exact)) in answer.iter().zip(&reference[name]).enumerate() {
            assert!((at - exact).abs() < tolerance, "{name} {k}: {at} {exact}");
        }
    }
}

#[test]
fn carried_forward_by_half_a_frame_it_answers_as_the_continuous_loop() {
    let reference = reference();
    // What remains is of the order of (ω·T)²: 0.001 at 25 Hz, 0.06 at 200 Hz.
    for (hertz, damping, name, tolerance) in [
        (25, 707, "continuous_25", 0.001),
        (50, 1_000, "continuous_50", 0.005),
        (200, 707, "continuous_200", 0.03),
        (150, 1_200, "continuous_150", 0.04),
    ] {
        let answer = step_answer(&config(hertz, damping), 300);
        let worst = answer
            .iter()
            .zip(&reference[name])
            .map(|((_, between), exact)| (between - exact).abs())
            .fold(0.0, f64::max);
        assert!(worst < tolerance, "{name}: {worst}");
    }
}

/// Overshoot in percent, its time in ms, and the time in ms from which 2 % are kept.
fn figures(config: &Config) -> (f64, f64, f64) {
    let answer = step_answer(config, 1_000);
    // Half a frame after a frame, and the step half a frame before the first.
    let time = |k: usize| (k as f64 + 1.0) * FRAME_S * 1e3;
    let (peak, highest) = answer
        .iter()
        .enumerate()
        .map(|(k, (_, between))| (k, *between))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .expect("frames");
    let outside = answer
        .iter()
        .rposition(|(_, between)| (between - 1.0).abs() > 0.02)
        .expect("a step");
    ((highest - 1.0) * 100.0, time(peak), time(outside + 1))
}

#[test]
fn overshoot_and_settling_are_those_published() {
    // One frame is 0.2 ms: times are held to half of that, and to a rounded damping.
    let (overshoot, at, settled) = figures(&config(25, 707));
    assert!((overshoot - 20.79).abs() < 0.02, "{overshoot}");
    assert!((at - 14.14).abs() < 0.1, "{at}");
    assert!((settled - 31.15).abs() < 0.1, "{settled}");
    let (overshoot, _, settled) = figures(&config(50, 1_000));
    assert!((overshoot - 13.53).abs() < 0.03, "{overshoot}");
    assert!((settled - 17.16).abs() < 0.1, "{settled}");
}

/// Lag behind a constant acceleration after it has settled, degrees: of the angle half a frame
/// after a frame, and of the prediction of the next frame.
fn lag(config: &Config, acceleration_deg_s2: f64) -> (f64, f64) {
    let truth = |t: f64| acceleration_deg_s2 * t * t / 2.0 * COUNTS_PER_DEGREE;
    let mut loop_ = Tracking::new(angle(0.0), 0);
    let mut difference = 0;
    let frames = 2_000;
    for k in 0..=frames {
        difference = loop_.step(config, angle(truth(f64::from(k) * FRAME_S)));
    }
    let between = angle(f64::from(loop_.angle().to_bits()) + f64::from(loop_.speed()) / 2.0);
    let late = angle(truth((f64::from(frames) + 0.5) * FRAME_S)).counts_from(between);
    (
        f64::from(late) / COUNTS_PER_DEGREE,
        f64::from(difference) / COUNTS_PER_DEGREE,
    )
}

#[test]
fn the_lag_behind_an_acceleration_is_that_published() {
    let radians = 50.0_f64.to_degrees();
    let (late, _) = lag(&config(25, 707), radians);
    assert!((late - 0.1161).abs() < 1e-4, "{late}");
    let (late, _) = lag(&config(50, 1_000), radians);
    assert!((late - 0.0290).abs() < 1e-4, "{late}");
    // K_a = 48 000 s⁻² at 100 rev/s² lags 0.75 degrees; 35 Hz is the nearest whole bandwidth.
    let k_a = (TAU * 35.0).powi(2);
    let (late, _) = lag(&config(35, 707), 36_000.0);
    assert!((late * k_a / 48_000.0 - 0.75).abs() < 0.002, "{late}");
}

/// The design table of measurement (N10): how a braking crank slows at nominal speed, degrees/s²,
/// and what a loop of 40 Hz lags then, degrees. Presses A, B, C, E, F, G.
#[test]
fn a_loop_of_40_hertz_lags_a_braking_crank_as_in_the_table() {
    for (slows_deg_s2, table_deg) in [
        (59_588.0, 0.94),
        (5_975.0, 0.09),
        (2_216.0, 0.04),
        (4_436.0, 0.07),
        (3_347.0, 0.05),
        (7_264.0, 0.11),
    ] {
        let (late, _) = lag(&config(40, 707), slows_deg_s2);
        // Half a digit, and what the angle's own count and the integer shares add.
        assert!((late - table_deg).abs() < 0.0055, "{slows_deg_s2}: {late}");
    }
}

#[test]
fn the_bound_on_the_lag_covers_every_loop_and_is_not_wide() {
    for (hertz, damping) in [
        (5, 700),
        (25, 707),
        (70, 850),
        (200, 707),
        (312, 707),
        (200, 1_000),
        (150, 1_200),
    ] {
        let config = config(hertz, damping);
        let acceleration = 20_000.0;
        let per_frame = (acceleration * COUNTS_PER_DEGREE * FRAME_S * FRAME_S) as u32;
        let bound = f64::from(config.lag(per_frame)) / COUNTS_PER_DEGREE;
        let (_, settled) = lag(&config, acceleration);
        let overshoot = 1.0 + f64::from(LAG_OVERSHOOT_PERMILLE) / 1e3;
        assert!(
            (bound / settled - overshoot).abs() < 0.01,
            "{hertz} {damping}: {bound} {settled}"
        );
        assert!(
            worst_difference(&config, acceleration) <= bound,
            "{hertz} {damping}"
        );
    }
}

/// Largest difference while an acceleration sets in at once and ends at once.
fn worst_difference(config: &Config, acceleration: f64) -> f64 {
    let lasts = 0.2;
    let truth = |t: f64| {
        let during = t.clamp(0.0, lasts);
        (acceleration * during * during / 2.0 + acceleration * lasts * (t - lasts).max(0.0))
            * COUNTS_PER_DEGREE
    };
    let mut loop_ = Tracking::new(angle(0.0), 0);
    (0..2_000)
        .map(|k| loop_.step(config, angle(truth(f64::from(k) * FRAME_S))))
        .map(|difference| f64::from(difference).abs() / COUNTS_PER_DEGREE)
        .fold(0.0, f64::max)
}

#[test]
fn a_constant_speed_leaves_no_difference() {
    let config = config(200, 707);
    let speed = 11_453_246; // 800 strokes per minute
    let mut loop_ = Tracking::new(angle(0.0), 0);
    let mut difference = i32::MAX;
    for k in 0..500u32 {
        let measured = ElectricalAngle::from_bits(k.wrapping_mul(speed));
        difference = loop_.step(&config, measured);
    }
    assert!(difference.abs() <= 16, "{difference}");
    assert!(
        (loop_.speed() - speed as i32).abs() <= 16,
        "{}",
        loop_.speed()
    );
}

#[test]
fn loops_that_cannot_work_are_refused() {
    let refused = |hertz, damping| Config::try_new(hertz, damping, FRAME_HZ).expect_err("refused");
    assert_eq!(refused(0, 707), ConfigError::Bandwidth);
    assert_eq!(refused(313, 707), ConfigError::Bandwidth);
    assert_eq!(refused(300, 1_200), ConfigError::Bandwidth);
    assert_eq!(refused(100, 699), ConfigError::Damping);
    assert_eq!(refused(100, 1_201), ConfigError::Damping);
    assert_eq!(Config::try_new(1, 707, 0), Err(ConfigError::Bandwidth));
}

#[test]
fn the_bandwidth_for_a_press_keeps_its_lag() {
    for (acceleration, lag_millidegrees) in [(239_599, 100), (28_648, 120), (2_865, 50)] {
        let hertz = bandwidth_for(acceleration, lag_millidegrees);
        let at = |hertz: u32| f64::from(acceleration) / (TAU * f64::from(hertz)).powi(2);
        assert!(at(hertz) <= f64::from(lag_millidegrees) / 1e3);
        assert!(at(hertz - 2) > f64::from(lag_millidegrees) / 1e3);
    }
}
