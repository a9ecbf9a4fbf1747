//! Gears that wind up and ring: the stop is over when the speed of the crank is first zero, and a swing
//! past the commissioned speed as the clutch locks is no overspeed.

use crate::{measured, played, written};
use stopwright::scenario::Report;

/// Three single strokes of a press whose gears are as stiff and as loose as its data sheet says.
fn strokes(press: &str) -> Report {
    played(&written(&format!(
        "press = \"{press}\"\n\
         [setup]\nelastic_train = true\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"single\"\n\
         [[step]]\nact = \"single-stroke\"\ncount = 3\n\
         [expect]\nends = \"ready\"\n"
    )))
}

/// Every built-in press with settings and gears. Times in milliseconds: the ringing of D, ten times a
/// second, bends the line through its last degree the most, and the lash of C hides 0.6 degrees.
#[test]
fn healthy_gears_latch_nothing_and_their_stops_end_at_the_first_zero_of_speed() {
    for (press, within_ms) in [
        ("B", 5.0),
        ("C", 10.0),
        ("D", 15.0),
        ("E", 3.0),
        ("G", 3.0),
        ("H", 5.0),
    ] {
        let report = strokes(press);
        assert!(report.faults.is_empty(), "{press}: {:?}", report.faults);
        assert_eq!(measured(&report, "stops")[1], 3.0, "{press}");
        let [.., time_ms] = measured(&report, "told-time-error-ms");
        let [.., travel_deg] = measured(&report, "told-travel-error-deg");
        assert!(
            time_ms <= within_ms && travel_deg <= 0.2,
            "{press}: {time_ms} ms, {travel_deg} degrees"
        );
    }
}
