//! The resolver and its front end: crank angle in, carrier frames of converter codes out.
//!
//! The rotor follows the crank through its drive (`drive`: ratio, lash, run-out, teeth, slip). The
//! excitation couples into sine and cosine winding by the rotor's angle (`windings`: gain, offset,
//! quadrature, phase, harmonics, null voltage, the voltage of its own speed). The front end makes
//! codes of the voltages (filter, sampling skew, noise, bits, clipping, stuck codes).
//!
//! Every one of the eight sample pairs of a frame is taken at its own instant with the crank
//! moving. It refuses to decode anything: that is the receiver's work.

mod drive;
mod noise;
mod options;
mod windings;

pub use options::ParseOptionError;

use crate::press::Press;
use drive::Rotor;
use noise::Noise;
use stopwright_core::signal::{CODE_MAX, CODE_ZERO, CarrierFrame, SAMPLES_PER_FRAME};
use windings::Windings;

/// One excitation period at 5 kHz, s.
pub const FRAME_S: f64 = 200e-6;
/// Bits of the converter that the receiver expects.
const BITS: u32 = 12;

/// Codes of one input before rounding. 24 bits are far finer than a code.
type Samples = [f32; SAMPLES_PER_FRAME];

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
    /// Null voltage a quarter period behind the carrier, in carrier amplitudes.
    pub null_quarter: f64,
    /// Run-out of the coupling: a once-per-turn error of the rotor's angle, degrees.
    pub runout_deg: f64,
    /// Error of the rotor's angle with every tooth of a chain or belt drive, degrees.
    pub tooth_ripple_deg: f64,
    /// Teeth of the wheel on the crank, for the ripple.
    pub teeth: f64,
    /// Time constant of the anti-alias filter, µs.
    pub filter_us: f64,
    /// How much later the cosine input is sampled than the sine input, µs.
    pub skew_us: f64,
    /// Bits of the converter, 6 to 12; codes keep their 12-bit scale.
    pub bits: u32,
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
    /// Share of its travel by which the crank leaves a dragging coupling behind, 0 to 1.
    pub creep: f64,
    /// Angle by which the resolver's body has turned in its mounting, degrees of the rotor, in the
    /// direction of its travel.
    pub body_deg: f64,
}

/// The resolver: holds the rotor's place in its lash, and the noise.
#[derive(Clone, Debug)]
pub struct Resolver {
    setup: ResolverSetup,
    faults: ResolverFaults,
    rotor: Rotor,
    windings: Windings,
    noise: Noise,
    noise_codes: f32,
    last: CarrierFrame,
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
            null_quarter: 0.0,
            runout_deg: 0.0,
            tooth_ripple_deg: 0.0,
            teeth: 40.0,
            filter_us: 0.0,
            skew_us: 0.0,
            bits: BITS,
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
        let mut resolver = Self {
            setup: setup.clone(),
            rotor: Rotor::new(setup),
            windings: Windings::new(setup, &faults),
            noise: Noise::new(seed, &format!("resolver noise {name}")),
            noise_codes: 0.0,
            faults: faults.clone(),
            last: CarrierFrame {
                sine: [CODE_ZERO; SAMPLES_PER_FRAME],
                cosine: [CODE_ZERO; SAMPLES_PER_FRAME],
            },
        };
        resolver.set_faults(faults);
        resolver
    }

    /// What is broken from now on.
    pub fn set_faults(&mut self, faults: ResolverFaults) {
        self.windings = Windings::new(&self.setup, &faults);
        let burst_codes = f64::from(CODE_ZERO) * faults.burst;
        self.noise_codes = self.setup.noise_codes.hypot(burst_codes) as f32;
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
        let crank = Turning {
            angle_rad,
            speed_rad_s,
            accel_rad_s2,
        };
        let rotor = self.rotor.follow(&crank, &self.faults);
        let (sine, cosine) = self.windings.sample(&rotor);
        let sine = self.convert(sine);
        let cosine = self.convert(cosine);
        if !self.faults.sine_stuck {
            self.last.sine = sine;
        }
        if !self.faults.cosine_stuck {
            self.last.cosine = cosine;
        }
        self.last
    }

    fn convert(&mut self, mut codes: Samples) -> [u16; SAMPLES_PER_FRAME] {
        if self.noise_codes > 0.0 {
            self.noise.add(&mut codes, self.noise_codes);
        }
        // Between 2²³ and 2²⁴ neighbouring numbers are 1 apart: the sum is rounded, and its low
        // bits are the code.
        const ROUNDER: f32 = 8_388_608.0;
        let codes =
            codes.map(|code| (code.clamp(0.0, f32::from(CODE_MAX)) + ROUNDER).to_bits() as u16);
        match BITS.saturating_sub(self.setup.bits) {
            0 => codes,
            missing => codes.map(|code| code >> missing << missing),
        }
    }
}

