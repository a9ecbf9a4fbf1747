//! Crank speed. One stroke per minute is six degrees per second.

use crate::angle::CrankTravel;
use crate::quotient::signed_quotient;
use crate::time::Duration;
use fixed::types::I0F32;

/// Counts of a turn per millisecond that make one stroke per minute: 2³² / 60 000.
const COUNTS_PER_MS_PER_SPM_X1000: i64 = 71_582_788;

/// Crank speed in turns per millisecond, positive in normal travel. Range just under ±30 000
/// strokes per minute, resolution 0.000 014.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CrankSpeed(I0F32);

impl CrankSpeed {
    /// At rest.
    pub const ZERO: Self = Self(I0F32::ZERO);

    /// From counts of 2⁻³² turn per millisecond.
    pub const fn from_counts_per_ms(counts: i32) -> Self {
        Self(I0F32::from_bits(counts))
    }

    /// Counts of 2⁻³² turn per millisecond.
    pub const fn as_counts_per_ms(self) -> i32 {
        self.0.to_bits()
    }

    /// From thousandths of a stroke per minute, saturating at the ends of the range.
    pub const fn from_milli_spm(value: i32) -> Self {
        let counts = (value as i64).wrapping_mul(COUNTS_PER_MS_PER_SPM_X1000) / 1_000_000;
        if counts > i32::MAX as i64 {
            Self(I0F32::MAX)
        } else if counts < i32::MIN as i64 {
            Self(I0F32::MIN)
        } else {
            Self(I0F32::from_bits(counts as i32))
        }
    }

    /// Thousandths of a stroke per minute, rounded toward zero.
    pub const fn as_milli_spm(self) -> i32 {
        in_milli_spm((self.0.to_bits() as i64).wrapping_mul(1_000_000)) as i32
    }

    /// Thousandths of `per_spm` for each stroke per minute, rounded down; none in reverse.
    pub const fn milli_times(self, per_spm: u32) -> u64 {
        let counts = self.0.to_bits();
        if counts < 0 {
            return 0;
        }
        // 2³² · 2³¹ stays inside i64.
        in_milli_spm((per_spm as i64).wrapping_mul(counts as i64)).unsigned_abs()
    }

    /// Size without its sign, saturating.
    pub const fn saturating_abs(self) -> Self {
        Self(I0F32::from_bits(self.0.to_bits().saturating_abs()))
    }

    /// Travel at this speed in `span`, rounded toward zero. 2³¹ · 2³² stays inside i64.
    pub const fn travel_in(self, span: Duration) -> CrankTravel {
        let scaled = (self.0.to_bits() as i64).wrapping_mul(span.as_micros() as i64);
        CrankTravel::from_counts(signed_quotient::<1_000>(scaled))
    }
}

/// Counts per millisecond, times anything, over the counts of a stroke per minute times 1000,
/// rounded toward zero.
const fn in_milli_spm(counts_per_ms: i64) -> i64 {
    const { assert!(4_988 * 14_351 == COUNTS_PER_MS_PER_SPM_X1000) };
    signed_quotient::<14_351>(signed_quotient::<4_988>(counts_per_ms))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_stroke_per_minute_is_six_degrees_per_second() {
        let travel = CrankSpeed::from_milli_spm(1_000).travel_in(Duration::from_millis(1_000));
        assert!((travel.as_millidegrees() - 6_000).abs() <= 1, "{travel:?}");
    }
}
