//! The resolver and its front end: crank angle in, carrier frames of converter codes out.
//!
//! Windings: the excitation couples into sine and cosine winding by the rotor's angle, with all the
//! ways in which a real pair is not perfect: gain, offset, quadrature, phase, harmonics, the voltage
//! of its own speed. Front end: gain, noise, 12 bits, clipping, stuck codes. The rotor follows the
//! crank through its drive, with lash, ratio and slip.
//!
//! Every one of the eight sample pairs of a frame is taken at its own instant with the crank
//! moving. It refuses to decode anything: that is the receiver's work.

mod noise;
mod options;

pub use options::ParseOptionError;

use crate::press::Press;
use noise::Noise;
use std::f64::consts::{FRAC_PI_4, TAU};
use stopwright_core::signal::{CODE_MAX, CODE_ZERO, CarrierFrame, SAMPLES_PER_FRAME};

/// One excitation period at 5 kHz, s.
pub const FRAME_S: f64 = 200e-6;
const SAMPLE_S: f32 = (FRAME_S / SAMPLES_PER_FRAME as f64) as f32;
const CARRIER_RAD_S: f64 = TAU / FRAME_S;

/// What the resolver, its drive and its front end are like.
#[derive(Clone, Debug, PartialEq)]
pub struct ResolverSetup {
    /// Electrical angle at top dead centre, degrees.
    pub zero_deg: f64,
    /// Whether the electrical angle falls in normal travel.
    pub reversed: bool,
    /// Lash of the drive between crank and resolver, degrees.
    pub lash_deg: f64,
    /// Resolver turns per crank turn.
    pub ratio: f64,
    /// Carrier amplitude at the converter over its full scale (2048 codes); 0.9 is nominal.
    pub amplitude: f64,
    /// Gain of the sine winding over that of the cosine winding, less one: 0.02 is 2 %.
    pub gain_error: f64,
    /// Offset of the sine winding, in carrier amplitudes: an in-phase null voltage.
    pub sine_offset: f64,
    /// Offset of the cosine winding, in carrier amplitudes.
    pub cosine_offset: f64,
    /// How far the windings are from square, degrees.
    pub quadrature_deg: f64,
    /// Phase of the received carrier behind the sampling, degrees.
    pub phase_deg: f64,
    /// Constant voltage on both inputs, share of full scale.
    pub dc: f64,
    /// Share of the second harmonic of the rotor angle in each winding.
    pub second_harmonic: f64,
    /// Share of the third harmonic of the rotor angle in each winding.
    pub third_harmonic: f64,
    /// Noise of each sample, codes, one sigma.
    pub noise_codes: f64,
}

/// What is broken. All off by [`Default`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ResolverFaults {
    /// Sine winding open.
    pub sine_open: bool,
    /// Cosine winding open.
    pub cosine_open: bool,
    /// Share of the sine winding lost to a short between turns.
    pub sine_short: f64,
    /// Share of the cosine winding lost to a short between turns.
    pub cosine_short: f64,
    /// Sine and cosine winding shorted together.
    pub cross_short: bool,
    /// Sine pair reversed.
    pub sine_reversed: bool,
    /// Cosine pair reversed.
    pub cosine_reversed: bool,
    /// Sine and cosine winding exchanged.
    pub exchanged: bool,
    /// Share of the excitation lost: 1 is no excitation.
    pub excitation_loss: f64,
    /// Voltage on the sine input from a short to the supply, share of full scale.
    pub sine_dc: f64,
    /// Voltage on the cosine input from a short to the supply, share of full scale.
    pub cosine_dc: f64,
    /// Codes of the sine input stuck.
    pub sine_stuck: bool,
    /// Codes of the cosine input stuck.
    pub cosine_stuck: bool,
    /// Added noise, share of full scale, one sigma.
    pub burst: f64,
    /// The rotor no longer follows the crank.
    pub decoupled: bool,
    /// Angle by which the coupling has slipped, degrees of the crank.
    pub slip_deg: f64,
}

