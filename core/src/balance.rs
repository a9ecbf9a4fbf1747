//! Balance: what the two windings lack of equal gain, zero offset and a right angle between them;
//! the correction applied to every frame; how it is found and how it is watched.
//!
//! Windings: s = A·sin θ + o_s and c = A·g·cos(θ + q) + o_c. The sine winding is the reference;
//! the correction takes the offsets away and makes cos θ of c and s.
//!
//! - [`Config`] corrects a frame.
//! - [`Survey`] finds the imperfections over a turn at any speed ([`survey`]).
//! - [`Fingerprint`] compares every turn from then on with the survey ([`fingerprint`]).
//!
//! No balance removes winding harmonics or play in the drive.

pub mod fingerprint;
pub mod survey;

pub use fingerprint::Fingerprint;
pub use survey::{Survey, SurveyRefusal, Surveyed};

use crate::signal::WindingAmplitudes;

/// The imperfections of one resolver with its converter. All zero: a perfect one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Balance {
    /// Offset of the sine amplitude, counts of 1/32 767; ±8192.
    pub sine_offset: i16,
    /// Offset of the cosine amplitude, counts of 1/32 767; ±8192.
    pub cosine_offset: i16,
    /// Gain of the cosine winding over that of the sine winding, millionths above 1; ±200 000.
    pub gain_ppm: i32,
    /// How far the cosine winding is beyond 90 degrees from the sine winding, microradians;
    /// ±175 000 (10 degrees).
    pub quadrature_urad: i32,
}

/// A balance ready for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    sine_offset: i32,
    cosine_offset: i32,
    /// 1/(g·cos q) in 2⁻¹⁴.
    direct: i32,
    /// tan q in 2⁻¹⁴.
    cross: i32,
}

/// A balance no working resolver needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// Gain outside ±200 000 millionths.
    Gain,
    /// Quadrature outside ±175 000 microradians.
    Quadrature,
    /// An offset beyond ±8192 (a quarter of the range).
    Offset,
}

const GAIN_PPM_MAX: u32 = 200_000;
const QUADRATURE_URAD_MAX: u32 = 175_000;
const OFFSET_MAX: u16 = 8_192;
const FRACTION: u32 = 14;
const MICRO: i64 = 1_000_000;

impl Balance {
    /// A perfect resolver.
    pub const PERFECT: Self = Self {
        sine_offset: 0,
        cosine_offset: 0,
        gain_ppm: 0,
        quadrature_urad: 0,
    };
}

impl Config {
    /// Prepares the correction of `balance`.
    ///
    /// # Errors
    /// [`ConfigError`] with the bounds named there.
    pub const fn try_new(balance: Balance) -> Result<Self, ConfigError> {
        if balance.gain_ppm.unsigned_abs() > GAIN_PPM_MAX {
            return Err(ConfigError::Gain);
        }
        if balance.quadrature_urad.unsigned_abs() > QUADRATURE_URAD_MAX {
            return Err(ConfigError::Quadrature);
        }
        if balance.sine_offset.unsigned_abs() > OFFSET_MAX
            || balance.cosine_offset.unsigned_abs() > OFFSET_MAX
        {
            return Err(ConfigError::Offset);
        }
        let (tangent, secant) = tangent_and_secant(balance.quadrature_urad as i64);
        let gain = MICRO.wrapping_add(balance.gain_ppm as i64);
        Ok(Self {
            sine_offset: balance.sine_offset as i32,
            cosine_offset: balance.cosine_offset as i32,
            direct: to_fraction(secant, gain),
            cross: to_fraction(tangent, MICRO),
        })
    }

    /// Amplitudes as a perfect resolver would have given them, saturating.
    pub fn apply(&self, raw: WindingAmplitudes) -> WindingAmplitudes {
        let sine = (raw.sine as i32).wrapping_sub(self.sine_offset);
        let cosine = (raw.cosine as i32).wrapping_sub(self.cosine_offset);
        // Both factors stay below 1.3 in 2⁻¹⁴ and both amplitudes below 41 000: the sum fits.
        let cosine = cosine
            .wrapping_mul(self.direct)
            .wrapping_add(sine.wrapping_mul(self.cross))
            .wrapping_add(1 << (FRACTION - 1))
            >> FRACTION;
        WindingAmplitudes {
            sine: saturate(sine),
            cosine: saturate(cosine),
        }
    }
}

/// dividend/divisor in 2⁻¹⁴, to the nearest; `divisor` is positive.
const fn to_fraction(dividend: i64, divisor: i64) -> i32 {
    let doubled = dividend.wrapping_shl(FRACTION + 1);
    match doubled.checked_div(divisor) {
        Some(doubled) => (doubled.wrapping_add(1) >> 1) as i32,
        None => 0,
    }
}

/// tan q and 1/cos q in millionths, by the series to q⁵ and q⁴: within 5 millionths to 10 degrees.
const fn tangent_and_secant(q: i64) -> (i64, i64) {
    let square = q.wrapping_mul(q) / MICRO;
    let cube = square.wrapping_mul(q) / MICRO;
    let fourth = square.wrapping_mul(square) / MICRO;
    let fifth = fourth.wrapping_mul(q) / MICRO;
    let tangent = q
        .wrapping_add(cube / 3)
        .wrapping_add(fifth.wrapping_mul(2) / 15);
    let secant = MICRO
        .wrapping_add(square / 2)
        .wrapping_add(fourth.wrapping_mul(5) / 24);
    (tangent, secant)
}

fn saturate(value: i32) -> i16 {
    value.clamp(i16::MIN as i32, i16::MAX as i32) as i16
}
