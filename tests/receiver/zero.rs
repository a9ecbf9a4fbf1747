//! Zero capture: by equal heights, at standstill, or refused with the reason.

use crate::bench::Bench;
use crate::synthesis::Resolver;
use stopwright_core::angle::{CrankAngle, ElectricalAngle};
use stopwright_core::receiver::{Config, Settings};
use stopwright_core::zero_offset::{
    AngleCapture, CaptureConfig, CaptureRefusal, Direction, NotAroundTheTop, ZeroOffset,
};

const CONFIG: Config = Config::new(Settings::DEFAULT);
const NOISY: Resolver = Resolver {
    noise: 1.0,
    ..Resolver::PERFECT
};

fn electrical(degrees: f64) -> ElectricalAngle {
    ElectricalAngle::from_bits(
        (degrees / 360.0 * 4_294_967_296.0).rem_euclid(4_294_967_296.0) as u32,
    )
}

fn degrees(angle: ElectricalAngle) -> f64 {
    f64::from(angle.to_bits()) / 4_294_967_296.0 * 360.0
}

/// Captures while the crank stands at `angle(t)`, from the receiver's own electrical angle.
fn capture(
    resolver: Resolver,
    seconds: f64,
    angle: impl Fn(f64) -> f64,
) -> Result<ElectricalAngle, CaptureRefusal> {
    let mut bench = Bench::new(CONFIG, resolver);
    bench.acquire(&angle);
    let mut capture = AngleCapture::new();
    let until = bench.time() + seconds;
    while bench.time() < until - 1e-9 {
        bench.frame(&angle);
        capture.feed(bench.receiver.electrical());
    }
    capture.result(&CaptureConfig::DEFAULT)
}

#[test]
fn a_standing_crank_is_captured_within_two_thousandths_of_a_degree() {
    for angle in (0..360).step_by(15) {
        let captured = capture(NOISY, 1.0, |_| f64::from(angle)).expect("captured");
        let difference = degrees(captured) - (f64::from(angle) + 45.0);
        let difference = difference - 360.0 * (difference / 360.0).round();
        assert!(difference.abs() < 0.002, "{angle}: {difference}");
    }
}

#[test]
fn a_capture_is_refused_by_name() {
    assert_eq!(
        capture(NOISY, 0.5, |_| 3.0),
        Err(CaptureRefusal::TooFewFrames)
    );
    // Barring at a twentieth of a stroke per minute.
    assert_eq!(
        capture(NOISY, 1.0, |t| 0.3 * t),
        Err(CaptureRefusal::NotAtStandstill)
    );
    // A slide that trembles without getting anywhere.
    let rocking = |t: f64| 0.4 * (300.0 * t).sin();
    assert_eq!(
        capture(NOISY, 1.0, rocking),
        Err(CaptureRefusal::SpreadTooWide)
    );
    let mut broken = AngleCapture::new();
    (0..6_000).for_each(|k| broken.feed((k != 3_000).then_some(electrical(10.0))));
    assert_eq!(
        broken.result(&CaptureConfig::DEFAULT),
        Err(CaptureRefusal::SignalNotTrusted)
    );
    let empty = AngleCapture::new();
    assert_eq!(
        empty.result(&CaptureConfig::DEFAULT),
        Err(CaptureRefusal::TooFewFrames)
    );
}

#[test]
fn the_mean_is_taken_across_the_ends_of_the_turn() {
    let mut capture = AngleCapture::new();
    for k in 0..6_000 {
        capture.feed(Some(electrical(if k % 2 == 0 { 359.9 } else { 0.1 })));
    }
    let mean = degrees(capture.result(&CaptureConfig::DEFAULT).expect("captured"));
    assert!(!(1e-4..=359.9999).contains(&mean), "{mean}");
}

/// At equal heights before and after the top the top lies midway, whichever way the angle runs
/// and wherever the electrical zero is.
#[test]
fn equal_heights_lie_midway_around_the_top() {
    for zero in (0..360).step_by(30).map(f64::from) {
        for half in [5.0, 40.0, 80.0] {
            let up = ZeroOffset::from_equal_heights(
                electrical(zero - half),
                electrical(zero + half),
                Direction::Increasing,
            );
            let down = ZeroOffset::from_equal_heights(
                electrical(zero + half),
                electrical(zero - half),
                Direction::Decreasing,
            );
            for found in [up, down] {
                let found = degrees(found.expect("around the top").electrical());
                let difference = found - zero;
                let difference = difference - 360.0 * (difference / 360.0).round();
                assert!(difference.abs() < 1e-6, "{zero} {half}: {found}");
            }
        }
    }
}

#[test]
fn heights_that_are_exchanged_or_around_the_bottom_are_refused() {
    let (a, b) = (electrical(10.0), electrical(90.0));
    let exchanged = ZeroOffset::from_equal_heights(b, a, Direction::Increasing);
    assert_eq!(exchanged, Err(NotAroundTheTop));
    let wrong_way = ZeroOffset::from_equal_heights(a, b, Direction::Decreasing);
    assert_eq!(wrong_way, Err(NotAroundTheTop));
    let around_the_bottom =
        ZeroOffset::from_equal_heights(electrical(10.0), electrical(300.0), Direction::Increasing);
    assert_eq!(around_the_bottom, Err(NotAroundTheTop));
    let opposite =
        ZeroOffset::from_equal_heights(electrical(10.0), electrical(190.0), Direction::Increasing);
    assert_eq!(opposite, Err(NotAroundTheTop));
}

#[test]
fn the_crank_angle_counts_from_the_top_in_normal_travel() {
    let zero = ZeroOffset::at_top(electrical(45.0));
    let forward = zero.to_crank(electrical(135.0), Direction::Increasing);
    assert_eq!(forward, CrankAngle::from_bits(1 << 30));
    let backward = zero.to_crank(electrical(315.0), Direction::Decreasing);
    assert_eq!(backward, CrankAngle::from_bits(1 << 30));
    assert_eq!(
        zero.to_crank(electrical(45.0), Direction::Decreasing),
        CrankAngle::TOP_DEAD_CENTRE
    );
}