/// A turning angle at the start of a frame and how it moves.
#[derive(Clone, Copy, Debug)]
struct Turning {
    angle_rad: f64,
    speed_rad_s: f64,
    accel_rad_s2: f64,
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{FRAC_PI_4, TAU};

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
        // offset 2 %: 1.15 degrees at most (first-order expansion of the arctangent).
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

    #[test]
    fn a_filter_makes_the_angle_old_and_the_carrier_small_and_late() {
        let setup = ResolverSetup {
            filter_us: 10.0,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let rest = resolver.frame(0.0, 0.0, 0.0);
        let share = 1.0 / (1.0 + (TAU * 5_000.0 * 10e-6_f64).powi(2));
        // In phase with the sampling there is the cosine of the lag, times the attenuation.
        let size = amplitude(&rest.sine).hypot(amplitude(&rest.cosine)) / (0.9 * 2048.0);
        assert!((size - share).abs() < 0.002, "{size} {share}");
        // Moving, the angle is older by τ/(1 + ω²τ²); the weights of the correlation shift too.
        let speed_rad_s = 80.0_f64;
        let seen = decode_deg(&resolver.frame(0.3, speed_rad_s, 0.0));
        let middle = (0.3 + speed_rad_s * (100e-6 - 10e-6 * share)).to_degrees() + 45.0;
        assert!((seen - middle).abs() < 0.1, "{seen} {middle}");
    }

    #[test]
    fn sampling_skew_bends_the_angle_only_by_its_share_of_the_carrier() {
        // cos of the phase between the inputs: 2 µs are 3.6 degrees of carrier, 0.2 % of amplitude.
        let setup = ResolverSetup {
            skew_us: 2.0,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let seen = decode_deg(&resolver.frame(0.0, 0.0, 0.0)) - 45.0;
        assert!(seen > 0.03 && seen < 0.08, "{seen}");
    }

    #[test]
    fn a_null_voltage_behind_the_carrier_does_not_bend_the_angle() {
        let setup = ResolverSetup {
            null_quarter: 0.05,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let seen = decode_deg(&resolver.frame(1.0, 0.0, 0.0)) - 45.0;
        assert!((seen - 1.0_f64.to_degrees()).abs() < 0.02, "{seen}");
    }

    #[test]
    fn run_out_and_teeth_bend_the_angle_periodically() {
        let setup = ResolverSetup {
            runout_deg: 0.5,
            tooth_ripple_deg: 0.2,
            teeth: 20.0,
            ..quiet()
        };
        let mut resolver = Resolver::new(&setup, 1, "a");
        let mut error = |deg: f64| {
            let seen = decode_deg(&resolver.frame(deg.to_radians(), 0.0, 0.0));
            (seen - deg - 45.0 + 180.0).rem_euclid(360.0) - 180.0
        };
        assert!((error(90.0) - 0.5).abs() < 0.03);
        assert!((error(270.0) + 0.5).abs() < 0.03);
        // A quarter of a tooth past the top.
        let expected = 0.2 + 0.5 * 4.5_f64.to_radians().sin();
        assert!((error(4.5) - expected).abs() < 0.03);
    }

    #[test]
    fn fewer_bits_make_coarser_codes() {
        let setup = ResolverSetup { bits: 8, ..quiet() };
        let mut resolver = Resolver::new(&setup, 1, "a");
        for code in resolver.frame(0.7, 0.0, 0.0).sine {
            assert_eq!(code % 16, 0);
        }
    }

    #[test]
    fn a_slipped_coupling_a_turned_body_and_another_ratio_move_the_angle() {
        let seen = |setup: ResolverSetup, faults: ResolverFaults| {
            let mut resolver = Resolver::new(&setup, 1, "a");
            resolver.set_faults(faults);
            decode_deg(&resolver.frame(30.0_f64.to_radians(), 0.0, 0.0)) - 45.0
        };
        let near = |value: f64, expected: f64| assert!((value - expected).abs() < 0.03, "{value}");
        let sound = ResolverFaults::default;
        near(
            seen(
                quiet(),
                ResolverFaults {
                    slip_deg: 9.0,
                    ..sound()
                },
            ),
            39.0,
        );
        near(
            seen(
                quiet(),
                ResolverFaults {
                    body_deg: 4.0,
                    ..sound()
                },
            ),
            26.0,
        );
        near(
            seen(
                ResolverSetup {
                    ratio: 2.0,
                    ..quiet()
                },
                sound(),
            ),
            60.0,
        );
    }

    #[test]
    fn a_decoupled_rotor_stays_where_it_was() {
        let mut resolver = Resolver::new(&quiet(), 1, "a");
        let before = decode_deg(&resolver.frame(0.5, 5.0, 0.0));
        resolver.set_faults(ResolverFaults {
            decoupled: true,
            ..ResolverFaults::default()
        });
        let after = decode_deg(&resolver.frame(2.5, 5.0, 0.0));
        // But for the turning within the frame.
        assert!((after - before).abs() < 0.05, "{before} {after}");
    }
}
