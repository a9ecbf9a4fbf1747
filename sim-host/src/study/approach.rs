//! The crank at the stop command, from the samples before it.

use super::polynomial;
use super::recording::Recording;

/// Speed at the command is taken over this much travel, and this much time, before it.
const TRAVEL_DEG: f64 = 30.0;
const SPAN_MIN_S: f64 = 0.010;
/// The longest time.
pub(super) const SPAN_MAX_S: f64 = 0.080;
const SAMPLES: f64 = 7.0;
/// A crank whose speed changes by its own amount within this time is still being started: a clutch
/// takes 20 to 80 ms to bring it to speed (presses A to H).
const STARTING_S: f64 = 0.1;

/// Where the crank was at the command, and how it moved.
#[derive(Clone, Copy, Debug)]
pub(super) struct Approach {
    /// +1 in normal travel, −1 against it.
    pub(super) sense: f64,
    /// Continuous angle.
    pub(super) deg: f64,
    pub(super) deg_sigma: f64,
    /// Along `sense`, so never negative.
    pub(super) speed_deg_s: f64,
    pub(super) speed_sigma: f64,
    pub(super) is_starting: bool,
}

impl Approach {
    /// `None` when there are too few samples before the command.
    pub(super) fn before(recording: &Recording, command_s: f64) -> Option<Self> {
        let first = Self::over(recording, command_s, SPAN_MAX_S)?;
        let span = TRAVEL_DEG / first.speed_deg_s.max(1e-3);
        Self::over(recording, command_s, span.clamp(SPAN_MIN_S, SPAN_MAX_S))
    }

    fn over(recording: &Recording, command_s: f64, span_s: f64) -> Option<Self> {
        let span = span_s.max(SAMPLES * recording.sample_period_s);
        let samples = recording.samples_after(command_s, -span, 0.0);
        let parabola = polynomial::fit(&samples, 2, recording.noise_deg)?;
        let speed = parabola.coefficient(1);
        let (bend, bend_sigma) = (2.0 * parabola.coefficient(2).abs(), 2.0 * parabola.sigma(2));
        Some(Self {
            sense: speed.signum(),
            deg: parabola.coefficient(0),
            deg_sigma: parabola.sigma(0),
            speed_deg_s: speed.abs(),
            speed_sigma: parabola.sigma(1),
            is_starting: (bend - 4.0 * bend_sigma) * STARTING_S > speed.abs(),
        })
    }
}
