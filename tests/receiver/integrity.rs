//! Signal faults, injected between converter and receiver: seen within their bounds, or stated
//! here as what cannot be seen.

use crate::bench::{Bench, error_deg};
use crate::presses::PRESSES;
use crate::synthesis::{Noise, Resolver};
use stopwright_core::angle::ElectricalAngle;
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::integrity::is_off_track;
use stopwright_core::receiver::{Config, Settings};
use stopwright_core::signal::{CODE_MAX, CODE_ZERO, CarrierFrame, WindingAmplitudes};

const CONFIG: Config = Config::new(Settings::DEFAULT);
const NOISY: Resolver = Resolver {
    noise: 1.0,
    ..Resolver::PERFECT
};
/// Frames that confirm a finding.
const FRAMES: u32 = 3;

type Codes = [u16; 8];

fn dead(_: Codes) -> Codes {
    [CODE_ZERO; 8]
}

fn scaled(codes: Codes, factor: f64) -> Codes {
    codes.map(|code| {
        let value = (f64::from(code) - 2_048.0) * factor + 2_048.0;
        value.round().clamp(0.0, f64::from(CODE_MAX)) as u16
    })
}

fn both(frame: CarrierFrame, disturb: impl Fn(Codes) -> Codes) -> CarrierFrame {
    CarrierFrame {
        sine: disturb(frame.sine),
        cosine: disturb(frame.cosine),
    }
}

fn sine_only(frame: CarrierFrame, disturb: impl Fn(Codes) -> Codes) -> CarrierFrame {
    CarrierFrame {
        sine: disturb(frame.sine),
        ..frame
    }
}

fn cosine_only(frame: CarrierFrame, disturb: impl Fn(Codes) -> Codes) -> CarrierFrame {
    CarrierFrame {
        cosine: disturb(frame.cosine),
        ..frame
    }
}

/// Runs `frames` disturbed frames of a crank at `angle(t)` that had been healthy for 30 ms; the
/// faults raised, and after how many frames the first was.
fn disturb(
    config: Config,
    angle: impl Fn(f64) -> f64,
    frames: u32,
    fault: impl Fn(u32, CarrierFrame) -> CarrierFrame,
) -> (FaultSet, Option<u32>) {
    let mut bench = Bench::new(config, NOISY);
    bench.acquire(&angle);
    while bench.time() < 0.03 {
        bench.tick(&angle).reading();
    }
    bench.receiver.start_tick(&config);
    let mut first = None;
    for k in 0..frames {
        bench.frame_through(&angle, |frame| fault(k, frame));
        let faults = bench.receiver.faults();
        if first.is_none() && !faults.is_empty() {
            first = Some(k + 1);
        }
        // A position beside a fault would be the worst of all.
        let has_position = bench.outcome().position.trusted().is_some();
        assert!(faults.is_empty() || !has_position, "frame {k}: {faults:?}");
    }
    (bench.receiver.faults(), first)
}

#[test]
fn every_fault_of_amplitude_shows_in_three_frames_and_of_offset_and_phase_in_three_ticks() {
    type Injected = (FaultCode, u32, fn(CarrierFrame) -> CarrierFrame);
    let faults: [Injected; 6] = [
        (FaultCode::ExcitationLost, FRAMES, |frame| both(frame, dead)),
        (FaultCode::SignalLow, FRAMES, |frame| {
            both(frame, |codes| scaled(codes, 0.8))
        }),
        (FaultCode::SignalHigh, FRAMES, |frame| {
            both(frame, |codes| scaled(codes, 1.12))
        }),
        (FaultCode::SignalOffset, 5 * FRAMES, |frame| {
            sine_only(frame, |codes| codes.map(|code| (code + 130).min(CODE_MAX)))
        }),
        (FaultCode::SignalOffset, 5 * FRAMES, |frame| {
            cosine_only(frame, |codes| codes.map(|code| code.saturating_sub(130)))
        }),
        // One sample late: 45 degrees of the carrier, and 0.707 of the amplitude.
        (FaultCode::CarrierPhase, 5 * FRAMES, |frame| {
            both(frame, |mut codes| {
                codes.rotate_left(1);
                codes
            })
        }),
    ];
    for angle in (0..360).step_by(5) {
        for (code, latest, inject) in faults {
            let (seen, after) = disturb(CONFIG, |_| f64::from(angle), latest, |_, f| inject(f));
            assert!(seen.contains(code), "{code:?} at {angle}: {seen:?}");
            assert!(
                after.is_some_and(|after| after <= latest),
                "{code:?} at {angle}: {after:?}"
            );
        }
    }
}

