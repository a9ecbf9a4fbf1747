//! The masses and torques of a press at the crank, in SI units: one crank, one flywheel, a clutch
//! between them, a brake on the crank side.
//!
//! With θ the crank angle, x(θ) the slide travel and x′, x″ its derivatives (Lagrange's equation
//! for one coordinate):
//!
//! J(θ) ω̇ + ½ J′(θ) ω² = T_clutch + T_bar − (T_brake + T_friction) sgn ω + (m g − F_cb) x′ − F_w x′
//!
//! with J = J_crank + m x′², J′ = 2 m x′ x″. The flywheel: J_f ω̇_f = T_motor − T_clutch.

use super::equations::Motion;
use super::setup::Setup;
use crate::kinematics;
use crate::press::Press;
use std::f64::consts::PI;

/// Standard gravity, m/s².
pub(super) const GRAVITY_M_S2: f64 = 9.806_65;
/// Share of the rated torque that slows the flywheel with the motor off (bearings, windage): it
/// runs for minutes. Invented.
const RUN_DOWN_SHARE: f64 = 0.05;

/// A press with one set-up, ready to integrate.
#[derive(Clone, Debug)]
pub(super) struct Machine {
    r_m: f64,
    rod_m: f64,
    mass_kg: f64,
    crank_kg_m2: f64,
    pub(super) flywheel_kg_m2: f64,
    pub(super) friction_nm: f64,
    pub(super) clutch_nm: f64,
    /// Full brake torque of the running stop.
    pub(super) brake_nm: f64,
    /// Work curve: heights above bottom (falling, m) and forces (N).
    work: Vec<(f64, f64)>,
    motor: MotorCurve,
}

#[derive(Clone, Copy, Debug)]
struct MotorCurve {
    rated_nm: f64,
    pull_out: f64,
    /// Torque over relative slip, N·m.
    steepness_nm: f64,
    can_brake: bool,
}

/// Geometry at one crank angle.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pose {
    /// Inertia at the crank, kg·m².
    pub(super) inertia: f64,
    /// Half its derivative by angle, kg·m².
    pub(super) half_inertia_slope: f64,
    /// Slide travel by angle, m.
    pub(super) gradient: f64,
}

impl Machine {
    pub(super) fn new(press: &Press, setup: &Setup) -> Self {
        let work_n = 1e3 * setup.work_share * setup.faults.work_factor;
        let points = press.work.height_mm.iter().zip(&press.work.force_kn);
        let rated_nm = 1e3 * press.motor.power_kw / (press.speed.nominal_spm * PI / 30.0);
        Self {
            r_m: press.crank_radius_mm() * 1e-3,
            rod_m: press.frame.rod_mm * 1e-3,
            mass_kg: press.masses.slide_kg + setup.die_kg,
            crank_kg_m2: press.masses.crank_kg_m2,
            flywheel_kg_m2: press.masses.flywheel_kg_m2,
            friction_nm: press.drive_train.friction_nm,
            clutch_nm: press.clutch.torque_nm * setup.faults.clutch_factor,
            brake_nm: press.brake.torque_nm,
            work: if work_n > 0.0 {
                points.map(|(h, f)| (h * 1e-3, f * work_n)).collect()
            } else {
                Vec::new()
            },
            motor: MotorCurve {
                rated_nm,
                pull_out: press.motor.pull_out,
                steepness_nm: rated_nm * 100.0 / press.motor.rated_slip_percent,
                can_brake: press.motor.variable_speed,
            },
        }
    }

    pub(super) fn pose(&self, at: &Motion) -> Pose {
        let (gradient, curvature) = kinematics::gradients_of(self.r_m, self.rod_m, at.sin, at.cos);
        Pose {
            inertia: self.crank_kg_m2 + self.mass_kg * gradient * gradient,
            half_inertia_slope: self.mass_kg * gradient * curvature,
            gradient,
        }
    }

    pub(super) fn slide_m(&self, angle_rad: f64) -> f64 {
        kinematics::slide_travel_mm(self.r_m, self.rod_m, angle_rad)
    }

    /// Whether the stroke meets work.
    pub(super) fn works(&self) -> bool {
        !self.work.is_empty()
    }

    /// Torque of the work curve, against motion to the side that the sign of `towards` says; only
    /// while the slide goes down.
    pub(super) fn work_nm(&self, angle_rad: f64, gradient: f64, towards: f64) -> f64 {
        match self.work.first() {
            Some((top_m, _)) if gradient * towards > 0.0 => {
                let height_m = 2.0 * self.r_m - self.slide_m(angle_rad);
                if height_m >= *top_m {
                    return 0.0;
                }
                self.work_force_n(height_m) * gradient
            }
            _ => 0.0,
        }
    }

    fn work_force_n(&self, height_m: f64) -> f64 {
        for pair in self.work.windows(2) {
            let ((high, force_high), (low, force_low)) = (pair[0], pair[1]);
            if height_m >= low {
                let share = (height_m - low) / (high - low);
                return force_low + share * (force_high - force_low);
            }
        }
        self.work.last().map_or(0.0, |(_, force)| *force)
    }

    /// Deceleration of the free flywheel with the motor off, rad/s².
    pub(super) fn run_down_rad_s2(&self) -> f64 {
        RUN_DOWN_SHARE * self.motor.rated_nm / self.flywheel_kg_m2
    }

    /// Torque of the motor at the crank; off, the flywheel's own drag.
    pub(super) fn motor_nm(&self, on: bool, setting_rad_s: f64, flywheel_rad_s: f64) -> f64 {
        let motor = &self.motor;
        if !on || setting_rad_s <= 0.0 {
            let turns = if flywheel_rad_s == 0.0 {
                0.0
            } else {
                flywheel_rad_s.signum()
            };
            return -RUN_DOWN_SHARE * motor.rated_nm * turns;
        }
        let torque = motor.steepness_nm * (1.0 - flywheel_rad_s / setting_rad_s);
        let lowest = if motor.can_brake {
            -motor.rated_nm
        } else {
            0.0
        };
        torque.clamp(lowest, motor.pull_out * motor.rated_nm)
    }
}
