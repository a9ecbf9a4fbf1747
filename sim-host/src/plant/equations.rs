//! The equations of motion in each mode, and the energies that go with them.

use super::Plant;

/// Angle and speeds of crank and flywheel (at the crank).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Motion {
    pub(super) angle_rad: f64,
    /// Sine and cosine of the angle.
    pub(super) sin: f64,
    pub(super) cos: f64,
    pub(super) speed_rad_s: f64,
    pub(super) flywheel_rad_s: f64,
}

/// Whether the crank turns, and which way (+1 forward, −1 reverse).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Crank {
    Standing,
    Turning(f64),
}

/// Whether crank and flywheel turn as one, and if not, whether the flywheel drives (+1) or brakes
/// the crank (−1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Clutch {
    Locked,
    Slipping(f64),
}

/// Energies, J, each positive in its usual direction.
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

/// Rates of change at one instant.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Rates {
    speed: f64,
    pub(super) accel: f64,
    flywheel_accel: f64,
    /// Torque by which the mode could hold on: of the locked clutch beyond what it carries, of
    /// brake and friction beyond what pulls at the standing crank, N·m. Negative: the mode ends.
    pub(super) margin_nm: f64,
    /// Torque that goes through the train to the crank, N·m.
    pub(super) drive_nm: f64,
}

/// Torque capacities of the friction faces at an instant.
#[derive(Clone, Copy, Debug)]
struct Torques {
    brake_nm: f64,
    clutch_nm: f64,
}

/// Torques at the crank but the clutch's, those of inertia included.
#[derive(Clone, Copy, Debug)]
struct Load {
    inertia: f64,
    crank_nm: f64,
    work_nm: f64,
    barring_nm: f64,
}

impl Motion {
    pub(super) fn at(angle_rad: f64, speed_rad_s: f64, flywheel_rad_s: f64) -> Self {
        let (sin, cos) = angle_rad.sin_cos();
        Self {
            angle_rad,
            sin,
            cos,
            speed_rad_s,
            flywheel_rad_s,
        }
    }

    pub(super) fn moved(&self, rates: &Rates, span_s: f64) -> Self {
        let angle_rad = self.angle_rad + rates.speed * span_s;
        let speed_rad_s = self.speed_rad_s + rates.accel * span_s;
        let flywheel_rad_s = self.flywheel_rad_s + rates.flywheel_accel * span_s;
        Self::at(angle_rad, speed_rad_s, flywheel_rad_s)
    }

    /// As [`Self::moved`], for a point that is used and thrown away: sine and cosine are turned on
    /// by a series, good to 1e-12 for the hundredth of a radian that half a step moves the crank.
    pub(super) fn nudged(&self, rates: &Rates, span_s: f64) -> Self {
        let turned = rates.speed * span_s;
        let square = turned * turned;
        let cos_turned = 1.0 - square * (0.5 - square / 24.0);
        let sin_turned = turned * (1.0 - square * (1.0 - square / 20.0) / 6.0);
        Self {
            angle_rad: self.angle_rad + turned,
            sin: self.sin * cos_turned + self.cos * sin_turned,
            cos: self.cos * cos_turned - self.sin * sin_turned,
            speed_rad_s: self.speed_rad_s + rates.accel * span_s,
            flywheel_rad_s: self.flywheel_rad_s + rates.flywheel_accel * span_s,
        }
    }

    /// How much faster the flywheel is than the crank, rad/s.
    pub(super) fn slip_rad_s(&self) -> f64 {
        self.flywheel_rad_s - self.speed_rad_s
    }
}

impl Energy {
    /// Adds what flows in a span; `power` is in J/s.
    pub(super) fn flow(&mut self, power: &Self, span_s: f64) {
        self.motor_j += power.motor_j * span_s;
        self.brake_j += power.brake_j * span_s;
        self.friction_j += power.friction_j * span_s;
        self.clutch_j += power.clutch_j * span_s;
        self.work_j += power.work_j * span_s;
        self.barring_j += power.barring_j * span_s;
    }
}

impl Plant {
    /// The equations of the present mode at a point.
    pub(super) fn rates(&self, time_s: f64, at: &Motion) -> Rates {
        self.rates_and_power(time_s, at).0
    }

    /// The equations of the present mode at a point, and the energy that flows there, J/s. Written
    /// out where it is used: a step needs the power at its middle only, the rates at both points.
    #[inline(always)]
    pub(super) fn rates_and_power(&self, time_s: f64, at: &Motion) -> (Rates, Energy) {
        let torques = self.torques(time_s);
        let motor_nm = self.motor_nm(at.flywheel_rad_s);
        match self.crank {
            Crank::Standing => self.standing(at, &torques, motor_nm),
            Crank::Turning(direction) => self.turning(at, direction, &torques, motor_nm),
        }
    }

    #[inline(always)]
    fn standing(&self, at: &Motion, torques: &Torques, motor_nm: f64) -> (Rates, Energy) {
        let drive_nm = torques.clutch_nm * sign(at.flywheel_rad_s);
        let pull_nm = self.rest_nm() + drive_nm;
        let hold_nm =
            torques.brake_nm + self.machine.friction_nm + self.work_against_nm(at, pull_nm);
        let rates = Rates {
            flywheel_accel: (motor_nm - drive_nm) / self.machine.flywheel_kg_m2,
            margin_nm: hold_nm - pull_nm.abs(),
            // The brake holds the weight.
            drive_nm: -self.rest_pull_nm,
            ..Rates::default()
        };
        let power = Energy {
            motor_j: motor_nm * at.flywheel_rad_s,
            clutch_j: drive_nm * at.flywheel_rad_s,
            ..Energy::default()
        };
        (rates, power)
    }

