//! The acceleration of the crank over some milliseconds, by the tracked speed.
//!
//! The difference between decode and prediction shows what is too sudden for the press; this shows
//! what is smooth enough to be followed and still more than clutch or brake can do: an angle that
//! freezes at low speed, a belt that slides.

/// Longest span over which a change of speed is taken, 5 ms at 1000 ticks a second.
const TICKS: u8 = 5;

/// The bounds of an acceleration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Config {
    /// Greatest healthy acceleration with what the loop adds to it, counts a frame per tick.
    pub(super) acceleration: u32,
    /// What noise does to the difference of two tracked speeds, counts a frame.
    pub(super) noise: u32,
}

/// A speed and how long ago it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct AccelerationWatch {
    speed: i32,
    ticks: u8,
}

impl AccelerationWatch {
    pub(super) const fn new() -> Self {
        Self {
            speed: 0,
            ticks: TICKS,
        }
    }

    /// Takes the speed at the end of one tick, counts a frame; whether it has changed by more than the press
    /// can change it.
    pub(super) const fn step(&mut self, config: &Config, speed: i32) -> bool {
        if self.ticks >= TICKS {
            (self.speed, self.ticks) = (speed, 0);
            return false;
        }
        self.ticks = self.ticks.saturating_add(1);
        let healthy = config.acceleration.saturating_mul(self.ticks as u32);
        let change = speed.wrapping_sub(self.speed).unsigned_abs();
        change > healthy.saturating_add(config.noise)
    }
}
