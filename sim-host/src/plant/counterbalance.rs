//! Counterbalance of slide and upper die: air cylinders with a surge tank, or springs.
//!
//! Going down, the slide squeezes the air; the surge tank keeps the rise of pressure small. The set
//! share of the weight is carried at mid travel. A leak takes pressure away by and by.

use super::machine::GRAVITY_M_S2;
use super::setup::Setup;
use crate::press::Press;

/// Exponent of the squeezed air: between slow (1) and quick (1.4) strokes.
const EXPONENT: f64 = 1.3;

/// What carries the slide, and how much of it is left.
#[derive(Clone, Copy, Debug)]
pub(super) struct Counterbalance {
    weight_n: f64,
    /// Lift at mid travel, N.
    lift_n: f64,
    stroke_m: f64,
    area_m2: f64,
    /// Share of the air's volume that the whole stroke squeezes out.
    squeeze: f64,
    /// Share of the pressure lost to a leak, and how quickly it goes on, 1/s.
    left: f64,
    leak_per_s: f64,
    lost: bool,
}

impl Counterbalance {
    pub(super) fn new(press: &Press, setup: &Setup) -> Self {
        let weight_n = (press.masses.slide_kg + setup.die_kg) * GRAVITY_M_S2;
        Self {
            weight_n,
            lift_n: weight_n * setup.counterbalance_share,
            stroke_m: press.frame.stroke_mm * 1e-3,
            area_m2: press.counterbalance.area_m2,
            squeeze: 1.0 - (1.0 + setup.counterbalance_rise).powf(-1.0 / EXPONENT),
            left: 1.0,
            leak_per_s: setup.faults.counterbalance_leak_per_min / 60.0,
            lost: setup.faults.counterbalance_lost,
        }
    }

    /// A changed set-up or fault; what has leaked away stays away.
    pub(super) fn renew(&mut self, press: &Press, setup: &Setup) {
        *self = Self {
            left: self.left,
            ..Self::new(press, setup)
        };
    }

    /// Sets the pressure again: the leaked air is made up.
    pub(super) fn refill(&mut self) {
        self.left = 1.0;
    }

    pub(super) fn leak(&mut self, span_s: f64) {
        self.left *= 1.0 - (self.leak_per_s * span_s).min(1.0);
    }

    pub(super) fn leaks(&self) -> bool {
        self.leak_per_s > 0.0
    }

    /// Weight that is not carried, N; `slide_m` is the travel down from the top.
    pub(super) fn unbalanced_n(&self, slide_m: impl FnOnce() -> f64) -> f64 {
        if self.lost {
            return self.weight_n;
        }
        if self.squeeze == 0.0 {
            return self.weight_n - self.lift_n * self.left;
        }
        self.weight_n - self.lift_at_n(slide_m())
    }

    /// Pressure in the cylinders, bar; `None` without cylinders.
    pub(super) fn pressure_bar(&self, slide_m: f64) -> Option<f64> {
        let lift_n = self.weight_n - self.unbalanced_n(|| slide_m);
        (self.area_m2 > 0.0).then(|| lift_n / self.area_m2 * 1e-5)
    }

    /// Energy that weight less lift has given at this travel, J.
    pub(super) fn given_j(&self, slide_m: f64) -> f64 {
        let weight_j = self.weight_n * slide_m;
        if self.lost {
            return weight_j;
        }
        if self.squeeze == 0.0 {
            return weight_j - self.lift_n * self.left * slide_m;
        }
        let rest = EXPONENT - 1.0;
        let share = self.squeeze / self.stroke_m;
        let scale = self.lift_n * self.left * self.middle() / (rest * share);
        weight_j - scale * ((1.0 - share * slide_m).powf(-rest) - 1.0)
    }

    fn lift_at_n(&self, slide_m: f64) -> f64 {
        let squeezed = 1.0 - self.squeeze * slide_m / self.stroke_m;
        self.lift_n * self.left * self.middle() * squeezed.powf(-EXPONENT)
    }

    /// What makes the lift the set one at mid travel.
    fn middle(&self) -> f64 {
        (1.0 - 0.5 * self.squeeze).powf(EXPONENT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counterbalance(change: impl FnOnce(&mut Setup)) -> Counterbalance {
        let press = Press::builtin("C").unwrap();
        let mut setup = Setup::nominal(&press);
        change(&mut setup);
        Counterbalance::new(&press, &setup)
    }

    #[test]
    fn pressure_rises_over_the_stroke_by_the_set_share_and_carries_the_weight_at_mid_travel() {
        let c = counterbalance(|setup| setup.counterbalance_rise = 0.2);
        let (top, bottom) = (c.pressure_bar(0.0).unwrap(), c.pressure_bar(0.2).unwrap());
        assert!((bottom / top - 1.2).abs() < 1e-12);
        assert!(c.unbalanced_n(|| 0.1).abs() < 1e-9);
        assert!(c.unbalanced_n(|| 0.0) > 0.0 && c.unbalanced_n(|| 0.2) < 0.0);
    }

    #[test]
    fn energy_given_is_the_integral_of_the_unbalanced_weight() {
        for rise in [0.0, 0.15] {
            let c = counterbalance(|setup| {
                setup.counterbalance_rise = rise;
                setup.counterbalance_share = 0.8;
            });
            let steps = 10_000;
            let step_m = 0.17 / f64::from(steps);
            let sum: f64 = (0..steps)
                .map(|i| c.unbalanced_n(|| (f64::from(i) + 0.5) * step_m) * step_m)
                .sum();
            assert!(
                (sum - c.given_j(0.17)).abs() < 1e-3 * sum.abs(),
                "{sum} {}",
                c.given_j(0.17)
            );
        }
    }

    #[test]
    fn a_leak_halves_the_pressure_in_its_half_life_and_refilling_makes_it_up() {
        let mut c = counterbalance(|setup| setup.faults.counterbalance_leak_per_min = 0.05);
        let full = c.pressure_bar(0.0).unwrap();
        // ln 2 / 0.05 per minute.
        for _ in 0..83_178 {
            c.leak(0.01);
        }
        assert!((c.pressure_bar(0.0).unwrap() / full - 0.5).abs() < 1e-3);
        c.refill();
        assert_eq!(c.pressure_bar(0.0).unwrap(), full);
    }
}