/// The resolver: holds the rotor's place in its lash, and the noise.
#[derive(Clone, Debug)]
pub struct Resolver {
    setup: ResolverSetup,
    faults: ResolverFaults,
    windings: Windings,
    rotor: Rotor,
    noise: Noise,
    last: CarrierFrame,
}

/// Where the rotor is, rad of the crank.
#[derive(Clone, Copy, Debug)]
struct Rotor {
    angle_rad: f64,
    placed: bool,
}

/// Everything of set-up and faults that does not change from frame to frame, ready for use.
#[derive(Clone, Debug)]
struct Windings {
    /// Excitation at each sample, and its quarter behind for the speed voltage.
    carrier: Samples,
    carrier_quarter: Samples,
    sine: Winding,
    cosine: Winding,
    direction: f64,
    zero_rad: f64,
    noise_codes: f32,
}

/// Codes of one input before rounding. 24 bits are far finer than a code.
type Samples = [f32; SAMPLES_PER_FRAME];

/// One input in codes: amplitude · (sin_part · sin θ + cos_part · cos θ + offset) + dc.
#[derive(Clone, Copy, Debug, Default)]
struct Winding {
    sin_part: f32,
    cos_part: f32,
    offset: f32,
    dc: f32,
}

impl Default for ResolverSetup {
    /// A good resolver, 45 degrees from top dead centre.
    fn default() -> Self {
        Self {
            zero_deg: 45.0,
            reversed: false,
            lash_deg: 0.0,
            ratio: 1.0,
            amplitude: 0.9,
            gain_error: 0.0,
            sine_offset: 0.0,
            cosine_offset: 0.0,
            quadrature_deg: 0.0,
            phase_deg: 0.0,
            dc: 0.0,
            second_harmonic: 0.0,
            third_harmonic: 0.0,
            noise_codes: 1.0,
        }
    }
}

impl ResolverSetup {
    /// A good resolver with the drive of this press.
    pub fn of_press(press: &Press) -> Self {
        Self {
            zero_deg: press.resolver.zero_deg,
            lash_deg: press.resolver.lash_deg,
            ..Self::default()
        }
    }
}

impl Resolver {
    /// A resolver; `name` tells several of one run apart.
    pub fn new(setup: &ResolverSetup, seed: u64, name: &str) -> Self {
        let faults = ResolverFaults::default();
        Self {
            windings: Windings::new(setup, &faults),
            setup: setup.clone(),
            faults,
            rotor: Rotor {
                angle_rad: 0.0,
                placed: false,
            },
            noise: Noise::new(seed, &format!("resolver noise {name}")),
            last: CarrierFrame {
                sine: [CODE_ZERO; SAMPLES_PER_FRAME],
                cosine: [CODE_ZERO; SAMPLES_PER_FRAME],
            },
        }
    }

    /// What is broken from now on.
    pub fn set_faults(&mut self, faults: ResolverFaults) {
        self.windings = Windings::new(&self.setup, &faults);
        self.faults = faults;
    }

    /// What is broken now.
    pub fn faults(&self) -> &ResolverFaults {
        &self.faults
    }

    /// The set-up.
    pub fn setup(&self) -> &ResolverSetup {
        &self.setup
    }

    /// The frame that begins with the crank at this angle (rad, counted on over turns), speed
    /// (rad/s) and acceleration (rad/s²).
    pub fn frame(&mut self, angle_rad: f64, speed_rad_s: f64, accel_rad_s2: f64) -> CarrierFrame {
        let (angle_rad, speed_rad_s, accel_rad_s2) =
            self.follow(angle_rad, speed_rad_s, accel_rad_s2);
        let turning = self.setup.ratio * self.windings.direction;
        let slip_rad = self.faults.slip_deg.to_radians();
        let start = Electrical {
            angle_rad: turning * (angle_rad + slip_rad) + self.windings.zero_rad,
            speed_rad_s: turning * speed_rad_s,
            accel_rad_s2: turning * accel_rad_s2,
        };
        let (sine, cosine) = self.windings.sample(&start, &self.setup);
        let frame = CarrierFrame {
            sine: self.convert(sine),
            cosine: self.convert(cosine),
        };
        self.last = CarrierFrame {
            sine: if self.faults.sine_stuck {
                self.last.sine
            } else {
                frame.sine
            },
            cosine: if self.faults.cosine_stuck {
                self.last.cosine
            } else {
                frame.cosine
            },
        };
        self.last
    }

