//! Motion judged against what the valve and the mode allow: no motion on command, motion at rest,
//! reverse motion, overspeed, and the speed bound of the barring state.

mod start;

pub use start::StartRecord;

use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::time::Duration;
use start::StartWatch;

/// Travel beyond what the highest speed allows that is overspeed. Gears that wind up as the clutch
/// locks swing the crank a quarter and more past its speed for some hundredths of a second; that is
/// 1.6 degrees at most on the invented presses.
const OVERSPEED_AHEAD: CrankTravel = CrankTravel::from_millidegrees(3_000);

/// Bounds on motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// With the valve on the crank must first move [`Config::motion_travel`] within this time.
    pub start_within: Duration,
    /// So long after the drive the clutch must have locked: from then on the crank gains no eighth
    /// of its speed any more.
    pub lock_up_within: Duration,
    /// Once it has moved, it must move on by [`Config::motion_travel`] within this time, again and
    /// again.
    pub stall_within: Duration,
    /// Travel that counts as motion.
    pub motion_travel: CrankTravel,
    /// Travel at rest, since the stop, that is a fault.
    pub rest_travel: CrankTravel,
    /// Backward travel that is a fault.
    pub reverse_travel: CrankTravel,
    /// Highest commissioned speed, with its allowance.
    pub speed_max: CrankSpeed,
    /// Highest speed in the barring state.
    pub barring_speed_max: CrankSpeed,
    /// Travel beyond what that speed allows, either way, that is a fault. Judging travel and not
    /// speed keeps sensor noise out at speeds where it outweighs the motion.
    pub barring_ahead: CrankTravel,
}

impl Config {
    /// Bounds that hold for the invented presses until their own are measured; the highest speed
    /// is the caller's.
    pub const fn with_speed_max(speed_max: CrankSpeed) -> Self {
        Self {
            start_within: Duration::from_millis(500),
            lock_up_within: Duration::from_millis(1_000),
            stall_within: Duration::from_millis(500),
            motion_travel: CrankTravel::from_millidegrees(3_000),
            rest_travel: CrankTravel::from_millidegrees(3_000),
            reverse_travel: CrankTravel::from_millidegrees(5_000),
            speed_max,
            barring_speed_max: CrankSpeed::from_milli_spm(1_000),
            barring_ahead: CrankTravel::from_millidegrees(1_000),
        }
    }
}

/// What the press is meant to be doing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Expectation {
    /// The valve is on.
    Driven,
    /// A stop is running: it moves, less and less.
    Stopping,
    /// At rest with the valve off.
    Rest,
    /// Turned by hand or turning gear.
    Barred,
}

/// Remembers where the crank stood when the present expectation began.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Motion {
    expectation: Expectation,
    start: StartWatch,
    /// The start of the run that has just ended, until it is taken.
    finished: Option<StartRecord>,
    origin: Option<CrankAngle>,
    /// Net travel since the origin.
    travel: CrankTravel,
    /// Backward travel since the furthest point.
    backward: CrankTravel,
    /// Travel beyond what the highest speed allows while driven.
    over: CrankTravel,
    /// Travel beyond what barring speed allows, in normal travel and against it.
    ahead: [CrankTravel; 2],
    last: Option<CrankAngle>,
}

impl Default for Motion {
    fn default() -> Self {
        Self::new()
    }
}

impl Motion {
    /// At rest, with no angle seen yet.
    pub const fn new() -> Self {
        Self {
            expectation: Expectation::Rest,
            start: StartWatch::new(),
            finished: None,
            origin: None,
            travel: CrankTravel::ZERO,
            backward: CrankTravel::ZERO,
            over: CrankTravel::ZERO,
            ahead: [CrankTravel::ZERO; 2],
            last: None,
        }
    }

    /// Net travel since the present expectation began.
    pub const fn travel(&self) -> CrankTravel {
        self.travel
    }

    /// The start of the run that has just ended, once.
    pub const fn take_finished_start(&mut self) -> Option<StartRecord> {
        self.finished.take()
    }

    /// One tick: where the crank is, how fast, and what is expected of it.
    pub fn step(
        &mut self,
        config: &Config,
        expectation: Expectation,
        angle: CrankAngle,
        speed: CrankSpeed,
        tick: Duration,
    ) -> FaultSet {
        if expectation != self.expectation || self.origin.is_none() {
            let was_driven = self.expectation == Expectation::Driven;
            *self = Self {
                expectation,
                finished: was_driven.then(|| self.start.record()),
                origin: Some(angle),
                last: Some(angle),
                ..Self::new()
            };
        }
        let moved = angle.offset_from(self.last.unwrap_or(angle));
        self.last = Some(angle);
        self.travel = self.travel.saturating_add(moved);
        self.backward = beyond(self.backward, CrankTravel::ZERO, moved);
        match expectation {
            Expectation::Driven => {
                self.over = beyond(self.over, moved, config.speed_max.travel_in(tick));
            }
            Expectation::Barred => self.count_barring(config, moved, tick),
            Expectation::Stopping | Expectation::Rest => {}
        }
        let found = self.judge(config, speed, tick);
        if found.contains(FaultCode::MotionAtRest) {
            // Counted anew, so that a reset can follow once the crank stands again.
            self.origin = None;
        }
        found
    }

