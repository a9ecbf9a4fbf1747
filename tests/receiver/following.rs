//! A turning and a standing crank are followed.

use crate::synthesis::{FRAME_S, Noise, Resolver};
use std::f64::consts::TAU;
use stopwright_core::angle::CrankAngle;
use stopwright_core::receiver::{Config, CrankPosition, Receiver, Settings};
use stopwright_core::signal::FRAMES_PER_TICK;
use stopwright_core::time::{Duration, Instant};

const CONFIG: Config = Config::new(Settings::DEFAULT);

/// Runs `ticks` ticks of a crank at `angle` degrees after top dead centre, and gives each tick's
/// position and the time it holds for, in seconds.
fn run(ticks: u32, angle: impl Fn(f64) -> f64, resolver: Resolver) -> Vec<(CrankPosition, f64)> {
    let mut receiver = Receiver::new();
    let mut noise = Noise::new(1);
    // The default zero: the windings read 45 degrees at the top.
    let electrical = |t: f64| (angle(t) + 45.0).to_radians();
    (0..ticks)
        .map(|tick| {
            receiver.start_tick(&CONFIG);
            for k in 0..FRAMES_PER_TICK as u32 {
                let index = tick * FRAMES_PER_TICK as u32 + k;
                let middle = Instant::from_micros(u64::from(index) * 200 + 100);
                let frame = resolver.frame(f64::from(index) * FRAME_S, electrical, &mut noise);
                receiver.frame(&CONFIG, &frame, middle);
            }
            let now = Instant::from_micros(u64::from(tick + 1) * 1_000);
            (receiver.position(&CONFIG, now), f64::from(tick + 1) * 1e-3)
        })
        .collect()
}

fn error_deg(angle: CrankAngle, truth_deg: f64) -> f64 {
    let angle = f64::from(angle.to_bits()) / (1u64 << 32) as f64 * TAU;
    let difference = angle - truth_deg.to_radians();
    difference.sin().atan2(difference.cos()).to_degrees()
}

#[test]
fn a_standing_crank_is_trusted_within_a_hundredth_of_a_degree() {
    for step in 0..72 {
        let truth = f64::from(step) * 5.0;
        let positions = run(20, |_| truth, Resolver::PERFECT);
        let (CrankPosition::Trusted(reading), _) = positions[19] else {
            panic!("not trusted at {truth}: {:?}", positions[19].0);
        };
        assert!(
            error_deg(reading.angle(), truth).abs() < 0.01,
            "{truth}: {reading:?}"
        );
        assert!(
            reading.speed().as_milli_spm().abs() < 10,
            "{truth}: {reading:?}"
        );
    }
}

#[test]
fn a_constant_speed_leaves_no_lag() {
    let resolver = Resolver {
        noise: 1.0,
        ..Resolver::PERFECT
    };
    // 85 strokes per minute.
    let truth = |t: f64| 510.0 * t;
    for (position, t) in &run(700, truth, resolver)[20..] {
        let reading = position.trusted().expect("trusted");
        let error = error_deg(reading.angle(), truth(*t));
        assert!(error.abs() < 0.1, "{t}: {error}");
        let measured = error_deg(
            reading.measured(),
            truth(reading.measured_at().as_micros() as f64 * 1e-6),
        );
        assert!(measured.abs() < 0.15, "{t}: {measured}");
        assert!(
            (reading.speed().as_milli_spm() - 85_000).abs() < 6_000,
            "{reading:?}"
        );
    }
}

#[test]
fn the_position_is_not_trusted_before_five_milliseconds_of_good_frames() {
    let positions = run(10, |_| 10.0, Resolver::PERFECT);
    for (position, t) in &positions {
        assert_eq!(position.trusted().is_some(), *t > 0.0045, "{t}");
    }
}

#[test]
fn a_lost_excitation_is_a_fault_within_a_tick() {
    let mut receiver = Receiver::new();
    let mut noise = Noise::new(1);
    let mut at = Instant::default();
    let mut feed = |receiver: &mut Receiver, resolver: Resolver| {
        receiver.start_tick(&CONFIG);
        for _ in 0..FRAMES_PER_TICK {
            at = at.saturating_add(Duration::from_micros(200));
            receiver.frame(&CONFIG, &resolver.frame(0.0, |_| 1.0, &mut noise), at);
        }
        receiver.position(&CONFIG, at)
    };
    for _ in 0..10 {
        feed(&mut receiver, Resolver::PERFECT);
    }
    let dead = Resolver {
        amplitude: 0.0,
        ..Resolver::PERFECT
    };
    let CrankPosition::Untrusted { faults, last } = feed(&mut receiver, dead) else {
        panic!("still trusted");
    };
    assert!(
        faults.contains(stopwright_core::fault::FaultCode::ExcitationLost),
        "{faults:?}"
    );
    assert!(last.is_some());
}