    /// The rotor's angle, speed and acceleration: it rests while the crank moves within the lash.
    fn follow(&mut self, angle_rad: f64, speed_rad_s: f64, accel_rad_s2: f64) -> (f64, f64, f64) {
        let half_rad = 0.5 * self.setup.lash_deg.to_radians();
        if !self.rotor.placed {
            // As after normal travel: the rotor trails by half the lash.
            self.rotor = Rotor {
                angle_rad: angle_rad - half_rad,
                placed: true,
            };
        }
        if self.faults.decoupled {
            return (self.rotor.angle_rad, 0.0, 0.0);
        }
        let ahead_rad = angle_rad - self.rotor.angle_rad;
        if ahead_rad >= half_rad {
            self.rotor.angle_rad = angle_rad - half_rad;
        } else if ahead_rad <= -half_rad {
            self.rotor.angle_rad = angle_rad + half_rad;
        } else {
            return (self.rotor.angle_rad, 0.0, 0.0);
        }
        (self.rotor.angle_rad, speed_rad_s, accel_rad_s2)
    }

    fn convert(&mut self, mut codes: Samples) -> [u16; SAMPLES_PER_FRAME] {
        if self.windings.noise_codes > 0.0 {
            self.noise.add(&mut codes, self.windings.noise_codes);
        }
        // Between 2²³ and 2²⁴ neighbouring numbers are 1 apart: the sum is rounded, and its low
        // bits are the code.
        const ROUNDER: f32 = 8_388_608.0;
        codes.map(|code| (code.clamp(0.0, f32::from(CODE_MAX)) + ROUNDER).to_bits() as u16)
    }
}

/// Electrical angle at the start of a frame and how it moves.
#[derive(Clone, Copy, Debug)]
struct Electrical {
    angle_rad: f64,
    speed_rad_s: f64,
    accel_rad_s2: f64,
}

impl Windings {
    fn new(setup: &ResolverSetup, faults: &ResolverFaults) -> Self {
        let codes = f64::from(CODE_ZERO);
        let amplitude = codes * setup.amplitude * (1.0 - faults.excitation_loss);
        let phase_rad = setup.phase_deg.to_radians();
        let carrier_at = |sample: usize| sample as f64 * FRAC_PI_4 - phase_rad;
        let (mut sine, mut cosine) = Winding::pair(setup);
        sine.scale(if faults.sine_open {
            0.0
        } else {
            1.0 - faults.sine_short
        });
        cosine.scale(if faults.cosine_open {
            0.0
        } else {
            1.0 - faults.cosine_short
        });
        sine.scale(if faults.sine_reversed { -1.0 } else { 1.0 });
        cosine.scale(if faults.cosine_reversed { -1.0 } else { 1.0 });
        if faults.cross_short {
            let both = sine.mean_with(&cosine);
            (sine, cosine) = (both, both);
        }
        if faults.exchanged {
            (sine, cosine) = (cosine, sine);
        }
        sine.dc = (codes * (1.0 + setup.dc + faults.sine_dc)) as f32;
        cosine.dc = (codes * (1.0 + setup.dc + faults.cosine_dc)) as f32;
        Self {
            carrier: std::array::from_fn(|sample| (amplitude * carrier_at(sample).sin()) as f32),
            carrier_quarter: std::array::from_fn(|sample| {
                (amplitude * carrier_at(sample).cos()) as f32
            }),
            sine,
            cosine,
            direction: if setup.reversed { -1.0 } else { 1.0 },
            zero_rad: setup.zero_deg.to_radians(),
            noise_codes: setup.noise_codes.hypot(codes * faults.burst) as f32,
        }
    }

