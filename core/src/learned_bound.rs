//! A bound learned from healthy times: mean plus the larger of six standard deviations and a least
//! margin, never above a ceiling.
//!
//! The bounds on valve elements, start, lock-up and stall differ too much from press to press for
//! one fixed figure. They are learned while commissioning, one for each element and direction, and
//! then stand: a bound that went on learning would follow a valve that is getting worse. The
//! ceiling is the share of the stopping-time budget that the element may use; a valve that needs
//! more is not given it.

use crate::time::Duration;

/// Standard deviations above the mean.
const SIGMAS: u64 = 6;
/// A longer time is no healthy one; it counts as this, and the ceiling refuses it.
const TIME_MAX_US: u32 = 10_000_000;
/// More samples than this change nothing but the risk of an overflow.
const SAMPLES_MAX: u32 = 100_000;

/// What a bound has to satisfy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Samples at least, 2 or more.
    pub samples_min: u32,
    /// Least margin above the mean.
    pub margin_min: Duration,
    /// Highest bound.
    pub ceiling: Duration,
}

/// Why there is no bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refusal {
    /// Fewer samples than asked for.
    TooFew {
        /// Samples so far.
        seen: u32,
        /// Samples asked for.
        needed: u32,
    },
    /// The times ask for a bound above the ceiling.
    AboveCeiling {
        /// The bound they ask for.
        wanted: Duration,
    },
}

/// Sums over the samples.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LearnedBound {
    count: u32,
    sum_us: u64,
    squares_us: u64,
    longest: Duration,
}

impl Config {
    /// Twenty samples and a margin of 15 ms, under `ceiling`.
    pub const fn under(ceiling: Duration) -> Self {
        Self {
            samples_min: 20,
            margin_min: Duration::from_millis(15),
            ceiling,
        }
    }
}

impl LearnedBound {
    /// No sample yet.
    pub const fn new() -> Self {
        Self {
            count: 0,
            sum_us: 0,
            squares_us: 0,
            longest: Duration::ZERO,
        }
    }

    /// Samples so far.
    pub const fn count(&self) -> u32 {
        self.count
    }

    /// Their mean, rounded up to a microsecond; zero without a sample.
    pub fn mean(&self) -> Duration {
        let mean = self.sum_us.div_ceil(u64::from(self.count).max(1));
        Duration::from_micros(u32::try_from(mean).unwrap_or(u32::MAX))
    }

    /// The longest sample.
    pub const fn longest(&self) -> Duration {
        self.longest
    }

    /// Takes one healthy time.
    pub fn learn(&mut self, time: Duration) {
        if self.count >= SAMPLES_MAX {
            return;
        }
        // 10⁵ squares of 10⁷ stay below 2⁶⁴.
        let us = u64::from(time.as_micros().min(TIME_MAX_US));
        self.count = self.count.saturating_add(1);
        self.sum_us = self.sum_us.saturating_add(us);
        self.squares_us = self.squares_us.saturating_add(us.saturating_mul(us));
        self.longest = self.longest.max(time);
    }

    /// The bound, rounded up to a microsecond.
    ///
    /// # Errors
    /// [`Refusal`]: too few samples, or a bound above the ceiling.
    pub fn bound(&self, config: &Config) -> Result<Duration, Refusal> {
        let needed = config.samples_min.max(2);
        if self.count < needed {
            let seen = self.count;
            return Err(Refusal::TooFew { seen, needed });
        }
        let margin = self
            .six_sigma_us()
            .max(u64::from(config.margin_min.as_micros()));
        let margin = Duration::from_micros(u32::try_from(margin).unwrap_or(u32::MAX));
        let wanted = self.mean().saturating_add(margin);
        if wanted > config.ceiling {
            return Err(Refusal::AboveCeiling { wanted });
        }
        Ok(wanted)
    }

    /// Six sample standard deviations, rounded up.
    fn six_sigma_us(&self) -> u64 {
        // n·Σx² − (Σx)² is n·(n − 1) times the variance, and never negative.
        let n = u128::from(self.count);
        let sum = u128::from(self.sum_us);
        let scaled = n
            .saturating_mul(u128::from(self.squares_us))
            .saturating_sub(sum.saturating_mul(sum));
        let divisor = n.saturating_mul(n.saturating_sub(1)).max(1);
        let factor = u128::from(SIGMAS.saturating_mul(SIGMAS));
        let square = scaled.saturating_mul(factor).div_ceil(divisor);
        let square = u64::try_from(square).unwrap_or(u64::MAX);
        let root = square.isqrt();
        let is_exact = root.saturating_mul(root) == square;
        root.saturating_add(u64::from(!is_exact))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const CONFIG: Config = Config::under(Duration::from_millis(100));

    fn of(times_us: impl IntoIterator<Item = u32>) -> LearnedBound {
        let mut learned = LearnedBound::new();
        times_us
            .into_iter()
            .for_each(|us| learned.learn(Duration::from_micros(us)));
        learned
    }

    #[test]
    fn a_steady_valve_gets_the_least_margin() {
        let bound = of([30_000; 20]).bound(&CONFIG).unwrap();
        assert_eq!(bound, Duration::from_millis(45));
    }

    #[test]
    fn a_scattering_valve_gets_six_sigma() {
        // Ten times 26 ms and ten times 34 ms: sample variance 16·20/19 ms², six sigma 24.6235 ms.
        let times = [26_000; 10].into_iter().chain([34_000; 10]);
        assert_eq!(of(times).bound(&CONFIG), Ok(Duration::from_micros(54_624)));
    }

    #[test]
    fn the_ceiling_is_never_passed() {
        assert_eq!(
            of([90_000; 20]).bound(&CONFIG),
            Err(Refusal::AboveCeiling {
                wanted: Duration::from_millis(105)
            })
        );
    }

    #[test]
    fn too_few_samples_give_no_bound() {
        let refusal = Refusal::TooFew {
            seen: 19,
            needed: 20,
        };
        assert_eq!(of([30_000; 19]).bound(&CONFIG), Err(refusal));
    }
}
