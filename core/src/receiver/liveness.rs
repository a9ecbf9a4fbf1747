//! Liveness: whether the converter still converts.
//!
//! A standing crank without noise repeats its codes, so repeated codes alone prove nothing. They
//! do when the crank was turning too fast to have stopped within them (both windings), or when the
//! other winding goes on turning (one winding). A converter that freezes while the crank stands
//! cannot be seen here: the first motion shows it, to the index switch and to the supervision of
//! motion.

use crate::angle::CrankTravel;
use crate::demodulator::Demodulated;
use crate::signal::WindingAmplitudes;

/// Repeated frames of both windings that are a fault, 5 ms at 5000 frames a second.
const FRAMES: u8 = 25;
/// Travel over which a healthy winding of at least 1100 codes changes by more than a code, even
/// around its peak: 1100·(1 − cos 2.5°) = 1.05.
const TRAVEL: u32 = CrankTravel::from_millidegrees(5_000).as_counts() as u32;

/// The latest codes, as far as detection shows them, and for how long they have stood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Liveness {
    in_phase: WindingAmplitudes,
    quadrature: WindingAmplitudes,
    /// Repeats of both windings.
    frames: u8,
    /// Speed when both began to repeat, counts a frame.
    speed: u32,
    /// Travel since the sine winding began to repeat.
    sine_travel: u32,
    /// Travel since the cosine winding began to repeat.
    cosine_travel: u32,
}

impl Liveness {
    pub(super) const fn new() -> Self {
        const DARK: WindingAmplitudes = WindingAmplitudes { sine: 0, cosine: 0 };
        Self {
            in_phase: DARK,
            quadrature: DARK,
            frames: 0,
            speed: 0,
            sine_travel: 0,
            cosine_travel: 0,
        }
    }

    /// Takes a frame while the crank turns by `speed` counts a frame; whether the samples are
    /// frozen. `stopping_speed` is the speed from which no brake stops within three codes.
    pub(super) fn step(&mut self, frame: &Demodulated, speed: u32, stopping_speed: u32) -> bool {
        let is_sine_same = frame.in_phase.sine == self.in_phase.sine
            && frame.quadrature.sine == self.quadrature.sine;
        let is_cosine_same = frame.in_phase.cosine == self.in_phase.cosine
            && frame.quadrature.cosine == self.quadrature.cosine;
        (self.in_phase, self.quadrature) = (frame.in_phase, frame.quadrature);
        self.sine_travel = grow(self.sine_travel, is_sine_same, speed);
        self.cosine_travel = grow(self.cosine_travel, is_cosine_same, speed);
        if is_sine_same && is_cosine_same {
            self.frames = self.frames.saturating_add(1);
        } else {
            (self.frames, self.speed) = (0, speed);
        }
        self.frames >= FRAMES && self.speed > stopping_speed
            || self.sine_travel > TRAVEL
            || self.cosine_travel > TRAVEL
    }
}

const fn grow(travel: u32, is_same: bool, speed: u32) -> u32 {
    if is_same {
        travel.saturating_add(speed)
    } else {
        0
    }
}
