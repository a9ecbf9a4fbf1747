//! The references that contradict a resolver: an index switch, a second receiver. Faults F10 and
//! F16 to F21 of the trade's list: reversed in service, disagreeing, slipped, broken, loose, of the
//! wrong ratio, worn.

use crate::bench::Bench;
use crate::synthesis::Resolver;
use stopwright_core::angle::{AngleWindow, CrankAngle};
use stopwright_core::fault::{FaultCode, FaultSet, Reaction};
use stopwright_core::receiver::index_switch::{
    IndexConfig, IndexConfigError, IndexSettings, IndexWatch,
};
use stopwright_core::receiver::second::{
    Comparison, SecondConfig, SecondConfigError, SecondSettings,
};
use stopwright_core::receiver::{Config, Settings};

const CONFIG: Config = Config::new(Settings::DEFAULT);
const NOISY: Resolver = Resolver {
    noise: 1.0,
    ..Resolver::PERFECT
};

const SETTINGS: IndexSettings = IndexSettings {
    closed: AngleWindow {
        from: CrankAngle::from_millidegrees(250_000),
        to: CrankAngle::from_millidegrees(280_000),
    },
    tolerance_millidegrees: 3_000,
    contradiction_millidegrees: 5_000,
    wander_millidegrees: 1_000,
    response_us: 500,
};

/// Runs a press whose crank stands at `crank(t)` and its resolver at `resolver(t)`; the faults the
/// index switch raises up to `until` degrees of crank travel, and the travel at the first.
fn index(
    crank: impl Fn(f64) -> f64,
    resolver: impl Fn(f64) -> f64,
    until: f64,
) -> (FaultSet, Option<f64>) {
    let config = IndexConfig::try_new(SETTINGS).expect("index settings");
    let mut bench = Bench::new(CONFIG, NOISY);
    let mut watch = IndexWatch::new();
    let mut all = FaultSet::EMPTY;
    let mut first = None;
    bench.acquire(&resolver);
    let start = crank(bench.time());
    while (crank(bench.time()) - start).abs() < until && bench.time() < 30.0 {
        let tick = bench.tick(&resolver);
        let closed = (250.0..=280.0).contains(&crank(tick.t).rem_euclid(360.0));
        let faults = watch.step(&config, closed, &tick.position);
        if first.is_none() && !faults.is_empty() {
            first = Some(crank(tick.t) - start);
        }
        all = all.union(faults);
    }
    (all, first)
}

#[test]
fn a_healthy_drive_is_never_contradicted() {
    for spm in [-85.0, 1.0, 15.0, 85.0, 600.0, 800.0] {
        let crank = |t: f64| 100.0 + 6.0 * spm * t;
        let (faults, _) = index(crank, crank, 360.0 * 25.0);
        assert!(faults.is_empty(), "{spm}: {faults:?}");
    }
}

#[test]
fn a_slip_beyond_the_tolerance_is_contradicted_within_a_turn() {
    for slip in [-30.0, -9.0, 9.0, 30.0, 90.0, 180.0] {
        // At 600 a minute the switch's response of half a millisecond is worth 1.8 degrees.
        for spm in [15.0, 85.0, 600.0] {
            let crank = |t: f64| 6.0 * spm * t;
            let (faults, first) = index(crank, |t| crank(t) + slip, 360.0);
            assert!(
                faults.contains(FaultCode::IndexContradicts),
                "{slip} {spm}: {faults:?}"
            );
            assert!(
                first.is_some_and(|travel| travel < 330.0),
                "{slip} {spm}: {first:?}"
            );
        }
    }
}

#[test]
fn a_small_slip_asks_for_a_top_stop_only() {
    for slip in [-4.0, 4.0] {
        let crank = |t: f64| 510.0 * t;
        let (faults, _) = index(crank, |t| crank(t) + slip, 360.0);
        assert_eq!(
            faults.reaction(),
            Some(Reaction::TopStop),
            "{slip}: {faults:?}"
        );
        assert!(faults.contains(FaultCode::IndexShifted));
    }
    let crank = |t: f64| 510.0 * t;
    let (faults, _) = index(crank, |t| crank(t) + 2.0, 720.0);
    assert!(faults.is_empty(), "within the tolerance: {faults:?}");
}

