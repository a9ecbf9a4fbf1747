//! Integration: one step, and what changes the equations inside it.
//!
//! Dry friction is switched, not smoothed (Karnopp 1985): the crank either stands, held by brake
//! and friction, or turns one way; the clutch either is locked or slips one way. Each mode has its
//! own smooth equations and a guard that is positive while the mode lasts. A guard found negative
//! at the end of a step is brought to its zero by repeating the step with another length.
//!
//! The step is the explicit midpoint rule. The rates at its end serve as those at the start of the
//! next, so a step costs two evaluations.

use super::equations::{Clutch, Crank, Energy, Motion, Rates, sign};
use super::truth::Mark;
use super::{CrankState, INSTANT_S, Plant, STEP_S};
use std::f64::consts::TAU;

/// Slower than this the crank rests when barring ends and the brake is set, rad/s.
const STILL_RAD_S: f64 = 1e-4;

/// Shortest time between two changes of mode, s.
const BETWEEN_CHANGES_S: f64 = 10e-6;

/// A step tried from the present state.
#[derive(Clone, Copy, Debug)]
struct Trial {
    span_s: f64,
    /// Energy that flows at its middle, J/s.
    power: Energy,
    end: Motion,
    end_rates: Rates,
}

/// What ends a mode.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Change {
    Standstill,
    BreakAway,
    LockUp,
    Slip,
    Passed(usize),
}

impl Plant {
    /// Steps to an instant before which the air needs no attention.
    pub(super) fn integrate_to(&mut self, until_s: f64) {
        while until_s - self.time_s > INSTANT_S {
            let span_s = until_s - self.time_s;
            if span_s <= 1.000_001 * STEP_S {
                self.step(span_s);
            } else {
                // Equal steps, so that no sliver is left at the end.
                self.step(span_s / (span_s / STEP_S - 1e-6).ceil());
            }
        }
        self.time_s = until_s;
    }

    /// One step of at most `span_s`; shorter if a mode ends inside it.
    fn step(&mut self, span_s: f64) {
        let whole = self.trial(span_s);
        match self.first_change(&whole) {
            None => self.take(&whole),
            Some((at_s, change)) => {
                let part = self.trial(at_s.max(self.soonest_s(span_s)));
                self.take(&part);
                self.changed_s = self.time_s;
                self.enter(change);
                self.refresh();
            }
        }
    }

    /// Modes that follow each other without end would stop time: a second change waits.
    fn soonest_s(&self, span_s: f64) -> f64 {
        (self.changed_s + BETWEEN_CHANGES_S - self.time_s).clamp(0.0, span_s)
    }

    fn trial(&self, span_s: f64) -> Trial {
        let half_s = 0.5 * span_s;
        let middle_motion = self.motion.nudged(&self.rates, half_s);
        let (middle, power) = self.rates_and_power(self.time_s + half_s, &middle_motion);
        let end = self.motion.moved(&middle, span_s);
        Trial {
            span_s,
            power,
            end,
            end_rates: self.rates(self.time_s + span_s, &end),
        }
    }

    fn take(&mut self, trial: &Trial) {
        self.time_s += trial.span_s;
        self.motion = trial.end;
        self.rates = trial.end_rates;
        self.energy.flow(&trial.power, trial.span_s);
        self.lining
            .absorb(trial.power.brake_j * trial.span_s, trial.span_s);
        self.rest_flywheel(trial.span_s);
        self.twist(trial.span_s);
        if self.counterbalance.leaks() {
            self.counterbalance.leak(trial.span_s);
            self.refresh();
        }
        let barred = self.barring.releases_brake();
        if self.setting.step(trial.span_s) | self.barring.step(trial.span_s) {
            self.refresh();
        }
        if barred && !self.barring.releases_brake() && self.motion.speed_rad_s.abs() < STILL_RAD_S {
            self.stand();
        }
    }

