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
    /// Second harmonic of the sine winding, both phases, as the difference of sample pairs.
    pub sine_second: [i16; 2],
    /// Second harmonic of the cosine winding.
    pub cosine_second: [i16; 2],
    /// A code of either winding stood at an end of the converter's range.
    pub is_clipped: bool,
}

struct Winding {
    in_phase: i32,
    quadrature: i32,
    offset: i16,
    second: [i16; 2],
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
        sine_second: [0; 2],
        cosine_second: [0; 2],
        is_clipped: false,
    };

    /// Noise, converter codes: how far the second harmonic, which no winding delivers, has moved
    /// since the frame `before`, in the noisier winding. A carrier of any amplitude, a direct
    /// voltage, a standing distortion and a step of the angle leave it small; white noise of σ
    /// codes gives some 4.5·σ.
    pub fn noise(&self, before: &Self) -> u16 {
        let sine = distance(self.sine_second, before.sine_second);
        sine.max(distance(self.cosine_second, before.cosine_second))
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
        sine_second: sine.second,
        cosine_second: cosine.second,
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
/// wrapped sums of such a frame are never used. One copy of the code serves both windings.
#[inline(never)]
fn detect(&[x0, x1, x2, x3, x4, x5, x6, x7]: &[u16; SAMPLES_PER_FRAME]) -> Winding {
    let (a, b, c, d) = (
        Pair::new(x0, x4),
        Pair::new(x1, x5),
        Pair::new(x2, x6),
        Pair::new(x3, x7),
    );
    let (ac, bd) = (a.even.wrapping_add(c.even), b.even.wrapping_add(d.even));
    Winding {
        in_phase: weigh(c.odd, b.odd.wrapping_add(d.odd)),
        quadrature: weigh(a.odd, b.odd.wrapping_sub(d.odd)),
        offset: (ac.wrapping_add(bd) >> 3).wrapping_sub(CODE_ZERO as i32) as i16,
        second: [
            a.even.wrapping_sub(c.even) as i16,
            b.even.wrapping_sub(d.even) as i16,
        ],
        is_clipped: (a.ends | b.ends | c.ends | d.ends) < 0,
    }
}

/// Two samples half a period apart.
struct Pair {
    /// Their difference: the odd harmonics.
    odd: i32,
    /// Their sum: the even ones.
    even: i32,
    /// Negative when either is 0 or at least [`CODE_MAX`]: then code − 1 or CODE_MAX − 1 − code is.
    ends: i32,
}

impl Pair {
    #[inline(always)]
    const fn new(first: u16, second: u16) -> Self {
        const LAST: i32 = CODE_MAX as i32 - 1;
        let (first, second) = (first as i32, second as i32);
        Self {
            odd: first.wrapping_sub(second),
            even: first.wrapping_add(second),
            ends: first.wrapping_sub(1)
                | LAST.wrapping_sub(first)
                | second.wrapping_sub(1)
                | LAST.wrapping_sub(second),
        }
    }
}

/// 4·(axis + √½·diagonal): the amplitude, 16 counts a converter code.
fn weigh(axis: i32, diagonal: i32) -> i32 {
    axis.wrapping_shl(2)
        .wrapping_add(SQRT_HALF.wrapping_mul(diagonal).wrapping_add(1 << 12) >> 13)
}

const fn distance([a, b]: [i16; 2], [c, d]: [i16; 2]) -> u16 {
    a.abs_diff(c).saturating_add(b.abs_diff(d))
}
