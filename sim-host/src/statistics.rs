//! Statistics of stops: what a handful of measured stops says about the stops to come.
//!
//! A mean covers half of the stops; the largest of ten covers three quarters of them. So every
//! limit here names three numbers: how many stops, which share of all stops it is to cover
//! (*content*), and how sure that is (*confidence*). [`tolerance`] turns them into a factor,
//! [`rest`] judges where the crank comes to rest, [`trend`] judges whether stops are getting worse.
//!
//! Stops are taken as normal and independent. Sticking valves have long tails and 25 stops in two
//! minutes are one sample of temperature and air: no factor mends that, so the largest stop seen
//! is always kept beside it.

pub mod rest;
pub mod tolerance;
pub mod trend;

use serde::Serialize;
use thiserror::Error;

/// Why a statistic can't be given.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum StatisticsError {
    /// Too few values.
    #[error("{have} values are too few: at least {need} are needed")]
    TooFew {
        /// Values given.
        have: usize,
        /// Values needed.
        need: usize,
    },
    /// A value that is no finite number.
    #[error("value number {position} is not a finite number")]
    NotFinite {
        /// Position of the value, from 1.
        position: usize,
    },
    /// A content or confidence outside what the factors cover.
    #[error("{what} is {found}: allowed is from 0.5 up to, not including, 1")]
    ShareOutOfRange {
        /// Which of the two.
        what: &'static str,
        /// Value given.
        found: f64,
    },
    /// Two lists that belong together differ in length.
    #[error("{left} times but {right} values: each value needs its time")]
    LengthsDiffer {
        /// Length of the first list.
        left: usize,
        /// Length of the second list.
        right: usize,
    },
    /// All times are equal.
    #[error("all values have the same time, so they have no trend")]
    NoSpreadInTime,
}

/// Which share of all stops a statement covers, and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Demand {
    content: f64,
    confidence: f64,
}

impl Demand {
    /// 99.9 % of stops with 95 % confidence: our default for limits.
    pub const LIMITS: Self = Self {
        content: 0.999,
        confidence: 0.95,
    };
    /// 99 % of stops with 95 % confidence: the demand on the rest angle.
    pub const REST: Self = Self {
        content: 0.99,
        confidence: 0.95,
    };

    /// Both from 0.5 up to, not including, 1.
    ///
    /// # Errors
    /// [`StatisticsError::ShareOutOfRange`].
    pub fn new(content: f64, confidence: f64) -> Result<Self, StatisticsError> {
        check_share("content", content)?;
        check_share("confidence", confidence)?;
        Ok(Self {
            content,
            confidence,
        })
    }

    /// Share of all stops covered.
    pub fn content(self) -> f64 {
        self.content
    }

    /// How sure that is.
    pub fn confidence(self) -> f64 {
        self.confidence
    }
}

/// A sample in five numbers, in the unit of its values.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Summary {
    /// Number of values.
    pub count: usize,
    /// Arithmetic mean.
    pub mean: f64,
    /// Standard deviation with count − 1.
    pub deviation: f64,
    /// Smallest value.
    pub smallest: f64,
    /// Largest value.
    pub largest: f64,
}

impl Summary {
    /// Of at least two finite values.
    ///
    /// # Errors
    /// [`StatisticsError::TooFew`], [`StatisticsError::NotFinite`].
    pub fn of(values: &[f64]) -> Result<Self, StatisticsError> {
        check_values(values, 2)?;
        let count = values.len();
        let mean = values.iter().sum::<f64>() / count as f64;
        let squares = values
            .iter()
            .map(|value| (value - mean).powi(2))
            .sum::<f64>();
        Ok(Self {
            count,
            mean,
            deviation: (squares / (count - 1) as f64).sqrt(),
            smallest: values.iter().copied().fold(f64::INFINITY, f64::min),
            largest: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        })
    }

    /// The value that `demand.content` of all stops stay under: mean plus factor times deviation,
    /// or the largest value seen if that is greater.
    ///
    /// # Errors
    /// Those of [`tolerance::one_sided_factor`].
    pub fn upper_limit(&self, demand: Demand) -> Result<f64, StatisticsError> {
        let factor = tolerance::one_sided_factor(self.count, demand)?;
        Ok((self.mean + factor * self.deviation).max(self.largest))
    }
}

fn check_values(values: &[f64], need: usize) -> Result<(), StatisticsError> {
    if values.len() < need {
        return Err(StatisticsError::TooFew {
            have: values.len(),
            need,
        });
    }
    match values.iter().position(|value| !value.is_finite()) {
        Some(index) => Err(StatisticsError::NotFinite {
            position: index + 1,
        }),
        None => Ok(()),
    }
}

fn check_share(what: &'static str, found: f64) -> Result<(), StatisticsError> {
    if (0.5..1.0).contains(&found) {
        Ok(())
    } else {
        Err(StatisticsError::ShareOutOfRange { what, found })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_summary_refuses_what_it_cannot_sum_up() {
        let few = StatisticsError::TooFew { have: 1, need: 2 };
        assert_eq!(Summary::of(&[1.0]), Err(few));
        let gap = StatisticsError::NotFinite { position: 2 };
        assert_eq!(Summary::of(&[1.0, f64::NAN, 2.0]), Err(gap));
        assert!(Demand::new(1.0, 0.95).is_err());
        assert!(Demand::new(0.99, f64::NAN).is_err());
    }

    #[test]
    fn a_stop_above_the_calculated_limit_is_the_limit() {
        let mut values = vec![100.0; 40];
        values.push(160.0);
        let summary = Summary::of(&values).unwrap();
        let demand = Demand::new(0.9, 0.9).unwrap();
        assert_eq!(summary.upper_limit(demand), Ok(160.0));
    }
}
