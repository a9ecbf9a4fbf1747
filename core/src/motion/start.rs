//! A start, from the drive to a crank that keeps its speed: until it moves, until the clutch has
//! locked, and how long it then takes from one step of travel to the next.
//!
//! The time to lock-up runs from the drive until the crank has passed the speed an eighth below the
//! highest one it reaches. A clutch that grips gains its speed evenly, so that moment stands close
//! before lock-up, while the end of the gain itself would be lost in a flywheel that recovers from
//! its dip. The speed is a mean over 32 ms, which delays the moment by half of that, always alike. A
//! clutch so weak that the crank hardly moves is late for its first motion before.

use super::Config;
use crate::angle::CrankTravel;
use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::time::Duration;

/// Steps of speed, each a sixty-fourth above the one before, that make an eighth.
const STEPS: usize = 8;

/// What one start took.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StartRecord {
    /// From the drive to the first [`Config::motion_travel`]; none when the run ended before.
    pub first_motion: Option<Duration>,
    /// From the drive to lock-up; none when the run did not last as long again.
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
    /// How long the valve is on.
    driven_for: Duration,
    /// The highest step of speed passed so far, and when the last steps were passed, its own last.
    step: CrankSpeed,
    passed: [Duration; STEPS],
    /// Once it has settled.
    lock_up: Option<Duration>,
}

impl StartWatch {
    pub(super) const fn new() -> Self {
        Self {
            first_motion: None,
            moved_to: CrankTravel::ZERO,
            idle_for: Duration::ZERO,
            longest_idle: Duration::ZERO,
            driven_for: Duration::ZERO,
            step: CrankSpeed::ZERO,
            passed: [Duration::ZERO; STEPS],
            lock_up: None,
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
        self.driven_for = self.driven_for.saturating_add(tick);
        if travel.saturating_sub(self.moved_to) >= config.motion_travel {
            self.note_step(travel);
        }
        if self.lock_up.is_none() {
            self.note_speed(speed);
        }
        let idle_within = if self.first_motion.is_some() {
            config.stall_within
        } else {
            config.start_within
        };
        FaultSet::EMPTY
            .with_if(FaultCode::NoMotion, self.idle_for > idle_within)
            .with_if(FaultCode::SlowStart, self.is_slow(config.lock_up_within))
    }

    /// Whether the clutch locks later than it must. A drive turned up later, in a long run, is no
    /// slow clutch.
    fn is_slow(&self, bound: Duration) -> bool {
        self.first_motion.is_some()
            && self.driven_for <= bound.saturating_add(bound)
            && self.locked_at() > bound
    }

    /// When the crank passed the speed an eighth below the highest one so far.
    const fn locked_at(&self) -> Duration {
        let [eighth_below, ..] = self.passed;
        eighth_below
    }

    /// What work has taken from the speed is not gained when it comes back: steps only rise.
    fn note_speed(&mut self, speed: CrankSpeed) {
        for _ in 0..STEPS {
            let next = step_above(self.step);
            if speed < next {
                break;
            }
            self.step = next;
            let [_, b, c, d, e, f, g, h] = self.passed;
            self.passed = [b, c, d, e, f, g, h, self.driven_for];
        }
        if speed >= step_above(self.step) {
            // More than an eighth at once.
            (self.step, self.passed) = (speed, [self.driven_for; STEPS]);
        }
        let at = self.locked_at();
        if self.first_motion.is_some() && self.driven_for >= at.saturating_add(at) {
            self.lock_up = Some(at);
        }
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
        StartRecord {
            first_motion: self.first_motion,
            lock_up: self.lock_up,
            longest_idle: self.longest_idle,
        }
    }
}

/// The next step of speed.
fn step_above(step: CrankSpeed) -> CrankSpeed {
    let counts = step.as_counts_per_ms();
    CrankSpeed::from_counts_per_ms(counts.saturating_add((counts / 64).max(1)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);
    const FULL_MILLI_SPM: i32 = 60_000;
    const CONFIG: Config = Config {
        start_within: Duration::from_millis(100),
        lock_up_within: Duration::from_millis(85),
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
        // Seven eighths of the speed are gained after 20 and 43.75 ms; steps stand up to a
        // sixty-fourth apart.
        assert_eq!(record.lock_up, Some(Duration::from_millis(65)));
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
    fn a_speed_turned_up_in_a_long_run_is_no_slow_clutch() {
        let mut watch = StartWatch::new();
        let mut travel = CrankTravel::ZERO;
        let faults = (1..=400).fold(FaultSet::EMPTY, |faults, ms| {
            let speed = CrankSpeed::from_milli_spm(if ms < 200 { 60_000 } else { 90_000 });
            travel = travel.saturating_add(speed.travel_in(MS));
            faults.union(watch.step(&CONFIG, travel, speed, MS))
        });
        assert!(faults.is_empty());
    }

    #[test]
    fn a_short_run_says_nothing_about_lock_up() {
        let (faults, record) = start(70, 1_000, 60);
        assert!(faults.is_empty());
        assert_eq!(record.lock_up, None);
    }
}
