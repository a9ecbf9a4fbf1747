//! The direct decode against f64 and against arctangents to 40 digits.

use std::f64::consts::TAU;
use stopwright_core::trig::{ATAN2_ERROR_MILLICOUNTS, ZeroVector, atan2};

const COUNTS_PER_RADIAN: f64 = 4_294_967_296.0 / TAU;
const BOUND: f64 = ATAN2_ERROR_MILLICOUNTS as f64 / 1_000.0;
const ARC_SECONDS_PER_COUNT: f64 = 1_296_000.0 / 4_294_967_296.0;

/// Error of one pair, counts of 2⁻³² turn.
fn error(sine: i16, cosine: i16) -> f64 {
    let angle = atan2(sine, cosine).expect("not the zero vector");
    let exact = f64::from(sine).atan2(f64::from(cosine)) * COUNTS_PER_RADIAN;
    let difference = f64::from(angle.to_bits() as i32) - exact;
    // Half a turn may be named from either side.
    difference - (difference / 4_294_967_296.0).round() * 4_294_967_296.0
}

/// Worst error over all pairs of `sines` with every `stride`th cosine.
fn worst(sines: impl Iterator<Item = i16>, stride: usize) -> f64 {
    let mut worst = 0.0_f64;
    for sine in sines {
        for cosine in (i16::MIN..=i16::MAX).step_by(stride) {
            if (sine, cosine) != (0, 0) {
                worst = worst.max(error(sine, cosine).abs());
            }
        }
    }
    worst
}

#[test]
fn the_decode_is_within_its_bound_on_a_grid_of_all_pairs() {
    // 47 divides neither 2¹⁶ nor the sectors' borders; the ends of the range are added.
    let grid = worst((i16::MIN..=i16::MAX).step_by(47), 47);
    let edges = worst([i16::MIN, -1, 0, 1, i16::MAX].into_iter(), 1);
    assert!(grid <= BOUND && edges <= BOUND, "{grid} {edges}");
    // A bound far above what is seen would hold nothing.
    assert!(grid > 0.8 * BOUND, "{grid}");
    const { assert!(BOUND * ARC_SECONDS_PER_COUNT < 0.000_5) };
}

#[test]
#[ignore = "all 2³² pairs: some five minutes in a release build"]
fn the_decode_is_within_its_bound_for_every_pair() {
    let halves = [i16::MIN..=-1, 0..=i16::MAX];
    let worst = std::thread::scope(|scope| {
        let threads = halves.map(|half| scope.spawn(|| worst(half, 1)));
        threads
            .into_iter()
            .map(|thread| thread.join().expect("no pair panics"))
            .fold(0.0, f64::max)
    });
    println!("worst error of every pair: {worst} counts");
    assert!(worst <= BOUND, "{worst}");
}

#[test]
fn only_the_zero_vector_has_no_angle() {
    assert_eq!(atan2(0, 0), Err(ZeroVector));
    for k in [-1, 1] {
        assert!(atan2(k, 0).is_ok() && atan2(0, k).is_ok());
    }
}

#[test]
fn the_decode_agrees_with_arctangents_to_forty_digits() {
    let mut rows = csv::Reader::from_reader(&include_bytes!("data/arctangent.csv")[..]);
    let mut count = 0;
    for row in rows.deserialize() {
        let (sine, cosine, counts): (i16, i16, f64) = row.expect("a row of three numbers");
        let angle = atan2(sine, cosine).expect("not the zero vector").to_bits();
        let difference = f64::from(angle as i32) - counts;
        let turns = (difference / 4_294_967_296.0).round();
        let difference = difference - turns * 4_294_967_296.0;
        assert!(difference.abs() <= BOUND, "{sine} {cosine}: {difference}");
        count += 1;
    }
    assert_eq!(count, 32 * 32 - 1);
}

#[test]
fn opposite_vectors_are_half_a_turn_apart_to_the_count() {
    for sine in (-32_767..=32_767).step_by(331) {
        for cosine in (-32_767..=32_767).step_by(337) {
            let Ok(angle) = atan2(sine, cosine) else {
                continue;
            };
            let opposite = atan2(-sine, -cosine).expect("not the zero vector");
            assert_eq!(angle.to_bits().wrapping_sub(opposite.to_bits()), 1 << 31);
        }
    }
}

/// Values of the arctangent in degrees and the elementary angles of a CORDIC, computed in double
/// precision; any table of arctangents has them.
#[test]
fn the_decode_reproduces_tabulated_arctangents() {
    let table = [
        (0, 1, 0.0),
        (1, 1, 45.0),
        (1, 0, 90.0),
        (1, -1, 135.0),
        (0, -1, 180.0),
        (-1, -1, 225.0),
        (3, 4, 36.869_897_645_8),
        (1, 2, 26.565_051_177_1),
        (1, 4, 14.036_243_468),
        (1, 8, 7.125_016_348_9),
        (1, 128, 0.447_614_170_9),
        (1, 1_000, 0.057_295_760_4),
        (-1, 1_000, 360.0 - 0.057_295_760_4),
    ];
    for (sine, cosine, degrees) in table {
        let angle = atan2(sine, cosine).expect("not the zero vector").to_bits();
        let decoded = f64::from(angle) * 360.0 / 4_294_967_296.0;
        assert!(
            (decoded - degrees).abs() < 2e-7,
            "{sine} {cosine}: {decoded}"
        );
    }
}
