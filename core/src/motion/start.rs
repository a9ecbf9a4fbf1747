//! A start, from the drive to a crank that keeps its speed: until it moves, until the clutch has
//! locked, and how long it then takes from one step of travel to the next.
//!
//! Locked is a clutch when the crank gains no more speed: less than an eighth in 32 ms. The age of
//! the last such gain is the time to lock-up. Less gain, or over a longer time, is a flywheel that
//! recovers from the dip and no clutch that slips. The speed is a mean over 32 ms: what slip adds to
//! the time to lock-up must outweigh the margin of its bound to be seen, and a clutch so weak that
//! the crank hardly moves is late for its first motion before.

use super::Config;
use crate::angle::CrankTravel;
use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::time::Duration;

/// A gain of speed counts when it is made within this time.
const GAIN_WITHIN: Duration = Duration::from_millis(32);

/// What one start took.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StartRecord {
    /// From the drive to the first [`Config::motion_travel`]; none when the run ended before.
    pub first_motion: Option<Duration>,
    /// From there to lock-up; none when the run did not last as long again.
    pub lock_up: Option<Duration>,
    /// The longest time from one such travel to the next.
    pub longest_idle: Duration,
}

/// Follows one start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct StartWatch {
    first_motion: Option<Duration>,
    /// Travel when it last made a step, and how long ago.
    moved_to: CrankTravel,
    idle_for: Duration,
    longest_idle: Duration,
    /// Speed from which a gain is counted, and how long it has been that.
    base: CrankSpeed,
    based_for: Duration,
    /// How long it moves, and when it last gained speed.
    moving_for: Duration,
    gained_at: Duration,
}

impl StartWatch {
    pub(super) const fn new() -> Self {
        Self {
            first_motion: None,
            moved_to: CrankTravel::ZERO,
            idle_for: Duration::ZERO,
            longest_idle: Duration::ZERO,
            base: CrankSpeed::ZERO,
            based_for: Duration::ZERO,
            moving_for: Duration::ZERO,
            gained_at: Duration::ZERO,
        }
    }

    /// One tick with the valve on.
    pub(super) fn step(
        &mut self,
        config: &Config,
        travel: CrankTravel,
        speed: CrankSpeed,
        tick: Duration,
    ) -> FaultSet {
        self.idle_for = self.idle_for.saturating_add(tick);
        if travel.saturating_sub(self.moved_to) >= config.motion_travel {
            self.note_step(travel);
        }
        let is_slow = self.first_motion.is_some() && self.is_slow(config, speed, tick);
        let idle_within = if self.first_motion.is_some() {
            config.stall_within
        } else {
            config.start_within
        };
        FaultSet::EMPTY
            .with_if(FaultCode::NoMotion, self.idle_for > idle_within)
            .with_if(FaultCode::SlowStart, is_slow)
    }

    /// Whether the crank gains speed when the clutch should have locked. A drive turned up later, in
    /// a long run, is no slow clutch.
    fn is_slow(&mut self, config: &Config, speed: CrankSpeed, tick: Duration) -> bool {
        let bound = config.lock_up_within;
        let before = self.moving_for;
        self.moving_for = before.saturating_add(tick);
        let gains = self.gains(speed, tick);
        if gains {
            self.gained_at = self.moving_for;
        }
        if before < bound && self.moving_for >= bound {
            // What was gained before the bound is no part of a gain after it.
            self.base = self.base.max(speed);
        }
        gains && self.moving_for > bound && self.moving_for <= bound.saturating_add(bound)
    }

    /// Whether this speed completes a gain of an eighth.
    fn gains(&mut self, speed: CrankSpeed, tick: Duration) -> bool {
        self.based_for = self.based_for.saturating_add(tick);
        let base = self.base.as_counts_per_ms();
        let gains = speed.as_counts_per_ms() > base.saturating_add(base / 8);
        if gains || self.based_for >= GAIN_WITHIN {
            // Never lower: what work has taken from the speed is not gained when it comes back.
            (self.base, self.based_for) = (self.base.max(speed), Duration::ZERO);
        }
        gains
    }

    fn note_step(&mut self, travel: CrankTravel) {
        if self.first_motion.is_none() {
            self.first_motion = Some(self.idle_for);
        } else {
            self.longest_idle = self.longest_idle.max(self.idle_for);
        }
        (self.moved_to, self.idle_for) = (travel, Duration::ZERO);
    }

    /// What it has taken so far.
    pub(super) fn record(&self) -> StartRecord {
        let has_settled = self.first_motion.is_some()
            && self.moving_for >= self.gained_at.saturating_add(self.gained_at);
        StartRecord {
            first_motion: self.first_motion,
            lock_up: has_settled.then_some(self.gained_at),
            longest_idle: self.longest_idle,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);
    const FULL_MILLI_SPM: i32 = 60_000;
    const CONFIG: Config = Config {
        start_within: Duration::from_millis(100),
        lock_up_within: Duration::from_millis(40),
        stall_within: Duration::from_millis(30),
        ..Config::with_speed_max(CrankSpeed::from_milli_spm(90_000))
    };

    /// A crank that stands for 20 ms, gains speed evenly until `locked_ms`, keeps it, and stalls
    /// after `stalls_ms`; `for_ms` of it.
    fn start(locked_ms: u32, stalls_ms: u32, for_ms: u32) -> (FaultSet, StartRecord) {
        let mut watch = StartWatch::new();
        let mut travel = CrankTravel::ZERO;
        let faults = (1..=for_ms).fold(FaultSet::EMPTY, |faults, ms| {
            let gained = ms.saturating_sub(20).min(locked_ms.saturating_sub(20));
            let share = FULL_MILLI_SPM
                .saturating_mul(gained.cast_signed())
                .checked_div(locked_ms.saturating_sub(20).cast_signed());
            let moving = share.filter(|_| ms <= stalls_ms).unwrap_or(0);
            let speed = CrankSpeed::from_milli_spm(moving);
            travel = travel.saturating_add(speed.travel_in(MS));
            faults.union(watch.step(&CONFIG, travel, speed, MS))
        });
        (faults, watch.record())
    }

    #[test]
    fn a_healthy_start_is_measured_and_passes() {
        let (faults, record) = start(70, 1_000, 500);
        assert!(faults.is_empty());
        // Half the square of time over 50 ms at 360 degrees a second: 3 degrees after 28.9 ms.
        assert_eq!(record.first_motion, Some(Duration::from_millis(49)));
        // 21 ms of the 50 are left then; the last eighth of speed is gained in the last 6.
        let lock_up = record.lock_up.unwrap_or_default();
        assert!(lock_up >= Duration::from_millis(15) && lock_up <= Duration::from_millis(21));
        assert!(record.longest_idle <= Duration::from_millis(13));
    }

    #[test]
    fn a_clutch_that_slips_past_its_bound_is_named() {
        let (faults, _) = start(120, 1_000, 500);
        assert!(faults.contains(FaultCode::SlowStart) && !faults.contains(FaultCode::NoMotion));
    }

    #[test]
    fn a_crank_that_stalls_is_named_after_its_own_bound() {
        assert!(start(70, 200, 225).0.is_empty());
        assert!(start(70, 200, 240).0.contains(FaultCode::NoMotion));
    }

    #[test]
    fn a_short_run_says_nothing_about_lock_up() {
        let (faults, record) = start(70, 1_000, 60);
        assert!(faults.is_empty());
        assert_eq!(record.lock_up, None);
    }
}
