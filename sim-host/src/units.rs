//! Between the core's integer words and the host's `f64` in degrees, milliseconds and strokes per
//! minute.

use stopwright_core::angle::{COUNTS_PER_TURN, CrankAngle, CrankTravel};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::{Duration, Instant};

const COUNTS_PER_DEGREE: f64 = COUNTS_PER_TURN as f64 / 360.0;
const COUNTS_PER_MS_PER_SPM: f64 = COUNTS_PER_TURN as f64 / 60_000.0;

/// Degrees, 0 up to 360.
pub fn angle_deg(angle: CrankAngle) -> f64 {
    f64::from(angle.to_bits()) / COUNTS_PER_DEGREE
}

/// Degrees, -180 up to 180: past TDC is positive.
pub fn overrun_deg(angle: CrankAngle) -> f64 {
    travel_deg(angle.offset_from(CrankAngle::TOP_DEAD_CENTRE))
}

/// Degrees.
pub fn travel_deg(travel: CrankTravel) -> f64 {
    travel.as_counts() as f64 / COUNTS_PER_DEGREE
}

/// Strokes per minute.
pub fn speed_spm(speed: CrankSpeed) -> f64 {
    f64::from(speed.as_counts_per_ms()) / COUNTS_PER_MS_PER_SPM
}

/// Milliseconds.
pub fn duration_ms(span: Duration) -> f64 {
    f64::from(span.as_micros()) / 1e3
}

/// Seconds.
pub fn instant_s(instant: Instant) -> f64 {
    instant.as_micros() as f64 / 1e6
}

/// The angle nearest to `degrees`, wrapped into one turn.
pub fn angle(degrees: f64) -> CrankAngle {
    CrankAngle::from_bits((degrees.rem_euclid(360.0) * COUNTS_PER_DEGREE).round() as u64 as u32)
}

/// The travel nearest to `degrees`.
pub fn travel(degrees: f64) -> CrankTravel {
    CrankTravel::from_counts((degrees * COUNTS_PER_DEGREE).round() as i64)
}

/// The speed nearest to `spm`, saturating.
pub fn speed(spm: f64) -> CrankSpeed {
    CrankSpeed::from_counts_per_ms((spm * COUNTS_PER_MS_PER_SPM).round() as i32)
}

/// The span nearest to `ms`, zero for negative ones, saturating.
pub fn duration(ms: f64) -> Duration {
    Duration::from_micros((ms * 1e3).round() as u32)
}

/// The first whole microsecond not before `ms`: for times a hand depends on.
pub fn duration_ceil(ms: f64) -> Duration {
    Duration::from_micros((ms * 1e3).ceil() as u32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn there_and_back_is_the_same() {
        for degrees in [0.0, 0.25, 89.5, 180.0, 359.75] {
            assert!((angle_deg(angle(degrees)) - degrees).abs() < 1e-6);
        }
        assert!((overrun_deg(angle(-3.5)) + 3.5).abs() < 1e-6);
        assert!((speed_spm(speed(85.0)) - 85.0).abs() < 1e-4);
        assert!((duration_ms(duration(137.25)) - 137.25).abs() < 1e-3);
    }
}
