//! Settings that cannot work are refused, each with the name of the setting and what is allowed.

use stopwright_core::balance::{self, Balance};
use stopwright_core::receiver::{Config, ConfigError, Settings};

const GOOD: Settings = Settings::DEFAULT;

fn refused(settings: Settings) -> ConfigError {
    Config::try_new(settings).expect_err("refused")
}

#[test]
fn settings_that_cannot_work_are_refused_by_name() {
    use ConfigError as E;
    let balance = Balance {
        gain_ppm: 300_000,
        ..Balance::PERFECT
    };
    let cases = [
        (
            Settings {
                carrier_hz: 999,
                ..GOOD
            },
            E::Carrier,
        ),
        // 333.3 µs a period.
        (
            Settings {
                carrier_hz: 3_000,
                tick_hz: 600,
                ..GOOD
            },
            E::Carrier,
        ),
        (
            Settings {
                tick_hz: 900,
                ..GOOD
            },
            E::RatesDoNotDivide,
        ),
        (
            Settings {
                carrier_hz: 10_000,
                ..GOOD
            },
            E::RatesDoNotDivide,
        ),
        (
            Settings {
                amplitude_nominal: 17_999,
                ..GOOD
            },
            E::AmplitudeTooSmall,
        ),
        (
            Settings {
                amplitude_lower_permille: 1_000,
                ..GOOD
            },
            E::WindowExcludesNominal,
        ),
        (
            Settings {
                amplitude_upper_permille: 1_000,
                ..GOOD
            },
            E::WindowExcludesNominal,
        ),
        (
            Settings {
                amplitude_lower_permille: 700,
                ..GOOD
            },
            E::WindowExcludesNominal,
        ),
        (
            Settings {
                amplitude_nominal: 31_000,
                ..GOOD
            },
            E::WindowBeyondConverter,
        ),
        (
            Settings {
                floor_permille: 501,
                ..GOOD
            },
            E::Floor,
        ),
        (
            Settings {
                phase_millidegrees: i32::MIN,
                ..GOOD
            },
            E::Phase,
        ),
        (
            Settings {
                phase_limit_millidegrees: 45_001,
                ..GOOD
            },
            E::Phase,
        ),
        (
            Settings {
                residue_limit_permille: 4,
                ..GOOD
            },
            E::Residue,
        ),
        (
            Settings {
                offset_limit_codes: -100,
                ..GOOD
            },
            E::OffsetLimit,
        ),
        (
            Settings {
                noise_limit_codes: 513,
                ..GOOD
            },
            E::NoiseLimit,
        ),
        (
            Settings {
                bandwidth_hz: 0,
                ..GOOD
            },
            E::Bandwidth,
        ),
        (
            Settings {
                bandwidth_hz: 2_500,
                ..GOOD
            },
            E::Bandwidth,
        ),
        (
            Settings {
                bandwidth_hz: 300,
                damping_permille: 1_200,
                ..GOOD
            },
            E::Bandwidth,
        ),
        (
            Settings {
                damping_permille: 500,
                ..GOOD
            },
            E::Damping,
        ),
        (
            Settings {
                acceleration_max_deg_s2: 99,
                ..GOOD
            },
            E::Acceleration,
        ),
        (
            Settings {
                speed_max_milli_spm: -1,
                ..GOOD
            },
            E::Speed,
        ),
        (
            Settings {
                disagreement_millidegrees: 49,
                ..GOOD
            },
            E::Disagreement,
        ),
        (
            Settings {
                lash_millidegrees: 5_001,
                ..GOOD
            },
            E::Lash,
        ),
        (
            Settings {
                coast_us: 10_001,
                ..GOOD
            },
            E::Coast,
        ),
        (
            Settings {
                unbalance_advise_millidegrees: 3_001,
                ..GOOD
            },
            E::Unbalance,
        ),
        (
            Settings {
                unbalance_advise_millidegrees: 600,
                unbalance_latch_millidegrees: 600,
                ..GOOD
            },
            E::Unbalance,
        ),
        (
            Settings {
                amplitude_drift_permille: 9,
                ..GOOD
            },
            E::AmplitudeDrift,
        ),
        (
            Settings { balance, ..GOOD },
            E::Balance(balance::ConfigError::Gain),
        ),
    ];
    for (settings, error) in cases {
        assert_eq!(refused(settings), error);
        let text = error.to_string();
        assert!(
            text.contains(|c: char| c.is_ascii_digit()) || text.contains("times"),
            "{text}"
        );
    }
}

#[test]
fn the_ends_of_the_ranges_are_allowed() {
    let settings = [
        Settings {
            carrier_hz: 20_000,
            tick_hz: 4_000,
            ..GOOD
        },
        Settings {
            carrier_hz: 1_000,
            tick_hz: 200,
            bandwidth_hz: 60,
            ..GOOD
        },
        Settings {
            phase_millidegrees: -180_000,
            phase_limit_millidegrees: 45_000,
            ..GOOD
        },
        Settings {
            amplitude_nominal: 18_000,
            amplitude_upper_permille: 1_250,
            ..GOOD
        },
        Settings {
            acceleration_max_deg_s2: 1_000_000,
            speed_max_milli_spm: 2_000_000,
            ..GOOD
        },
        Settings {
            bandwidth_hz: 1,
            coast_us: 1_000,
            ..GOOD
        },
    ];
    for settings in settings {
        assert!(Config::try_new(settings).is_ok(), "{settings:?}");
    }
}

/// The gate of the difference between the decodes: the static bound, the greatest healthy
/// acceleration over K_a with its overshoot, the play of the drive, and half of a·t² while the
/// receiver predicts.
#[test]
fn the_gate_is_the_static_bound_the_lag_and_the_prediction() {
    let config = Config::try_new(GOOD).expect("the defaults");
    let degrees = |counts: u32| f64::from(counts) / 4_294_967_296.0 * 360.0;
    let acceleration = 300_000.0;
    let k_a = (std::f64::consts::TAU * 200.0).powi(2);
    let at_once = degrees(config.disagreement(0));
    // The prediction lags by somewhat more than a/K_a: half a frame's share of it.
    // A play of 0.1 degree lets the crank reach √(2·a·0.1) before it takes the resolver along.
    let jerk = 0.46 * (2.0 * acceleration * 0.1_f64).sqrt() / k_a.sqrt();
    let bound = 0.3 + 1.05 * acceleration / k_a + jerk;
    assert!((bound..bound * 1.1).contains(&at_once), "{at_once} {bound}");
    let after_10_ms = degrees(config.disagreement(50)) - at_once;
    assert!(
        (after_10_ms - acceleration * 0.01 * 0.01 / 2.0).abs() < 0.01,
        "{after_10_ms}"
    );
}
