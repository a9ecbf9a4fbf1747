//! Faults that scenarios and swarms have found in the core and that are open. Each file says what
//! should hold; each test says that it does not yet, and fails once it does: then the file moves to
//! the shipped scenarios.

use crate::{load, played, root};
use stopwright::scenario::Report;
use stopwright::scenario::expect::Finding;

fn report(name: &str) -> Report {
    let scenario = load(&root().join(format!("tests/scenarios/found/{name}.toml")));
    played(&scenario)
}

/// Press G is commissioned at 144 strokes a minute and runs at 120: the speed's share of the
/// release angle is counted twice in a continuous top stop, and the slide rests 24 degrees past the
/// top.
#[test]
fn a_continuous_top_stop_away_from_the_commissioned_speed_is_still_late() {
    let report = report("continuous-top-stop-at-another-speed");
    assert_eq!(report.verdict, Finding::Broken);
    assert!(report.breaches.contains(&"release-in-time"));
}

/// The travel limit shrinks to nothing with the speed, and what is left of the crank's way is past
/// it.
#[test]
fn a_short_inch_still_latches_a_sound_press() {
    let report = report("short-inch");
    assert_eq!(report.verdict, Finding::Broken);
    assert!(report.breaches.is_empty(), "{:?}", report.breaches);
    assert!(report.faults.contains(&41), "{:?}", report.faults);
}
