//! Synchronous detection of one carrier frame: eight samples of each winding to its amplitude in
//! phase with the excitation and in quadrature to it, its direct voltage, and what does not fit
//! either.
//!
//! Eight samples a period put the weights at 0, ±√½ and ±1, so one multiplication a component is
//! enough. A sum over a whole period rejects the direct voltage and every even harmonic. The
//! weights of the in-phase part are symmetric about the middle of the frame: a frame of a turning
//! resolver speaks for that instant.
//!
//! Two samples are worked on at a time, one in each half of a 32-bit word. Codes are 12 bits wide,
//! so that their sums and their biased differences stay in their halves; a code beyond that cannot
//! come from the converter and counts as clipped, and such a frame is never used.

use crate::angle::{CrankAngle, ElectricalAngle};
use crate::signal::{CODE_ZERO, CarrierFrame, SAMPLES_PER_FRAME, WindingAmplitudes};
use crate::trig;

/// √½ in 2⁻¹⁵.
const SQRT_HALF: i32 = 23_170;
/// One in each half of a word.
const EACH: u32 = 0x0001_0001;
/// Keeps a difference of two sums of codes positive in its half.
const BIAS: u32 = 0x4000;

/// The phase by which the carrier in the windings leads the sampling clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    phase_sine: i32,
    phase_cosine: i32,
}

/// What one frame says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Demodulated {
    sine: Winding,
    cosine: Winding,
}

/// One winding, its components in phase with the sampling clock.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Winding {
    in_phase: i32,
    quadrature: i32,
    /// Sum of all codes.
    sum: u16,
    is_clipped: bool,
    /// Both phases of the second harmonic, as biased sums of codes.
    second: [u16; 2],
}

impl Config {
    /// Detector for a carrier that leads the sampling clock by `phase_millidegrees`.
    pub const fn new(phase_millidegrees: i32) -> Self {
        let phase = CrankAngle::from_millidegrees(phase_millidegrees).to_bits();
        let (sine, cosine) = trig::sin_cos(ElectricalAngle::from_bits(phase));
        Self {
            phase_sine: sine as i32,
            phase_cosine: cosine as i32,
        }
    }
}

/// Detects one frame.
pub fn demodulate(frame: &CarrierFrame) -> Demodulated {
    Demodulated {
        sine: detect(&frame.sine),
        cosine: detect(&frame.cosine),
    }
}

impl Demodulated {
    /// A dark converter.
    pub const NONE: Self = Self {
        sine: Winding::NONE,
        cosine: Winding::NONE,
    };

    /// Amplitudes in phase with the excitation: these carry the angle.
    pub fn in_phase(&self, config: &Config) -> WindingAmplitudes {
        let in_phase = |winding: &Winding| {
            rotate(
                winding.in_phase,
                config.phase_cosine,
                winding.quadrature,
                config.phase_sine,
            )
        };
        WindingAmplitudes {
            sine: in_phase(&self.sine),
            cosine: in_phase(&self.cosine),
        }
    }

    /// Amplitudes in quadrature: carrier phase error, speed voltage, null voltage.
    pub fn quadrature(&self, config: &Config) -> WindingAmplitudes {
        let quadrature = |winding: &Winding| {
            rotate(
                winding.quadrature,
                config.phase_cosine,
                winding.in_phase,
                config.phase_sine.wrapping_neg(),
            )
        };
        WindingAmplitudes {
            sine: quadrature(&self.sine),
            cosine: quadrature(&self.cosine),
        }
    }

    /// Direct voltages of the sine and the cosine winding, converter codes from [`CODE_ZERO`].
    pub const fn offsets(&self) -> [i16; 2] {
        [self.sine.offset(), self.cosine.offset()]
    }

    /// Whether a code of either winding stood at an end of the converter's range.
    pub const fn is_clipped(&self) -> bool {
        self.sine.is_clipped || self.cosine.is_clipped
    }

    /// Noise, converter codes: how far the second harmonic, which no winding delivers, has moved
    /// since the frame `before`, in the noisier winding. A carrier of any amplitude, a direct
    /// voltage, a standing distortion and a step of the angle leave it small; white noise of σ
    /// codes gives some 4.5·σ.
    pub fn noise(&self, before: &Self) -> u16 {
        let sine = distance(self.sine.second, before.sine.second);
        sine.max(distance(self.cosine.second, before.cosine.second))
    }
}

