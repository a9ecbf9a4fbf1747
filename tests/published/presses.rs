//! The invented presses, stopped in simulation with their scatter, cold and warm, and judged: the
//! limits and the rest criterion on stops nobody typed in.

use std::sync::LazyLock;
use stopwright::distance::Site;
use stopwright::limits::headroom::RuleDistance;
use stopwright::limits::{
    Cell, Criteria, Position, Proposal, Reason, Safeguard, Stop, Verdict, Warmth, propose,
};
use stopwright::plant::{Plant, Setup, Start, StopTruth};
use stopwright::press::Press;
use stopwright_core::safety_distance::Rule;

/// Heating of the brake at duty, kelvin, from the design table N5; D and H are not printed there.
const WARMER: [(&str, f64); 8] = [
    ("A", 12.0),
    ("B", 44.0),
    ("C", 33.0),
    ("D", 20.0),
    ("E", 35.0),
    ("F", 87.0),
    ("G", 16.0),
    ("H", 20.0),
];
const TOP_STOPS: u64 = 50;
const MID_STROKE_STOPS: u64 = 25;

fn stop_from(press: &Press, setup: &Setup, coil_off_deg: f64, seed: u64) -> StopTruth {
    let setup = Setup {
        start: Start::Turning(coil_off_deg),
        ..setup.clone()
    };
    let mut plant = Plant::new(press, &setup, seed);
    plant.drive(0, false, 0.0);
    plant.drive(1, false, 0.0);
    // Twice the longest stop.
    plant.advance_to(1.0);
    plant.take_stops().remove(0)
}

/// The release angle that brings the nominal stop of a half-warm brake to rest at the top.
fn release_deg(press: &Press, setup: &Setup) -> f64 {
    let setup = Setup {
        scatter: false,
        ..setup.clone()
    };
    let mut release = 360.0 - press.stop_travel_closed_form_deg(setup.spm);
    for _ in 0..6 {
        release -= stop_from(press, &setup, release, 1).overrun_deg;
    }
    release
}

fn cell(press: &Press, setup: &Setup, position: Position, warmth: Warmth, from_deg: f64) -> Cell {
    let stop = |seed| {
        let truth = stop_from(press, setup, from_deg, seed);
        Stop {
            speed_spm: truth.speed_spm,
            time_ms: truth.stop_time_ms,
            travel_deg: truth.travel_deg,
            rest_deg: truth.rest_deg,
            reaction_ms: None,
        }
    };
    let count = match position {
        Position::Top => TOP_STOPS,
        Position::MidStroke(_) => MID_STROKE_STOPS,
    };
    Cell {
        position,
        speed_spm: setup.spm,
        warmth,
        stops: (0..count).map(stop).collect(),
    }
}

fn cells(press: &Press, warmer_k: f64) -> Vec<Cell> {
    let mut cells = Vec::new();
    for spm in &press.speed.verify_spm {
        let at = |share: f64| {
            let mut setup = Setup {
                spm: *spm,
                scatter: true,
                ..Setup::nominal(press)
            };
            setup.brake_c += share * warmer_k;
            setup
        };
        let release = release_deg(press, &at(0.5));
        for (warmth, share) in [(Warmth::Cold, 0.0), (Warmth::Warm, 1.0)] {
            let setup = at(share);
            cells.push(cell(press, &setup, Position::Top, warmth, release));
            cells.push(cell(press, &setup, Position::MidStroke(90.0), warmth, 90.0));
        }
    }
    cells
}

/// Every press stopped once, for all tests.
static STOPPED: LazyLock<Vec<(&str, Vec<Cell>)>> = LazyLock::new(|| {
    let stopped = |(letter, warmer_k)| {
        let press = Press::builtin(letter).expect("a press");
        (letter, cells(&press, warmer_k))
    };
    WARMER.into_iter().map(stopped).collect()
});

fn judge(letter: &str, installed_mm: Option<f64>) -> Proposal {
    let press = Press::builtin(letter).expect("a press");
    let stopped = STOPPED.iter().find(|row| row.0 == letter);
    let safeguard = Safeguard {
        rules: vec![Rule::UsStoppingTime, Rule::IsoOrthogonal2010],
        site: Site {
            detection_mm: Some(press.guarding.detection_mm),
            ..Site::default()
        },
        installed_mm: installed_mm.unwrap_or(press.guarding.installed_distance_mm),
        control_ms: press.control.output_drop_ms,
        device_ms: press.guarding.device_response_ms,
    };
    let criteria = Criteria {
        friction_share: press.drive_train.friction_nm / press.brake.torque_nm,
        ..Criteria::default()
    };
    let cells = &stopped.expect("a press").1;
    propose(cells, Some(&safeguard), &criteria).expect("a proposal")
}

#[test]
fn each_press_is_judged_as_its_design_says() {
    for (letter, _) in WARMER {
        let found = judge(letter, None);
        let expected = match letter {
            "A" => "commissionable at 200 SPM only: rests at 600 SPM scatter",
            "F" => "not commissionable: repair the brake before commissioning",
            _ => "commissionable",
        };
        let headline = found.headline();
        assert!(
            headline.starts_with(expected),
            "{letter}: {headline} {:#?}",
            found.findings
        );
    }
}

#[test]
fn what_is_handed_over_has_ordered_limits_that_its_distance_covers() {
    for letter in ["B", "E", "G"] {
        let found = judge(letter, None);
        for set in &found.limits {
            assert!(set.time_ms.is_ordered() && set.travel_deg.is_ordered());
        }
        for speed in &found.speeds {
            let headroom = speed.headroom.as_ref().expect("a headroom");
            let covers = |rule: &RuleDistance| rule.at_latch_mm <= headroom.installed_mm;
            assert!(headroom.rules.iter().all(covers), "{letter} {headroom:?}");
        }
    }
}

#[test]
fn a_straight_side_press_420_mm_away_is_sent_further_back() {
    let found = judge("C", Some(420.0));
    assert_eq!(found.verdict, Verdict::NotCommissionable);
    let first = &found.findings[0];
    let Reason::DistanceTooShort { needed_mm, .. } = first.reason else {
        panic!("{first:?}")
    };
    assert!(first.way_out.starts_with("move the device to at least"));
    let moved = judge("C", Some(needed_mm.ceil()));
    assert_eq!(
        moved.verdict,
        Verdict::Commissionable,
        "{:?}",
        moved.findings
    );
}

#[test]
fn the_worn_press_is_not_saved_by_distance() {
    let found = judge("F", Some(5_000.0));
    assert_eq!(found.verdict, Verdict::NotCommissionable);
    let first = found.findings[0].reason;
    assert!(
        matches!(
            first,
            Reason::ScatterTooWide {
                slower_spm: None,
                ..
            }
        ),
        "{first:?}"
    );
}
