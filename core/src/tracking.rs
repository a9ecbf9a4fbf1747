//! The type-II tracking loop: once per carrier frame it predicts the angle, compares the direct
//! decode with its prediction, and corrects angle and speed by a share of the difference.
//!
//! A constant speed leaves no error. An acceleration a leaves a/K_a, with K_a the square of the
//! loop's natural angular frequency (*Synchro and Resolver Conversion Handbook*, 1980).

use crate::angle::ElectricalAngle;
use crate::trig::multiply_add_high;

/// With fewer frames in one period of its natural frequency the loop rings.
const FRAMES_PER_LOOP_PERIOD_MIN: u32 = 16;

/// Gains of the loop per frame, in 2⁻³².
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Config {
    proportional: i32,
    integral: i32,
}

/// Why no loop can be built.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConfigError {
    /// Bandwidth of zero, or more than a sixteenth of the frame rate.
    Bandwidth,
    /// Damping outside 0.5 to 1.2.
    Damping,
}

/// State of the loop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tracking {
    angle: ElectricalAngle,
    speed: i32,
}

impl Config {
    /// Loop with a natural frequency of `bandwidth_hz` and a damping ratio of
    /// `damping_permille`/1000 at `frame_hz` carrier frames a second.
    ///
    /// # Errors
    /// [`ConfigError`]: bandwidth from 1 Hz to `frame_hz`/16, damping from 500 to 1200.
    pub const fn try_new(
        bandwidth_hz: u32,
        damping_permille: u32,
        frame_hz: u32,
    ) -> Result<Self, ConfigError> {
        if bandwidth_hz == 0 || bandwidth_hz > frame_hz / FRAMES_PER_LOOP_PERIOD_MIN {
            return Err(ConfigError::Bandwidth);
        }
        if damping_permille < 500 || damping_permille > 1_200 {
            return Err(ConfigError::Damping);
        }
        // 2π·2³² and its square over 2³²; the bound on the bandwidth keeps both products in u128.
        const TWO_PI: u128 = 26_986_075_409;
        let Some(turn) = TWO_PI
            .wrapping_mul(bandwidth_hz as u128)
            .checked_div(frame_hz as u128)
        else {
            return Err(ConfigError::Bandwidth);
        };
        Ok(Self {
            proportional: (turn.wrapping_mul(damping_permille as u128) / 500) as i32,
            integral: (turn.wrapping_mul(turn) >> 32) as i32,
        })
    }

    /// The acceleration constant K_a in 2⁻³² per frame², from which the loop's lag behind an
    /// acceleration follows.
    pub const fn acceleration_constant(&self) -> i32 {
        self.integral
    }
}

impl Tracking {
    /// A loop that starts at `angle`, turning by `speed` counts a frame.
    pub const fn new(angle: ElectricalAngle, speed: i32) -> Self {
        Self { angle, speed }
    }

    /// Angle at the middle of the latest frame.
    pub const fn angle(&self) -> ElectricalAngle {
        self.angle
    }

    /// Counts of 2⁻³² turn a frame.
    pub const fn speed(&self) -> i32 {
        self.speed
    }

    /// Where the next frame is expected.
    pub const fn predicted(&self) -> ElectricalAngle {
        self.angle.wrapping_add_counts(self.speed)
    }

    /// Takes the direct decode of the next frame; returns how far it was from the prediction.
    pub const fn step(&mut self, config: &Config, measured: ElectricalAngle) -> i32 {
        let predicted = self.predicted();
        let error = measured.counts_from(predicted);
        self.angle =
            predicted.wrapping_add_counts(multiply_add_high(0, error, config.proportional));
        self.speed = multiply_add_high(self.speed, error, config.integral);
        error
    }

    /// Lets a frame pass on the prediction alone.
    pub const fn coast(&mut self) {
        self.angle = self.predicted();
    }
}
