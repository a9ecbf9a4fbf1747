//! Turning gear: turns the crank slowly with the brake released by hand.
//!
//! It follows a speed that rises and falls gently, with a limited torque. When it has come to rest
//! after a command of 0, the brake is set again and holds.

use crate::press::Press;

/// One stroke per minute: the fastest anyone bars a press.
const FASTEST_RAD_S: f64 = 6.0 * std::f64::consts::PI / 180.0;
/// Rise and fall of the speed, rad/s²: half a second to full speed.
const RISE_RAD_S2: f64 = 2.0 * FASTEST_RAD_S;
/// How quickly the crank follows the gear, s.
const FOLLOW_S: f64 = 0.01;
/// How long the gear holds at rest before the brake is set again, s: the crank has followed.
const SETTLE_S: f64 = 0.1;

/// The turning gear and its state.
#[derive(Clone, Copy, Debug)]
pub(super) struct Barring {
    wanted_rad_s: f64,
    now_rad_s: f64,
    settling_s: f64,
    torque_max_nm: f64,
}

impl Barring {
    /// A gear strong enough for friction and for the slide with its counterbalance lost.
    pub(super) fn new(press: &Press) -> Self {
        let weight_nm = press.slide_and_die_max_kg()
            * super::machine::GRAVITY_M_S2
            * press.crank_radius_mm()
            * 1.2e-3;
        Self {
            wanted_rad_s: 0.0,
            now_rad_s: 0.0,
            settling_s: 0.0,
            torque_max_nm: 1.5 * (weight_nm + press.drive_train.friction_nm),
        }
    }

    pub(super) fn command(&mut self, speed_rad_s: f64) {
        self.wanted_rad_s = if speed_rad_s.is_finite() {
            speed_rad_s.clamp(-FASTEST_RAD_S, FASTEST_RAD_S)
        } else {
            0.0
        };
        if self.wanted_rad_s != 0.0 {
            self.settling_s = SETTLE_S;
        }
    }

    pub(super) fn releases_brake(&self) -> bool {
        self.settling_s > 0.0
    }

    /// Whether its speed moved or the brake was set.
    pub(super) fn step(&mut self, span_s: f64) -> bool {
        if self.settling_s == 0.0 {
            return false;
        }
        let apart = self.wanted_rad_s - self.now_rad_s;
        let most = RISE_RAD_S2 * span_s;
        self.now_rad_s += apart.clamp(-most, most);
        if self.wanted_rad_s == 0.0 && self.now_rad_s == 0.0 {
            self.settling_s = (self.settling_s - span_s).max(0.0);
        }
        apart != 0.0 || self.settling_s == 0.0
    }

    /// Torque with which the gear pushes at a standing crank: as much as it has, until it moves;
    /// at rest it only takes up `load_nm`.
    pub(super) fn push_nm(&self, load_nm: f64) -> f64 {
        if !self.releases_brake() {
            0.0
        } else if self.now_rad_s == 0.0 {
            (-load_nm).clamp(-self.torque_max_nm, self.torque_max_nm)
        } else {
            self.torque_max_nm.copysign(self.now_rad_s)
        }
    }

    /// Torque at the crank that follows the gear's speed against `load_nm`, the torque all else
    /// puts on the crank.
    pub(super) fn torque_nm(&self, speed_rad_s: f64, inertia: f64, load_nm: f64) -> f64 {
        if !self.releases_brake() {
            return 0.0;
        }
        let follow_nm = inertia * (self.now_rad_s - speed_rad_s) / FOLLOW_S;
        (follow_nm - load_nm).clamp(-self.torque_max_nm, self.torque_max_nm)
    }
}
