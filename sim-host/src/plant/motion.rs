//! Integration of crank and flywheel: one step, and what changes the equations inside it.
//!
//! Dry friction is switched, not smoothed (Karnopp 1985): the crank either stands, held by brake
//! and friction, or turns one way; the clutch either is locked or slips one way. Each mode has its
//! own smooth equations and a guard that is positive while the mode lasts; a guard that falls below
//! zero within a step is brought to its zero by repeating the step with a shorter length.

use super::truth::Mark;
use super::{INSTANT_S, Plant, STEP_S};
use std::f64::consts::TAU;

/// Angle and speeds of crank and flywheel (at the crank).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Motion {
    pub(super) angle_rad: f64,
    pub(super) speed_rad_s: f64,
    pub(super) flywheel_rad_s: f64,
}

/// Whether the crank turns, and which way (+1 forward, −1 reverse).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Crank {
    Standing,
    Turning(f64),
}

/// Whether crank and flywheel turn as one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Clutch {
    Locked,
    Slipping,
}

/// Torque capacities that pressure and springs give at an instant.
#[derive(Clone, Copy, Debug)]
pub(super) struct Torques {
    pub(super) brake_nm: f64,
    pub(super) clutch_nm: f64,
}

/// Energies, J, all counted positive in their usual direction.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Energy {
    /// Put in by the motor (less the drag of a run-down).
    pub motor_j: f64,
    /// Turned to heat in the brake.
    pub brake_j: f64,
    /// Turned to heat by running friction.
    pub friction_j: f64,
    /// Turned to heat in the slipping clutch.
    pub clutch_j: f64,
    /// Given to the work.
    pub work_j: f64,
    /// Put in by the turning gear.
    pub barring_j: f64,
}

/// Rates of change at one point of a step.
#[derive(Clone, Copy, Debug, Default)]
struct Rates {
    speed: f64,
    accel: f64,
    flywheel_accel: f64,
    power: Energy,
}

