//! The next release angle from the last rest, and what an overrun limit means in time.
//!
//! Both take the travel of a stop as constant from one stop to the next, which holds at one speed
//! to within the scatter: one or two corrections reach the target.

use crate::statistics::rest::signed_deg;

/// Where the crank comes to rest when released at `release_deg` with this travel, 0 up to 360.
pub fn rest_deg(release_deg: f64, travel_deg: f64) -> f64 {
    (release_deg + travel_deg).rem_euclid(360.0)
}

/// The release angle that would have brought the last stop to rest at the target, 0 up to 360.
/// Give the mean rest of at least three stops: correcting on one stop chases its scatter.
pub fn next_release_deg(release_deg: f64, rest_deg: f64, target_deg: f64) -> f64 {
    (release_deg - signed_deg(rest_deg - target_deg)).rem_euclid(360.0)
}

/// The delay that alone makes this many degrees at this speed, milliseconds.
pub fn overrun_by_delay_ms(overrun_deg: f64, speed_spm: f64) -> f64 {
    overrun_deg / degrees_per_ms(speed_spm)
}

/// The growth of stopping time by lost torque that alone makes this many degrees, milliseconds:
/// twice the delay, because the crank slows through it.
pub fn overrun_by_torque_ms(overrun_deg: f64, speed_spm: f64) -> f64 {
    2.0 * overrun_by_delay_ms(overrun_deg, speed_spm)
}

/// One stroke a minute is 6 degrees a second.
pub(crate) fn degrees_per_ms(speed_spm: f64) -> f64 {
    0.006 * speed_spm
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_release_undoes_the_last_overrun() {
        assert_eq!(next_release_deg(300.0, 346.0, 0.0), 314.0);
        assert_eq!(next_release_deg(330.0, 75.0, 0.0), 255.0);
        assert_eq!(next_release_deg(2.0, 10.0, 355.0), 347.0);
    }

    #[test]
    fn constant_travel_makes_the_correction_exact() {
        for travel in [30.0, 120.0, 338.0] {
            let rested = rest_deg(300.0, travel);
            // Past half a turn the short way round is the wrong one, and still ends at the target.
            let next = next_release_deg(300.0, rested, 0.0);
            assert!(signed_deg(rest_deg(next, travel)).abs() < 1e-9);
        }
    }
}