    fn count_barring(&mut self, config: &Config, moved: CrankTravel, tick: Duration) {
        let allowed = config.barring_speed_max.travel_in(tick);
        let [ahead, behind] = self.ahead;
        let back = CrankTravel::ZERO.saturating_sub(moved);
        self.ahead = [beyond(ahead, moved, allowed), beyond(behind, back, allowed)];
    }

    fn judge(&mut self, config: &Config, speed: CrankSpeed, tick: Duration) -> FaultSet {
        let none = FaultSet::EMPTY;
        let backward = self.backward > config.reverse_travel;
        match self.expectation {
            Expectation::Driven => self
                .start
                .step(config, self.travel, speed, tick)
                .with_if(FaultCode::ReverseMotion, backward)
                .with_if(FaultCode::Overspeed, self.over > OVERSPEED_AHEAD),
            Expectation::Stopping => none.with_if(FaultCode::ReverseMotion, backward),
            Expectation::Rest => none.with_if(
                FaultCode::MotionAtRest,
                self.travel.saturating_abs() > config.rest_travel,
            ),
            Expectation::Barred => none.with_if(
                FaultCode::BarringTooFast,
                self.ahead.iter().any(|ahead| *ahead > config.barring_ahead),
            ),
        }
    }
}

/// `sum` with `made` added and `allowed` taken off, not below nothing.
fn beyond(sum: CrankTravel, made: CrankTravel, allowed: CrankTravel) -> CrankTravel {
    sum.saturating_add(made)
        .saturating_sub(allowed)
        .max(CrankTravel::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    const CONFIG: Config = Config::with_speed_max(CrankSpeed::from_milli_spm(90_000));
    const MS: Duration = Duration::from_millis(1);

    fn deg(value: i32) -> CrankAngle {
        CrankAngle::from_millidegrees(value.saturating_mul(1_000))
    }

    #[test]
    fn a_slide_that_sinks_at_rest_is_named_whatever_its_direction() {
        for end in [4, -4] {
            let mut motion = Motion::new();
            let mut faults = motion.step(&CONFIG, Expectation::Rest, deg(0), CrankSpeed::ZERO, MS);
            assert!(faults.is_empty());
            faults = motion.step(&CONFIG, Expectation::Rest, deg(end), CrankSpeed::ZERO, MS);
            assert!(faults.contains(FaultCode::MotionAtRest));
        }
    }

    #[test]
    fn a_valve_on_without_motion_is_named_when_its_time_is_over() {
        let mut motion = Motion::new();
        let mut step = || motion.step(&CONFIG, Expectation::Driven, deg(0), CrankSpeed::ZERO, MS);
        assert!((0..500).all(|_| step().is_empty()));
        assert!(step().contains(FaultCode::NoMotion));
    }

    /// A swing of a gear train about 85 strokes a minute, a third of them either way, ten times a second,
    /// makes no more than a degree and a half; 1 % too much makes 3 degrees in 0.6 seconds.
    #[test]
    fn overspeed_is_a_speed_that_stays_and_not_one_that_swings() {
        let is_found = |milli_spm: fn(u32) -> i32| {
            let mut motion = Motion::new();
            let mut angle = deg(0);
            (0..1_000).position(|ms| {
                let speed = CrankSpeed::from_milli_spm(milli_spm(ms));
                angle = angle.wrapping_add(speed.travel_in(MS));
                let faults = motion.step(&CONFIG, Expectation::Driven, angle, speed, MS);
                faults.contains(FaultCode::Overspeed)
            })
        };
        let swings = |ms: u32| match ms % 100 < 50 {
            true => 95_000,
            false => 75_000,
        };
        assert_eq!(is_found(swings), None);
        assert_eq!(is_found(|_| 90_000), None);
        let found = is_found(|_| 90_900);
        assert!(
            found.is_some_and(|ms| (540..570).contains(&ms)),
            "{found:?}"
        );
    }

    #[test]
    fn barring_speed_is_bounded_at_one_stroke_per_minute() {
        let fastest = |milli_spm: i32| {
            let mut motion = Motion::new();
            let speed = CrankSpeed::from_milli_spm(milli_spm);
            let mut angle = deg(0);
            (0..10_000).any(|_| {
                angle = angle.wrapping_add(speed.travel_in(MS));
                let faults = motion.step(&CONFIG, Expectation::Barred, angle, speed, MS);
                faults.contains(FaultCode::BarringTooFast)
            })
        };
        assert!(!fastest(1_000) && !fastest(-1_000));
        assert!(fastest(1_050) && fastest(-1_050));
    }
}
