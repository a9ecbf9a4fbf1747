//! Shaft twist and gear lash between brake and crank.
//!
//! Brake and clutch sit on the drive side, the inertia on the crank side, a spring with a dead zone
//! between them. The drive side moves as the rigid press does; the crank side runs ahead of it or
//! behind by a twist δ that obeys
//!
//! J δ̈ = −T_drive − k·dead(δ) − c·δ̇ − T_friction sgn δ̇ (the last only when the drive side stands)
//!
//! with T_drive the torque that the rigid press transmits. While the brake slows the crank, it leads
//! by T/k and half the lash; when the drive side has come to rest, it swings back and rings until
//! friction has eaten the swing. The drive side does not feel this (it is held by the brake or
//! carried by the flywheel). The first zero of crank speed moves by a few milliseconds against the
//! rigid press, depending on where in its swing the crank is.

use super::STEP_S;
use super::equations::sign;
use crate::press::Press;

/// Damping of the twisted train as a share of critical. Invented: with running friction it lets the
/// crank ring for 50 to 150 ms.
const DAMPING: f64 = 0.05;
/// Radians of ringing in one step that the integration still follows.
const STIFFEST_PER_STEP: f64 = 0.3;

/// The twist of one press's train.
#[derive(Clone, Copy, Debug)]
pub(super) struct WindUp {
    stiffness_nm_rad: f64,
    half_lash_rad: f64,
    damping_nm_s: f64,
    /// How far the crank is ahead of the drive side.
    pub(super) twist_rad: f64,
    pub(super) rate_rad_s: f64,
    pub(super) accel_rad_s2: f64,
}

impl WindUp {
    /// `None` for a press without gears, or with a train so stiff that its ringing lies beyond what
    /// the step can follow and a resolver can see: it is rigid.
    pub(super) fn new(press: &Press) -> Option<Self> {
        let stiffness_nm_rad = press.drive_train.stiffness_nm_per_rad;
        let critical_nm_s = 2.0 * (stiffness_nm_rad * press.masses.crank_kg_m2).sqrt();
        let ringing_rad_s = (stiffness_nm_rad / press.masses.crank_kg_m2).sqrt();
        let is_soft = (1e-3..STIFFEST_PER_STEP / STEP_S).contains(&ringing_rad_s);
        is_soft.then_some(Self {
            stiffness_nm_rad,
            half_lash_rad: 0.5 * press.drive_train.lash_deg.to_radians(),
            damping_nm_s: DAMPING * critical_nm_s,
            twist_rad: 0.0,
            rate_rad_s: 0.0,
            accel_rad_s2: 0.0,
        })
    }

    /// One short step; `standing_friction_nm` is given when the drive side stands.
    pub(super) fn step(
        &mut self,
        span_s: f64,
        inertia: f64,
        drive_nm: f64,
        standing_friction_nm: Option<f64>,
    ) {
        let beyond_rad = self.twist_rad
            - self
                .twist_rad
                .clamp(-self.half_lash_rad, self.half_lash_rad);
        let damping_nm = if beyond_rad == 0.0 {
            0.0
        } else {
            self.damping_nm_s * self.rate_rad_s
        };
        let push_nm = -drive_nm - self.stiffness_nm_rad * beyond_rad - damping_nm;
        let friction_nm = standing_friction_nm.unwrap_or(0.0);
        if self.rate_rad_s == 0.0 && push_nm.abs() <= friction_nm {
            self.accel_rad_s2 = 0.0;
            return;
        }
        let moves = if self.rate_rad_s == 0.0 {
            push_nm
        } else {
            self.rate_rad_s
        };
        self.accel_rad_s2 = (push_nm - friction_nm * sign(moves)) / inertia;
        let rate_rad_s = self.rate_rad_s + self.accel_rad_s2 * span_s;
        // Dry friction ends a swing at its turning point; whether another begins is judged anew.
        let turns = self.rate_rad_s * rate_rad_s < 0.0 && friction_nm > 0.0;
        self.rate_rad_s = if turns { 0.0 } else { rate_rad_s };
        self.twist_rad += self.rate_rad_s * span_s;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    const SPAN_S: f64 = 200e-6;

    fn train(lash_deg: f64) -> (WindUp, f64) {
        let mut press = Press::builtin("B").unwrap();
        press.drive_train.lash_deg = lash_deg;
        (WindUp::new(&press).unwrap(), press.masses.crank_kg_m2)
    }

    #[test]
    fn a_twist_let_go_rings_at_the_root_of_stiffness_over_inertia_and_dies_away() {
        let (mut train, inertia) = train(0.0);
        train.twist_rad = 0.005;
        let (mut peaks, mut rising) = (Vec::new(), false);
        for step in 0..5_000 {
            train.step(SPAN_S, inertia, 0.0, None);
            if rising && train.rate_rad_s < 0.0 {
                peaks.push((f64::from(step) * SPAN_S, train.twist_rad));
            }
            rising = train.rate_rad_s > 0.0;
        }
        let period_s = (peaks[4].0 - peaks[0].0) / 4.0;
        let expected_s = TAU * (inertia / 400_000.0_f64).sqrt();
        assert!(
            (period_s / expected_s - 1.0).abs() < 0.01,
            "{period_s} {expected_s}"
        );
        // Logarithmic decrement: 2π times the damping share.
        let decrement = (peaks[0].1 / peaks[1].1).ln();
        assert!(
            (decrement / (TAU * DAMPING) - 1.0).abs() < 0.05,
            "{decrement}"
        );
    }

    #[test]
    fn a_steady_brake_twists_the_train_by_torque_over_stiffness_and_half_the_lash() {
        let (mut train, inertia) = train(0.25);
        for _ in 0..20_000 {
            train.step(SPAN_S, inertia, -2_100.0, None);
        }
        let expected_rad = 2_100.0 / 400_000.0 + 0.125_f64.to_radians();
        assert!(
            (train.twist_rad - expected_rad).abs() < 1e-6,
            "{}",
            train.twist_rad
        );
    }
}
