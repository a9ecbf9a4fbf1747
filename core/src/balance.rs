//! Balance: what the two windings lack of equal gain, zero offset and a right angle between them,
//! and the correction applied to every frame.
//!
//! Windings: s = A·sin θ + o_s and c = A·g·cos(θ + q) + o_c. The sine winding is the reference; the
//! correction takes the offsets away and makes cos θ of c and s.

use crate::signal::WindingAmplitudes;

/// The imperfections of one resolver with its converter. All zero: a perfect one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Balance {
    /// Offset of the sine amplitude, counts of 1/32 767.
    pub sine_offset: i16,
    /// Offset of the cosine amplitude, counts of 1/32 767.
    pub cosine_offset: i16,
    /// Gain of the cosine winding over that of the sine winding, millionths above 1; ±200 000.
    pub gain_ppm: i32,
    /// How far the cosine winding is from 90 degrees ahead of the sine winding, microradians;
    /// ±175 000 (10 degrees).
    pub quadrature_urad: i32,
}

/// A balance ready for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// Gain outside ±200 000 millionths.
    Gain,
    /// Quadrature outside ±175 000 microradians.
    Quadrature,
    /// An offset beyond ±8192 (a quarter of the range).
    Offset,
}

const GAIN_PPM_MAX: i32 = 200_000;
const QUADRATURE_URAD_MAX: i32 = 175_000;
const OFFSET_MAX: i16 = 8_192;
const FRACTION: u32 = 14;

impl Config {
    /// Prepares the correction of `balance`.
    ///
    /// # Errors
    /// [`ConfigError`] with the bounds named there.
    pub const fn try_new(balance: Balance) -> Result<Self, ConfigError> {
        if balance.gain_ppm < -GAIN_PPM_MAX || balance.gain_ppm > GAIN_PPM_MAX {
            return Err(ConfigError::Gain);
        }
        if balance.quadrature_urad < -QUADRATURE_URAD_MAX
            || balance.quadrature_urad > QUADRATURE_URAD_MAX
        {
            return Err(ConfigError::Quadrature);
        }
        if out_of_range(balance.sine_offset) || out_of_range(balance.cosine_offset) {
            return Err(ConfigError::Offset);
        }
        let (tangent, secant) = tangent_and_secant(balance.quadrature_urad as i64);
        let gain = MICRO.wrapping_add(balance.gain_ppm as i64);
        let Some(direct) = secant.wrapping_shl(FRACTION).checked_div(gain) else {
            return Err(ConfigError::Gain);
        };
        Ok(Self {
            sine_offset: balance.sine_offset as i32,
            cosine_offset: balance.cosine_offset as i32,
            direct: direct as i32,
            cross: (tangent.wrapping_shl(FRACTION) / MICRO) as i32,
        })
    }

    /// Amplitudes as a perfect resolver would have given them, saturating.
    pub fn apply(&self, raw: WindingAmplitudes) -> WindingAmplitudes {
        let sine = (raw.sine as i32).wrapping_sub(self.sine_offset);
        let cosine = (raw.cosine as i32).wrapping_sub(self.cosine_offset);
        // Both factors stay below 1.3 in 2⁻¹⁴ and both amplitudes below 2¹⁶: the sum fits.
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

const MICRO: i64 = 1_000_000;

const fn out_of_range(offset: i16) -> bool {
    offset < -OFFSET_MAX || offset > OFFSET_MAX
}

/// tan q and 1/cos q in millionths, by the series to q⁵ and q⁴: within 1 millionth to 10 degrees.
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