    /// Both inputs at the eight instants, codes.
    ///
    /// The windings see d/dt of the flux, sin θ · −cos ωt: besides sin θ · sin ωt a quarter-phase
    /// part −(θ̇/ω) cos θ · cos ωt, the speed voltage.
    fn sample(&self, start: &Electrical, setup: &ResolverSetup) -> (Samples, Samples) {
        let (sin0, cos0) = start.angle_rad.sin_cos();
        let (sin0, cos0) = (sin0 as f32, cos0 as f32);
        let (speed, half_accel) = (start.speed_rad_s as f32, 0.5 * start.accel_rad_s2 as f32);
        let speed_ratio = -(start.speed_rad_s / CARRIER_RAD_S) as f32;
        let (mut sin, mut cos) = ([0.0; SAMPLES_PER_FRAME], [0.0; SAMPLES_PER_FRAME]);
        for sample in 0..SAMPLES_PER_FRAME {
            let after_s = sample as f32 * SAMPLE_S;
            let turned = (speed + half_accel * after_s) * after_s;
            // At 800 SPM a frame turns 0.017 rad: the series are good to 1e-9.
            let square = turned * turned;
            let cos_turned = 1.0 - square * (0.5 - square / 24.0);
            let sin_turned = turned * (1.0 - square / 6.0);
            sin[sample] = sin0 * cos_turned + cos0 * sin_turned;
            cos[sample] = cos0 * cos_turned - sin0 * sin_turned;
        }
        if setup.second_harmonic != 0.0 || setup.third_harmonic != 0.0 {
            for (sin, cos) in sin.iter_mut().zip(&mut cos) {
                (*sin, *cos) = with_harmonics(*sin, *cos, setup);
            }
        }
        let codes = |winding: &Winding| {
            let mut codes = [0.0; SAMPLES_PER_FRAME];
            for sample in 0..SAMPLES_PER_FRAME {
                let quarter = speed_ratio * self.carrier_quarter[sample];
                codes[sample] =
                    winding.codes(sin[sample], cos[sample], self.carrier[sample], quarter);
            }
            codes
        };
        (codes(&self.sine), codes(&self.cosine))
    }
}

/// Adds sin 2θ, cos 2θ, sin 3θ, cos 3θ to the pair.
fn with_harmonics(sin: f32, cos: f32, setup: &ResolverSetup) -> (f32, f32) {
    let (second, third) = (setup.second_harmonic as f32, setup.third_harmonic as f32);
    let (sin2, cos2) = (2.0 * sin * cos, cos * cos - sin * sin);
    let (sin3, cos3) = (sin2 * cos + cos2 * sin, cos2 * cos - sin2 * sin);
    (
        sin + second * sin2 + third * sin3,
        cos + second * cos2 + third * cos3,
    )
}

impl Winding {
    /// Sine and cosine winding of a sound resolver; skew and gain error are shared between them.
    fn pair(setup: &ResolverSetup) -> (Self, Self) {
        let half_skew = 0.5 * setup.quadrature_deg.to_radians();
        let (sine_gain, cosine_gain) = (1.0 + 0.5 * setup.gain_error, 1.0 - 0.5 * setup.gain_error);
        let sine = Self {
            sin_part: (sine_gain * half_skew.cos()) as f32,
            cos_part: (sine_gain * half_skew.sin()) as f32,
            offset: setup.sine_offset as f32,
            dc: 0.0,
        };
        let cosine = Self {
            sin_part: (cosine_gain * half_skew.sin()) as f32,
            cos_part: (cosine_gain * half_skew.cos()) as f32,
            offset: setup.cosine_offset as f32,
            dc: 0.0,
        };
        (sine, cosine)
    }