/// What a step found at its end.
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
            // Equal steps, so that no sliver is left at the end.
            let steps = (span_s / STEP_S - 1e-6).ceil().max(1.0);
            self.step(span_s / steps);
        }
        self.time_s = until_s;
    }

    /// One step of at most `span_s`; shorter if a mode ends inside it.
    fn step(&mut self, span_s: f64) {
        let (mut motion, mut energy) = self.trial(span_s);
        let mut taken_s = span_s;
        let change = self.first_change(span_s, &motion);
        if let Some((at_s, _)) = change {
            taken_s = at_s;
            (motion, energy) = self.trial(at_s);
        }
        self.time_s += taken_s;
        self.motion = motion;
        self.motion.flywheel_rad_s = motion.flywheel_rad_s.max(0.0);
        self.energy.add(&energy, 1.0);
        self.lining.absorb(energy.brake_j, taken_s);
        self.setting.step(taken_s);
        self.barring.step(taken_s);
        if let Some((_, change)) = change {
            self.enter(change);
        }
        self.accel_rad_s2 = self.accel();
    }

    /// Crank acceleration now.
    pub(super) fn accel(&self) -> f64 {
        match self.crank {
            Crank::Standing => 0.0,
            Crank::Turning(_) => self.rates(self.time_s, &self.motion).accel,
        }
    }

    /// State and energy after a step of this length in the present mode.
    fn trial(&self, span_s: f64) -> (Motion, Energy) {
        let (start, time_s, half_s) = (&self.motion, self.time_s, 0.5 * span_s);
        let k1 = self.rates(time_s, start);
        let k2 = self.rates(time_s + half_s, &start.moved(&k1, half_s));
        let k3 = self.rates(time_s + half_s, &start.moved(&k2, half_s));
        let k4 = self.rates(time_s + span_s, &start.moved(&k3, span_s));
        let mean = Rates::simpson(&k1, &k2, &k3, &k4);
        let mut energy = Energy::default();
        energy.add(&mean.power, span_s);
        (start.moved(&mean, span_s), energy)
    }

    /// The equations of motion in the present mode.
    fn rates(&self, time_s: f64, at: &Motion) -> Rates {
        let torques = self.torques(time_s);
        let motor_nm =
            self.machine
                .motor_nm(self.motor_on, self.setting.now_rad_s, at.flywheel_rad_s);
        let Crank::Turning(direction) = self.crank else {
            let clutch_nm = torques.clutch_nm * sign(at.flywheel_rad_s);
            return Rates {
                flywheel_accel: (motor_nm - clutch_nm) / self.machine.flywheel_kg_m2,
                power: Energy {
                    motor_j: motor_nm * at.flywheel_rad_s,
                    clutch_j: clutch_nm * at.flywheel_rad_s,
                    ..Energy::default()
                },
                ..Rates::default()
            };
        };
        let load = self.load(at, direction, torques.brake_nm);
        let (clutch_nm, accel, flywheel_accel) = match self.clutch {
            Clutch::Locked => {
                let accel =
                    (load.crank_nm + motor_nm) / (load.inertia + self.machine.flywheel_kg_m2);
                (motor_nm - self.machine.flywheel_kg_m2 * accel, accel, accel)
            }
            Clutch::Slipping => {
                let clutch_nm = torques.clutch_nm * self.slip_direction(at);
                (
                    clutch_nm,
                    (load.crank_nm + clutch_nm) / load.inertia,
                    (motor_nm - clutch_nm) / self.machine.flywheel_kg_m2,
                )
            }
        };
        Rates {
            speed: at.speed_rad_s,
            accel,
            flywheel_accel,
            power: Energy {
                motor_j: motor_nm * at.flywheel_rad_s,
                brake_j: torques.brake_nm * direction * at.speed_rad_s,
                friction_j: self.machine.friction_nm * direction * at.speed_rad_s,
                clutch_j: clutch_nm * (at.flywheel_rad_s - at.speed_rad_s),
                work_j: load.work_nm * at.speed_rad_s,
                barring_j: load.barring_nm * at.speed_rad_s,
            },
        }
    }

    /// All torques at the crank but the clutch's, those of inertia included.
    fn load(&self, at: &Motion, direction: f64, brake_nm: f64) -> Load {
        let pose = self.machine.pose(at.angle_rad);
        let work_nm = self
            .machine
            .work_nm(at.angle_rad, pose.gradient, at.speed_rad_s);
        let other_nm = self.machine.unbalanced_n * pose.gradient
            - work_nm
            - direction * (brake_nm + self.machine.friction_nm)
            - pose.half_inertia_slope * at.speed_rad_s * at.speed_rad_s;
        let barring_nm = self
            .barring
            .torque_nm(at.speed_rad_s, pose.inertia, other_nm);
        Load {
            inertia: pose.inertia,
            crank_nm: other_nm + barring_nm,
            work_nm,
            barring_nm,
        }
    }

    /// +1 when the flywheel drives the crank, −1 when the crank overruns it. Within one mode the
    /// sign cannot change unnoticed: its change is lock-up.
    fn slip_direction(&self, at: &Motion) -> f64 {
        let slip = self.motion.flywheel_rad_s - self.motion.speed_rad_s;
        if slip != 0.0 {
            sign(slip)
        } else {
            sign(at.flywheel_rad_s - at.speed_rad_s)
        }
    }

    /// The first change of mode inside a step whose trial ended at `end`, and when.
    fn first_change(&self, span_s: f64, end: &Motion) -> Option<(f64, Change)> {
        let mut first: Option<(f64, Change)> = None;
        let mut consider = |found: Option<f64>, change: Change| {
            if let Some(at_s) = found
                && first.is_none_or(|(first_s, _)| at_s < first_s)
            {
                first = Some((at_s, change));
            }
        };
        let end_s = self.time_s + span_s;
        match self.crank {
            Crank::Standing => {
                if self.hold_margin(end_s, end) < 0.0 {
                    let at_s = self.locate(span_s, |t, m| self.hold_margin(t, m));
                    consider(Some(at_s), Change::BreakAway);
                }
            }
            Crank::Turning(direction) => {
                if direction * end.speed_rad_s < 0.0 {
                    let at_s = self.locate(span_s, |_, m| direction * m.speed_rad_s);
                    consider(Some(at_s), Change::Standstill);
                }
                self.consider_clutch(span_s, end, &mut consider);
                for (number, watched_rad) in self.watched_rad.iter().enumerate() {
                    let turns = |m: &Motion| ((m.angle_rad - watched_rad) / TAU).floor();
                    let (before, after) = (turns(&self.motion), turns(end));
                    if before != after {
                        let side = (after - before) * 0.5;
                        let edge_rad = watched_rad + TAU * before.max(after);
                        let at_s = self.locate(span_s, |_, m| side * (edge_rad - m.angle_rad));
                        consider(Some(at_s), Change::Passed(number));
                    }
                }
            }
        }
        first
    }

    fn consider_clutch(
        &self,
        span_s: f64,
        end: &Motion,
        consider: &mut impl FnMut(Option<f64>, Change),
    ) {
        match self.clutch {
            Clutch::Locked => {
                if self.grip_margin(self.time_s + span_s, end) < 0.0 {
                    let at_s = self.locate(span_s, |t, m| self.grip_margin(t, m));
                    consider(Some(at_s), Change::Slip);
                }
            }
            Clutch::Slipping => {
                let direction = self.slip_direction(end);
                let slip = |m: &Motion| direction * (m.flywheel_rad_s - m.speed_rad_s);
                if slip(end) < 0.0 {
                    let at_s = self.locate(span_s, |_, m| slip(m));
                    consider(Some(at_s), Change::LockUp);
                }
            }
        }
    }

    /// Length of the step at whose end a guard is zero, by the Illinois method; the guard is not
    /// negative now and negative after `span_s`.
    fn locate(&self, span_s: f64, guard: impl Fn(f64, &Motion) -> f64) -> f64 {
        let at = |h: f64| guard(self.time_s + h, &self.trial(h).0);
        let (mut low, mut high) = (0.0, span_s);
        let (mut at_low, mut at_high) = (guard(self.time_s, &self.motion).max(0.0), at(span_s));
        for _ in 0..40 {
            if high - low < 1e-12 || at_low == 0.0 && low > 0.0 {
                break;
            }
            let middle = low + (high - low) * (at_low / (at_low - at_high)).clamp(0.02, 0.98);
            let value = at(middle);
            if value < 0.0 {
                (high, at_high) = (middle, value);
                at_low *= 0.5;
            } else {
                (low, at_low) = (middle, value);
                at_high *= 0.5;
            }
        }
        high
    }

    /// Torque by which brake and friction hold the standing crank beyond what pulls at it, N·m.
    fn hold_margin(&self, time_s: f64, at: &Motion) -> f64 {
        let torques = self.torques(time_s);
        let hold_nm = torques.brake_nm + self.machine.friction_nm;
        hold_nm - self.pull_nm(at, torques.clutch_nm).abs()
    }

    /// Torque on the standing crank but that of brake and friction.
    fn pull_nm(&self, at: &Motion, clutch_nm: f64) -> f64 {
        let standing = Motion {
            speed_rad_s: 0.0,
            ..*at
        };
        self.load_without_friction_nm(&standing) + clutch_nm * sign(at.flywheel_rad_s)
    }

    fn load_without_friction_nm(&self, at: &Motion) -> f64 {
        let pose = self.machine.pose(at.angle_rad);
        let weight_nm = self.machine.unbalanced_n * pose.gradient;
        // The gear has to overcome friction before the crank moves.
        let push = self.barring.torque_nm(0.0, pose.inertia, weight_nm);
        weight_nm + push
    }

    /// Torque by which the locked clutch could carry more than it does, N·m.
    fn grip_margin(&self, time_s: f64, at: &Motion) -> f64 {
        let Crank::Turning(direction) = self.crank else {
            return 0.0;
        };
        let torques = self.torques(time_s);
        let load = self.load(at, direction, torques.brake_nm);
        let motor_nm =
            self.machine
                .motor_nm(self.motor_on, self.setting.now_rad_s, at.flywheel_rad_s);
        let accel = (load.crank_nm + motor_nm) / (load.inertia + self.machine.flywheel_kg_m2);
        torques.clutch_nm - (motor_nm - self.machine.flywheel_kg_m2 * accel).abs()
    }

    fn enter(&mut self, change: Change) {
        match change {
            Change::Standstill => {
                self.motion.speed_rad_s = 0.0;
                self.stand();
            }
            Change::BreakAway => self.break_away(),
            Change::LockUp => {
                let together = self.together_rad_s();
                self.motion.speed_rad_s = together;
                self.motion.flywheel_rad_s = together;
                self.clutch = Clutch::Locked;
                if self.grip_margin(self.time_s, &self.motion) < 0.0 {
                    self.slip_on();
                } else {
                    self.note(Mark::LockUp);
                }
            }
            Change::Slip => {
                self.clutch = Clutch::Slipping;
                self.note(Mark::Slip);
                self.slip_on();
            }
            Change::Passed(number) => {
                self.note(Mark::Passed(number));
                // Past the angle for certain, so that it is not found again.
                self.motion.angle_rad += self.motion.speed_rad_s.signum() * 1e-12;
            }
        }
    }

    fn together_rad_s(&self) -> f64 {
        let inertia = self.machine.pose(self.motion.angle_rad).inertia;
        let flywheel = self.machine.flywheel_kg_m2;
        (inertia * self.motion.speed_rad_s + flywheel * self.motion.flywheel_rad_s)
            / (inertia + flywheel)
    }

    /// Slips on the side to which the difference of speeds will grow.
    fn slip_on(&mut self) {
        self.clutch = Clutch::Slipping;
        let Crank::Turning(direction) = self.crank else {
            return;
        };
        let torques = self.torques(self.time_s);
        let load = self.load(&self.motion, direction, torques.brake_nm);
        let motor_nm = self.machine.motor_nm(
            self.motor_on,
            self.setting.now_rad_s,
            self.motion.flywheel_rad_s,
        );
        let apart = motor_nm / self.machine.flywheel_kg_m2 - load.crank_nm / load.inertia;
        // The smallest difference that gives the slip a direction.
        self.motion.flywheel_rad_s += 1e-12 * sign(apart);
    }

    fn stand(&mut self) {
        self.crank = Crank::Standing;
        self.clutch = Clutch::Slipping;
        self.note(Mark::Standstill);
        if self.hold_margin(self.time_s, &self.motion) < 0.0 {
            self.break_away();
        }
    }

    fn break_away(&mut self) {
        let clutch_nm = self.torques(self.time_s).clutch_nm;
        self.crank = Crank::Turning(sign(self.pull_nm(&self.motion, clutch_nm)));
        self.clutch = Clutch::Slipping;
        self.note(Mark::StartOfMotion);
    }

    /// Puts the modes right after torques have jumped.
    pub(super) fn settle_modes(&mut self) {
        match self.crank {
            Crank::Standing => {
                if self.hold_margin(self.time_s, &self.motion) < 0.0 {
                    self.break_away();
                }
            }
            Crank::Turning(_) => {
                if self.clutch == Clutch::Locked
                    && self.grip_margin(self.time_s, &self.motion) < 0.0
                {
                    self.enter(Change::Slip);
                }
            }
        }
        self.accel_rad_s2 = self.accel();
    }
}

