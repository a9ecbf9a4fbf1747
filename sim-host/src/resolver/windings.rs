//! The windings and the filters behind them: from the rotor's electrical angle to both inputs of the
//! converter, in codes, at the eight instants of a frame.

use super::{FRAME_S, ResolverFaults, ResolverSetup, Samples, Turning};
use std::f64::consts::{FRAC_PI_4, TAU};
use stopwright_core::signal::{CODE_ZERO, SAMPLES_PER_FRAME};

const SAMPLE_S: f32 = (FRAME_S / SAMPLES_PER_FRAME as f64) as f32;
const CARRIER_RAD_S: f64 = TAU / FRAME_S;

/// Everything of set-up and faults that does not change from frame to frame, ready for use.
#[derive(Clone, Debug)]
pub(super) struct Windings {
    sine: Input,
    cosine: Input,
    second_harmonic: f32,
    third_harmonic: f32,
    /// How much later than the sine input the cosine input is sampled, s.
    skew_s: f32,
    /// How much older than its sample the angle behind the filter is, s.
    filter_age_s: f64,
}

/// One input: what its winding makes of the angle, and the carrier as it is sampled there.
#[derive(Clone, Debug)]
struct Input {
    winding: Winding,
    /// Carrier at each sample, codes, and a quarter period behind.
    carrier: Samples,
    quarter: Samples,
    null_quarter: f32,
    dc: f32,
}

/// In carrier amplitudes: sin_part · sin θ + cos_part · cos θ + offset.
#[derive(Clone, Copy, Debug)]
struct Winding {
    sin_part: f64,
    cos_part: f64,
    offset: f64,
}

impl Windings {
    pub(super) fn new(setup: &ResolverSetup, faults: &ResolverFaults) -> Self {
        let (sine, cosine) = damaged(Winding::pair(setup), faults);
        // A first-order filter on a carrier with slowly moving amplitude.
        let filter_s = setup.filter_us * 1e-6;
        let filter = CARRIER_RAD_S * filter_s;
        let passed = 1.0 / (1.0 + filter * filter);
        let codes = f64::from(CODE_ZERO);
        let amplitude = codes * setup.amplitude * (1.0 - faults.excitation_loss) * passed.sqrt();
        let phase_rad = setup.phase_deg.to_radians() + filter.atan();
        let input = |winding, late_us: f64, dc: f64| {
            let late_rad = CARRIER_RAD_S * late_us * 1e-6;
            let at = |sample: usize| sample as f64 * FRAC_PI_4 + late_rad - phase_rad;
            Input {
                winding,
                carrier: std::array::from_fn(|sample| (amplitude * at(sample).sin()) as f32),
                quarter: std::array::from_fn(|sample| (amplitude * at(sample).cos()) as f32),
                null_quarter: setup.null_quarter as f32,
                dc: (codes * (1.0 + setup.dc + dc)) as f32,
            }
        };
        Self {
            sine: input(sine, 0.0, faults.sine_dc),
            cosine: input(cosine, setup.skew_us, faults.cosine_dc),
            second_harmonic: setup.second_harmonic as f32,
            third_harmonic: setup.third_harmonic as f32,
            skew_s: (setup.skew_us * 1e-6) as f32,
            filter_age_s: filter_s * passed,
        }
    }

    /// Both inputs at the eight instants, codes.
    pub(super) fn sample(&self, rotor: &Turning) -> (Samples, Samples) {
        let old_rad = rotor.angle_rad - rotor.speed_rad_s * self.filter_age_s;
        let (sin, cos) = old_rad.sin_cos();
        let start = Start {
            sin: sin as f32,
            cos: cos as f32,
            speed: rotor.speed_rad_s as f32,
            half_accel: 0.5 * rotor.accel_rad_s2 as f32,
        };
        let (sin, cos) = self.turn(&start, 0.0);
        let sine = self.sine.codes(&sin, &cos, start.speed);
        if self.skew_s == 0.0 {
            return (sine, self.cosine.codes(&sin, &cos, start.speed));
        }
        let (sin, cos) = self.turn(&start, self.skew_s);
        (sine, self.cosine.codes(&sin, &cos, start.speed))
    }

