//! The fingerprint: whether the windings are still those of the survey.
//!
//! A balanced vector has one length all round. Once in each of 64 sectors of a turn its squared
//! length is compared with the commissioned one; the first and second harmonic of the deviation
//! are offsets, gain and quadrature error that were not there at commissioning, its mean is a
//! change of the amplitude. Speed does not matter, and rest adds nothing.

use crate::angle::ElectricalAngle;
use crate::signal::WindingAmplitudes;

const SECTORS: u32 = 64;

/// The turn under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fingerprint {
    /// Sectors passed, one bit each.
    passed: u64,
    sector: u8,
    sums: Sums,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Sums {
    mean: i32,
    sine: i32,
    cosine: i32,
    double_sine: i32,
    double_cosine: i32,
}

/// What one turn showed against the survey, in 2⁻¹⁵ of the amplitude.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
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

    /// Takes a frame: its balanced amplitudes and their angle. `amplitude` is the commissioned
    /// one. The drift, once every sector of a turn has been passed.
    pub fn step(
        &mut self,
        balanced: WindingAmplitudes,
        angle: ElectricalAngle,
        amplitude: i16,
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
        self.sums.add(balanced, i32::from(amplitude));
        if self.passed != u64::MAX {
            return None;
        }
        let drift = self.sums.drift(i32::from(amplitude));
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
    fn add(&mut self, balanced: WindingAmplitudes, amplitude: i32) {
        let (s, c) = (i32::from(balanced.sine), i32::from(balanced.cosine));
        let squared = s.wrapping_mul(s).wrapping_add(c.wrapping_mul(c)) as u32;
        let nominal = amplitude.wrapping_mul(amplitude) as u32;
        let deviation = ((squared >> 15) as i32).wrapping_sub((nominal >> 15) as i32);
        let weigh = |component: i32| deviation.wrapping_mul(component) >> 15;
        self.mean = self.mean.saturating_add(deviation);
        self.sine = self.sine.saturating_add(weigh(s));
        self.cosine = self.cosine.saturating_add(weigh(c));
        let double_sine = s.wrapping_mul(c) >> 14;
        self.double_sine = self.double_sine.saturating_add(weigh(double_sine));
        let double_cosine = c.wrapping_mul(c).wrapping_sub(s.wrapping_mul(s)) >> 15;
        self.double_cosine = self.double_cosine.saturating_add(weigh(double_cosine));
    }

    fn drift(&self, amplitude: i32) -> Drift {
        // A sum of 64 deviations times the power-th power of a component, in 2⁻¹⁵ of the amplitude.
        let per = |sum: i32, power: u32| {
            let unit = (0..power).fold(i64::from(SECTORS) << 15, |unit, _| {
                unit.wrapping_mul(i64::from(amplitude)) >> 15
            });
            let squared = i64::from(amplitude.wrapping_mul(amplitude));
            let unit = unit.wrapping_mul(squared) >> 30;
            (i64::from(sum) << 15).checked_div(unit).unwrap_or(0) as i32
        };
        let gain = per(self.double_cosine, 2).saturating_mul(2);
        Drift {
            amplitude: (per(self.mean, 0) / 2).saturating_sub(gain / 2),
            sine_offset: per(self.sine, 1),
            cosine_offset: per(self.cosine, 1),
            gain,
            quadrature: per(self.double_sine, 2).saturating_mul(-2),
        }
    }
}