#[test]
fn the_index_proves_the_angle_from_its_first_edge_on_and_not_before() {
    let config = IndexConfig::try_new(SETTINGS).expect("index settings");
    let mut bench = Bench::new(CONFIG, NOISY);
    let mut watch = IndexWatch::new();
    let crank = |t: f64| 510.0 * t;
    bench.acquire(crank);
    // Whether the angle is proven, and nothing contradicts, when the crank comes past `wanted_deg`
    // with the switch `early_deg` early.
    let mut at = |wanted_deg: f64, early_deg: f64| loop {
        let tick = bench.tick(crank);
        let at_deg = crank(tick.t).rem_euclid(360.0);
        let is_closed = (250.0..=280.0).contains(&(at_deg + early_deg));
        let faults = watch.step(&config, is_closed, &tick.position);
        if (wanted_deg..wanted_deg + 2.0).contains(&at_deg) {
            let is_contradicted = faults.contains(FaultCode::IndexContradicts);
            return (watch.is_proven(), !is_contradicted);
        }
    };
    assert_eq!(at(240.0, 0.0), (false, true), "no edge yet");
    assert_eq!(at(255.0, 0.0), (true, true), "an edge at its place");
    assert_eq!(at(240.0, 0.0), (true, true), "nearly a turn later");
    assert_eq!(at(270.0, 20.0), (false, false), "left too early");
    assert_eq!(at(290.0, 20.0), (false, true), "agrees, and proves nothing");
    assert_eq!(at(240.0, 0.0), (false, true), "no edge since");
    assert_eq!(at(255.0, 0.0), (true, true), "proven anew");
}

/// An angle that stands within the tolerance of an edge agrees with either state: there the
/// supervision of motion alone shows a broken coupling.
#[test]
fn a_broken_coupling_is_contradicted_at_the_next_edge() {
    for stuck in [10.0, 200.0, 256.0, 265.0, 274.0, 286.0] {
        let crank = |t: f64| 510.0 * t;
        let (faults, first) = index(crank, |_| stuck, 400.0);
        assert!(
            faults.contains(FaultCode::IndexContradicts),
            "{stuck}: {faults:?}"
        );
        assert!(
            first.is_some_and(|travel| travel < 360.0),
            "{stuck}: {first:?}"
        );
    }
}

#[test]
fn a_wrong_ratio_and_a_jumped_tooth_are_contradicted_within_a_turn() {
    let crank = |t: f64| 510.0 * t;
    for ratio in [2.0, 0.5, 39.0 / 40.0] {
        let (faults, first) = index(crank, |t| ratio * crank(t), 800.0);
        assert!(
            faults.contains(FaultCode::IndexContradicts),
            "{ratio}: {faults:?}"
        );
        assert!(
            first.is_some_and(|travel| travel <= 361.0),
            "{ratio}: {first:?}"
        );
    }
    let (faults, _) = index(crank, |t| crank(t) + 9.0, 360.0);
    assert!(faults.contains(FaultCode::IndexContradicts));
}

/// Both windings reversed read half a turn off, also after the power was off; one reversed reads a
/// mirrored angle.
#[test]
fn windings_reversed_in_service_are_contradicted_within_a_turn() {
    let crank = |t: f64| 510.0 * t;
    let readings: [fn(f64) -> f64; 3] = [
        |crank| crank + 180.0,
        |crank| -(crank + 45.0) - 45.0,
        |crank| 180.0 - (crank + 45.0) - 45.0,
    ];
    for reads in readings {
        let (faults, first) = index(crank, |t| reads(crank(t)), 360.0);
        assert!(faults.contains(FaultCode::IndexContradicts), "{faults:?}");
        assert!(first.is_some_and(|travel| travel < 360.0));
    }
}

#[test]
fn a_contradiction_shows_at_rest_too() {
    let (faults, _) = index(|t| 265.0 + 1e-3 * t, |_| 80.0, 0.01);
    assert!(faults.contains(FaultCode::IndexContradicts), "{faults:?}");
}