    /// Sine and cosine of the rotor's angle at the eight instants.
    fn turn(&self, start: &Start, late_s: f32) -> (Samples, Samples) {
        let (mut sin, mut cos) = ([0.0; SAMPLES_PER_FRAME], [0.0; SAMPLES_PER_FRAME]);
        for sample in 0..SAMPLES_PER_FRAME {
            let after_s = sample as f32 * SAMPLE_S + late_s;
            let turned = (start.speed + start.half_accel * after_s) * after_s;
            // At 800 SPM a frame turns 0.017 rad: the series are good to 1e-9.
            let square = turned * turned;
            let cos_turned = 1.0 - square * (0.5 - square / 24.0);
            let sin_turned = turned * (1.0 - square / 6.0);
            sin[sample] = start.sin * cos_turned + start.cos * sin_turned;
            cos[sample] = start.cos * cos_turned - start.sin * sin_turned;
        }
        if self.second_harmonic != 0.0 || self.third_harmonic != 0.0 {
            for (sin, cos) in sin.iter_mut().zip(&mut cos) {
                (*sin, *cos) = self.with_harmonics(*sin, *cos);
            }
        }
        (sin, cos)
    }

    /// Adds sin 2θ, cos 2θ, sin 3θ, cos 3θ to the pair.
    fn with_harmonics(&self, sin: f32, cos: f32) -> (f32, f32) {
        let (sin2, cos2) = (2.0 * sin * cos, cos * cos - sin * sin);
        let (sin3, cos3) = (sin2 * cos + cos2 * sin, cos2 * cos - sin2 * sin);
        (
            sin + self.second_harmonic * sin2 + self.third_harmonic * sin3,
            cos + self.second_harmonic * cos2 + self.third_harmonic * cos3,
        )
    }
}

/// The rotor at the start of a frame.
#[derive(Clone, Copy, Debug)]
struct Start {
    sin: f32,
    cos: f32,
    speed: f32,
    half_accel: f32,
}

impl Input {
    /// Codes at the eight instants. A winding sees d/dt of its flux, sin θ · −cos ωt: besides
    /// sin θ · sin ωt a quarter-period part −(θ̇/ω) cos θ · cos ωt, the speed voltage.
    fn codes(&self, sin: &Samples, cos: &Samples, speed_rad_s: f32) -> Samples {
        const PER_CARRIER: f32 = (1.0 / CARRIER_RAD_S) as f32;
        let speed_share = speed_rad_s * PER_CARRIER;
        let (sin_part, cos_part) = (self.winding.sin_part as f32, self.winding.cos_part as f32);
        let offset = self.winding.offset as f32;
        let mut codes = [0.0; SAMPLES_PER_FRAME];
        for sample in 0..SAMPLES_PER_FRAME {
            let in_phase = sin_part * sin[sample] + cos_part * cos[sample] + offset;
            let slope = sin_part * cos[sample] - cos_part * sin[sample];
            let behind = self.null_quarter - speed_share * slope;
            codes[sample] =
                self.dc + self.carrier[sample] * in_phase + self.quarter[sample] * behind;
        }
        codes
    }
}

impl Winding {
    /// Sine and cosine winding of a sound resolver; skew and gain error are shared between them.
    fn pair(setup: &ResolverSetup) -> (Self, Self) {
        let half_skew = 0.5 * setup.quadrature_deg.to_radians();
        let (sine_gain, cosine_gain) = (1.0 + 0.5 * setup.gain_error, 1.0 - 0.5 * setup.gain_error);
        let sine = Self {
            sin_part: sine_gain * half_skew.cos(),
            cos_part: sine_gain * half_skew.sin(),
            offset: setup.sine_offset,
        };
        let cosine = Self {
            sin_part: cosine_gain * half_skew.sin(),
            cos_part: cosine_gain * half_skew.cos(),
            offset: setup.cosine_offset,
        };
        (sine, cosine)
    }

    fn scaled(self, factor: f64) -> Self {
        Self {
            sin_part: self.sin_part * factor,
            cos_part: self.cos_part * factor,
            offset: self.offset * factor,
        }
    }

    fn mean(self, other: Self) -> Self {
        Self {
            sin_part: 0.5 * (self.sin_part + other.sin_part),
            cos_part: 0.5 * (self.cos_part + other.cos_part),
            offset: 0.5 * (self.offset + other.offset),
        }
    }
}

/// The pair as the wiring delivers it.
fn damaged((sine, cosine): (Winding, Winding), faults: &ResolverFaults) -> (Winding, Winding) {
    let share = |open: bool, short: f64, reversed: bool| match (open, reversed) {
        (true, _) => 0.0,
        (false, true) => short - 1.0,
        (false, false) => 1.0 - short,
    };
    let sine = sine.scaled(share(
        faults.sine_open,
        faults.sine_short,
        faults.sine_reversed,
    ));
    let cosine = cosine.scaled(share(
        faults.cosine_open,
        faults.cosine_short,
        faults.cosine_reversed,
    ));
    let (sine, cosine) = if faults.cross_short {
        (sine.mean(cosine), sine.mean(cosine))
    } else {
        (sine, cosine)
    };
    if faults.exchanged {
        (cosine, sine)
    } else {
        (sine, cosine)
    }
}