#[test]
fn a_clipped_converter_shows_wherever_the_winding_reaches_the_end_of_its_range() {
    for angle in (0..360).step_by(5) {
        let electrical = f64::from(angle) + 45.0;
        let clipping = |_, frame| sine_only(frame, |codes| scaled(codes, 1.25));
        // The frame in which the clipping begins differs from the one before: noise, by itself.
        let (seen, after) = disturb(CONFIG, |_| f64::from(angle), FRAMES + 1, clipping);
        if electrical.to_radians().sin().abs() * 1_800.0 * 1.25 > 2_060.0 {
            assert!(seen.contains(FaultCode::SignalClipped), "{angle}: {seen:?}");
            assert!(after.is_some_and(|after| after <= FRAMES + 1), "{after:?}");
        }
    }
}

#[test]
fn a_voltage_in_quadrature_to_the_carrier_shows() {
    // A twentieth of the amplitude across the angle's own direction: a null voltage.
    for angle in (0..360).step_by(15) {
        let electrical = (f64::from(angle) + 45.0).to_radians();
        let add = |codes: Codes, amplitude: f64| {
            let mut k = -1.0;
            codes.map(|code| {
                k += 1.0;
                let wave = amplitude * (std::f64::consts::TAU * k / 8.0).cos();
                (f64::from(code) + wave).round().clamp(0.0, 4_095.0) as u16
            })
        };
        let inject = |_, frame: CarrierFrame| CarrierFrame {
            sine: add(frame.sine, 90.0 * electrical.cos()),
            cosine: add(frame.cosine, -90.0 * electrical.sin()),
        };
        let (seen, after) = disturb(CONFIG, |_| f64::from(angle), 5 * FRAMES, inject);
        assert!(seen.contains(FaultCode::CarrierPhase), "{angle}: {seen:?}");
        assert_eq!(after, Some(5 * FRAMES));
    }
}

/// A dead winding leaves A·|cos| or A·|sin| of the electrical angle: with a lower limit of
/// 0.85·A it is invisible within acos 0.85 = 31.8 degrees of the surviving winding's peak.
#[test]
fn a_dead_winding_shows_at_rest_outside_its_blind_arc_and_within_thirteen_degrees_of_the_top() {
    let blind = 0.85_f64.acos().to_degrees();
    assert!((blind - 31.788).abs() < 0.001);
    for step in -80..=80 {
        let angle = f64::from(step) / 4.0;
        let electrical = angle + 45.0;
        for (is_sine, survives_at) in [(true, 0.0), (false, 90.0)] {
            let inject = |_, frame| {
                if is_sine {
                    sine_only(frame, dead)
                } else {
                    cosine_only(frame, dead)
                }
            };
            let (seen, after) = disturb(CONFIG, |_| angle, FRAMES, inject);
            let from_peak = (electrical - survives_at).abs();
            // The gap between the decodes shows it as well, wherever the angle jumps; what is
            // asserted of the amplitude is the amplitude's own.
            if from_peak > blind + 0.1 {
                assert!(
                    seen.contains(FaultCode::SignalLow),
                    "{angle} {is_sine}: {seen:?}"
                );
                assert_eq!(after, Some(FRAMES));
            } else if from_peak < blind - 0.1 {
                assert!(
                    !seen.contains(FaultCode::SignalLow),
                    "{angle} {is_sine}: {seen:?}"
                );
            }
            if angle.abs() < 13.0 {
                assert!(
                    seen.contains(FaultCode::SignalLow),
                    "{angle} {is_sine}: {seen:?}"
                );
            }
        }
    }
}

