//! The balance: found over a turn at uneven speed, applied, and watched from then on.

use crate::bench::{Bench, error_deg, seconds};
use crate::synthesis::Resolver;
use std::f64::consts::TAU;
use stopwright_core::balance::survey::SECTORS;
use stopwright_core::balance::{Balance, Config, ConfigError, Survey, SurveyRefusal, Surveyed};
use stopwright_core::fault::FaultCode;
use stopwright_core::receiver::{self, Settings};
use stopwright_core::signal::WindingAmplitudes;

/// The imperfections the project is held to: 2 % of gain and offset, 1 degree of quadrature
/// error, noise of one code.
pub(crate) fn imperfect() -> Resolver {
    Resolver {
        gain: 0.02,
        offset: [0.02, -0.02],
        quadrature: 1.0_f64.to_radians(),
        noise: 1.0,
        ..Resolver::PERFECT
    }
}

/// A turn as by hand: it creeps, hurries, rests and slips back.
fn barred(t: f64) -> f64 {
    62.0 * t + 24.0 * (TAU * 0.4 * t).sin() + 9.0 * (TAU * 1.3 * t).sin()
}

/// Surveys `resolver` over one barred turn.
pub(crate) fn survey(resolver: Resolver) -> Result<Surveyed, SurveyRefusal> {
    let mut bench = Bench::new(receiver::Config::new(Settings::DEFAULT), resolver);
    let mut survey = Survey::new();
    while bench.time() < 6.5 {
        bench.frame(barred);
        survey.feed(bench.receiver.signal().raw);
    }
    survey.identify()
}

/// The default settings with what a survey found.
pub(crate) fn balanced(found: Surveyed) -> Settings {
    Settings {
        balance: found.balance,
        amplitude_nominal: found.amplitude,
        is_surveyed: true,
        ..Settings::DEFAULT
    }
}

/// Worst error of the direct decode over a slow turn, degrees.
fn worst_error(settings: Settings, resolver: Resolver) -> f64 {
    let config = receiver::Config::try_new(settings).expect("settings that hold together");
    let truth = |t: f64| 120.0 * t;
    let mut bench = Bench::new(config, resolver);
    bench.acquire(truth);
    let mut worst = 0.0_f64;
    while bench.time() < 3.1 {
        let reading = bench.tick(truth).reading();
        let error = error_deg(reading.measured(), truth(seconds(reading.measured_at())));
        worst = worst.max(error.abs());
    }
    worst
}

#[test]
fn one_uneven_turn_finds_every_imperfection() {
    let quiet = Resolver {
        noise: 0.3,
        ..imperfect()
    };
    let found = survey(quiet).expect("a survey");
    let amplitude = 1_800.0 * 32_767.0 / 2_048.0;
    let near = |found: f64, given: f64, tolerance: f64| (found - given).abs() < tolerance;
    assert!(
        near(found.balance.sine_offset.into(), 0.02 * amplitude, 3.0),
        "{found:?}"
    );
    assert!(
        near(found.balance.cosine_offset.into(), -0.02 * amplitude, 3.0),
        "{found:?}"
    );
    assert!(
        near(found.balance.gain_ppm.into(), 20_000.0, 120.0),
        "{found:?}"
    );
    assert!(
        near(found.balance.quadrature_urad.into(), 17_453.0, 120.0),
        "{found:?}"
    );
    assert!(near(found.amplitude.into(), amplitude, 15.0), "{found:?}");
    assert!(found.residue_ppm < 600, "{found:?}");
}

#[test]
fn strong_imperfections_are_found_as_well() {
    for (gain, offset, quadrature_deg) in [
        (0.15, [0.1, 0.1], -8.0_f64),
        (-0.15, [-0.1, 0.05], 8.0),
        (0.0, [0.0, 0.0], 0.0),
    ] {
        let resolver = Resolver {
            amplitude: 1_500.0,
            gain,
            offset,
            quadrature: quadrature_deg.to_radians(),
            noise: 0.5,
            ..Resolver::PERFECT
        };
        let found = survey(resolver).expect("a survey");
        assert!(
            (f64::from(found.balance.gain_ppm) / 1e6 - gain).abs() < 0.001,
            "{found:?}"
        );
        let quadrature = f64::from(found.balance.quadrature_urad) / 1e6;
        assert!(
            (quadrature - quadrature_deg.to_radians()).abs() < 0.001,
            "{found:?}"
        );
        assert!(worst_error(balanced(found), resolver) < 0.15, "{found:?}");
    }
}

