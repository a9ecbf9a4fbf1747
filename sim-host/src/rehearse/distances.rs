//! Safety distances with the latch limit in force: what each rule asks of each safeguard of the
//! press, and what is installed.

use super::preparation;
use crate::assess::entries::{Case, Stops, distance};
use crate::distance::{DistanceError, Site};
use crate::limits::{Proposal, SpeedReport};
use crate::press::Press;
use crate::record;
use crate::units;
use stopwright_core::safety_distance::Rule;
use stopwright_core::two_hand;

/// The safeguards of the press, each with the rules that govern it.
fn cases(press: &Press, rules: &[Rule]) -> Vec<Case<'static>> {
    let guarding = &press.guarding;
    let control_ms = preparation::control_response_ms(press);
    let presence = rules.iter().map(|&rule| Case {
        device: "presence sensing",
        rule,
        site: Site {
            detection_mm: Some(guarding.detection_mm),
            ..Site::default()
        },
        installed_mm: guarding.installed_distance_mm,
        device_ms: guarding.device_response_ms,
        control_ms,
    });
    let two_hand = guarding.two_hand.then(|| Case {
        device: "two-hand control",
        rule: Rule::TwoHand2010,
        site: Site::default(),
        installed_mm: guarding.two_hand_distance_mm,
        device_ms: units::duration_ms(two_hand::Config::DEFAULT.release_debounce),
        control_ms,
    });
    presence.chain(two_hand).collect()
}

/// The distances at one speed.
///
/// # Errors
/// A rule that lacks something or does not cover the device.
pub(super) fn at_speed(
    press: &Press,
    rules: &[Rule],
    proposal: &Proposal,
    report: &SpeedReport,
) -> Result<Vec<record::Distance>, DistanceError> {
    let Some(stops) = Stops::of(proposal, report) else {
        return Ok(Vec::new());
    };
    cases(press, rules)
        .iter()
        .map(|case| distance(case, &stops))
        .collect()
}
