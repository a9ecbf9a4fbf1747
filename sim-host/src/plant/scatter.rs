//! What differs from stop to stop: spool delays and brake torque.
//!
//! Each stop draws from streams named by seed and its number, so that a stop is the same whatever
//! happened before it, and switching one fault on shifts no other draw.

use super::setup::{Setup, Sticking};
use crate::press::Press;
use crate::prng::{self, Stream};
use rand::RngExt;
use rand_distr::{Distribution, Exp1, StandardNormal};

/// Jitter of a sound spool, one sigma of the logarithm of its shift time. Invented.
const SPOOL_JITTER: f64 = 0.02;
/// Rest that doubles the chance of sticking, s, and the most it does.
const STICKING_REST_S: f64 = 600.0;
const STICKING_MOST: f64 = 10.0;
/// Stops after which oil and valve are warm.
const COLD_STOPS: f64 = 10.0;

/// Scatter of one stop.
#[derive(Clone, Copy, Debug)]
pub(super) struct StopDraw {
    /// Number of the stop in the run, from 1.
    pub(super) number: u64,
    /// How much later than nominal each element goes off, s.
    pub(super) shift_delay_s: [f64; 2],
    /// Factor on the brake torque.
    pub(super) brake_factor: f64,
}

/// What a draw depends on besides its number.
#[derive(Clone, Copy, Debug)]
pub(super) struct StopHistory {
    /// Stops made since the start, those of a soak included.
    pub(super) stops: f64,
    /// How long the valve rested before this stroke, s.
    pub(super) rested_s: f64,
}

impl StopDraw {
    /// The nominal stop.
    pub(super) const fn nominal(number: u64) -> Self {
        Self {
            number,
            shift_delay_s: [0.0; 2],
            brake_factor: 1.0,
        }
    }

    pub(super) fn new(
        number: u64,
        press: &Press,
        setup: &Setup,
        seed: u64,
        history: &StopHistory,
    ) -> Self {
        let mut draw = Self::nominal(number);
        let cold_s = 1e-3 * setup.cold_start_ms * (1.0 - history.stops / COLD_STOPS).max(0.0);
        draw.shift_delay_s = [cold_s; 2];
        if setup.scatter {
            draw.scatter(press, prng::numbered_stream(seed, "stop", number));
        }
        let mut stream = prng::numbered_stream(seed, "sticking", number);
        for (delay_s, sticking) in draw
            .shift_delay_s
            .iter_mut()
            .zip(setup.faults.valve_sticking)
        {
            *delay_s += sticking_s(&sticking, history.rested_s, &mut stream);
        }
        draw
    }

    fn scatter(&mut self, press: &Press, mut stream: Stream) {
        let mut normal = || -> f64 { StandardNormal.sample(&mut stream) };
        let common_s = 1e-3 * press.scatter.reaction_ms * normal();
        self.brake_factor = (1.0 + press.scatter.brake_torque * normal()).max(0.2);
        let shift_s = 1e-3 * press.air.shift_off_ms;
        for delay_s in &mut self.shift_delay_s {
            *delay_s += common_s + shift_s * ((SPOOL_JITTER * normal()).exp() - 1.0);
        }
    }
}

fn sticking_s(sticking: &Sticking, rested_s: f64, stream: &mut Stream) -> f64 {
    let chance = sticking.chance * (1.0 + rested_s / STICKING_REST_S).min(STICKING_MOST);
    let sticks = stream.random::<f64>() < chance;
    let share: f64 = Exp1.sample(stream);
    if sticks {
        1e-3 * sticking.mean_ms * share
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn draws(change: impl Fn(&mut Setup), rested_s: f64) -> Vec<StopDraw> {
        let press = Press::builtin("B").unwrap();
        let mut setup = Setup::nominal(&press);
        change(&mut setup);
        let history = StopHistory {
            stops: 3.0,
            rested_s,
        };
        (1..4_001)
            .map(|number| StopDraw::new(number, &press, &setup, 5, &history))
            .collect()
    }

    #[test]
    fn sticking_of_one_element_shifts_no_other_draw() {
        let sound = draws(|_| {}, 0.0);
        let sticking = draws(|setup| setup.faults.valve_sticking[0].chance = 0.3, 0.0);
        for (a, b) in sound.iter().zip(&sticking) {
            assert_eq!(a.brake_factor, b.brake_factor);
            assert_eq!(a.shift_delay_s[1], b.shift_delay_s[1]);
        }
    }

    #[test]
    fn sticking_is_as_frequent_and_as_long_as_set_and_more_frequent_after_a_rest() {
        let late = |rested_s: f64| {
            let sticks = |setup: &mut Setup| {
                setup.scatter = false;
                setup.faults.valve_sticking[1] = Sticking {
                    chance: 0.02,
                    mean_ms: 40.0,
                };
            };
            let draws = draws(sticks, rested_s);
            let late: Vec<f64> = draws
                .iter()
                .map(|draw| draw.shift_delay_s[1])
                .filter(|delay_s| *delay_s > 0.0)
                .collect();
            let share = late.len() as f64 / draws.len() as f64;
            (share, late.iter().sum::<f64>() / late.len() as f64)
        };
        let (share, mean_s) = late(0.0);
        assert!((share - 0.02).abs() < 0.007, "{share}");
        assert!((mean_s - 0.040).abs() < 0.012, "{mean_s}");
        let (rested, _) = late(1_800.0);
        assert!((rested - 0.08).abs() < 0.014, "{rested}");
    }

    #[test]
    fn a_cold_valve_is_late_by_less_with_every_stop() {
        let cold = |stops: f64| {
            let press = Press::builtin("H").unwrap();
            let setup = Setup {
                cold_start_ms: 40.0,
                scatter: false,
                ..Setup::nominal(&press)
            };
            let history = StopHistory {
                stops,
                rested_s: 0.0,
            };
            StopDraw::new(1, &press, &setup, 5, &history).shift_delay_s[0]
        };
        assert_eq!(cold(0.0), 0.040);
        assert!((cold(5.0) - 0.020).abs() < 1e-12);
        assert_eq!(cold(10.0), 0.0);
    }
}