#[test]
fn the_balance_brings_degrees_down_to_less_than_a_tenth() {
    let before = worst_error(
        Settings {
            amplitude_lower_permille: 800,
            amplitude_upper_permille: 1_130,
            disagreement_millidegrees: 1_000,
            unbalance_latch_millidegrees: 5_000,
            ..Settings::DEFAULT
        },
        imperfect(),
    );
    assert!(before > 2.0, "{before}");
    let found = survey(imperfect()).expect("a survey");
    let after = worst_error(balanced(found), imperfect());
    // The noise of a single direct decode, 0.016 degree rms, is in this figure.
    assert!(after < 0.1, "{after}");
}

#[test]
fn a_survey_counts_angles_not_frames() {
    // The same turn, but with three quarters of all frames in one place.
    let turn = |rest: usize| {
        let mut survey = Survey::new();
        for k in 0..1_440_usize {
            let theta = f64::from(k as u32) / 1_440.0 * TAU;
            let raw = WindingAmplitudes {
                sine: (28_000.0 * (theta.sin() + 0.02)).round() as i16,
                cosine: (28_000.0 * (1.02 * (theta + 0.017).cos())).round() as i16,
            };
            let frames = if k == 400 { rest } else { 1 };
            (0..frames).for_each(|_| survey.feed(raw));
        }
        survey.identify().expect("a survey")
    };
    let (even, uneven) = (turn(1), turn(4_320));
    let difference = |a: i32, b: i32| (a - b).unsigned_abs();
    assert!(difference(even.balance.gain_ppm, uneven.balance.gain_ppm) < 200);
    assert!(difference(even.balance.quadrature_urad, uneven.balance.quadrature_urad) < 200);
    assert!(
        difference(
            even.balance.sine_offset.into(),
            uneven.balance.sine_offset.into()
        ) < 5
    );
}

#[test]
fn a_survey_is_refused_by_name() {
    let turn = |amplitude: f64, share: f64, third: f64| {
        let mut survey = Survey::new();
        for k in 0..3_600 {
            let theta = f64::from(k) / 3_600.0 * TAU * share;
            survey.feed(WindingAmplitudes {
                sine: (amplitude * (theta.sin() + third * (3.0 * theta).sin())) as i16,
                cosine: (amplitude * (theta.cos() + third * (5.0 * theta).cos())) as i16,
            });
        }
        survey.identify()
    };
    assert!(matches!(
        turn(28_000.0, 0.9, 0.0),
        Err(SurveyRefusal::NotAWholeTurn { sectors: 57..=59 })
    ));
    assert_eq!(turn(6_000.0, 1.0, 0.0), Err(SurveyRefusal::SignalWeak));
    assert!(matches!(
        turn(24_000.0, 1.0, 0.1),
        Err(SurveyRefusal::DoesNotFit { .. })
    ));
    assert!(turn(28_000.0, 1.0, 0.0).is_ok());
    let empty = Survey::new();
    assert_eq!(
        empty.identify(),
        Err(SurveyRefusal::NotAWholeTurn { sectors: 0 })
    );
    assert_eq!(SECTORS, 64);
}

#[test]
fn a_survey_of_a_dead_winding_gives_no_balance() {
    let mut survey = Survey::new();
    for k in 0..3_600 {
        let theta = f64::from(k) / 3_600.0 * TAU;
        survey.feed(WindingAmplitudes {
            sine: 0,
            cosine: (28_000.0 * theta.cos()) as i16,
        });
    }
    assert!(survey.identify().is_err());
}

#[test]
fn a_balance_no_resolver_needs_is_refused() {
    let refused = |balance| Config::try_new(balance).expect_err("refused");
    let perfect = Balance::PERFECT;
    assert_eq!(
        refused(Balance {
            gain_ppm: 200_001,
            ..perfect
        }),
        ConfigError::Gain
    );
    assert_eq!(
        refused(Balance {
            quadrature_urad: -175_001,
            ..perfect
        }),
        ConfigError::Quadrature
    );
    assert_eq!(
        refused(Balance {
            sine_offset: 8_193,
            ..perfect
        }),
        ConfigError::Offset
    );
    assert_eq!(
        refused(Balance {
            cosine_offset: i16::MIN,
            ..perfect
        }),
        ConfigError::Offset
    );
}