/// Torques at the crank at one point.
#[derive(Clone, Copy, Debug)]
struct Load {
    inertia: f64,
    crank_nm: f64,
    work_nm: f64,
    barring_nm: f64,
}

impl super::SpeedSetting {
    fn step(&mut self, span_s: f64) {
        let apart = self.wanted_rad_s - self.now_rad_s;
        if apart != 0.0 {
            self.now_rad_s += apart * (span_s / self.lag_s).min(1.0);
        }
    }
}

impl Motion {
    fn moved(&self, rates: &Rates, span_s: f64) -> Self {
        Self {
            angle_rad: self.angle_rad + rates.speed * span_s,
            speed_rad_s: self.speed_rad_s + rates.accel * span_s,
            flywheel_rad_s: self.flywheel_rad_s + rates.flywheel_accel * span_s,
        }
    }
}

impl Rates {
    fn simpson(k1: &Self, k2: &Self, k3: &Self, k4: &Self) -> Self {
        let mix = |f: fn(&Self) -> f64| (f(k1) + 2.0 * (f(k2) + f(k3)) + f(k4)) / 6.0;
        let mut power = Energy::default();
        power.add(&k1.power, 1.0 / 6.0);
        power.add(&k2.power, 1.0 / 3.0);
        power.add(&k3.power, 1.0 / 3.0);
        power.add(&k4.power, 1.0 / 6.0);
        Self {
            speed: mix(|k| k.speed),
            accel: mix(|k| k.accel),
            flywheel_accel: mix(|k| k.flywheel_accel),
            power,
        }
    }
}

impl Energy {
    fn add(&mut self, other: &Self, factor: f64) {
        self.motor_j += other.motor_j * factor;
        self.brake_j += other.brake_j * factor;
        self.friction_j += other.friction_j * factor;
        self.clutch_j += other.clutch_j * factor;
        self.work_j += other.work_j * factor;
        self.barring_j += other.barring_j * factor;
    }
}

/// Sign with zero at zero.
fn sign(value: f64) -> f64 {
    if value == 0.0 { 0.0 } else { value.signum() }
}
