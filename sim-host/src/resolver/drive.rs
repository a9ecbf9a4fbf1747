//! The drive between crank and resolver: from crank angle to the electrical angle of the rotor.

use super::{ResolverFaults, ResolverSetup, Turning};

/// Where the rotor is held, rad of the crank.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rotor {
    angle_rad: f64,
    placed: bool,
    /// The crank when it was last looked at, and how far a dragging coupling has fallen behind it.
    crank_rad: f64,
    crept_rad: f64,
    half_lash_rad: f64,
    turning: f64,
    zero_rad: f64,
    uneven: Option<Uneven>,
}

/// Periodic errors of the drive.
#[derive(Clone, Copy, Debug)]
struct Uneven {
    runout_rad: f64,
    ripple_rad: f64,
    teeth: f64,
}

impl Rotor {
    pub(super) fn new(setup: &ResolverSetup) -> Self {
        let uneven = Uneven {
            runout_rad: setup.runout_deg.to_radians(),
            ripple_rad: setup.tooth_ripple_deg.to_radians(),
            teeth: setup.teeth,
        };
        let is_uneven = uneven.runout_rad != 0.0 || uneven.ripple_rad != 0.0;
        Self {
            angle_rad: 0.0,
            placed: false,
            crank_rad: 0.0,
            crept_rad: 0.0,
            half_lash_rad: 0.5 * setup.lash_deg.to_radians(),
            turning: if setup.reversed {
                -setup.ratio
            } else {
                setup.ratio
            },
            zero_rad: setup.zero_deg.to_radians(),
            uneven: is_uneven.then_some(uneven),
        }
    }

    /// The rotor's electrical angle as the crank moves.
    pub(super) fn follow(&mut self, crank: &Turning, faults: &ResolverFaults) -> Turning {
        let moves = !faults.decoupled && self.take_up_lash(crank.angle_rad);
        self.crept_rad += faults.creep * (crank.angle_rad - self.crank_rad);
        self.crank_rad = crank.angle_rad;
        let kept = if moves { 1.0 - faults.creep } else { 0.0 };
        let mut rotor = Turning {
            angle_rad: self.angle_rad - self.crept_rad,
            speed_rad_s: kept * crank.speed_rad_s,
            accel_rad_s2: kept * crank.accel_rad_s2,
        };
        if let Some(uneven) = self.uneven {
            uneven.bend(&mut rotor);
        }
        let turned_rad = faults.slip_deg.to_radians();
        Turning {
            angle_rad: self.turning * (rotor.angle_rad + turned_rad) + self.zero_rad
                - faults.body_deg.to_radians(),
            speed_rad_s: self.turning * rotor.speed_rad_s,
            accel_rad_s2: self.turning * rotor.accel_rad_s2,
        }
    }

    /// Moves the rotor with the crank where the lash is used up; whether it moves.
    fn take_up_lash(&mut self, crank_rad: f64) -> bool {
        if !self.placed {
            // As after normal travel: the rotor trails by half the lash.
            self.angle_rad = crank_rad - self.half_lash_rad;
            self.placed = true;
        }
        let ahead_rad = crank_rad - self.angle_rad;
        if ahead_rad >= self.half_lash_rad {
            self.angle_rad = crank_rad - self.half_lash_rad;
        } else if ahead_rad <= -self.half_lash_rad {
            self.angle_rad = crank_rad + self.half_lash_rad;
        } else {
            return false;
        }
        true
    }
}

impl Uneven {
    /// Adds the errors to angle and speed; within one frame they do not accelerate.
    fn bend(&self, rotor: &mut Turning) {
        let (sin, cos) = rotor.angle_rad.sin_cos();
        let (tooth_sin, tooth_cos) = (self.teeth * rotor.angle_rad).sin_cos();
        rotor.angle_rad += self.runout_rad * sin + self.ripple_rad * tooth_sin;
        rotor.speed_rad_s *= 1.0 + self.runout_rad * cos + self.ripple_rad * self.teeth * tooth_cos;
    }
}