/// The arc is blind for a winding that died before the receiver looked.
#[test]
fn a_winding_dead_from_the_start_is_invisible_at_rest_in_its_blind_arc_and_shows_in_motion() {
    let mut bench = Bench::new(CONFIG, NOISY);
    let at_20_degrees_before_top = |_: f64| -20.0;
    let dead_sine = |frame| sine_only(frame, dead);
    for _ in 0..100 {
        bench.frame_through(at_20_degrees_before_top, dead_sine);
    }
    // Electrical 25 degrees, read as 0: wrong and trusted. The commissioning check and the first
    // motion are what covers it.
    assert!(bench.outcome().position.trusted().is_some());
    let started = bench.time();
    let turning = |t: f64| -20.0 + 120.0 * (t - started);
    let mut travel = 0.0;
    while bench.receiver.faults().is_empty() {
        bench.frame_through(turning, dead_sine);
        travel = turning(bench.time()) + 20.0;
        assert!(travel < 90.0, "never seen");
    }
    assert!(travel < 35.0, "{travel}");
}

#[test]
fn a_winding_that_dies_in_motion_shows_within_the_blind_arc() {
    for spm in [15.0, 85.0, 800.0] {
        for start in (0..360).step_by(10) {
            let angle = |t: f64| f64::from(start) + 6.0 * spm * (t - 0.03);
            let frames = (70.0 / (6.0 * spm) / 200e-6) as u32 + 4;
            for is_sine in [true, false] {
                let inject = |_, frame| {
                    if is_sine {
                        sine_only(frame, dead)
                    } else {
                        cosine_only(frame, dead)
                    }
                };
                let (_, after) = disturb(CONFIG, angle, frames, inject);
                let travel = f64::from(after.unwrap_or(u32::MAX)) * 6.0 * spm * 200e-6;
                // Twice the blind arc, and three frames.
                assert!(
                    travel < 63.6 + 3.2 * 6.0 * spm * 200e-6,
                    "{spm} from {start}: {travel}"
                );
            }
        }
    }
}

#[test]
fn a_shorted_winding_shows_within_a_quarter_turn() {
    for factor in [0.2, 0.4, 0.6] {
        for start in (0..360).step_by(30) {
            let angle = |t: f64| f64::from(start) + 510.0 * (t - 0.03);
            let frames = (90.0 / 510.0 / 200e-6) as u32;
            let inject = |_, frame| cosine_only(frame, |codes| scaled(codes, factor));
            let (_, after) = disturb(CONFIG, angle, frames, inject);
            assert!(after.is_some(), "{factor} from {start}");
        }
    }
}

/// Both windings show their mean and the angle stands on the diagonal, which looks like a sudden
/// stop. It shows as one that no brake makes, unless the loop of a slow press follows it too slowly
/// for that or the play of the drive explains it; then the amplitude shows it, outside its blind
/// arc.
#[test]
fn windings_shorted_to_each_other_show_as_an_impossible_stop_or_outside_the_blind_arc() {
    let mean = |_, frame: CarrierFrame| {
        let mut mean = frame.sine;
        for (mean, other) in mean.iter_mut().zip(frame.cosine) {
            *mean = (*mean + other) / 2;
        }
        CarrierFrame {
            sine: mean,
            cosine: mean,
        }
    };
    let mut seen_at_once = 0;
    for press in &PRESSES {
        let settings = press.settings(Settings::DEFAULT);
        let config = Config::try_new(settings).expect("settings");
        let speed = press.degrees_per_second();
        let is_slow = settings.bandwidth_hz < 50 || settings.lash_millidegrees > 500;
        let frames = if is_slow {
            (34.0 / speed / 200e-6) as u32
        } else {
            100
        };
        for start in (0..360).step_by(15) {
            let angle = |t: f64| f64::from(start) + speed * (t - 0.03);
            let (_, after) = disturb(config, angle, frames, mean);
            assert!(after.is_some(), "{} from {start}", press.name);
        }
        seen_at_once += u32::from(!is_slow);
    }
    // All but D and H, with loops of 32 and 25 Hz, and C and F, driven by chains.
    assert_eq!(seen_at_once, 4);
}

