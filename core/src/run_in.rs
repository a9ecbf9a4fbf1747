//! What the brake is going through: bedding after it was worked on, warming up after a rest, or
//! steady. Stops are judged in every condition and learned from in one.
//!
//! ```text
//! Bedding --as many stops as it takes--> WarmingUp --as many--> Steady
//!                                            ^--- long rest -------+
//! ```

use crate::time::Duration;

/// How long each condition lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// After so long without a stop the brake counts as cold, up to 71 minutes.
    pub cold_after: Duration,
    /// Stops until it counts as warm.
    pub warm_up_stops: u8,
    /// Stops until a worked-on brake has bedded, counted from the adoption of the settings; none
    /// when it was not worked on. 100 to 500 are usual (common practice, no source).
    pub bedding_stops: u16,
}

impl Config {
    /// Half an hour, ten stops (common practice, no source), no bedding.
    pub const DEFAULT: Self = Self {
        cold_after: Duration::from_millis(1_800_000),
        warm_up_stops: 10,
        bedding_stops: 0,
    };
}

/// What the brake is going through.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Condition {
    /// A lining that has not bedded yet stops otherwise than it will.
    Bedding,
    /// First stops after a rest, or after power-up.
    WarmingUp,
    /// As at commissioning.
    Steady,
}

/// Counts stops and rests.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RunIn {
    rested: Duration,
    warm: u8,
    bedded: u16,
}

impl RunIn {
    /// Cold: what was before is not known.
    pub const fn new() -> Self {
        Self {
            rested: Duration::ZERO,
            warm: 0,
            bedded: 0,
        }
    }

    /// One tick without the end of a stop.
    pub fn pass(&mut self, config: &Config, tick: Duration) {
        self.rested = self.rested.saturating_add(tick);
        if self.rested >= config.cold_after {
            self.warm = 0;
        }
    }

    /// A stop has ended.
    pub fn stopped(&mut self) {
        self.rested = Duration::ZERO;
        self.warm = self.warm.saturating_add(1);
        self.bedded = self.bedded.saturating_add(1);
    }

    /// Settings were adopted: bedding is counted from here.
    pub const fn begin_bedding(&mut self) {
        self.bedded = 0;
    }

    /// What the brake is going through now.
    pub const fn condition(&self, config: &Config) -> Condition {
        if self.bedded < config.bedding_stops {
            Condition::Bedding
        } else if self.warm < config.warm_up_stops {
            Condition::WarmingUp
        } else {
            Condition::Steady
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_stops_make_it_steady_and_a_long_rest_cold_again() {
        let config = Config::DEFAULT;
        let mut run_in = RunIn::new();
        (0..9).for_each(|_| run_in.stopped());
        assert_eq!(run_in.condition(&config), Condition::WarmingUp);
        run_in.stopped();
        assert_eq!(run_in.condition(&config), Condition::Steady);
        run_in.pass(&config, Duration::from_millis(1_799_999));
        assert_eq!(run_in.condition(&config), Condition::Steady);
        run_in.pass(&config, Duration::from_millis(1));
        assert_eq!(run_in.condition(&config), Condition::WarmingUp);
    }

    #[test]
    fn bedding_is_counted_from_the_adoption_and_comes_before_warmth() {
        let config = Config {
            bedding_stops: 200,
            ..Config::DEFAULT
        };
        let mut run_in = RunIn::new();
        (0..199).for_each(|_| run_in.stopped());
        assert_eq!(run_in.condition(&config), Condition::Bedding);
        run_in.stopped();
        assert_eq!(run_in.condition(&config), Condition::Steady);
        run_in.begin_bedding();
        assert_eq!(run_in.condition(&config), Condition::Bedding);
    }
}