impl Winding {
    const NONE: Self = Self {
        in_phase: 0,
        quadrature: 0,
        sum: 0,
        is_clipped: false,
        second: [BIAS as u16; 2],
    };

    const fn offset(&self) -> i16 {
        ((self.sum >> 3) as i16).wrapping_sub(CODE_ZERO as i16)
    }
}

/// One copy of the code serves both windings.
#[inline(never)]
fn detect(&[x0, x1, x2, x3, x4, x5, x6, x7]: &[u16; SAMPLES_PER_FRAME]) -> Winding {
    let words = [both(x0, x1), both(x2, x3), both(x4, x5), both(x6, x7)];
    let [w01, w23, w45, w67] = words;
    // Samples half a period apart: sums are the even harmonics, differences the odd ones.
    let (sum01, sum23) = (w01.wrapping_add(w45), w23.wrapping_add(w67));
    let [even0, even1] = halves(sum01.wrapping_add(sum23));
    let [odd0, odd1] = halves(difference(w01, w45));
    let [odd2, odd3] = halves(difference(w23, w67));
    let axis = |odd: u16| i32::from(odd).wrapping_sub(BIAS as i32);
    Winding {
        in_phase: weigh(axis(odd2), axis(odd1).wrapping_add(axis(odd3))),
        quadrature: weigh(axis(odd0), i32::from(odd1).wrapping_sub(i32::from(odd3))),
        sum: even0.wrapping_add(even1),
        is_clipped: is_clipped(words),
        second: halves(difference(sum01, sum23)),
    }
}

fn both(low: u16, high: u16) -> u32 {
    u32::from(low) | u32::from(high) << 16
}

const fn halves(word: u32) -> [u16; 2] {
    [word as u16, (word >> 16) as u16]
}

/// a − b in each half, plus [`BIAS`].
const fn difference(a: u32, b: u32) -> u32 {
    a.wrapping_add(EACH.wrapping_mul(BIAS)).wrapping_sub(b)
}

/// Whether a code is 0 or at least 4095: one more carries a code of 4095 into bit 12, one less
/// borrows for a code of 0, and a code beyond has one of its upper bits set either way. What a half
/// takes from its neighbour it takes as such a code, and then the answer is known.
const fn is_clipped([a, b, c, d]: [u32; SAMPLES_PER_FRAME / 2]) -> bool {
    const ABOVE: u32 = EACH.wrapping_mul(0xF000);
    (ends(a) | ends(b) | ends(c) | ends(d)) & ABOVE != 0
}

#[inline(always)]
const fn ends(word: u32) -> u32 {
    word.wrapping_add(EACH) | word.wrapping_sub(EACH)
}

/// 4·(axis + √½·diagonal): the amplitude, 16 counts a converter code.
const fn weigh(axis: i32, diagonal: i32) -> i32 {
    let diagonal = SQRT_HALF.wrapping_mul(diagonal).wrapping_add(1 << 12) >> 13;
    axis.wrapping_shl(2).wrapping_add(diagonal)
}

/// a·cos + b·sin with the factors in 2⁻¹⁵, to the nearest, saturating. A component is at most
/// 39 600, and both together √2 times that: the sum fits.
fn rotate(a: i32, cosine: i32, b: i32, sine: i32) -> i16 {
    let sum = a.wrapping_mul(cosine).wrapping_add(b.wrapping_mul(sine));
    let rounded = sum.wrapping_add(1 << 14) >> 15;
    rounded.clamp(i16::MIN as i32, i16::MAX as i32) as i16
}

const fn distance([a, b]: [u16; 2], [c, d]: [u16; 2]) -> u16 {
    a.abs_diff(c).saturating_add(b.abs_diff(d))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_at_an_end_or_beyond_is_clipped_whatever_its_neighbour_is() {
        let is_end = |code: u16| code == 0 || code >= 4_095;
        for code in 0..=u16::MAX {
            for other in [
                0,
                1,
                2,
                2_048,
                4_094,
                4_095,
                4_096,
                0x7FFF,
                0x8000,
                u16::MAX,
            ] {
                for word in [both(code, other), both(other, code)] {
                    let fine = both(1, 4_094);
                    let is_so = is_end(code) || is_end(other);
                    assert_eq!(is_clipped([fine, word, fine, fine]), is_so, "{word:x}");
                }
            }
        }
    }
}
