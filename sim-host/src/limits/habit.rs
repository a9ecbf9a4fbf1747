//! What shop habit would set, shown beside the limits from evidence: 50 ms and 100 ms over the
//! measured stopping time, to the nearest 50 ms. Common practice, no source. A constant added to
//! very different presses: the torque it implies is what makes it comparable.

use serde::Serialize;

/// Added for the advisory limit, milliseconds.
pub const ADVISORY_EXTRA_MS: f64 = 50.0;
/// Added for the latch limit, milliseconds.
pub const LATCH_EXTRA_MS: f64 = 100.0;
const NEAREST_MS: f64 = 50.0;

/// The habit's limits at one speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ShopHabit {
    /// Advisory limit by habit, milliseconds.
    pub advisory_ms: f64,
    /// Latch limit by habit, milliseconds.
    pub latch_ms: f64,
    /// Share of the brake torque left when the top stop reaches the habit's advisory limit.
    pub torque_left_at_advisory: f64,
    /// Share of the brake torque left when the top stop reaches the habit's latch limit.
    pub torque_left_at_latch: f64,
    /// Whether the installed distance would allow a latch limit at the habit's advisory.
    pub distance_allows_advisory: Option<bool>,
    /// Whether the installed distance would allow the habit's latch limit.
    pub distance_allows_latch: Option<bool>,
    /// Where the habit comes from.
    pub source: &'static str,
}

/// What a top stop of this mean is given by habit. `reaction_ms` is the part of the stop before
/// the brake bites, `friction_share` the running friction over the brake torque, `allowed_ms` the
/// highest latch limit the distance allows.
pub fn shop_habit(
    top_mean_ms: f64,
    reaction_ms: f64,
    friction_share: f64,
    allowed_ms: Option<f64>,
) -> ShopHabit {
    let (advisory_ms, latch_ms) = (
        to_nearest_50(top_mean_ms + ADVISORY_EXTRA_MS),
        to_nearest_50(top_mean_ms + LATCH_EXTRA_MS),
    );
    let braking_ms = top_mean_ms - reaction_ms;
    let left = |limit_ms| torque_left(braking_ms, limit_ms - top_mean_ms, friction_share);
    ShopHabit {
        advisory_ms,
        latch_ms,
        torque_left_at_advisory: left(advisory_ms),
        torque_left_at_latch: left(latch_ms),
        distance_allows_advisory: allowed_ms.map(|allowed| advisory_ms <= allowed),
        distance_allows_latch: allowed_ms.map(|allowed| latch_ms <= allowed),
        source: "common practice, no source",
    }
}

/// Share of the brake torque left when a stop takes `extra_ms` longer by lost torque alone:
/// braking time goes with one over brake torque plus friction, and friction does not wear.
pub fn torque_left(braking_ms: f64, extra_ms: f64, friction_share: f64) -> f64 {
    let all_torque = braking_ms / (braking_ms + extra_ms);
    (all_torque * (1.0 + friction_share) - friction_share).clamp(0.0, 1.0)
}

fn to_nearest_50(time_ms: f64) -> f64 {
    (time_ms / NEAREST_MS).round() * NEAREST_MS
}