    /// The crank beyond the twisting train, and the first zero of its speed in a stop.
    fn twist(&mut self, span_s: f64) {
        let Some(mut wind_up) = self.wind_up else {
            return;
        };
        let standing = self.crank == Crank::Standing;
        let friction_nm = standing.then_some(self.machine.friction_nm);
        let inertia = self.machine.pose(&self.motion).inertia;
        wind_up.step(span_s, inertia, self.rates.drive_nm, friction_nm);
        self.wind_up = Some(wind_up);
        let after = self.state();
        let ended = |direction: f64| direction * after.speed_rad_s <= 0.0;
        if !self.crank_rests && self.stops.open_direction().is_some_and(ended) {
            self.rest_crank(&after);
        }
    }

    /// Tells the first zero of crank speed, found by its straight line back from `after`.
    fn rest_crank(&mut self, after: &CrankState) {
        self.crank_rests = true;
        let since_s = if after.accel_rad_s2 == 0.0 {
            0.0
        } else {
            (after.speed_rad_s / after.accel_rad_s2).clamp(0.0, STEP_S)
        };
        let zero = CrankState {
            time_s: after.time_s - since_s,
            angle_rad: after.angle_rad - 0.5 * after.speed_rad_s * since_s,
            speed_rad_s: 0.0,
            ..*after
        };
        self.note_at(Mark::Standstill, &zero);
    }

    /// The drag of a run-down ends at rest; what it would take away in a step is gone.
    fn rest_flywheel(&mut self, span_s: f64) {
        if self.motor_on || self.clutch == Clutch::Locked {
            return;
        }
        if self.motion.flywheel_rad_s < self.machine.run_down_rad_s2() * span_s {
            self.motion.flywheel_rad_s = 0.0;
        }
    }

    /// Rates now; after anything but a step has changed what they depend on.
    pub(super) fn refresh(&mut self) {
        if self.crank == Crank::Standing {
            self.rest_pull_nm = self.weight_nm();
        }
        self.rates = self.rates(self.time_s, &self.motion);
    }

    /// The first change of mode inside a tried step, and when.
    fn first_change(&self, whole: &Trial) -> Option<(f64, Change)> {
        let mut first: Option<(f64, Change)> = None;
        let mut found = |at_s: f64, change: Change| {
            if first.is_none_or(|(first_s, _)| at_s < first_s) {
                first = Some((at_s, change));
            }
        };
        let Crank::Turning(direction) = self.crank else {
            if whole.end_rates.margin_nm < 0.0 {
                found(
                    self.locate(whole, |t| t.end_rates.margin_nm),
                    Change::BreakAway,
                );
            }
            return first;
        };
        if direction * whole.end.speed_rad_s < 0.0 {
            let at_s = self.locate(whole, |t| direction * t.end.speed_rad_s);
            found(at_s, Change::Standstill);
        }
        match self.clutch {
            Clutch::Locked if whole.end_rates.margin_nm < 0.0 => {
                found(self.locate(whole, |t| t.end_rates.margin_nm), Change::Slip);
            }
            Clutch::Slipping(driving) if driving * whole.end.slip_rad_s() < 0.0 => {
                let at_s = self.locate(whole, |t| driving * t.end.slip_rad_s());
                found(at_s, Change::LockUp);
            }
            _ => {}
        }
        for (number, watched_rad) in self.watched_rad.iter().enumerate() {
            let turns = |motion: &Motion| ((motion.angle_rad - watched_rad) / TAU).floor();
            let (before, after) = (turns(&self.motion), turns(&whole.end));
            if before != after {
                let edge_rad = watched_rad + TAU * before.max(after);
                let side = sign(after - before);
                let at_s = self.locate(whole, |t| side * (edge_rad - t.end.angle_rad));
                found(at_s, Change::Passed(number));
            }
        }
        first
    }