#[test]
fn a_step_of_the_angle_is_an_impossible_acceleration() {
    for spm in [0.0, 85.0, 600.0] {
        for step in [-180.0, -9.0, 5.0, 9.0, 30.0, 170.0] {
            for start in (0..360).step_by(40) {
                let angle = |t: f64| {
                    let slipped = if t < 0.030_001 { 0.0 } else { step };
                    f64::from(start) + 6.0 * spm * t + slipped
                };
                let (seen, after) = disturb(CONFIG, angle, FRAMES + 1, |_, frame| frame);
                assert!(
                    seen.contains(FaultCode::AccelerationImpossible),
                    "{step}: {seen:?}"
                );
                assert!(
                    seen.contains(FaultCode::DecodesDisagree),
                    "{step}: {seen:?}"
                );
                assert!(after.is_some_and(|after| after <= FRAMES + 1), "{after:?}");
            }
        }
    }
}

/// The second opinion on the loop's angle, by s·cos θ − c·sin θ: beyond its limit from there on,
/// all the way round, at every amplitude and angle.
#[test]
fn a_tracked_angle_off_the_measured_vector_is_seen_without_the_arctangent() {
    let counts = |degrees: f64| (degrees / 360.0 * 4_294_967_296.0) as i64 as u32;
    for amplitude in [15_000.0, 24_500.0, 31_000.0] {
        for angle in (0..360).step_by(7) {
            let theta = f64::from(angle).to_radians();
            let vector = WindingAmplitudes {
                sine: (amplitude * theta.sin()).round() as i16,
                cosine: (amplitude * theta.cos()).round() as i16,
            };
            for limit in [0.3, 1.0, 5.0] {
                let is_off = |by: f64| {
                    let tracked = ElectricalAngle::from_bits(counts(f64::from(angle) + by));
                    is_off_track(vector, tracked, counts(limit))
                };
                // The sine of the limit is up to 0.13 % below it; rounding is worth 0.01 degree.
                let beyond = limit * 1.005 + 0.02;
                for by in [beyond, -beyond, 10.0, -90.0, 120.0, 180.0, -175.0] {
                    assert!(is_off(by), "{amplitude} {angle} {limit} {by}");
                }
                for by in [0.0, limit * 0.97 - 0.02, 0.02 - limit * 0.97] {
                    assert!(!is_off(by), "{amplitude} {angle} {limit} {by}");
                }
            }
        }
    }
}

#[test]
fn a_speed_beyond_the_range_is_a_fault() {
    let config = Config::new(Settings {
        speed_max_milli_spm: 100_000,
        ..Settings::DEFAULT
    });
    let truth = |t: f64| 540.0 * t + 3_000.0 * t * t;
    let mut bench = Bench::new(config, NOISY);
    bench.acquire(truth);
    while !bench
        .tick(truth)
        .faults
        .contains(FaultCode::SpeedBeyondTracking)
    {
        let spm = (540.0 + 6_000.0 * bench.time()) / 6.0;
        assert!(spm < 103.0, "{spm}");
    }
}

#[test]
fn frozen_codes_of_both_windings_show_within_five_milliseconds_of_motion() {
    for press in &PRESSES {
        let config = Config::try_new(press.settings(Settings::DEFAULT)).expect("settings");
        let angle = |t: f64| 77.0 + press.degrees_per_second() * t;
        let held = std::cell::Cell::new(None);
        let freeze = |_, frame: CarrierFrame| {
            let first: CarrierFrame = held.take().unwrap_or(frame);
            held.set(Some(first));
            first
        };
        let (seen, after) = disturb(config, angle, 26, freeze);
        assert!(
            seen.contains(FaultCode::SamplesFrozen),
            "{}: {seen:?}",
            press.name
        );
        assert!(
            after.is_some_and(|after| after <= 26),
            "{}: {after:?}",
            press.name
        );
    }
}

