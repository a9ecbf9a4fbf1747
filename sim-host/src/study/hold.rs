//! The rest after a stop, watched: a crank has stopped only if it stays.

use super::motion::median;
use super::polynomial;

/// A crank that moves by more than this did not hold.
pub(super) const DRIFT_MAX_DEG: f64 = 0.5;
/// Shorter rests tell nothing about creeping.
const CREEP_WATCH_MIN_S: f64 = 0.1;

/// The rest as it was watched.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hold {
    pub(super) watched_s: f64,
    /// How far the crank was at the end of the watch from where it had come to rest.
    pub(super) drift_deg: f64,
    /// Speed in each half, degrees per second; 0 where noise explains it.
    speeds: [f64; 2],
}

impl Hold {
    /// Watches samples (time, travel) from standstill on, for `watch_s` at the most.
    pub(super) fn watch(
        samples: &[(f64, f64)],
        (standstill_s, rest_deg): (f64, f64),
        watched_s: f64,
        noise_deg: f64,
    ) -> Self {
        let part = |from: f64, to: f64| -> Vec<(f64, f64)> {
            let range = standstill_s + from * watched_s..=standstill_s + to * watched_s;
            samples
                .iter()
                .copied()
                .filter(|sample| range.contains(&sample.0))
                .collect()
        };
        let speed = |part: &[(f64, f64)]| match polynomial::fit(part, 1, noise_deg) {
            Some(line) if line.coefficient(1).abs() > 4.0 * line.sigma(1) => line.coefficient(1),
            _ => 0.0,
        };
        let last: Vec<f64> = part(0.8, 1.0).iter().map(|sample| sample.1).collect();
        Self {
            watched_s,
            drift_deg: median(&last).unwrap_or(rest_deg) - rest_deg,
            speeds: [speed(&part(0.0, 0.5)), speed(&part(0.5, 1.0))],
        }
    }

    /// Speed of a crank that turned on the same way all the time, faster than `limit_deg_s`.
    pub(super) fn creep_deg_s(&self, limit_deg_s: f64) -> Option<f64> {
        let [first, second] = self.speeds;
        let creeps = first.abs().min(second.abs()) > limit_deg_s && first * second > 0.0;
        (creeps && self.watched_s > CREEP_WATCH_MIN_S).then_some(second)
    }

    pub(super) fn has_moved(&self) -> bool {
        self.drift_deg.abs() > DRIFT_MAX_DEG
    }
}
