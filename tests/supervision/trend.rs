//! Slow change of stopping times: how soon a shift is found, how seldom a word is false, and the two
//! data sets against each other.

use crate::schema::{deg, ms, press, spm};
use rand::SeedableRng;
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64Mcg;
use stopwright_core::angle::CrankTravel;
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::stop_time::{StopKind, StopRecord};
use stopwright_core::stop_trend::{Baseline, Config, StopTrend};
use stopwright_core::time::{Duration, Instant};

const MEAN_MS: f64 = 186.0;
const DEVIATION_MS: f64 = 3.0;
const BASELINE: Baseline = Baseline {
    time: Duration::from_millis(186),
    deviation: Duration::from_millis(3),
};
const BOTH: Config = Config {
    top: Some(BASELINE),
    mid_stroke: Some(BASELINE),
};

fn stop(kind: StopKind, time_ms: f64, speed_spm: i32) -> StopRecord {
    let at = Instant::from_micros(0);
    StopRecord {
        kind,
        requested_at: at,
        commanded_at: at,
        command_angle: deg(315),
        coil_off_at: at,
        valve_off_at: Some(at),
        speed: spm(speed_spm),
        speed_peak: spm(speed_spm),
        stopping_time: Duration::from_micros((time_ms * 1e3) as u32),
        stopping_travel: CrankTravel::from_millidegrees(44_200),
        rest_angle: deg(0),
        reaction: ms(60),
        braking: ms(126),
    }
}

fn take(trend: &mut StopTrend, stop: &StopRecord) -> FaultSet {
    trend.take(&BOTH, &press().stop, stop)
}

/// Stops until the trend speaks, with times shifted by so many deviations.
fn found_after(shift: f64, seed: u64, at_most: u32) -> Option<u32> {
    let times = Normal::new(MEAN_MS + shift * DEVIATION_MS, DEVIATION_MS).expect("a deviation");
    let mut random = Pcg64Mcg::seed_from_u64(seed);
    let mut trend = StopTrend::new();
    (1..=at_most).find(|_| {
        let stop = stop(StopKind::Top, times.sample(&mut random), 60);
        take(&mut trend, &stop).contains(FaultCode::StopTrend)
    })
}

fn mean_run_length(shift: f64) -> f64 {
    let runs = 400;
    let total: u32 = (0..runs)
        .map(|seed| found_after(shift, seed, 10_000).expect("a word"))
        .sum();
    f64::from(total) / runs as f64
}

/// Siegmund's approximation of the mean run length of a one-sided cumulative sum with reference k
/// and decision h: (exp(-2Δb) + 2Δb - 1)/(2Δ²), Δ = shift - k, b = h + 1.166 (Sequential Analysis,
/// 1985; from memory).
fn siegmund(shift: f64) -> f64 {
    let (drift, b) = (shift - 0.5, 12.0 + 1.166);
    ((-2.0 * drift * b).exp() + 2.0 * drift * b - 1.0) / (2.0 * drift * drift)
}

#[test]
fn a_shift_is_found_as_soon_as_the_approximation_says() {
    for shift in [1.0, 1.5, 2.0, -1.0, -2.0] {
        let (seen, expected) = (mean_run_length(shift), siegmund(shift.abs()));
        assert!(
            (seen / expected - 1.0).abs() < 0.1,
            "{shift}: {seen} {expected}"
        );
    }
    // One deviation takes about two dozen stops, three about five.
    assert!((siegmund(1.0) - 24.0).abs() < 1.0);
    assert!((mean_run_length(3.0) - 5.0).abs() < 1.0);
}

#[test]
fn healthy_stops_are_left_alone() {
    let false_words = (0..50)
        .filter_map(|seed| found_after(0.0, seed, 4_000))
        .count();
    // One in a million stops each way: two hundred thousand should bring less than one.
    assert!(false_words <= 2, "{false_words}");
}

#[test]
fn a_stop_at_another_speed_is_compared_with_what_its_speed_asks_for() {
    let mut trend = StopTrend::new();
    // 2.094 ms of braking for each stroke per minute: 41.9 ms less at 40.
    for _ in 0..200 {
        let found = take(&mut trend, &stop(StopKind::Top, MEAN_MS - 41.9, 40));
        assert!(found.is_empty());
    }
    let slow = stop(StopKind::Top, MEAN_MS, 29);
    assert!(
        (0..200).all(|_| take(&mut trend, &slow).is_empty()),
        "an inch is no stroke"
    );
}

#[test]
fn a_lost_counterbalance_shows_in_the_two_data_sets_together() {
    let both = |top: f64, mid: f64| {
        let mut trend = StopTrend::new();
        let mut last = FaultSet::EMPTY;
        for _ in 0..30 {
            take(
                &mut trend,
                &stop(StopKind::Top, MEAN_MS + top * DEVIATION_MS, 60),
            );
            last = take(
                &mut trend,
                &stop(StopKind::MidStroke, MEAN_MS + mid * DEVIATION_MS, 60),
            );
        }
        last.contains(FaultCode::StopRatio)
    };
    assert!(both(-1.5, 1.5));
    assert!(!both(0.0, 0.0));
    // A brake that wears lengthens both.
    assert!(!both(3.0, 3.0));
    assert!(!both(1.5, -1.5));
}
