//! Facts of the trade: common practice, no source.

use stopwright::limits::habit::shop_habit;
use stopwright::limits::release::{next_release_deg, rest_deg};
use stopwright::statistics::rest::{RestCriterion, RestVerdict, signed_deg};

/// Common practice, no source: 50 and 100 ms over the measured stop, rounded.
#[test]
fn a_stop_of_253_ms_is_given_limits_near_300_and_350_ms() {
    let habit = shop_habit(253.0, 60.0, 0.0, None);
    assert_eq!((habit.advisory_ms, habit.latch_ms), (300.0, 350.0));
    assert_eq!(habit.source, "common practice, no source");
    // What it means for the brake: a fifth and a third of the torque gone.
    assert!((habit.torque_left_at_advisory - 193.0 / 240.0).abs() < 1e-12);
    assert!((habit.torque_left_at_latch - 193.0 / 290.0).abs() < 1e-12);
}

/// Common practice, no source: a crank commanded to stop at 330 degrees that rests at 75 past the
/// top travelled 105, so commanded at 265 it rests within about 5 degrees of where that travel
/// puts it.
#[test]
fn the_travel_of_one_stop_predicts_the_rest_of_the_next() {
    let travel = (75.0_f64 - 330.0).rem_euclid(360.0);
    assert_eq!(travel, 105.0);
    let predicted = rest_deg(265.0, travel);
    assert_eq!(predicted, 10.0);
    // From there one more correction puts the rest on the top, for any rest that near.
    for found in [5.0, 10.0, 15.0] {
        let next = next_release_deg(265.0, found, 0.0);
        let real_travel = (found - 265.0_f64).rem_euclid(360.0);
        assert!(signed_deg(rest_deg(next, real_travel)).abs() < 1e-9);
        assert!((next - 255.0).abs() <= 5.0);
    }
    assert_eq!(next_release_deg(330.0, 75.0, 0.0), 255.0);
}

/// Common practice, no source: a rest within 5 degrees of the top is close enough to run.
#[test]
fn a_rest_within_five_degrees_of_the_top_is_close_enough() {
    let criterion = RestCriterion::default();
    assert_eq!((criterion.target_deg, criterion.tolerance_deg), (0.0, 5.0));
    let near: Vec<f64> = (0..25).map(|index| 359.0 + f64::from(index % 3)).collect();
    assert_eq!(criterion.judge(&near).unwrap().verdict, RestVerdict::Met);
    let beyond: Vec<f64> = near.iter().map(|rest| rest + 6.0).collect();
    let verdict = criterion.judge(&beyond).unwrap().verdict;
    assert!(matches!(verdict, RestVerdict::MoveRelease { by_deg } if (by_deg + 6.0).abs() < 0.1));
}