    /// Length of the step at whose end a guard is zero, by the Illinois method; the guard is
    /// negative at the end of the `whole` step.
    fn locate(&self, whole: &Trial, guard: impl Fn(&Trial) -> f64) -> f64 {
        let start = Trial {
            span_s: 0.0,
            end: self.motion,
            end_rates: self.rates,
            ..*whole
        };
        let (mut low_s, mut at_low) = (0.0, guard(&start).max(0.0));
        let (mut high_s, mut at_high) = (whole.span_s, guard(whole));
        for _ in 0..60 {
            if high_s - low_s < 1e-12 {
                break;
            }
            let share = at_low / (at_low - at_high);
            let middle_s = low_s + (high_s - low_s) * share.clamp(0.01, 0.99);
            let value = guard(&self.trial(middle_s));
            if value < 0.0 {
                (high_s, at_high) = (middle_s, value);
                at_low *= 0.5;
            } else {
                (low_s, at_low) = (middle_s, value);
                at_high *= 0.5;
            }
        }
        high_s
    }

    fn enter(&mut self, change: Change) {
        match change {
            Change::Standstill => self.stand(),
            Change::BreakAway => self.break_away(),
            Change::LockUp => self.lock(),
            Change::Slip => {
                self.note(Mark::Slip);
                self.slip();
            }
            Change::Passed(number) => {
                self.note(Mark::Passed(number));
                // Past the angle for certain, so that it is not found again.
                self.motion.angle_rad += sign(self.motion.speed_rad_s) * 1e-12;
            }
        }
    }

    fn stand(&mut self) {
        self.motion.speed_rad_s = 0.0;
        if self.crank == Crank::Standing {
            return;
        }
        self.crank = Crank::Standing;
        self.clutch = Clutch::Slipping(sign(self.motion.flywheel_rad_s));
        self.refresh();
        // Beyond a twisted train the crank may still swing on: then its own zero is awaited.
        let state = self.state();
        let swings_on = |direction: f64| direction * state.speed_rad_s > 0.0;
        if !self.crank_rests && !self.stops.open_direction().is_some_and(swings_on) {
            self.rest_crank(&state);
        }
        if self.rates.margin_nm < 0.0 {
            self.break_away();
        }
    }

    fn break_away(&mut self) {
        self.crank = Crank::Turning(sign(self.pull_nm()));
        self.crank_rests = false;
        self.note(Mark::StartOfMotion);
        self.clutch = if self.motion.flywheel_rad_s == 0.0 && self.bites.clutch {
            Clutch::Locked
        } else {
            Clutch::Slipping(sign(self.motion.flywheel_rad_s))
        };
    }

    fn lock(&mut self) {
        let together_rad_s = self.together_rad_s();
        self.motion.speed_rad_s = together_rad_s;
        self.motion.flywheel_rad_s = together_rad_s;
        self.clutch = Clutch::Locked;
        self.refresh();
        if self.rates.margin_nm < 0.0 {
            self.slip();
        } else {
            self.note(Mark::LockUp);
        }
    }

    /// Slips towards the side to which the speeds drift apart.
    fn slip(&mut self) {
        if let Crank::Turning(direction) = self.crank {
            self.clutch = Clutch::Slipping(sign(self.drift_rad_s2(direction)));
        }
    }

    /// Puts the modes right after torques have jumped.
    pub(super) fn settle_modes(&mut self) {
        self.refresh();
        if self.rates.margin_nm < 0.0 {
            match (self.crank, self.clutch) {
                (Crank::Standing, _) => self.enter(Change::BreakAway),
                (_, Clutch::Locked) => self.enter(Change::Slip),
                _ => {}
            }
            self.refresh();
        }
    }
}

impl super::SpeedSetting {
    /// Whether it moved.
    fn step(&mut self, span_s: f64) -> bool {
        if self.wanted_rad_s == self.now_rad_s {
            return false;
        }
        let apart = self.wanted_rad_s - self.now_rad_s;
        self.now_rad_s += apart * (span_s / self.lag_s).min(1.0);
        if apart.abs() < 1e-9 {
            self.now_rad_s = self.wanted_rad_s;
        }
        true
    }
}