    #[inline(always)]
    fn turning(
        &self,
        at: &Motion,
        direction: f64,
        torques: &Torques,
        motor_nm: f64,
    ) -> (Rates, Energy) {
        let load = self.load(at, direction, torques.brake_nm);
        let flywheel = self.machine.flywheel_kg_m2;
        let (clutch_nm, accel, flywheel_accel) = match self.clutch {
            Clutch::Locked => {
                let accel = (load.crank_nm + motor_nm) / (load.inertia + flywheel);
                (motor_nm - flywheel * accel, accel, accel)
            }
            Clutch::Slipping(driving) => {
                let clutch_nm = torques.clutch_nm * driving;
                (
                    clutch_nm,
                    (load.crank_nm + clutch_nm) / load.inertia,
                    (motor_nm - clutch_nm) / flywheel,
                )
            }
        };
        let rates = Rates {
            speed: at.speed_rad_s,
            accel,
            flywheel_accel,
            margin_nm: torques.clutch_nm - clutch_nm.abs(),
            drive_nm: clutch_nm - direction * torques.brake_nm + load.barring_nm,
        };
        let along = direction * at.speed_rad_s;
        let power = Energy {
            motor_j: motor_nm * at.flywheel_rad_s,
            brake_j: torques.brake_nm * along,
            friction_j: self.machine.friction_nm * along,
            clutch_j: clutch_nm * at.slip_rad_s(),
            work_j: load.work_nm * at.speed_rad_s,
            barring_j: load.barring_nm * at.speed_rad_s,
        };
        (rates, power)
    }

    /// Work that would have to be done if the crank gave way to this pull, N·m.
    fn work_against_nm(&self, at: &Motion, pull_nm: f64) -> f64 {
        if !self.machine.works() {
            return 0.0;
        }
        let gradient = self.machine.pose(at).gradient;
        self.machine.work_nm(at.angle_rad, gradient, pull_nm).abs()
    }

    /// Torque with which all but brake and friction pulls at the standing crank, N·m.
    pub(super) fn pull_nm(&self) -> f64 {
        let drive_nm = self.torques(self.time_s).clutch_nm * sign(self.motion.flywheel_rad_s);
        self.rest_nm() + drive_nm
    }

    /// Torque of weight and turning gear at the standing crank, N·m.
    fn rest_nm(&self) -> f64 {
        self.rest_pull_nm + self.barring.push_nm(self.rest_pull_nm)
    }

    /// Torque of the weight at the crank where it is now, N·m.
    pub(super) fn weight_nm(&self) -> f64 {
        self.unbalanced_n(&self.motion) * self.machine.pose(&self.motion).gradient
    }

    /// Difference in acceleration by which a slipping clutch without torque would drift apart:
    /// flywheel less crank, rad/s².
    pub(super) fn drift_rad_s2(&self, direction: f64) -> f64 {
        let brake_nm = self.torques(self.time_s).brake_nm;
        let load = self.load(&self.motion, direction, brake_nm);
        let motor_nm = self.motor_nm(self.motion.flywheel_rad_s);
        motor_nm / self.machine.flywheel_kg_m2 - load.crank_nm / load.inertia
    }

    /// Speed at which crank and flywheel go on when they lock, rad/s.
    pub(super) fn together_rad_s(&self) -> f64 {
        let inertia = self.machine.pose(&self.motion).inertia;
        let flywheel = self.machine.flywheel_kg_m2;
        (inertia * self.motion.speed_rad_s + flywheel * self.motion.flywheel_rad_s)
            / (inertia + flywheel)
    }

    fn unbalanced_n(&self, at: &Motion) -> f64 {
        self.counterbalance
            .unbalanced_n(|| self.machine.slide_m(at.angle_rad))
    }

    #[inline(always)]
    fn load(&self, at: &Motion, direction: f64, brake_nm: f64) -> Load {
        let machine = &self.machine;
        let pose = machine.pose(at);
        // By the direction of the mode: the middle of the last step before rest may lie past the zero of
        // speed, and work met there the other way would throw the crank back over it.
        let work_nm = machine.work_nm(at.angle_rad, pose.gradient, direction);
        let other_nm = self.unbalanced_n(at) * pose.gradient
            - work_nm
            - direction * (brake_nm + machine.friction_nm)
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

    fn motor_nm(&self, flywheel_rad_s: f64) -> f64 {
        self.machine
            .motor_nm(self.motor_on, self.setting.now_rad_s, flywheel_rad_s)
    }

    fn torques(&self, time_s: f64) -> Torques {
        let shares = self.air.shares(time_s);
        let set = if self.barring.releases_brake() {
            0.0
        } else {
            shares.brake
        };
        Torques {
            brake_nm: self.machine.brake_nm * set,
            clutch_nm: self.machine.clutch_nm * shares.clutch,
        }
    }
}

/// Sign with zero at zero.
pub(super) fn sign(value: f64) -> f64 {
    if value == 0.0 { 0.0 } else { value.signum() }
}
