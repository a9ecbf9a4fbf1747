//! Whatever stops are given, a proposal is made or refused; and what it calls commissionable has
//! limits in order that the distance covers.

use proptest::prelude::*;
use stopwright::distance::Site;
use stopwright::limits::{
    Cell, Criteria, LimitsError, Position, Proposal, Safeguard, Stop, Verdict, Warmth, propose,
};
use stopwright_core::safety_distance::Rule;

fn any_stop() -> impl Strategy<Value = Stop> {
    let time_ms = prop_oneof![9 => 100.0..110.0, 1 => prop::num::f64::ANY];
    let travel_deg = prop_oneof![9 => 30.0..33.0, 1 => 0.0..40_000.0];
    let rest_deg = prop_oneof![9 => -1.0..1.0, 1 => -400.0..400.0];
    (time_ms, travel_deg, rest_deg).prop_map(|(time_ms, travel_deg, rest_deg)| Stop {
        speed_spm: 60.0,
        time_ms,
        travel_deg,
        rest_deg,
        reaction_ms: None,
    })
}

fn any_cell() -> impl Strategy<Value = Cell> {
    let position = prop_oneof![
        Just(Position::Top),
        Just(Position::MidStroke(90.0)),
        (0.0..360.0).prop_map(Position::MidStroke),
    ];
    let warmth = prop_oneof![Just(Warmth::Cold), Just(Warmth::Warm)];
    let speed = prop_oneof![Just(60.0), Just(30.0), -1.0..4_000.0];
    let clean = any_stop().prop_filter("in range", |stop| {
        (0.001..=10_000.0).contains(&stop.time_ms) && stop.travel_deg > 0.001
    });
    let stops = prop_oneof![
        4 => prop::collection::vec(clean, 0..40),
        1 => prop::collection::vec(any_stop(), 0..5),
    ];
    (position, warmth, speed, stops).prop_map(|(position, warmth, speed_spm, stops)| Cell {
        position,
        speed_spm,
        warmth,
        stops,
    })
}

/// Cells of a sound press, two of them replaced or added to at random.
fn steady(position: Position, warmth: Warmth, time_ms: f64) -> Cell {
    let stop = |index: u32| Stop {
        speed_spm: 60.0,
        time_ms: time_ms + f64::from(index % 5),
        travel_deg: 30.0 + 0.2 * f64::from(index % 5),
        rest_deg: 0.2 * f64::from(index % 5) - 0.4,
        reaction_ms: None,
    };
    Cell {
        position,
        speed_spm: 60.0,
        warmth,
        stops: (0..25).map(stop).collect(),
    }
}

fn safeguard(installed_mm: f64) -> Safeguard {
    Safeguard {
        rules: vec![Rule::UsStoppingTime, Rule::IsoOrthogonal2010],
        site: Site {
            detection_mm: Some(14.0),
            ..Site::default()
        },
        installed_mm,
        control_ms: 10.0,
        device_ms: 20.0,
    }
}

fn holds(proposal: &Proposal, installed_mm: f64) -> Result<(), TestCaseError> {
    let blocked = proposal.findings.iter().any(|finding| finding.blocks);
    prop_assert_eq!(blocked, proposal.verdict != Verdict::Commissionable);
    prop_assert!(!proposal.headline().is_empty());
    for speed in proposal.speeds.iter().filter(|s| s.is_commissionable) {
        let headroom = speed.headroom.as_ref();
        let rules = headroom.into_iter().flat_map(|found| &found.rules);
        for rule in rules {
            prop_assert!(rule.at_latch_mm <= installed_mm, "{:?}", rule);
        }
        for set in proposal
            .limits
            .iter()
            .filter(|s| s.speed_spm == speed.speed_spm)
        {
            let is_top = set.position == Position::Top;
            prop_assert!(set.time_ms.is_ordered(), "{:?}", set);
            prop_assert!(!is_top || set.travel_deg.is_ordered(), "{:?}", set);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn any_stops_give_a_proposal_that_holds_or_a_named_refusal(
        cells in prop::collection::vec(any_cell(), 0..6),
        installed_mm in prop_oneof![200.0..800.0, prop::num::f64::ANY],
    ) {
        match propose(&cells, Some(&safeguard(installed_mm)), &Criteria::default()) {
            Ok(proposal) => holds(&proposal, installed_mm)?,
            Err(LimitsError::Statistics(problem)) => prop_assert!(false, "{problem}"),
            Err(problem) => prop_assert!(!problem.to_string().is_empty()),
        }
    }

    #[test]
    fn a_sound_press_is_handed_over_exactly_where_its_distance_holds(
        installed_mm in 150.0..700.0,
        mid_ms in 100.0..125.0,
        warm_ms in 0.0..10.0,
    ) {
        let mid = Position::MidStroke(90.0);
        let cells = [
            steady(Position::Top, Warmth::Cold, 100.0),
            steady(Position::Top, Warmth::Warm, 100.0 + warm_ms),
            steady(mid, Warmth::Cold, mid_ms),
            steady(mid, Warmth::Warm, mid_ms + warm_ms),
        ];
        let proposal = |at| propose(&cells, Some(&safeguard(at)), &Criteria::default()).unwrap();
        let found = proposal(installed_mm);
        holds(&found, installed_mm)?;
        let needed_mm = found.speeds[0].headroom.as_ref().unwrap().needed_mm;
        let moved = proposal(needed_mm);
        prop_assert_eq!(&moved.verdict, &Verdict::Commissionable, "{:?}", moved.findings);
        let top = moved.limit_set(Position::Top, 60.0).unwrap();
        prop_assert!(top.time_ms.latch >= top.time_ms.latch_wanted - 1.0);
    }
}
