//! The fingerprint: whether the windings are still those of the survey.
//!
//! A balanced vector has one length all round. Once in each of 64 sectors of a turn its squared
//! length is compared with the commissioned one; the first and second harmonic of the deviation
//! are offsets, gain and quadrature error that were not there at commissioning, its mean is a
//! change of the amplitude. Speed does not matter, and rest adds nothing.

use crate::angle::ElectricalAngle;
use crate::signal::WindingAmplitudes;
use crate::trig::multiply_add_high;

const SECTORS: u32 = 64;

/// The commissioned amplitude, ready for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// A²/2¹⁵.
    squared: i32,
    /// Units of a sum weighed by no component, one, or the product of two: 2⁻³² of what turns it
    /// into 2⁻¹⁵ of the amplitude.
    units: [i32; 3],
}

impl Config {
    /// For the commissioned amplitude in counts of 1/32 767, from 8192; below that as for 8192.
    pub const fn new(amplitude: i16) -> Self {
        let amplitude = if amplitude < 8_192 {
            8_192
        } else {
            amplitude as i64
        };
        let squared = amplitude.wrapping_mul(amplitude) >> 15;
        Self {
            squared: squared as i32,
            units: [
                unit(squared, 1 << 15),
                unit(squared, amplitude),
                unit(squared, squared),
            ],
        }
    }
}

/// 2¹⁵/(64·squared·component/2¹⁵) in 2⁻³²; from 2¹¹·2¹⁵ on the result fits i32.
const fn unit(squared: i64, component: i64) -> i32 {
    let sum = squared.wrapping_mul(component).wrapping_mul(SECTORS as i64) >> 15;
    match (1i64 << 47).checked_div(sum) {
        Some(unit) if unit <= i32::MAX as i64 => unit as i32,
        _ => i32::MAX,
    }
}

/// The turn under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fingerprint {
    /// Sectors passed, one bit each.
    passed: u64,
    sector: u8,
    sums: Sums,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sums {
    mean: i32,
    sine: i32,
    cosine: i32,
    double_sine: i32,
    double_cosine: i32,
}

/// What one turn showed against the survey, in 2⁻¹⁵ of the amplitude.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Drift {
    /// Change of the amplitude.
    pub amplitude: i32,
    /// New offset of the sine winding.
    pub sine_offset: i32,
    /// New offset of the cosine winding.
    pub cosine_offset: i32,
    /// New gain of the cosine winding over the sine winding.
    pub gain: i32,
    /// New quadrature error, 2⁻¹⁵ radian.
    pub quadrature: i32,
}

impl Drift {
    /// Largest error the drift can put into the angle, 2⁻¹⁵ radian: offsets in full, half the
    /// gain, the whole quadrature error (their first-order bounds).
    pub fn angle_error(&self) -> u32 {
        let offsets = self
            .sine_offset
            .unsigned_abs()
            .saturating_add(self.cosine_offset.unsigned_abs());
        offsets
            .saturating_add(self.gain.unsigned_abs() / 2)
            .saturating_add(self.quadrature.unsigned_abs())
    }
}

impl Default for Fingerprint {
    fn default() -> Self {
        Self::new()
    }
}

impl Fingerprint {
    /// No sector passed.
    pub const fn new() -> Self {
        Self {
            passed: 0,
            sector: u8::MAX,
            sums: Sums::NONE,
        }
    }

    /// Takes a frame: its balanced amplitudes and their angle. The drift, once every sector of a
    /// turn has been passed.
    pub fn step(
        &mut self,
        config: &Config,
        balanced: WindingAmplitudes,
        angle: ElectricalAngle,
    ) -> Option<Drift> {
        let sector = (angle.to_bits() >> 26) as u8;
        if sector == self.sector {
            return None;
        }
        self.sector = sector;
        let bit = 1u64.wrapping_shl(u32::from(sector));
        if self.passed & bit != 0 {
            return None;
        }
        self.passed |= bit;
        self.sums.add(balanced, config.squared);
        if self.passed != u64::MAX {
            return None;
        }
        let drift = self.sums.drift(config);
        *self = Self::new();
        Some(drift)
    }
}

impl Sums {
    const NONE: Self = Self {
        mean: 0,
        sine: 0,
        cosine: 0,
        double_sine: 0,
        double_cosine: 0,
    };

    /// Everything in counts of the amplitude. A deviation of up to 2¹⁶ times a component of up to
    /// 2¹⁵ fits i32; 64 of the shifted products do too.
    fn add(&mut self, balanced: WindingAmplitudes, nominal: i32) {
        let (s, c) = (i32::from(balanced.sine), i32::from(balanced.cosine));
        let squared = s.wrapping_mul(s).wrapping_add(c.wrapping_mul(c)) as u32;
        let deviation = ((squared >> 15) as i32).wrapping_sub(nominal);
        let weigh = |component: i32| deviation.wrapping_mul(component) >> 15;
        self.mean = self.mean.saturating_add(deviation);
        self.sine = self.sine.saturating_add(weigh(s));
        self.cosine = self.cosine.saturating_add(weigh(c));
        let double_sine = s.wrapping_mul(c) >> 14;
        self.double_sine = self.double_sine.saturating_add(weigh(double_sine));
        let double_cosine = c.wrapping_mul(c).wrapping_sub(s.wrapping_mul(s)) >> 15;
        self.double_cosine = self.double_cosine.saturating_add(weigh(double_cosine));
    }

    fn drift(&self, config: &Config) -> Drift {
        let [of_none, of_one, of_two] = config.units;
        let per = |sum: i32, unit: i32| multiply_add_high(0, sum, unit);
        let gain = per(self.double_cosine, of_two).saturating_mul(2);
        Drift {
            amplitude: (per(self.mean, of_none) / 2).saturating_sub(gain / 2),
            sine_offset: per(self.sine, of_one),
            cosine_offset: per(self.cosine, of_one),
            gain,
            quadrature: per(self.double_sine, of_two).saturating_mul(-2),
        }
    }
}
