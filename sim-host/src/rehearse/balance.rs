//! Offset, gain and quadrature of the two windings, found from one barred turn.
//!
//! The samples are gathered by angle, not by time, so that a turn at uneven speed weighs every
//! angle alike. The angle itself is bent by what is looked for; a few rounds of correcting and
//! gathering again settle that.

use stopwright_core::balance::Balance;

/// Sectors of a turn.
const SECTORS: usize = 256;
/// Rounds of correction; each takes the error down to about its square.
const ROUNDS: usize = 4;
const FULL_SCALE: f64 = 32_767.0;

/// Samples of one turn or more.
#[derive(Debug, Default)]
pub(super) struct Identification {
    samples: Vec<(f64, f64)>,
}

/// What was found. Offsets are shares of the converter's range, the gain is that of the cosine
/// winding over that of the sine winding less one.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Identified {
    /// Offset of the sine winding.
    pub sine_offset: f64,
    /// Offset of the cosine winding.
    pub cosine_offset: f64,
    /// Gain error.
    pub gain_error: f64,
    /// Quadrature error, degrees.
    pub quadrature_deg: f64,
    /// Amplitude of the sine winding, share of the converter's range.
    pub amplitude: f64,
}

impl Identification {
    /// No samples yet.
    pub(super) fn new() -> Self {
        Self::default()
    }

    /// One pair of detected amplitudes.
    pub(super) fn add(&mut self, sine: f64, cosine: f64) {
        self.samples.push((sine / FULL_SCALE, cosine / FULL_SCALE));
    }

    /// What the samples say.
    pub(super) fn identify(&self) -> Identified {
        let mut found = Identified::default();
        for _ in 0..ROUNDS {
            found = self.round(found);
        }
        found
    }

    /// Gathers by the angle that `known` corrects, and looks again.
    fn round(&self, known: Identified) -> Identified {
        let mut sectors = vec![(0.0, 0.0, 0.0); SECTORS];
        for &(sine, cosine) in &self.samples {
            let angle = known
                .correct(sine, cosine)
                .rem_euclid(std::f64::consts::TAU);
            let sector = (angle / std::f64::consts::TAU * SECTORS as f64) as usize;
            let sums = &mut sectors[sector.min(SECTORS - 1)];
            *sums = (sums.0 + sine, sums.1 + cosine, sums.2 + 1.0);
        }
        let means: Vec<(f64, f64)> = sectors
            .iter()
            .filter(|sums| sums.2 > 0.0)
            .map(|sums| (sums.0 / sums.2, sums.1 / sums.2))
            .collect();
        let mean = |value: &dyn Fn(&(f64, f64)) -> f64| {
            means.iter().map(value).sum::<f64>() / means.len().max(1) as f64
        };
        let (sine_offset, cosine_offset) = (mean(&|m| m.0), mean(&|m| m.1));
        let sine_square = mean(&|m| (m.0 - sine_offset).powi(2));
        let cosine_square = mean(&|m| (m.1 - cosine_offset).powi(2));
        let cross = mean(&|m| (m.0 - sine_offset) * (m.1 - cosine_offset));
        let (sine, cosine) = (sine_square.sqrt(), cosine_square.sqrt());
        // c = A g cos(θ + q): the mean of s·c is -A²g sin(q) / 2.
        let quadrature = -(cross / (sine * cosine)).clamp(-1.0, 1.0).asin();
        Identified {
            sine_offset,
            cosine_offset,
            gain_error: cosine / sine - 1.0,
            quadrature_deg: quadrature.to_degrees(),
            amplitude: sine * std::f64::consts::SQRT_2,
        }
    }
}

impl Identified {
    /// The electrical angle of a pair of amplitudes, radians.
    fn correct(&self, sine: f64, cosine: f64) -> f64 {
        let s = sine - self.sine_offset;
        let c = (cosine - self.cosine_offset) / (1.0 + self.gain_error);
        let q = self.quadrature_deg.to_radians();
        s.atan2((c + s * q.sin()) / q.cos())
    }

    /// The correction as the receiver stores it.
    pub(super) fn balance(&self) -> Balance {
        Balance {
            sine_offset: (self.sine_offset * FULL_SCALE).round() as i16,
            cosine_offset: (self.cosine_offset * FULL_SCALE).round() as i16,
            gain_ppm: (self.gain_error * 1e6).round() as i32,
            quadrature_urad: (self.quadrature_deg.to_radians() * 1e6).round() as i32,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_at_uneven_speed_gives_the_imperfections_back() {
        let (offset_s, offset_c, gain, q) = (0.02, -0.015, 1.02, 1f64.to_radians());
        let mut fit = Identification::new();
        for step in 0..40_000 {
            // Four times faster on one side of the turn than on the other.
            let turn = f64::from(step) / 40_000.0;
            let theta = std::f64::consts::TAU * turn + 0.6 * (std::f64::consts::TAU * turn).sin();
            let s = 0.88 * theta.sin() + offset_s;
            let c = 0.88 * gain * (theta + q).cos() + offset_c;
            fit.add(s * FULL_SCALE, c * FULL_SCALE);
        }
        let found = fit.identify();
        assert!((found.sine_offset - offset_s).abs() < 1e-4, "{found:?}");
        assert!((found.cosine_offset - offset_c).abs() < 1e-4, "{found:?}");
        assert!((found.gain_error - 0.02).abs() < 2e-4, "{found:?}");
        assert!((found.quadrature_deg - 1.0).abs() < 0.02, "{found:?}");
    }
}
