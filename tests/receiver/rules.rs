//! Resolver error rules, with the balance switched off: the published linear rule and its exact
//! maxima, held at the digits printed.
//!
//! Model and formulas: D. C. Hanselman, "Resolver signal requirements for high accuracy
//! resolver-to-digital conversion", IEEE Trans. Ind. Electron. 37 (1990) 556–561, and the *Synchro
//! and Resolver Conversion Handbook* (1980), both from memory and confirmed by exact evaluation
//! here and by numpy (`data/resolver_errors.py`).

use crate::synthesis::{Noise, Resolver};
use std::f64::consts::TAU;
use stopwright_core::demodulator::{Config, demodulate};
use stopwright_core::signal::{CarrierFrame, SAMPLES_PER_FRAME};
use stopwright_core::trig::atan2;

/// One row: what is wrong, and the largest error printed for it in degrees.
#[derive(Clone, Copy, Default)]
struct Row {
    alpha: f64,
    beta_deg: f64,
    offset: [f64; 2],
    harmonic: f64,
    /// +1 or −1: the sign of the third harmonic in the sine winding.
    sign: f64,
    printed_deg: f64,
    digits: i32,
}

impl Row {
    fn windings(&self, theta: f64) -> (f64, f64) {
        let third = self.harmonic;
        let s = (1.0 + self.alpha) * theta.sin()
            + self.sign * third * (3.0 * theta).sin()
            + self.offset[0];
        let c = (theta + self.beta_deg.to_radians()).cos()
            + third * (3.0 * theta).cos()
            + self.offset[1];
        (s, c)
    }

    fn error_deg(&self, theta: f64) -> f64 {
        let (s, c) = self.windings(theta);
        wrapped_deg(s.atan2(c) - theta)
    }
}

fn wrapped_deg(radians: f64) -> f64 {
    radians.sin().atan2(radians.cos()).to_degrees()
}

fn gain(alpha: f64, printed_deg: f64) -> Row {
    Row {
        alpha,
        printed_deg,
        digits: 6,
        ..Row::default()
    }
}

fn quadrature(beta_deg: f64, printed_deg: f64) -> Row {
    Row {
        beta_deg,
        printed_deg,
        digits: 6,
        ..Row::default()
    }
}

fn offsets(a: f64, b: f64, printed_deg: f64) -> Row {
    Row {
        offset: [a, b],
        printed_deg,
        digits: 6,
        ..Row::default()
    }
}

fn harmonic(harmonic: f64, sign: f64, printed_deg: f64) -> Row {
    Row {
        harmonic,
        sign,
        printed_deg,
        digits: 6,
        ..Row::default()
    }
}

fn rows() -> Vec<Row> {
    vec![
        gain(0.01, 0.285055),
        gain(0.02, 0.567294),
        gain(0.05, 1.397597),
        gain(0.10, 2.729403),
        quadrature(0.5, 0.500002),
        quadrature(1.0, 1.000019),
        quadrature(2.0, 2.000152),
        offsets(0.01, 0.0, 0.572967),
        offsets(0.01, 0.01, 0.810312),
        offsets(0.005, -0.01, 0.640600),
        harmonic(0.005, 1.0, 0.286480),
        harmonic(0.01, 1.0, 0.572967),
        harmonic(0.005, -1.0, 0.286480),
        harmonic(0.01, -1.0, 0.572967),
    ]
}

/// Angles a thousandth of a degree apart.
fn angles() -> impl Iterator<Item = f64> {
    (0..360_000).map(|k| f64::from(k) / 360_000.0 * TAU)
}

#[test]
fn the_exact_errors_are_those_printed() {
    for row in rows() {
        let worst = angles()
            .map(|theta| row.error_deg(theta).abs())
            .fold(0.0, f64::max);
        let half_digit = 0.51 * 10.0_f64.powi(-row.digits);
        assert!(
            (worst - row.printed_deg).abs() < half_digit,
            "{} {worst}",
            row.printed_deg
        );
    }
    let at_30 = gain(0.02, 0.0).error_deg(30.0_f64.to_radians());
    assert!((at_30 - 0.493715).abs() < 5e-7, "{at_30}");
    let mean = angles()
        .map(|theta| quadrature(2.0, 0.0).error_deg(theta))
        .sum::<f64>()
        / 360e3;
    assert!((mean.abs() - 1.0).abs() < 1e-6, "{mean}");
}

#[test]
fn the_closed_forms_are_the_exact_maxima() {
    let printed = |row: Row, closed: f64| {
        let half_digit = 0.51 * 10.0_f64.powi(-row.digits);
        assert!(
            (closed.to_degrees() - row.printed_deg).abs() < half_digit,
            "{closed}"
        );
    };
    for row in rows() {
        if row.alpha != 0.0 {
            let g = 1.0 + row.alpha;
            printed(row, ((g - 1.0) / (2.0 * g.sqrt())).atan());
        } else if row.offset != [0.0; 2] {
            printed(row, row.offset[0].hypot(row.offset[1]).asin());
        } else if row.harmonic != 0.0 {
            printed(row, row.harmonic.asin());
        }
    }
}

