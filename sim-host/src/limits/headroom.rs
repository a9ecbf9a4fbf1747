//! From an installed distance to the latch limit at the top.
//!
//! The distance has to cover the worst mid-stroke stop, with control and device response added
//! once. The monitor sees only top stops. So what the distance leaves over the worst mid-stroke
//! stop is divided by how much faster mid-stroke stops grow than top stops, and added to the top
//! baseline: a brake that has slipped so far that the typical top stop stands at that limit still
//! stops in time from mid-stroke. The largest scatter is already in the worst mid-stroke stop.
//!
//! Growth is the ratio of the means, never below one. It holds for lost torque and for delay; for a
//! lost counterbalance it does not (the top stop then gets shorter), which is why the ratio itself
//! is watched. The rule of 1910.217(h) takes a growth of two; its limit is shown beside ours.

use super::{LimitsError, Safeguard};
use crate::distance::{Responses, TIME_MOST_MS, longest_stopping_ms, required_mm};
use serde::Serialize;
use stopwright_core::safety_distance::Rule;

/// What an installed distance leaves at one speed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Headroom {
    /// Distance in place, millimetres.
    pub installed_mm: f64,
    /// The rule that allows least.
    pub governing_rule: &'static str,
    /// Longest mid-stroke stopping time that the distance allows, milliseconds; zero when the
    /// other responses alone use it up.
    pub allowed_mid_ms: f64,
    /// Worst mid-stroke stop the distance has to cover now, milliseconds.
    pub worst_mid_ms: f64,
    /// Where it was commanded, degrees.
    pub worst_mid_command_deg: f64,
    /// What is left, milliseconds; negative when the distance does not even cover the stops as
    /// measured.
    pub headroom_ms: f64,
    /// Milliseconds a mid-stroke stop grows for one at the top.
    pub growth: f64,
    /// Highest latch limit at the top that keeps the distance true, milliseconds.
    pub allowed_top_ms: f64,
    /// The same if mid-stroke stops grow twice as fast as top stops.
    pub allowed_top_twice_ms: f64,
    /// Smallest distance for the latch limits with their full margin, millimetres.
    pub needed_mm: f64,
    /// Smallest distance by each rule, with the stops as measured and with the latch limit in
    /// force.
    pub rules: Vec<RuleDistance>,
}

/// Distances by one rule.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RuleDistance {
    /// Name of the rule.
    pub rule: &'static str,
    /// For the worst mid-stroke stop as measured, millimetres.
    pub as_measured_mm: f64,
    /// For what that stop can become before the latch limit acts, millimetres.
    pub at_latch_mm: f64,
}

/// The longest mid-stroke stopping time that all rules of the safeguard allow, with the rule that
/// decides.
///
/// # Errors
/// A number of the safeguard missing or out of range.
pub fn allowed_mid_ms(safeguard: &Safeguard) -> Result<(&'static str, f64), LimitsError> {
    let mut least = ("none", f64::INFINITY);
    for rule in &safeguard.rules {
        let others = responses(safeguard, 0.0);
        let longest = longest_stopping_ms(*rule, &safeguard.site, safeguard.installed_mm, &others)?;
        let longest = longest.unwrap_or(0.0);
        if longest < least.1 {
            least = (rule.text().name, longest);
        }
    }
    Ok(least)
}

/// The highest latch limit at the top: the baseline plus the mid-stroke headroom over the growth.
pub fn allowed_top_ms(top_baseline_ms: f64, headroom_ms: f64, growth: f64) -> f64 {
    top_baseline_ms + headroom_ms / growth
}

/// What a mid-stroke stop can become before a top stop reaches `latch_ms`.
pub fn mid_at_latch_ms(worst_mid_ms: f64, growth: f64, top_baseline_ms: f64, latch_ms: f64) -> f64 {
    worst_mid_ms + growth * (latch_ms - top_baseline_ms).max(0.0)
}

/// Smallest distance for a mid-stroke stop by the rule that asks most, millimetres.
///
/// # Errors
/// A number of the safeguard missing or out of range.
pub fn needed_mm(safeguard: &Safeguard, mid_ms: f64) -> Result<f64, LimitsError> {
    safeguard.rules.iter().try_fold(0.0_f64, |most, rule| {
        Ok(most.max(distance_mm(safeguard, *rule, mid_ms)?))
    })
}

pub(super) fn distance_mm(
    safeguard: &Safeguard,
    rule: Rule,
    mid_ms: f64,
) -> Result<f64, LimitsError> {
    // A limit from wild scatter can pass a minute; its distance is absurd either way.
    let responses = responses(safeguard, mid_ms.min(TIME_MOST_MS));
    Ok(required_mm(rule, &safeguard.site, &responses)?)
}

/// The monitor's allowance stays zero: the stopping time given already holds the latch limit.
fn responses(safeguard: &Safeguard, stopping_ms: f64) -> Responses {
    Responses {
        stopping_ms,
        control_ms: safeguard.control_ms,
        device_ms: safeguard.device_ms,
        monitor_allowance_ms: 0.0,
    }
}
