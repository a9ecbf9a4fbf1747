//! The windings and the filters behind them: from the rotor's electrical angle to both inputs of the
//! converter, in codes, at the eight instants of a frame.

use super::{FRAME_S, ResolverFaults, ResolverSetup, Samples, Turning};
use std::f64::consts::TAU;
use stopwright_core::signal::{CODE_ZERO, SAMPLES_PER_FRAME};

const SAMPLE_S: f64 = FRAME_S / SAMPLES_PER_FRAME as f64;
/// From the start of a frame to where its correlation with the carrier has its centre, s.
const MIDDLE_S: f64 = 0.5 * FRAME_S;
const CARRIER_RAD_S: f64 = TAU / FRAME_S;

/// Everything of set-up and faults that does not change from frame to frame, ready for use.
#[derive(Clone, Debug)]
pub(super) struct Windings {
    sine: Input,
    cosine: Input,
    second_harmonic: f64,
    third_harmonic: f64,
    /// How much older than its sample the angle behind the filter is, s.
    filter_age_s: f64,
}

/// One input: what its winding makes of the angle, and when and with which carrier it is sampled.
#[derive(Clone, Debug)]
struct Input {
    winding: Winding,
    /// Instants of the samples, from the middle of the frame, s.
    at_s: Samples,
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

/// sin θ and cos θ with their harmonics, and first and second derivative by θ.
#[derive(Clone, Copy, Debug)]
struct Waves {
    sin: [f64; 3],
    cos: [f64; 3],
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
            let late_s = late_us * 1e-6;
            let at_s = |sample: usize| sample as f64 * SAMPLE_S + late_s;
            let at_rad = |sample: usize| CARRIER_RAD_S * at_s(sample) - phase_rad;
            Input {
                winding,
                at_s: std::array::from_fn(|sample| (at_s(sample) - MIDDLE_S) as f32),
                carrier: std::array::from_fn(|sample| (amplitude * at_rad(sample).sin()) as f32),
                quarter: std::array::from_fn(|sample| (amplitude * at_rad(sample).cos()) as f32),
                null_quarter: setup.null_quarter as f32,
                dc: (codes * (1.0 + setup.dc + dc)) as f32,
            }
        };
        Self {
            sine: input(sine, 0.0, faults.sine_dc),
            cosine: input(cosine, setup.skew_us, faults.cosine_dc),
            second_harmonic: setup.second_harmonic,
            third_harmonic: setup.third_harmonic,
            filter_age_s: filter_s * passed,
        }
    }

    /// Both inputs at the eight instants, codes. `rotor` is the start of the frame.
    pub(super) fn sample(&self, rotor: &Turning) -> (Samples, Samples) {
        let after_s = MIDDLE_S - self.filter_age_s;
        let middle = Turning {
            angle_rad: rotor.angle_rad
                + (rotor.speed_rad_s + 0.5 * rotor.accel_rad_s2 * after_s) * after_s,
            speed_rad_s: rotor.speed_rad_s + rotor.accel_rad_s2 * after_s,
            accel_rad_s2: rotor.accel_rad_s2,
        };
        let waves = self.waves(middle.angle_rad);
        (
            self.sine.codes(&waves, &middle),
            self.cosine.codes(&waves, &middle),
        )
    }

    fn waves(&self, angle_rad: f64) -> Waves {
        let (sin, cos) = angle_rad.sin_cos();
        let mut waves = Waves {
            sin: [sin, cos, -sin],
            cos: [cos, -sin, -cos],
        };
        if self.second_harmonic != 0.0 || self.third_harmonic != 0.0 {
            for (order, share) in [(2.0, self.second_harmonic), (3.0, self.third_harmonic)] {
                waves.add(order, share, (order * angle_rad).sin_cos());
            }
        }
        waves
    }
}

impl Waves {
    fn add(&mut self, order: f64, share: f64, (sin, cos): (f64, f64)) {
        let (first, second) = (share * order, share * order * order);
        for (sum, part) in [
            (&mut self.sin, [share * sin, first * cos, -second * sin]),
            (&mut self.cos, [share * cos, -first * sin, -second * cos]),
        ] {
            for (sum, part) in sum.iter_mut().zip(part) {
                *sum += part;
            }
        }
    }
}

impl Input {
    /// Codes at the eight instants.
    ///
    /// The voltage is a parabola in time about the middle of the frame: at 800 SPM a frame turns
    /// 0.017 rad, and what the parabola leaves out is less than a thousandth of a code. A winding
    /// sees d/dt of its flux, sin θ · −cos ωt: besides sin θ · sin ωt a quarter-period part
    /// −(θ̇/ω) cos θ · cos ωt, the speed voltage.
    fn codes(&self, waves: &Waves, middle: &Turning) -> Samples {
        let [value, slope, bend] = self.winding.voltage(waves);
        let (speed, accel) = (middle.speed_rad_s, middle.accel_rad_s2);
        let level = value as f32;
        let rise = (slope * speed) as f32;
        let half_curve = (0.5 * (bend * speed * speed + slope * accel)) as f32;
        let behind = self.null_quarter - (slope * speed / CARRIER_RAD_S) as f32;
        let behind_rise = -(bend * speed * speed / CARRIER_RAD_S) as f32;
        std::array::from_fn(|sample| {
            let at_s = self.at_s[sample];
            let in_phase = level + at_s * (rise + at_s * half_curve);
            let quarter = behind + at_s * behind_rise;
            self.dc + self.carrier[sample] * in_phase + self.quarter[sample] * quarter
        })
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

    /// The voltage and its first and second derivative by the angle.
    fn voltage(&self, waves: &Waves) -> [f64; 3] {
        let mix =
            |order: usize| self.sin_part * waves.sin[order] + self.cos_part * waves.cos[order];
        [mix(0) + self.offset, mix(1), mix(2)]
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
