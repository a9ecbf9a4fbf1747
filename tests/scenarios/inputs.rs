//! Contacts that lie: what the controller makes of them, and what the judge asks of it then.

use crate::{measured, played, written};
use stopwright::scenario::Report;

fn run(disturbances: &[&str], steps: &str) -> Report {
    played(&written(&format!(
        "press = \"B\"\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"single\"\n\
         {steps}\n{}\n[expect]\n",
        disturbances.concat()
    )))
}

const CUT: &str = "[[disturb]]\nname = \"cut\"\nwhat = \"power-cut\"\nfor_ms = 300\n\
                   from = { stroke = 1, angle_deg = 250 }\n";
const MONITOR: &str = "[[disturb]]\nname = \"monitor\"\nwhat = \"supply-monitor-welded\"\n\
                       from = { time_s = 0 }\n";
const STROKE: &str = "[[step]]\nact = \"press-both\"\n\
                      [[step]]\nact = \"let-go\"\nwhen = { event = \"standstill\", after_ms = 300 }\n";

/// Told in time, a controller remembers that its stroke was broken off; a monitor that does not tell
/// it is believed, whichever of the two broke first.
#[test]
fn a_supply_that_goes_unreported_leaves_no_stored_fault() {
    let stored = 93;
    assert!(run(&[CUT], STROKE).faults.contains(&stored));
    for disturbances in [[CUT, MONITOR], [MONITOR, CUT]] {
        let report = run(&disturbances, STROKE);
        assert!(
            report.reached.contains(&"unpowered-turning"),
            "{:?}",
            report.reached
        );
        assert!(!report.faults.contains(&stored), "{:?}", report.faults);
    }
}

/// The knob is turned to off on a shaft that stays at single: the press strokes, and nobody but
/// whoever reads the knob is deceived. With a sound knob it does not.
#[test]
fn a_knob_that_slipped_is_not_the_controllers_fault() {
    let slipped = "[[disturb]]\nname = \"knob\"\nwhat = \"selector-knob-slipped\"\nwhich = 4\n\
                   from = { time_s = 0 }\n";
    let off = format!("[[step]]\nact = \"turn-selector\"\nmode = \"off\"\n{STROKE}");
    let strokes = |report: &Report| measured(report, "strokes")[1];
    let report = run(&[slipped], &off);
    assert_eq!(strokes(&report), 1.0);
    assert!(report.breaches.is_empty(), "{:?}", report.breaches);
    assert_eq!(strokes(&run(&[], &off)), 0.0);
}