#[test]
fn numpy_finds_the_same_maxima() {
    let mut reader = csv::Reader::from_reader(&include_bytes!("data/resolver_errors.csv")[..]);
    let mut count = 0;
    for record in reader.deserialize() {
        let (alpha, beta_deg, a, b, harmonic, sign, max_deg, mean_deg): (
            f64,
            f64,
            f64,
            f64,
            f64,
            f64,
            f64,
            f64,
        ) = record.expect("a row of numbers");
        let row = Row {
            alpha,
            beta_deg,
            offset: [a, b],
            harmonic,
            sign,
            ..Row::default()
        };
        let errors: Vec<f64> = angles().map(|theta| row.error_deg(theta)).collect();
        let worst = errors
            .iter()
            .fold(0.0_f64, |worst, error| worst.max(error.abs()));
        let mean = errors.iter().sum::<f64>() / errors.len() as f64;
        assert!((worst - max_deg).abs() < 1e-8 && (mean.abs() - mean_deg.abs()).abs() < 2e-6);
        count += 1;
    }
    assert_eq!(count, 15);
}

/// The largest errors of the project's own decode: of the same windings as 16-bit amplitudes.
#[test]
fn the_integer_decode_shows_the_printed_errors_to_its_rounding() {
    let amplitude = 29_000.0;
    // Half a count in each amplitude: 0.0014 degree.
    let rounding_deg = (0.5 * 2.0_f64.sqrt() / (0.9 * amplitude)).to_degrees();
    for row in rows() {
        let mut worst = 0.0_f64;
        for theta in angles().step_by(7) {
            let (s, c) = row.windings(theta);
            let code = |value: f64| (amplitude * value).round() as i16;
            let decoded = atan2(code(s), code(c)).expect("an angle").to_bits();
            let decoded = f64::from(decoded) / 4_294_967_296.0 * TAU;
            let error = wrapped_deg(decoded - theta);
            assert!(
                (error - row.error_deg(theta)).abs() < rounding_deg,
                "{theta}"
            );
            worst = worst.max(error.abs());
        }
        assert!(
            (worst - row.printed_deg).abs() < rounding_deg,
            "{worst} {}",
            row.printed_deg
        );
    }
}

/// Mean error in degrees of the frames `frame(theta, t)` over a turn, `t` from 0 to 1 in a frame.
fn mean_frame_error(config: &Config, sample: impl Fn(f64, f64) -> (f64, f64)) -> f64 {
    let mut noise = Noise::new(5);
    let turns = 20_000;
    let sum: f64 = (0..turns)
        .map(|k| {
            let theta = f64::from(k) / f64::from(turns) * TAU;
            let mut frame = CarrierFrame {
                sine: [0; SAMPLES_PER_FRAME],
                cosine: [0; SAMPLES_PER_FRAME],
            };
            for n in 0..SAMPLES_PER_FRAME {
                let (s, c) = sample(theta, n as f64 / SAMPLES_PER_FRAME as f64);
                // A code of noise spreads the rounding evenly.
                let code =
                    |value: f64, noise: f64| (2_048.0 + 1_900.0 * value + noise).round() as u16;
                frame.sine[n] = code(s, noise.gaussian());
                frame.cosine[n] = code(c, noise.gaussian());
            }
            let amplitudes = demodulate(&frame).in_phase(config);
            let decoded = atan2(amplitudes.sine, amplitudes.cosine)
                .expect("an angle")
                .to_bits();
            wrapped_deg(f64::from(decoded) / 4_294_967_296.0 * TAU - theta)
        })
        .sum();
    sum / f64::from(turns)
}

/// −atan(ρ tan φ), with ρ the revolutions per carrier period and φ the phase error of detection.
#[test]
fn speed_voltage_with_a_phase_error_turns_the_angle_by_what_is_printed() {
    for (rev_per_s, carrier_hz, phase_deg, printed_deg) in [
        (2.0, 5_000.0, 10.0_f64, -0.004041),
        (2.0, 2_500.0, 30.0, -0.026464),
    ] {
        let rho = rev_per_s / carrier_hz;
        let exact = -(rho * phase_deg.to_radians().tan()).atan().to_degrees();
        assert!((exact - printed_deg).abs() < 5.1e-7, "{exact}");
        let config = Config::new((phase_deg * 1e3) as i32);
        let mean = mean_frame_error(&config, |theta, t| {
            let (sin, cos) = (TAU * t).sin_cos();
            (
                sin * theta.sin() - rho * cos * theta.cos(),
                sin * theta.cos() + rho * cos * theta.sin(),
            )
        });
        // 0.016 degree of noise over 20 000 frames, five standard deviations.
        assert!((mean - printed_deg).abs() < 0.000_6, "{mean} {printed_deg}");
    }
}