#[test]
fn the_correction_is_exact_at_the_ends_of_its_range() {
    for gain_ppm in [-200_000, 0, 200_000] {
        for quadrature_urad in [-175_000, 0, 175_000] {
            let balance = Balance {
                sine_offset: 500,
                cosine_offset: -700,
                gain_ppm,
                quadrature_urad,
            };
            let config = Config::try_new(balance).expect("in range");
            let gain = 1.0 + f64::from(gain_ppm) / 1e6;
            let q = f64::from(quadrature_urad) / 1e6;
            for degree in 0..360 {
                let theta = f64::from(degree).to_radians();
                let raw = WindingAmplitudes {
                    sine: (22_000.0 * theta.sin() + 500.0).round() as i16,
                    cosine: (22_000.0 * gain * (theta + q).cos() - 700.0).round() as i16,
                };
                let corrected = config.apply(raw);
                assert!((f64::from(corrected.sine) - 22_000.0 * theta.sin()).abs() < 1.0);
                assert!((f64::from(corrected.cosine) - 22_000.0 * theta.cos()).abs() < 4.0);
            }
        }
    }
}

/// The defaults, as a survey of a perfect resolver would have found them.
const SURVEYED: receiver::Config = receiver::Config::new(Settings {
    is_surveyed: true,
    ..Settings::DEFAULT
});

/// Runs whole turns and gives every fault seen.
fn turns(resolver: Resolver, degrees: f64) -> stopwright_core::fault::FaultSet {
    let mut bench = Bench::new(SURVEYED, resolver);
    let truth = |t: f64| 510.0 * t;
    let mut faults = stopwright_core::fault::FaultSet::EMPTY;
    while truth(bench.time()) < degrees {
        faults = faults.union(bench.tick(truth).faults);
    }
    faults
}

#[test]
fn windings_that_drift_are_advised_of_within_a_turn() {
    let noisy = Resolver {
        noise: 1.0,
        ..Resolver::PERFECT
    };
    assert!(turns(noisy, 1_200.0).is_empty());
    for drifted in [
        Resolver {
            gain: 0.05,
            ..noisy
        },
        Resolver {
            offset: [0.02, 0.0],
            ..noisy
        },
        Resolver {
            offset: [0.0, -0.02],
            ..noisy
        },
        Resolver {
            quadrature: -2.0_f64.to_radians(),
            ..noisy
        },
        Resolver {
            amplitude: 1_680.0,
            ..noisy
        },
    ] {
        let faults = turns(drifted, 400.0);
        assert!(faults.contains(FaultCode::WindingDrift), "{drifted:?}");
        assert!(
            !faults.contains(FaultCode::WindingUnbalanced),
            "{drifted:?}"
        );
    }
    let drifted = Resolver {
        offset: [0.02, 0.0],
        ..noisy
    };
    let mut bench = Bench::new(SURVEYED, drifted);
    bench.acquire(|t| 510.0 * t);
    for _ in 0..800 {
        // An advice leaves the angle trusted.
        bench.tick(|t| 510.0 * t).reading();
    }
}

#[test]
fn windings_that_bend_the_angle_by_three_degrees_are_a_fault() {
    let bent = Resolver {
        quadrature: 4.0_f64.to_radians(),
        noise: 1.0,
        ..Resolver::PERFECT
    };
    assert!(turns(bent, 400.0).contains(FaultCode::WindingUnbalanced));
}

#[test]
fn the_drift_reported_is_the_drift_there_is() {
    let drifted = Resolver {
        amplitude: 1_764.0,
        gain: 0.01,
        offset: [0.004, -0.003],
        quadrature: 0.008,
        ..Resolver::PERFECT
    };
    let mut bench = Bench::new(SURVEYED, drifted);
    while bench.receiver.drift().is_none() {
        assert!(bench.time() < 1.5, "no turn seen");
        bench.tick(|t| 510.0 * t);
    }
    let drift = bench.receiver.drift().expect("a turn");
    let share = |value: i32| f64::from(value) / 32_768.0;
    for (found, given) in [
        (share(drift.amplitude), -0.02),
        (share(drift.sine_offset), 0.004),
        (share(drift.cosine_offset), -0.003),
        (share(drift.gain), 0.01),
        (share(drift.quadrature), 0.008),
    ] {
        // First order: what is left is of the order of the products of two of them.
        assert!((found - given).abs() < 0.0015, "{found} {given}");
    }
}

#[test]
fn windings_that_were_never_surveyed_are_compared_with_nothing() {
    let mut bench = Bench::new(receiver::Config::new(Settings::DEFAULT), imperfect());
    for _ in 0..1_500 {
        assert!(bench.tick(|t| 510.0 * t).faults.is_empty());
    }
    assert_eq!(bench.receiver.drift(), None);
}
