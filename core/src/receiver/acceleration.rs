//! The acceleration of the crank over some milliseconds, by the tracked speed.
//!
//! The difference between decode and prediction shows what is too sudden for the press; this shows
//! what is smooth enough to be followed and still more than clutch or brake can do: an angle that
//! freezes at low speed, a belt that slides.

use crate::signal::FRAMES_PER_TICK;

/// Ticks over which a change of speed is taken, 5 ms at 1000 ticks a second.
const TICKS: usize = 5;

/// The bounds of an acceleration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Config {
    /// Greatest healthy change of speed over [`TICKS`], counts a frame.
    change: u32,
}

impl Config {
    /// For the greatest healthy `acceleration` with what the loop adds to it, in counts per
    /// frame², and what noise and the play of the drive do to the difference of two tracked
    /// speeds, in counts a frame.
    pub(super) const fn new(acceleration: u32, sudden: u32) -> Self {
        const FRAMES: u32 = TICKS.wrapping_mul(FRAMES_PER_TICK) as u32;
        Self {
            change: acceleration.saturating_mul(FRAMES).saturating_add(sudden),
        }
    }
}

/// The speeds at the ends of the latest ticks, counts a frame, the latest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct AccelerationWatch([i32; TICKS]);

impl AccelerationWatch {
    /// A crank that has been turning at `speed`.
    pub(super) const fn new(speed: i32) -> Self {
        Self([speed; TICKS])
    }

    /// Takes the speed at the end of one tick; whether it has changed by more than the press can
    /// change it.
    pub(super) const fn step(&mut self, config: &Config, speed: i32) -> bool {
        let [a, b, c, d, before] = self.0;
        self.0 = [speed, a, b, c, d];
        speed.wrapping_sub(before).unsigned_abs() > config.change
    }
}
