//! Liveness: whether the converter still converts.
//!
//! A standing crank without noise repeats its codes, so repeated codes alone prove nothing. They
//! do when the crank was turning too fast to have stopped within them (both windings), or when the
//! other winding goes on turning (one winding). A converter that freezes while the crank stands
//! cannot be seen here: the first motion shows it, to the index switch and to the supervision of
//! motion.

use crate::demodulator::Demodulated;
use crate::signal::WindingAmplitudes;

/// Repeated frames of both windings that are a fault, 5 ms at 5000 frames a second.
const FRAMES: u8 = 25;
/// A winding that ought to have changed by this much and has not is frozen: eight codes of 16
/// counts. One is the converter's rounding; the loop's lag, by which it travels on after a sudden
/// stop, is worth some four.
const DUE: u32 = in_turns(128);

/// Counts of amplitude a radian as products of amplitude and 2⁻²⁴ turn.
const fn in_turns(amplitude: u32) -> u32 {
    ((amplitude as u64).wrapping_shl(24).wrapping_mul(1_000) / 6_283) as u32
}

/// The latest codes, as far as detection shows them, and for how long they have stood.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Liveness {
    in_phase: WindingAmplitudes,
    quadrature: WindingAmplitudes,
    /// Repeats of both windings.
    frames: u8,
    /// Speed when both began to repeat, counts a frame.
    speed: u32,
    /// By how much the sine winding ought to have changed since it began to repeat.
    sine_due: u32,
    /// The same of the cosine winding.
    cosine_due: u32,
}

impl Liveness {
    pub(super) const fn new() -> Self {
        const DARK: WindingAmplitudes = WindingAmplitudes { sine: 0, cosine: 0 };
        Self {
            in_phase: DARK,
            quadrature: DARK,
            frames: 0,
            speed: 0,
            sine_due: 0,
            cosine_due: 0,
        }
    }

    /// Takes a frame, its `balanced` amplitudes, and the tracked `speed` in counts a frame; whether
    /// the samples are frozen. `stopping_speed` is the speed from which no brake stops within
    /// three codes.
    pub(super) fn step(
        &mut self,
        frame: &Demodulated,
        balanced: WindingAmplitudes,
        speed: u32,
        stopping_speed: u32,
    ) -> bool {
        let is_sine_same = frame.in_phase.sine == self.in_phase.sine
            && frame.quadrature.sine == self.quadrature.sine;
        let is_cosine_same = frame.in_phase.cosine == self.in_phase.cosine
            && frame.quadrature.cosine == self.quadrature.cosine;
        (self.in_phase, self.quadrature) = (frame.in_phase, frame.quadrature);
        // Each winding changes by the other's amplitude times the travel.
        self.sine_due = grow(self.sine_due, is_sine_same, balanced.cosine, speed);
        self.cosine_due = grow(self.cosine_due, is_cosine_same, balanced.sine, speed);
        if is_sine_same && is_cosine_same {
            self.frames = self.frames.saturating_add(1);
        } else {
            (self.frames, self.speed) = (0, speed);
        }
        self.frames >= FRAMES && self.speed > stopping_speed
            || self.sine_due > DUE
            || self.cosine_due > DUE
    }
}

fn grow(due: u32, is_same: bool, other: i16, speed: u32) -> u32 {
    if is_same {
        // Up to 2000 strokes per minute the product fits; beyond, it saturates.
        let change = u32::from(other.unsigned_abs()).saturating_mul(speed >> 8);
        due.saturating_add(change)
    } else {
        0
    }
}
