//! The type-II tracking loop: once per carrier frame it predicts the angle, compares the direct
//! decode with its prediction, and corrects angle and speed by a share of the difference.
//!
//! A constant speed leaves no error. A constant acceleration a leaves a/K_a, with K_a the square
//! of the natural angular frequency (*Synchro and Resolver Conversion Handbook*, 1980). The shares
//! put the poles of the loop where sampling the continuous loop of that frequency and damping puts
//! them; carried forward by half a frame, the angle then answers as the continuous one.

use crate::angle::ElectricalAngle;
use crate::trig::multiply_add_high;

/// With fewer frames in one period of its natural frequency the loop no longer answers as the
/// continuous one.
const FRAMES_PER_LOOP_PERIOD_MIN: u32 = 16;

/// How far the loop's lag runs over when an acceleration sets in, at the least damping, 0.7:
/// exp(−πζ/√(1 − ζ²)) = 4.6 %. Rounded up, in thousandths.
pub const LAG_OVERSHOOT_PERMILLE: u32 = 50;

/// Shares of the difference, per frame, in 2⁻³².
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    proportional: i32,
    integral: i32,
}

/// Why no loop can be built.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// Bandwidth of zero, above a sixteenth of the frame rate, or so high that one frame would
    /// correct half the difference.
    Bandwidth,
    /// Damping outside 0.7 to 1.2.
    Damping,
}

/// State of the loop.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tracking {
    angle: ElectricalAngle,
    speed: i32,
}

impl Config {
    /// Loop with a natural frequency of `bandwidth_hz` and a damping ratio of
    /// `damping_permille`/1000 at `frame_hz` carrier frames a second.
    ///
    /// # Errors
    /// [`ConfigError`]: bandwidth from 1 Hz to `frame_hz`/16, damping from 700 to 1200.
    pub const fn try_new(
        bandwidth_hz: u32,
        damping_permille: u32,
        frame_hz: u32,
    ) -> Result<Self, ConfigError> {
        if bandwidth_hz == 0 || bandwidth_hz > frame_hz / FRAMES_PER_LOOP_PERIOD_MIN {
            return Err(ConfigError::Bandwidth);
        }
        if damping_permille < 700 || damping_permille > 1_200 {
            return Err(ConfigError::Damping);
        }
        let Some(x) = TWO_PI
            .wrapping_mul(bandwidth_hz as i128)
            .checked_div(frame_hz as i128)
        else {
            return Err(ConfigError::Bandwidth);
        };
        let damping = (damping_permille as i128).wrapping_mul(ONE) / 1_000;
        let (proportional, integral) = shares(x, damping);
        if proportional >= ONE / 2 {
            return Err(ConfigError::Bandwidth);
        }
        Ok(Self {
            proportional: (proportional >> (FRACTION - 32)) as i32,
            integral: (integral >> (FRACTION - 32)) as i32,
        })
    }

    /// The acceleration constant K_a: acceleration over steady lag, 2⁻³² per frame².
    pub const fn acceleration_constant(&self) -> i32 {
        self.integral
    }

    /// How far the prediction lags behind an acceleration of `counts` a frame², at most,
    /// saturating at an eighth of a turn.
    pub const fn lag(&self, counts: u32) -> u32 {
        let permille = 1_000u64.saturating_add(LAG_OVERSHOOT_PERMILLE as u64);
        let steady = ((counts as u64) << 32).checked_div(self.integral as u64);
        match steady {
            Some(steady) if steady < 1 << 29 => (steady.wrapping_mul(permille) / 1_000) as u32,
            _ => 1 << 29,
        }
    }
}

/// The least bandwidth in hertz with which `acceleration_deg_s2` leaves a lag of
/// `lag_millidegrees` or less: √(a/lag)/2π, rounded up.
pub const fn bandwidth_for(acceleration_deg_s2: u32, lag_millidegrees: u32) -> u32 {
    let scaled = (acceleration_deg_s2 as u64).wrapping_mul(1_000_000_000);
    match scaled.checked_div(lag_millidegrees as u64) {
        // A thousandth of 2π, rounded down, and one hertz up.
        Some(squared) => (squared.isqrt() / 6_283).saturating_add(1) as u32,
        None => u32::MAX,
    }
}

const FRACTION: u32 = 48;
const ONE: i128 = 1 << FRACTION;
const TWO_PI: i128 = 1_768_559_438_007_110;

/// Proportional and integral share from the natural frequency in radians a frame and the damping:
/// 1 − r² and 1 − 2r·cos y + r², with the sampled poles r·e^±iy, r = e^−ζx, y = x·√(1 − ζ²).
const fn shares(x: i128, damping: i128) -> (i128, i128) {
    let r = exponential(product(x, damping).wrapping_neg());
    let r_squared = product(r, r);
    let y_squared = product(product(x, x), ONE.wrapping_sub(product(damping, damping)));
    let cosine = cosine_of_root(y_squared);
    let integral = ONE
        .wrapping_add(r_squared)
        .wrapping_sub(product(r, cosine).wrapping_mul(2));
    (ONE.wrapping_sub(r_squared), integral)
}

const fn product(a: i128, b: i128) -> i128 {
    a.wrapping_mul(b) >> FRACTION
}

/// e^x for −1 ≤ x ≤ 0: 1 + x·(1 + x/2·(1 + x/3·…)).
const fn exponential(x: i128) -> i128 {
    nested(
        x,
        &[
            ONE / 11,
            ONE / 10,
            ONE / 9,
            ONE / 8,
            ONE / 7,
            ONE / 6,
            ONE / 5,
            ONE / 4,
            ONE / 3,
            ONE / 2,
            ONE,
        ],
    )
}

/// cos √x for small x, and cosh √−x for x below zero: 1 − x/2·(1 − x/12·(1 − x/30·…)).
const fn cosine_of_root(x: i128) -> i128 {
    let shares = [ONE / 132, ONE / 90, ONE / 56, ONE / 30, ONE / 12, ONE / 2];
    nested(x.wrapping_neg(), &shares)
}

/// 1 + x·s_n·(1 + x·s_(n−1)·…), innermost share first.
const fn nested(x: i128, shares: &[i128]) -> i128 {
    let mut sum = ONE;
    let mut rest = shares;
    while let [share, outer @ ..] = rest {
        sum = ONE.wrapping_add(product(product(x, sum), *share));
        rest = outer;
    }
    sum
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
