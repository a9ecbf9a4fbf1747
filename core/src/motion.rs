//! Motion judged against what the valve and the mode allow: no motion on command, motion at rest,
//! reverse motion, overspeed, and the speed bound of the barring state.

use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::time::Duration;

/// Bounds on motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// With the valve on the crank must move [`Config::motion_travel`] within this time, and again
    /// and again.
    pub start_within: Duration,
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Motion {
    expectation: Expectation,
    /// Time since it last made [`Config::motion_travel`], and its travel then.
    idle_for: Duration,
    moved_to: CrankTravel,
    origin: Option<CrankAngle>,
    /// Net travel since the origin.
    travel: CrankTravel,
    /// Backward travel since the furthest point.
    backward: CrankTravel,
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
            idle_for: Duration::ZERO,
            moved_to: CrankTravel::ZERO,
            origin: None,
            travel: CrankTravel::ZERO,
            backward: CrankTravel::ZERO,
            ahead: [CrankTravel::ZERO; 2],
            last: None,
        }
    }

    /// Net travel since the present expectation began.
    pub const fn travel(&self) -> CrankTravel {
        self.travel
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
            *self = Self {
                expectation,
                origin: Some(angle),
                last: Some(angle),
                ..Self::new()
            };
        }
        let moved = angle.offset_from(self.last.unwrap_or(angle));
        self.last = Some(angle);
        self.travel = self.travel.saturating_add(moved);
        self.idle_for = self.idle_for.saturating_add(tick);
        if self.travel.saturating_sub(self.moved_to) >= config.motion_travel {
            (self.idle_for, self.moved_to) = (Duration::ZERO, self.travel);
        }
        self.backward = beyond(self.backward, CrankTravel::ZERO, moved);
        let allowed = config.barring_speed_max.travel_in(tick);
        let [ahead, behind] = self.ahead;
        let back = CrankTravel::ZERO.saturating_sub(moved);
        self.ahead = [beyond(ahead, moved, allowed), beyond(behind, back, allowed)];
        let found = self.judge(config, speed);
        if found.contains(FaultCode::MotionAtRest) {
            // Counted anew, so that a reset can follow once the crank stands again.
            self.origin = None;
        }
        found
    }

    fn judge(&self, config: &Config, speed: CrankSpeed) -> FaultSet {
        let none = FaultSet::EMPTY;
        let too_fast = speed.saturating_abs() > config.speed_max;
        let backward = self.backward > config.reverse_travel;
        match self.expectation {
            Expectation::Driven => none
                .with_if(FaultCode::NoMotion, self.idle_for > config.start_within)
                .with_if(FaultCode::ReverseMotion, backward)
                .with_if(FaultCode::Overspeed, too_fast),
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
