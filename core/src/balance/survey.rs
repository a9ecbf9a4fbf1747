//! The survey: one or more turns at any speed, forward or back, to the imperfections of the
//! windings.
//!
//! The turn is divided into 64 sectors of the angle as decoded without balance, and every sector
//! counts alike, however many frames fell into it: the crank may rest, creep or turn. The fit
//! makes the squared radius the same in every sector. Its first and second harmonic over the
//! angle are the offsets, the gain and the quadrature error to first order; correcting by them and
//! looking again converges on the ellipse itself.
//!
//! It runs at commissioning, once, outside the tick: some hundred thousand instructions.

use super::{Balance, Config, saturate};
use crate::signal::WindingAmplitudes;
use crate::trig;

/// Sectors of a turn.
pub const SECTORS: usize = 64;
/// Corrections before the fit is judged. Each leaves a few hundredths of the error before it.
const ROUNDS: u8 = 8;
/// Least amplitude a survey accepts, counts of 1/32 767.
const AMPLITUDE_MIN: i64 = 8_000;
/// Largest deviation of a sector's radius after the fit, millionths: 2 %.
const RESIDUE_PPM_MAX: i64 = 20_000;

/// Amplitudes collected over a turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Survey {
    sectors: [Sector; SECTORS],
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sector {
    sine: i32,
    cosine: i32,
    frames: u16,
}

/// What a survey found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Surveyed {
    /// The imperfections.
    pub balance: Balance,
    /// Amplitude of the sine winding, counts of 1/32 767: the nominal amplitude from now on.
    pub amplitude: i16,
    /// Largest deviation of the radius that the balance leaves, millionths: harmonics, noise.
    pub residue_ppm: u32,
}

/// Why a survey gives no balance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SurveyRefusal {
    /// The crank did not pass the whole turn.
    NotAWholeTurn {
        /// Sectors passed, of [`SECTORS`].
        sectors: u8,
    },
    /// The signal is weaker than a quarter of the range.
    SignalWeak,
    /// The imperfections are beyond what a balance may correct.
    OutOfRange(super::ConfigError),
    /// What remains after the fit is no ellipse's: noise, or a winding with harmonics.
    DoesNotFit {
        /// Largest deviation of the radius, millionths.
        residue_ppm: u32,
    },
}

impl Default for Survey {
    fn default() -> Self {
        Self::new()
    }
}

impl Survey {
    /// An empty survey.
    pub const fn new() -> Self {
        const EMPTY: Sector = Sector {
            sine: 0,
            cosine: 0,
            frames: 0,
        };
        Self {
            sectors: [EMPTY; SECTORS],
        }
    }

    /// Takes the in-phase amplitudes of one frame, before any balance.
    pub fn feed(&mut self, raw: WindingAmplitudes) {
        let Ok(angle) = trig::atan2(raw.sine, raw.cosine) else {
            return;
        };
        if let Some(sector) = self.sectors.get_mut((angle.to_bits() >> 26) as usize) {
            sector.feed(raw);
        }
    }

    /// Sectors passed so far, of [`SECTORS`].
    pub fn sectors(&self) -> u8 {
        let passed = self.sectors.iter().filter(|sector| sector.frames > 0);
        passed.count() as u8
    }

    /// The imperfections of the surveyed windings.
    ///
    /// # Errors
    /// [`SurveyRefusal`].
    pub fn identify(&self) -> Result<Surveyed, SurveyRefusal> {
        let sectors = self.sectors();
        if usize::from(sectors) < SECTORS {
            return Err(SurveyRefusal::NotAWholeTurn { sectors });
        }
        let mut fit = Fit::PERFECT;
        for _ in 0..ROUNDS {
            let round = self.harmonics(&fit);
            if round.amplitude < AMPLITUDE_MIN << FRACTION {
                return Err(SurveyRefusal::SignalWeak);
            }
            fit.correct(&round);
        }
        let balance = fit.balance();
        Config::try_new(balance).map_err(SurveyRefusal::OutOfRange)?;
        let last = self.harmonics(&fit);
        // Half the deviation of the square is that of the radius.
        let residue_ppm = last.worst.saturating_mul(500_000) >> 30;
        if residue_ppm > RESIDUE_PPM_MAX {
            return Err(SurveyRefusal::DoesNotFit {
                residue_ppm: residue_ppm as u32,
            });
        }
        Ok(Surveyed {
            balance,
            amplitude: saturate((last.amplitude >> FRACTION) as i32),
            residue_ppm: residue_ppm as u32,
        })
    }

    fn harmonics(&self, fit: &Fit) -> Harmonics {
        let points = self.sectors.map(|sector| fit.apply(sector.mean()));
        let squares = points.iter().map(|&(u, w)| square(u, w));
        let mean = squares.fold(0i64, i64::saturating_add) >> SECTORS.ilog2();
        let mut harmonics = Harmonics {
            amplitude: mean.unsigned_abs().isqrt() as i64,
            ..Harmonics::default()
        };
        for (u, w) in points {
            harmonics.add(u, w, mean);
        }
        harmonics
    }
}