/// Eight codes of 1800 are a quarter of a degree; across its peak, 3.8 degrees on either side, a
/// winding goes and comes back by four. A winding that froze at its zero makes the angle stand: the
/// acceleration shows that on a press with a loop of 50 Hz or more, else the amplitude does after
/// its blind arc.
#[test]
fn frozen_codes_of_one_winding_show_within_ten_degrees_or_ticks_or_outside_the_blind_arc() {
    for press in &PRESSES {
        let settings = press.settings(Settings::DEFAULT);
        let config = Config::try_new(settings).expect("settings");
        let speed = press.degrees_per_second();
        let mut worst = 0.0_f64;
        for start in (0..360).step_by(6) {
            let angle = |t: f64| f64::from(start) + speed * (t - 0.03);
            let held = std::cell::Cell::new(None);
            let freeze = |_, frame: CarrierFrame| {
                let first: CarrierFrame = held.take().unwrap_or(frame);
                held.set(Some(first));
                CarrierFrame {
                    sine: first.sine,
                    ..frame
                }
            };
            let frames = (34.0 / speed / 200e-6) as u32;
            let (seen, after) = disturb(config, angle, frames, freeze);
            assert!(after.is_some(), "{} {start}: {seen:?}", press.name);
            worst = worst.max(f64::from(after.unwrap_or(frames)) * speed * 200e-6);
        }
        println!(
            "{}: one frozen winding within {worst:.1} degrees",
            press.name
        );
        let limit = if settings.bandwidth_hz < 50 {
            32.5
        } else {
            10.0_f64.max(0.010 * speed)
        };
        assert!(worst < limit, "{}: {worst}", press.name);
    }
}

#[test]
fn a_standing_crank_without_noise_is_not_frozen() {
    let mut bench = Bench::new(CONFIG, Resolver::PERFECT);
    bench.acquire(|_| 12.0);
    for _ in 0..2_000 {
        assert!(bench.tick(|_| 12.0).faults.is_empty());
    }
}

#[test]
fn a_crank_that_stops_without_noise_is_not_frozen() {
    for press in &PRESSES {
        let config = Config::try_new(press.settings(Settings::DEFAULT)).expect("settings");
        for end in (0..360).step_by(7) {
            let braking = press.engagement_deg_s2() / 4.0;
            let stops_at = 0.03 + press.degrees_per_second() / braking;
            let angle = |t: f64| {
                let left = (stops_at - t).max(0.0).min(stops_at - 0.03);
                let cruise = (0.03 - t).max(0.0) * press.degrees_per_second();
                f64::from(end) - braking * left * left / 2.0 - cruise
            };
            let mut bench = Bench::new(config, Resolver::PERFECT);
            while bench.time() < stops_at + 0.02 {
                let tick = bench.tick(angle);
                assert!(
                    tick.faults.is_empty(),
                    "{} {end}: {:?}",
                    press.name,
                    tick.faults
                );
            }
        }
    }
}

/// However long it stands: what the loop has left of a speed must not add up to a travel.
#[test]
fn a_crank_that_has_stopped_without_noise_may_stand_for_a_minute() {
    for press in &PRESSES {
        let config = Config::try_new(press.settings(Settings::DEFAULT)).expect("settings");
        for end in [0.0, 44.9, 45.0, 101.3, 225.02] {
            let braking = press.engagement_deg_s2() / 4.0;
            let stops_at = 0.03 + press.degrees_per_second() / braking;
            let angle = |t: f64| {
                let left = (stops_at - t).clamp(0.0, stops_at - 0.03);
                let cruise = (0.03 - t).max(0.0) * press.degrees_per_second();
                end - braking * left * left / 2.0 - cruise
            };
            let mut bench = Bench::new(config, Resolver::PERFECT);
            while bench.time() < stops_at + 60.0 {
                let faults = bench.tick(angle).faults;
                assert!(faults.is_empty(), "{} {end}: {faults:?}", press.name);
            }
        }
    }
}