    fn scale(&mut self, factor: f64) {
        let factor = factor as f32;
        self.sin_part *= factor;
        self.cos_part *= factor;
        self.offset *= factor;
    }

    fn mean_with(&self, other: &Self) -> Self {
        Self {
            sin_part: 0.5 * (self.sin_part + other.sin_part),
            cos_part: 0.5 * (self.cos_part + other.cos_part),
            offset: 0.5 * (self.offset + other.offset),
            dc: 0.0,
        }
    }

    fn codes(&self, sin: f32, cos: f32, carrier: f32, quarter: f32) -> f32 {
        let in_phase = self.sin_part * sin + self.cos_part * cos + self.offset;
        // The derivative by angle of the in-phase part.
        let speed_part = self.sin_part * cos - self.cos_part * sin;
        self.dc + carrier * in_phase + quarter * speed_part
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn quiet() -> ResolverSetup {
        ResolverSetup {
            noise_codes: 0.0,
            ..ResolverSetup::default()
        }
    }

    /// Carrier amplitude of one input by correlation, codes.
    fn amplitude(codes: &[u16; SAMPLES_PER_FRAME]) -> f64 {
        let parts = codes.iter().enumerate().map(|(sample, code)| {
            (f64::from(*code) - 2048.0) * (sample as f64 * FRAC_PI_4).sin() / 4.0
        });
        parts.sum()
    }

    fn decode_deg(frame: &CarrierFrame) -> f64 {
        amplitude(&frame.sine)
            .atan2(amplitude(&frame.cosine))
            .to_degrees()
            .rem_euclid(360.0)
    }

    #[test]
    fn a_good_resolver_tells_angle_plus_zero() {
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        for degrees in 0..360 {
            let angle = f64::from(degrees).to_radians();
            let seen = decode_deg(&resolver.frame(angle, 0.0, 0.0));
            let error = (seen - f64::from(degrees) - 45.0 + 180.0).rem_euclid(360.0) - 180.0;
            assert!(error.abs() < 0.02, "{degrees}: {seen}");
        }
    }

    #[test]
    fn the_nominal_amplitude_is_nine_tenths_of_full_scale() {
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        let frame = resolver.frame(0.0, 0.0, 0.0);
        let size = amplitude(&frame.sine).hypot(amplitude(&frame.cosine));
        assert!((size - 0.9 * 2048.0).abs() < 0.5, "{size}");
    }

    #[test]
    fn a_frame_of_a_turning_crank_tells_the_angle_of_its_middle() {
        // Sample weights sin² have their centre at sample 4, 100 µs after the start.
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        let speed_rad_s = 80.0;
        let seen = decode_deg(&resolver.frame(0.3, speed_rad_s, 0.0));
        let middle = (0.3 + speed_rad_s * 100e-6_f64).to_degrees() + 45.0;
        assert!((seen - middle).abs() < 0.02, "{seen} {middle}");
    }

    #[test]
    fn gain_offset_and_quadrature_bend_the_angle_as_the_rules_say() {
        // gain e: (e/2) sin 2θ; quadrature q: within q/2 here, where it is shared between windings;
        // offset 2 %: 1.15 degrees at most (job rules of thumb, derived in docs/PLANT.md).
        let worst = |setup: ResolverSetup| {
            let mut resolver = Resolver::new(&setup, 1, "a");
            (0..720)
                .map(|step| {
                    let angle = f64::from(step) * 0.5;
                    let seen = decode_deg(&resolver.frame(angle.to_radians(), 0.0, 0.0));
                    ((seen - angle - 45.0 + 180.0).rem_euclid(360.0) - 180.0).abs()
                })
                .fold(0.0, f64::max)
        };
        let gain = worst(ResolverSetup {
            gain_error: 0.05,
            ..quiet()
        });
        assert!((gain - 1.43).abs() < 0.03, "{gain}");
        let offset = worst(ResolverSetup {
            sine_offset: 0.02,
            ..quiet()
        });
        assert!((offset - 1.146).abs() < 0.03, "{offset}");
        let skew = worst(ResolverSetup {
            quadrature_deg: 2.0,
            ..quiet()
        });
        assert!((skew - 1.0).abs() < 0.03, "{skew}");
    }

    #[test]
    fn wrong_wiring_leaves_the_amplitude_alone_and_bends_the_angle_as_published() {
        // Crank 10 degrees with the zero at 0: −θ, 180−θ, 90−θ.
        type Spoil = fn(&mut ResolverFaults);
        let cases: [(Spoil, f64); 4] = [
            (|f| f.sine_reversed = true, 350.0),
            (|f| f.cosine_reversed = true, 170.0),
            (|f| f.exchanged = true, 80.0),
            (
                |f| (f.sine_reversed, f.cosine_reversed) = (true, true),
                190.0,
            ),
        ];
        for (spoil, expected) in cases {
            let setup = ResolverSetup {
                zero_deg: 0.0,
                ..quiet()
            };
            let mut resolver = Resolver::new(&setup, 1, "a");
            let mut faults = ResolverFaults::default();
            spoil(&mut faults);
            resolver.set_faults(faults);
            let seen = decode_deg(&resolver.frame(10.0_f64.to_radians(), 0.0, 0.0));
            assert!((seen - expected).abs() < 0.02, "{seen} {expected}");
        }
    }

    #[test]
    fn an_open_winding_shows_at_rest_with_the_zero_at_45_degrees() {
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        resolver.set_faults(ResolverFaults {
            sine_open: true,
            ..ResolverFaults::default()
        });
        let frame = resolver.frame(0.0, 0.0, 0.0);
        let size = amplitude(&frame.sine).hypot(amplitude(&frame.cosine)) / (0.9 * 2048.0);
        assert!((size - 0.707).abs() < 0.005, "{size}");
    }

    #[test]
    fn lash_holds_the_rotor_when_the_crank_turns_back() {
        let setup = ResolverSetup {
            lash_deg: 1.0,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let mut at =
            |degrees: f64| decode_deg(&resolver.frame(degrees.to_radians(), 0.0, 0.0)) - 45.0;
        let forward = at(20.0);
        assert!(
            (at(19.2) - forward).abs() < 0.01,
            "inside the lash nothing moves"
        );
        assert!(
            (at(18.5) - 19.0).abs() < 0.03,
            "beyond it the rotor follows from the other side"
        );
        assert!((forward - 19.5).abs() < 0.03);
    }

    #[test]
    fn codes_clip_at_the_ends_of_the_converter() {
        let setup = ResolverSetup {
            amplitude: 1.3,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let frame = resolver.frame(FRAC_PI_4, 0.0, 0.0);
        assert_eq!(frame.sine.iter().max(), Some(&CODE_MAX));
        assert_eq!(frame.sine.iter().min(), Some(&0));
    }

    #[test]
    fn noise_has_the_set_size() {
        let setup = ResolverSetup {
            noise_codes: 3.0,
            amplitude: 0.0,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let mut sum = 0.0;
        for _ in 0..500 {
            for code in resolver.frame(0.0, 0.0, 0.0).sine {
                sum += (f64::from(code) - 2048.0).powi(2);
            }
        }
        let sigma = (sum / 4_000.0_f64).sqrt();
        // Rounding adds 1/12 to the variance.
        assert!((sigma - 3.014).abs() < 0.12, "{sigma}");
    }

    #[test]
    fn stuck_inputs_repeat_their_last_codes() {
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        let before = resolver.frame(0.0, 0.0, 0.0);
        resolver.set_faults(ResolverFaults {
            sine_stuck: true,
            ..ResolverFaults::default()
        });
        let after = resolver.frame(1.0, 0.0, 0.0);
        assert_eq!(after.sine, before.sine);
        assert_ne!(after.cosine, before.cosine);
    }
}