#[test]
fn a_body_that_turns_or_a_worn_chain_makes_the_index_wander() {
    let crank = |t: f64| 510.0 * t;
    // Two degrees of play, taken up one way or the other every few turns.
    let worn = |t: f64| crank(t) + 2.2 * f64::from((crank(t) / 1_080.0).rem_euclid(2.0) < 1.0);
    // The play is taken up away from the edges and within 20 ms, as a chain does.
    let eased = |t: f64| {
        (0..20).map(|k| worn(t - f64::from(k) * 1e-3)).sum::<f64>() / 20.0 + 510.0 * 9.5e-3
    };
    let (faults, first) = index(crank, eased, 360.0 * 20.0);
    assert_eq!(
        faults.reaction(),
        Some(Reaction::Advise),
        "{faults:?} {first:?}"
    );
    assert!(faults.contains(FaultCode::IndexWanders), "{faults:?}");
}

#[test]
fn index_settings_that_cannot_work_are_refused() {
    let refused = |settings| IndexConfig::try_new(settings).expect_err("refused");
    let narrow = AngleWindow {
        from: CrankAngle::from_millidegrees(250_000),
        to: CrankAngle::from_millidegrees(255_000),
    };
    assert_eq!(
        refused(IndexSettings {
            closed: narrow,
            ..SETTINGS
        }),
        IndexConfigError::Window
    );
    let tolerance_millidegrees = 400;
    assert_eq!(
        refused(IndexSettings {
            tolerance_millidegrees,
            ..SETTINGS
        }),
        IndexConfigError::Tolerance
    );
    let contradiction_millidegrees = 3_000;
    assert_eq!(
        refused(IndexSettings {
            contradiction_millidegrees,
            ..SETTINGS
        }),
        IndexConfigError::Contradiction
    );
    let wander_millidegrees = 100;
    assert_eq!(
        refused(IndexSettings {
            wander_millidegrees,
            ..SETTINGS
        }),
        IndexConfigError::Wander
    );
    assert_eq!(
        refused(IndexSettings {
            response_us: 10_001,
            ..SETTINGS
        }),
        IndexConfigError::Response
    );
}

fn second_config(difference_millidegrees: u32) -> Result<SecondConfig, SecondConfigError> {
    SecondConfig::try_new(SecondSettings {
        receiver: stopwright_core::receiver::Settings::DEFAULT,
        difference_millidegrees,
    })
}

/// Runs two receivers on resolvers at `first(t)` and `second(t)`; ticks until they disagree.
fn disagreement(
    first: impl Fn(f64) -> f64,
    second: impl Fn(f64) -> f64,
    ticks: u32,
) -> Option<u32> {
    let config = second_config(2_200).expect("a limit");
    let mut benches = [Bench::new(CONFIG, NOISY), Bench::new(CONFIG, NOISY)];
    benches[0].acquire(&first);
    benches[1].acquire(&second);
    let mut comparison = Comparison::new();
    (1..=ticks).find(|_| {
        let positions = [
            benches[0].tick(&first).position,
            benches[1].tick(&second).position,
        ];
        let faults = comparison.step(&config, &positions[0], &positions[1]);
        faults.contains(FaultCode::ReceiversDisagree)
    })
}

#[test]
fn two_receivers_that_agree_are_left_alone_at_any_speed() {
    for spm in [0.0, 85.0, 800.0] {
        let angle = |t: f64| 6.0 * spm * t;
        assert_eq!(disagreement(angle, |t| angle(t) + 2.0, 500), None);
    }
}

#[test]
fn two_receivers_that_disagree_are_a_fault_within_five_milliseconds() {
    for spm in [0.0, 85.0, 800.0] {
        for apart in [-180.0, -2.6, 2.6, 30.0] {
            let angle = |t: f64| 6.0 * spm * t;
            let after = disagreement(angle, |t| angle(t) + apart, 5);
            assert_eq!(after, Some(3), "{spm} {apart}");
        }
    }
}

#[test]
fn a_limit_for_the_comparison_out_of_range_is_refused() {
    for limit in [199, 10_001] {
        assert_eq!(second_config(limit), Err(SecondConfigError::Difference));
    }
    assert!(second_config(200).is_ok() && second_config(10_000).is_ok());
}
