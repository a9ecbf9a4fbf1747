//! Carrier frames as a resolver and a 12-bit converter would deliver them, from a crank angle
//! given as a function of time. All in f64, independent of the core's arithmetic.

use std::f64::consts::TAU;
use stopwright_core::signal::{CODE_MAX, CODE_ZERO, CarrierFrame, SAMPLES_PER_FRAME};

pub(crate) const FRAME_S: f64 = 200e-6;

/// A resolver with its imperfections and its converter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Resolver {
    /// Carrier amplitude at the converter, codes.
    pub(crate) amplitude: f64,
    /// Gain of the cosine winding over the sine winding, above 1.
    pub(crate) gain: f64,
    /// Offsets of the demodulated amplitudes, fraction of the amplitude.
    pub(crate) offset: [f64; 2],
    /// Quadrature error of the cosine winding, radians.
    pub(crate) quadrature: f64,
    /// Direct voltage, codes.
    pub(crate) direct: [f64; 2],
    /// Carrier phase, radians ahead of the sampling clock.
    pub(crate) phase: f64,
    /// Gaussian noise of each sample, codes rms.
    pub(crate) noise: f64,
}

impl Resolver {
    pub(crate) const PERFECT: Self = Self {
        amplitude: 1_800.0,
        gain: 0.0,
        offset: [0.0; 2],
        quadrature: 0.0,
        direct: [0.0; 2],
        phase: 0.0,
        noise: 0.0,
    };

    /// Frame that begins at `start` seconds; `angle` is the electrical angle in radians.
    pub(crate) fn frame(
        &self,
        start: f64,
        angle: impl Fn(f64) -> f64,
        noise: &mut Noise,
    ) -> CarrierFrame {
        let mut frame = CarrierFrame {
            sine: [0; SAMPLES_PER_FRAME],
            cosine: [0; SAMPLES_PER_FRAME],
        };
        for k in 0..SAMPLES_PER_FRAME {
            let part = k as f64 / SAMPLES_PER_FRAME as f64;
            let theta = angle(start + part * FRAME_S);
            let carrier = self.amplitude * (TAU * part + self.phase).sin();
            let sine = carrier * (theta.sin() + self.offset[0]);
            let cosine =
                carrier * ((1.0 + self.gain) * (theta + self.quadrature).cos() + self.offset[1]);
            frame.sine[k] = convert(sine + self.direct[0] + self.noise * noise.gaussian());
            frame.cosine[k] = convert(cosine + self.direct[1] + self.noise * noise.gaussian());
        }
        frame
    }
}

fn convert(codes: f64) -> u16 {
    (codes + f64::from(CODE_ZERO))
        .round()
        .clamp(0.0, f64::from(CODE_MAX)) as u16
}

/// Repeatable Gaussian noise (SplitMix64 and Box–Muller).
pub(crate) struct Noise(u64);

impl Noise {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn gaussian(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (TAU * self.uniform()).cos()
    }
}
