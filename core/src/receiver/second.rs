//! A second receiver: two resolvers on one crank contradict each other when either is wrong.
//!
//! Both positions are for one instant, so speed does not enter. While one of them is untrusted
//! there is nothing to compare; that alone is for the controller to judge.

use super::CrankPosition;
use crate::angle::CrankTravel;
use crate::fault::{FaultCode, FaultSet};

/// Ticks in a row that must disagree: 3 ms at 1000 ticks a second.
const TICKS: u8 = 3;

/// How far the two angles may be apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ComparisonConfig {
    difference: CrankTravel,
}

/// The limit is outside 200 to 10 000 thousandths of a degree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ComparisonConfigError;

impl core::fmt::Display for ComparisonConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("difference of the receivers: 200 to 10000 thousandths of a degree")
    }
}

impl core::error::Error for ComparisonConfigError {}

impl ComparisonConfig {
    /// The limit: 2 degrees and the play of both drives are usual (common practice, no source).
    ///
    /// # Errors
    /// [`ComparisonConfigError`].
    pub const fn try_new(millidegrees: u32) -> Result<Self, ComparisonConfigError> {
        if millidegrees < 200 || millidegrees > 10_000 {
            return Err(ComparisonConfigError);
        }
        Ok(Self {
            difference: CrankTravel::from_millidegrees(millidegrees as i32),
        })
    }
}

/// State of the comparison.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Comparison {
    apart: u8,
}

impl Comparison {
    /// A comparison that has seen nothing.
    pub const fn new() -> Self {
        Self { apart: 0 }
    }

    /// Takes both positions of one tick, for one instant.
    pub fn step(
        &mut self,
        config: &ComparisonConfig,
        first: &CrankPosition,
        second: &CrankPosition,
    ) -> FaultSet {
        let (Some(first), Some(second)) = (first.trusted(), second.trusted()) else {
            self.apart = 0;
            return FaultSet::EMPTY;
        };
        let difference = first.angle().offset_from(second.angle()).saturating_abs();
        self.apart = if difference > config.difference {
            self.apart.saturating_add(1)
        } else {
            0
        };
        FaultSet::EMPTY.with_if(FaultCode::ReceiversDisagree, self.apart >= TICKS)
    }
}