/// A converter that has frozen shows the same codes as a crank that stands without noise. What tells
/// them apart is one other code: from then on standing is standing again.
#[test]
fn a_converter_that_converts_again_shows_a_quiet_crank_that_stands() {
    for press in &PRESSES {
        let config = Config::try_new(press.settings(Settings::DEFAULT)).expect("settings");
        let speed = press.degrees_per_second();
        let angle = |t: f64| 77.0 + speed * t;
        let mut bench = Bench::new(config, Resolver::PERFECT);
        bench.acquire(angle);
        while bench.time() < 0.03 {
            bench.tick(angle).reading();
        }
        let frozen_deg = angle(bench.time());
        let mut faults = FaultSet::EMPTY;
        for _ in 0..1_000 {
            faults = bench.tick(|_| frozen_deg).faults;
        }
        assert!(faults.contains(FaultCode::SamplesFrozen), "{}", press.name);
        for _ in 0..20_000 {
            faults = bench.tick(|_| frozen_deg + 30.0).faults;
        }
        assert!(faults.is_empty(), "{}: {faults:?}", press.name);
    }
}

/// Adds noise of `rms` codes to every sample.
fn noise_burst(noise: &std::cell::RefCell<Noise>, frame: CarrierFrame, rms: f64) -> CarrierFrame {
    both(frame, |codes| {
        codes.map(|code| {
            let value = f64::from(code) + rms * noise.borrow_mut().gaussian();
            value.round().clamp(0.0, f64::from(CODE_MAX)) as u16
        })
    })
}

#[test]
fn a_burst_of_noise_up_to_ten_milliseconds_is_bridged() {
    for (seed, burst_frames) in (0..40).map(|seed| (seed, [1, 5, 25, 50][seed as usize % 4])) {
        for share in [0.1, 0.3, 1.0] {
            let noise = std::cell::RefCell::new(Noise::new(1_000 + seed));
            let truth = |t: f64| 9.0 * seed as f64 + 510.0 * t;
            let mut bench = Bench::new(CONFIG, NOISY);
            bench.acquire(truth);
            bench.settle(truth);
            let mut worst = 0.0_f64;
            for k in 0..burst_frames + 20 {
                let rms = if k < burst_frames {
                    share * 1_800.0
                } else {
                    0.0
                };
                bench.frame_through(truth, |frame| noise_burst(&noise, frame, rms));
                let outcome = bench.outcome();
                assert!(
                    outcome.faults.is_empty(),
                    "{seed} {share} {k}: {:?}",
                    outcome.faults
                );
                let error = error_deg(outcome.reading().angle(), truth(outcome.t));
                worst = worst.max(error.abs());
            }
            // Ten milliseconds at a speed known to some 15 degrees per second.
            assert!(worst < 0.5, "{seed} {share}: {worst}");
        }
    }
}

#[test]
fn a_burst_while_the_clutch_takes_hold_is_set_right_with_the_first_good_frame() {
    let press = &PRESSES[1];
    let config = Config::try_new(press.settings(Settings::DEFAULT)).expect("settings");
    let truth = |t: f64| press.engagement_deg_s2() * (t - 0.04).clamp(0.0, 0.015).powi(2) / 2.0;
    let noise = std::cell::RefCell::new(Noise::new(7));
    let mut bench = Bench::new(config, NOISY);
    while bench.time() < 0.039_9 {
        bench.frame(truth);
    }
    let mut worst_predicted = 0.0_f64;
    for _ in 0..49 {
        bench.frame_through(truth, |frame| noise_burst(&noise, frame, 600.0));
        let outcome = bench.outcome();
        assert!(outcome.reading().is_predicted());
        let error = error_deg(outcome.reading().angle(), truth(outcome.t));
        worst_predicted = worst_predicted.max(error.abs());
    }
    // The prediction knows nothing of the clutch: half of a·t² is the bound the documents give.
    assert!((1.0..1.5).contains(&worst_predicted), "{worst_predicted}");
    // The frame after the burst still differs from the last one in it and counts as noisy.
    bench.frame(truth);
    assert!(bench.outcome().reading().is_predicted());
    bench.frame(truth);
    let outcome = bench.outcome();
    assert!(!outcome.reading().is_predicted());
    let error = error_deg(outcome.reading().angle(), truth(outcome.t));
    assert!(error.abs() < 0.1, "{error}");
}