impl Sector {
    fn feed(&mut self, raw: WindingAmplitudes) {
        // A full sector has its mean: the sums stay below 2³¹.
        if self.frames < u16::MAX {
            self.frames = self.frames.saturating_add(1);
            self.sine = self.sine.saturating_add(i32::from(raw.sine));
            self.cosine = self.cosine.saturating_add(i32::from(raw.cosine));
        }
    }

    /// Mean amplitudes in 2⁻⁸ counts.
    fn mean(self) -> (i64, i64) {
        let mean = |sum: i32| {
            let scaled = i64::from(sum).wrapping_shl(FRACTION);
            scaled.checked_div(i64::from(self.frames)).unwrap_or(0)
        };
        (mean(self.sine), mean(self.cosine))
    }
}

/// Bits of fraction of an amplitude.
const FRACTION: u32 = 8;
/// One in the ratios of the fit.
const ONE: i64 = 1 << 30;

/// The fit so far: amplitudes in 2⁻⁸ counts, ratios in 2⁻³⁰.
#[derive(Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Fit {
    sine_offset: i64,
    cosine_offset: i64,
    gain: i64,
    quadrature: i64,
}

/// Harmonics of the squared radius over the angle, in 2⁻³⁰ of its mean.
#[derive(Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Harmonics {
    amplitude: i64,
    sine: i64,
    cosine: i64,
    double_sine: i64,
    double_cosine: i64,
    worst: i64,
}

impl Fit {
    const PERFECT: Self = Self {
        sine_offset: 0,
        cosine_offset: 0,
        gain: ONE,
        quadrature: 0,
    };

    /// The amplitudes as the fit would have them: to second order in the quadrature error.
    fn apply(&self, (sine, cosine): (i64, i64)) -> (i64, i64) {
        let u = sine.wrapping_sub(self.sine_offset);
        let w = ratio(cosine.wrapping_sub(self.cosine_offset), self.gain);
        let q = self.quadrature;
        let q_squared = product(q, q);
        let secant = ONE.wrapping_add(q_squared / 2);
        let tangent = product(q, ONE.wrapping_add(q_squared / 3));
        let w = product(w, secant).wrapping_add(product(u, tangent));
        (u, w)
    }

    fn correct(&mut self, found: &Harmonics) {
        let offset = |harmonic| product(found.amplitude, harmonic);
        self.sine_offset = self.sine_offset.saturating_add(offset(found.sine));
        let cosine_offset = product(offset(found.cosine), self.gain);
        self.cosine_offset = self.cosine_offset.saturating_add(cosine_offset);
        self.gain = self
            .gain
            .saturating_add(found.double_cosine.saturating_mul(2))
            .clamp(ONE / 2, ONE.saturating_mul(2));
        self.quadrature = self
            .quadrature
            .saturating_sub(found.double_sine.saturating_mul(2))
            .clamp(-ONE / 2, ONE / 2);
    }

    fn balance(&self) -> Balance {
        let millionths = |value: i64| (value.saturating_mul(1_000_000) >> 30) as i32;
        let offset =
            |value: i64| saturate((value.saturating_add(1 << (FRACTION - 1)) >> FRACTION) as i32);
        Balance {
            sine_offset: offset(self.sine_offset),
            cosine_offset: offset(self.cosine_offset),
            gain_ppm: millionths(self.gain.saturating_sub(ONE)),
            quadrature_urad: millionths(self.quadrature),
        }
    }
}

impl Harmonics {
    /// Adds a sector of radius² `mean` on average. With sin θ = u/A and cos θ = w/A each harmonic
    /// is the mean of the deviation times sin θ, cos θ, 2·sin θ·cos θ, cos² θ − sin² θ.
    fn add(&mut self, u: i64, w: i64, mean: i64) {
        let deviation = ratio(square(u, w), mean).saturating_sub(ONE);
        let (sine, cosine) = (ratio(u, self.amplitude), ratio(w, self.amplitude));
        let share = |harmonic: i64| product(deviation, harmonic) >> SECTORS.ilog2();
        self.sine = self.sine.saturating_add(share(sine));
        self.cosine = self.cosine.saturating_add(share(cosine));
        let double_sine = product(sine, cosine).saturating_mul(2);
        self.double_sine = self.double_sine.saturating_add(share(double_sine));
        let double_cosine = product(cosine, cosine).saturating_sub(product(sine, sine));
        self.double_cosine = self.double_cosine.saturating_add(share(double_cosine));
        self.worst = self.worst.max(deviation.saturating_abs());
    }
}

/// Amplitudes of up to 2²⁴ in 2⁻⁸ counts: the sum of two squares fits.
fn square(u: i64, w: i64) -> i64 {
    u.saturating_mul(u).saturating_add(w.saturating_mul(w))
}

/// Product with a ratio.
fn product(a: i64, ratio: i64) -> i64 {
    (i128::from(a).wrapping_mul(i128::from(ratio)) >> 30) as i64
}

/// a/b as a ratio; 0 for a b of 0.
fn ratio(a: i64, b: i64) -> i64 {
    let scaled = i128::from(a).wrapping_shl(30);
    scaled.checked_div(i128::from(b)).unwrap_or(0) as i64
}
