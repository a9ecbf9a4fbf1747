//! Synchronous detection of one carrier frame: eight samples of each winding to its amplitude in
//! phase with the excitation and in quadrature to it, its direct voltage, and what does not fit
//! either.
//!
//! Eight samples a period put the weights at 0, ±√½ and ±1, so one multiplication a component is
//! enough. A sum over a whole period rejects the direct voltage and every even harmonic. The
//! weights of the in-phase part are symmetric about the middle of the frame: a frame of a turning
//! resolver speaks for that instant.

use crate::angle::ElectricalAngle;
use crate::signal::{CODE_MAX, CODE_ZERO, CarrierFrame, SAMPLES_PER_FRAME, WindingAmplitudes};

/// √½ in 2⁻¹⁵.
const SQRT_HALF: i32 = 23_170;

/// The phase by which the carrier in the windings leads the sampling clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Config {
    phase_sine: i32,
    phase_cosine: i32,
}

/// What one frame says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Demodulated {
    /// Amplitudes in phase with the excitation: these carry the angle.
    pub in_phase: WindingAmplitudes,
    /// Amplitudes in quadrature: carrier phase error, speed voltage, null voltage.
    pub quadrature: WindingAmplitudes,
    /// Direct voltage of the sine winding, converter codes from [`CODE_ZERO`].
    pub sine_offset: i16,
    /// Direct voltage of the cosine winding, converter codes from [`CODE_ZERO`].
    pub cosine_offset: i16,
    /// Sums of the samples half a period apart, sine and cosine winding: everything in the frame
    /// that is not carrier.
    pub pairs: [[i16; SAMPLES_PER_FRAME / 2]; 2],
    /// A code of either winding stood at an end of the converter's range.
    pub is_clipped: bool,
}

struct Winding {
    in_phase: i32,
    quadrature: i32,
    offset: i16,
    pairs: [i16; SAMPLES_PER_FRAME / 2],
    is_clipped: bool,
}

impl Config {
    /// Detector for a carrier that leads the sampling clock by `phase_millidegrees`.
    pub const fn new(phase_millidegrees: i32) -> Self {
        let phase = ElectricalAngle::from_bits(
            crate::angle::CrankAngle::from_millidegrees(phase_millidegrees).to_bits(),
        );
        let (sine, cosine) = crate::trig::sin_cos(phase);
        Self {
            phase_sine: sine as i32,
            phase_cosine: cosine as i32,
        }
    }
}

impl Demodulated {
    /// A dark converter.
    pub const NONE: Self = Self {
        in_phase: WindingAmplitudes { sine: 0, cosine: 0 },
        quadrature: WindingAmplitudes { sine: 0, cosine: 0 },
        sine_offset: 0,
        cosine_offset: 0,
        pairs: [[0; SAMPLES_PER_FRAME / 2]; 2],
        is_clipped: false,
    };

    /// Noise, converter codes peak to peak: how unevenly what is not carrier has changed since
    /// the frame `before`, in the noisier of the windings. A carrier of any amplitude, a direct
    /// voltage, a standing distortion and a step of the angle leave it small.
    pub fn noise(&self, before: &Self) -> u16 {
        let [sine, cosine] = self.pairs;
        let [sine_before, cosine_before] = before.pairs;
        spread(sine, sine_before).max(spread(cosine, cosine_before))
    }
}

/// Detects one frame.
pub fn demodulate(config: &Config, frame: &CarrierFrame) -> Demodulated {
    let sine = detect(&frame.sine);
    let cosine = detect(&frame.cosine);
    Demodulated {
        in_phase: WindingAmplitudes {
            sine: config.in_phase(&sine),
            cosine: config.in_phase(&cosine),
        },
        quadrature: WindingAmplitudes {
            sine: config.quadrature(&sine),
            cosine: config.quadrature(&cosine),
        },
        sine_offset: sine.offset,
        cosine_offset: cosine.offset,
        pairs: [sine.pairs, cosine.pairs],
        is_clipped: sine.is_clipped || cosine.is_clipped,
    }
}

impl Config {
    fn in_phase(&self, winding: &Winding) -> i16 {
        rotate(
            winding.in_phase,
            self.phase_cosine,
            winding.quadrature,
            self.phase_sine,
        )
    }

    fn quadrature(&self, winding: &Winding) -> i16 {
        rotate(
            winding.quadrature,
            self.phase_cosine,
            winding.in_phase,
            self.phase_sine.wrapping_neg(),
        )
    }
}

/// a·cos + b·sin with the factors in 2⁻¹⁵, to the nearest, saturating.
fn rotate(a: i32, cosine: i32, b: i32, sine: i32) -> i16 {
    let sum = a
        .wrapping_mul(cosine)
        .wrapping_add(b.wrapping_mul(sine))
        .wrapping_add(1 << 14)
        >> 15;
    sum.clamp(i16::MIN as i32, i16::MAX as i32) as i16
}

/// Codes beyond [`CODE_MAX`] cannot come from the converter; they count as clipped, and the
/// wrapped sums of such a frame are never used.
fn detect(codes: &[u16; SAMPLES_PER_FRAME]) -> Winding {
    let [x0, x1, x2, x3, x4, x5, x6, x7] = codes.map(i32::from);
    let odd = [
        x0.wrapping_sub(x4),
        x1.wrapping_sub(x5),
        x2.wrapping_sub(x6),
        x3.wrapping_sub(x7),
    ];
    let even = [
        x0.wrapping_add(x4),
        x1.wrapping_add(x5),
        x2.wrapping_add(x6),
        x3.wrapping_add(x7),
    ];
    let [o0, o1, o2, o3] = odd;
    Winding {
        in_phase: weigh(o2, o1.wrapping_add(o3)),
        quadrature: weigh(o0, o1.wrapping_sub(o3)),
        offset: offset(&even),
        pairs: even.map(|pair| pair as i16),
        is_clipped: codes.iter().any(|&code| code == 0 || code >= CODE_MAX),
    }
}

/// 4·(axis + √½·diagonal): the amplitude, 16 counts a converter code.
fn weigh(axis: i32, diagonal: i32) -> i32 {
    axis.wrapping_shl(2)
        .wrapping_add(SQRT_HALF.wrapping_mul(diagonal).wrapping_add(1 << 12) >> 13)
}

fn offset(even: &[i32; 4]) -> i16 {
    let sum = even.iter().fold(0i32, |sum, &pair| sum.wrapping_add(pair));
    (sum >> 3).wrapping_sub(CODE_ZERO as i32) as i16
}

fn spread(pairs: [i16; SAMPLES_PER_FRAME / 2], before: [i16; SAMPLES_PER_FRAME / 2]) -> u16 {
    let [a, b, c, d] = pairs;
    let [e, f, g, h] = before;
    let (a, b) = (a.wrapping_sub(e), b.wrapping_sub(f));
    let (c, d) = (c.wrapping_sub(g), d.wrapping_sub(h));
    let low = a.min(b).min(c.min(d));
    let high = a.max(b).max(c.max(d));
    high.abs_diff(low)
}
