//! Liveness: whether the converter still converts.
//!
//! A standing crank without noise repeats its codes, so repeated codes alone prove nothing. They
//! do when the crank was turning too fast to have stopped within them (both windings), or when the
//! other winding goes on turning (one winding). A converter that freezes while the crank stands
//! cannot be seen here: the first motion shows it, to the index switch and to the supervision of
//! motion.
//!
//! Frozen stands for as long as the codes do, however long the crank may really have stood by then:
//! the same codes prove no repair. One other code does, and so does a receiver begun anew.

use crate::signal::{FRAMES_PER_TICK, WindingAmplitudes};

/// Ticks in a row without a change of both windings that are a fault: with the one in which they
/// froze, 5 ms at 1000 ticks a second.
const TICKS: u8 = 4;
/// Ticks in a row without a change that are more than chance: a winding that crosses its peak
/// within a tick may show the same amplitude at both ends of it.
const MORE_THAN_CHANCE: u8 = 3;
/// A winding that ought to have changed by this much and has not is frozen: eight codes of 16
/// counts. One is the converter's rounding; the loop's lag, by which it travels on after a sudden
/// stop, is worth some four.
const DUE: u32 = in_turns(128);

/// Counts of amplitude a radian as products of amplitude and 2⁻²⁴ turn.
const fn in_turns(amplitude: u32) -> u32 {
    ((amplitude as u64).wrapping_shl(24).wrapping_mul(1_000) / 6_283) as u32
}

/// For how long the amplitudes have stood still to the last count, tick by tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Liveness {
    amplitudes: WindingAmplitudes,
    sine: Standstill,
    cosine: Standstill,
    /// Speed one tick ago, counts a frame.
    speed: u32,
    /// Speed before the tick from which on both windings repeat.
    speed_before: u32,
}

/// One winding's repetition.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Standstill {
    ticks: u8,
    /// By how much the winding ought to have changed since it began to repeat.
    due: u32,
}

impl Liveness {
    pub(super) const fn new() -> Self {
        Self {
            amplitudes: WindingAmplitudes { sine: 0, cosine: 0 },
            sine: Standstill::NONE,
            cosine: Standstill::NONE,
            speed: 0,
            speed_before: 0,
        }
    }

    /// Takes the amplitudes of one tick's last frame and the tracked `speed` in counts a frame;
    /// whether the samples are frozen. `stopping_speed` is the speed from which no brake stops
    /// within three codes.
    pub(super) const fn step(
        &mut self,
        amplitudes: WindingAmplitudes,
        speed: u32,
        stopping_speed: u32,
    ) -> bool {
        // Each winding changes by the other's amplitude times the travel.
        let travel = (speed >> 8).saturating_mul(FRAMES_PER_TICK as u32);
        let is_same = amplitudes.sine == self.amplitudes.sine;
        self.sine.step(is_same, amplitudes.cosine, travel);
        let is_same = amplitudes.cosine == self.amplitudes.cosine;
        self.cosine.step(is_same, amplitudes.sine, travel);
        self.amplitudes = amplitudes;
        if self.sine.ticks == 0 || self.cosine.ticks == 0 {
            self.speed_before = self.speed;
        }
        self.speed = speed;
        let both = self.sine.ticks >= TICKS && self.cosine.ticks >= TICKS;
        both && self.speed_before > stopping_speed || self.sine.is_due() || self.cosine.is_due()
    }
}

impl Standstill {
    const NONE: Self = Self { ticks: 0, due: 0 };

    const fn step(&mut self, is_same: bool, other: i16, travel: u32) {
        if is_same {
            let change = (other.unsigned_abs() as u32).saturating_mul(travel);
            self.ticks = self.ticks.saturating_add(1);
            self.due = self.due.saturating_add(change);
        } else {
            *self = Self::NONE;
        }
    }

    const fn is_due(&self) -> bool {
        self.ticks >= MORE_THAN_CHANCE && self.due > DUE
    }
}
