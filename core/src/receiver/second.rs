//! A second receiver: two resolvers on one crank contradict each other when either is wrong.
//!
//! Both positions are for one instant, so speed does not enter. While one of them is untrusted
//! there is nothing to compare; that alone is for the controller to judge.

use super::{Config, ConfigError, CrankPosition, Settings};
use crate::angle::CrankTravel;
use crate::fault::{FaultCode, FaultSet};

/// Ticks in a row that must disagree: 3 ms at 1000 ticks a second.
const TICKS: u8 = 3;

/// What the second receiver is set to, and held to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SecondSettings {
    /// The receiver itself.
    pub receiver: Settings,
    /// How far the two angles may be apart, thousandths of a degree, 200 to 10 000: 2000 and the
    /// play of both drives are usual (common practice, no source).
    pub difference_millidegrees: u32,
}

/// Why settings of a second receiver cannot work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SecondConfigError {
    /// The receiver cannot work with its settings.
    Receiver(ConfigError),
    /// `difference_millidegrees` is outside 200 to 10 000.
    Difference,
}

impl core::fmt::Display for SecondConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Receiver(error) => error.fmt(f),
            Self::Difference => f.write_str("difference_millidegrees: 200 to 10000"),
        }
    }
}

impl core::error::Error for SecondConfigError {}

/// Settings of a second receiver that hold together.
#[derive(Clone, Copy, Debug, PartialEq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SecondConfig {
    receiver: Config,
    difference: CrankTravel,
}

impl SecondConfig {
    /// The configuration of `settings`.
    ///
    /// # Errors
    /// [`SecondConfigError`], the first that applies.
    pub fn try_new(settings: SecondSettings) -> Result<Self, SecondConfigError> {
        let difference = settings.difference_millidegrees;
        if !(200..=10_000).contains(&difference) {
            return Err(SecondConfigError::Difference);
        }
        let receiver = Config::try_new(settings.receiver).map_err(SecondConfigError::Receiver)?;
        Ok(Self {
            receiver,
            difference: CrankTravel::from_millidegrees(difference as i32),
        })
    }

    /// The receiver's.
    pub const fn receiver(&self) -> &Config {
        &self.receiver
    }
}

/// State of the comparison.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
        config: &SecondConfig,
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