#[test]
fn a_longer_burst_is_a_fault_after_ten_milliseconds() {
    for seed in 0..20 {
        let noise = std::cell::RefCell::new(Noise::new(seed));
        let inject = |_, frame| noise_burst(&noise, frame, 540.0);
        let (seen, after) = disturb(CONFIG, |t| 510.0 * t, 58, inject);
        assert!(
            seen.contains(FaultCode::NoisePersistent),
            "{seed}: {seen:?}"
        );
        assert!(
            after.is_some_and(|after| (52..=58).contains(&after)),
            "{seed}: {after:?}"
        );
    }
}

#[test]
fn a_single_glitch_is_no_fault_and_moves_no_angle() {
    for angle in (0..360).step_by(3) {
        let mut bench = Bench::new(CONFIG, NOISY);
        bench.acquire(|_| f64::from(angle));
        bench.settle(|_| f64::from(angle));
        bench.frame_through(|_| f64::from(angle), |frame| both(frame, dead));
        let outcome = bench.outcome();
        assert!(outcome.faults.is_empty() && outcome.reading().is_predicted());
        assert!(error_deg(outcome.reading().angle(), f64::from(angle)).abs() < 0.1);
    }
}

/// Wiring mistakes that leave the amplitude whole: the receiver cannot see them. The direction
/// proof at commissioning and the index switch do.
#[test]
fn exchanged_and_reversed_windings_raise_no_signal_fault() {
    let mirrored = |codes: Codes| codes.map(|code| CODE_MAX + 1 - code);
    type Wiring = (
        &'static str,
        Box<dyn Fn(CarrierFrame) -> CarrierFrame>,
        fn(f64) -> f64,
    );
    let wirings: [Wiring; 5] = [
        (
            "sine reversed",
            Box::new(move |f| sine_only(f, mirrored)),
            |e| -e,
        ),
        (
            "cosine reversed",
            Box::new(move |f| cosine_only(f, mirrored)),
            |e| 180.0 - e,
        ),
        (
            "exchanged",
            Box::new(|f| CarrierFrame {
                sine: f.cosine,
                cosine: f.sine,
            }),
            |e| 90.0 - e,
        ),
        ("both reversed", Box::new(move |f| both(f, mirrored)), |e| {
            e + 180.0
        }),
        (
            "exchanged, one reversed",
            Box::new(move |f| CarrierFrame {
                sine: mirrored(f.cosine),
                cosine: f.sine,
            }),
            |e| e - 90.0,
        ),
    ];
    for (name, wiring, reads) in wirings {
        let truth = |t: f64| 510.0 * t;
        let mut bench = Bench::new(CONFIG, NOISY);
        for _ in 0..5_000 {
            bench.frame_through(truth, &wiring);
            assert!(bench.receiver.faults().is_empty(), "{name}");
        }
        let outcome = bench.outcome();
        let electrical = reads(truth(outcome.t) + 45.0);
        let error = error_deg(outcome.reading().angle(), electrical - 45.0);
        assert!(error.abs() < 0.1, "{name}: {error}");
    }
}

#[test]
fn no_frame_whatever_panics_or_is_trusted_by_chance() {
    let mut noise = Noise::new(99);
    let mut bench = Bench::new(CONFIG, NOISY);
    let mut trusted = 0;
    for k in 0..200_000u32 {
        let mut garbage = || -> Codes {
            let limit = if k.is_multiple_of(2) {
                4_096.0
            } else {
                65_536.0
            };
            std::array::from_fn(|_| (noise.uniform() * limit) as u16)
        };
        let frame = CarrierFrame {
            sine: garbage(),
            cosine: garbage(),
        };
        bench.frame_through(|_| 0.0, |_| frame);
        trusted += u32::from(bench.outcome().position.trusted().is_some());
    }
    assert_eq!(trusted, 0);
}