#[test]
fn a_null_voltage_with_a_phase_error_turns_the_angle_by_what_is_printed() {
    for (q, phase_deg, printed_deg) in [(0.005, 10.0_f64, -0.050514), (0.01, 20.0, -0.208539)] {
        let exact = -(q * phase_deg.to_radians().tan()).atan().to_degrees();
        assert!((exact - printed_deg).abs() < 5.1e-7, "{exact}");
        let config = Config::new((phase_deg * 1e3) as i32);
        let at_zero = mean_frame_error(&config, |theta, t| {
            let (sin, cos) = (TAU * t).sin_cos();
            // The same null voltage seen from every angle: across the vector.
            (
                sin * theta.sin() - q * cos * theta.cos(),
                sin * theta.cos() + q * cos * theta.sin(),
            )
        });
        assert!(
            (at_zero - printed_deg).abs() < 0.000_6,
            "{at_zero} {printed_deg}"
        );
    }
}

#[test]
fn a_phase_error_alone_costs_amplitude_and_turns_nothing() {
    let config = Config::new(20_000);
    let mean = mean_frame_error(&config, |theta, t| {
        let sin = (TAU * t).sin();
        (sin * theta.sin(), sin * theta.cos())
    });
    assert!(mean.abs() < 0.000_6, "{mean}");
    let frame = Resolver::PERFECT.frame(0.0, |_| 0.0, &mut Noise::new(1));
    let amplitude = f64::from(demodulate(&frame).in_phase(&config).cosine) / 16.0;
    assert!(
        (amplitude - 1_800.0 * 20.0_f64.to_radians().cos()).abs() < 1.0,
        "{amplitude}"
    );
}

/// Sampling both windings Δt apart acts as a quadrature error of 6·N·Δt: 10 µs at 60 per minute
/// are 0.0036 degrees.
#[test]
fn samples_taken_apart_in_time_act_as_a_quadrature_error() {
    let apart_deg = 360.0 * 1.0 * 10e-6;
    let row = quadrature(apart_deg, 0.0036);
    let worst = angles()
        .map(|theta| row.error_deg(theta).abs())
        .fold(0.0, f64::max);
    assert!(
        (worst - 0.0036).abs() < 5e-5 && (worst * 60.0 - 0.216).abs() < 5e-4,
        "{worst}"
    );
}

/// RMS q/(√12·A) and largest q/(√2·A) radian, q = 2/2^bits: uniform rounding of both amplitudes.
#[test]
fn quantisation_errors_of_the_direct_decode_are_those_printed() {
    let mut reader = csv::Reader::from_reader(&include_bytes!("data/quantisation.csv")[..]);
    let printed = [
        (10, 0.9, 2.154, 5.275),
        (12, 0.9, 0.538, 1.319),
        (12, 0.5, 0.969, 2.374),
        (16, 0.9, 0.0337, 0.0824),
    ];
    for ((bits, amplitude, rms, largest), record) in printed.into_iter().zip(reader.deserialize()) {
        let numpy: (u32, f64, f64, f64) = record.expect("a row of numbers");
        assert_eq!((numpy.0, numpy.1), (bits, amplitude));
        let step = 65_536.0 / f64::from(1u32 << bits);
        let (mut squares, mut worst, mut count) = (0.0, 0.0_f64, 0.0);
        // An irrational step visits every angle evenly.
        for k in 0..2_000_000u32 {
            let theta = f64::from(k) * 2.399_963_229_728_653;
            let code = |value: f64| ((amplitude * value * 32_768.0 / step).round() * step) as i16;
            let decoded = atan2(code(theta.sin()), code(theta.cos()))
                .expect("an angle")
                .to_bits();
            let error = wrapped_deg(f64::from(decoded) / 4_294_967_296.0 * TAU - theta) * 60.0;
            squares += error * error;
            worst = worst.max(error.abs());
            count += 1.0;
        }
        let found = f64::sqrt(squares / count);
        assert!(
            (found / rms - 1.0).abs() < 0.01,
            "{bits} {amplitude}: {found} {rms}"
        );
        assert!(
            (found / numpy.2 - 1.0).abs() < 0.003,
            "{bits} {amplitude}: {found}"
        );
        // The bound is reached where both roundings are worst together.
        assert!(
            worst <= largest * 1.001 && worst > 0.98 * largest,
            "{bits}: {worst} {largest}"
        );
    }
}
