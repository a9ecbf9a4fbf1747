//! Decodes of a resolver by this project and by general-purpose libraries, on the same inputs: a
//! sine and a cosine amplitude of 16 bits in, a fraction of a turn out.

use fixed::types::I32F32;
use std::f64::consts::TAU;

/// One decode.
pub(crate) struct Contender {
    /// Name as in the table of instruction counts.
    pub(crate) name: &'static str,
    /// Fraction of a turn, any whole number of turns off.
    pub(crate) decode: fn(i16, i16) -> f64,
}

/// All decodes, ours first.
pub(crate) const CONTENDERS: [Contender; 6] = [
    Contender {
        name: "stopwright",
        decode: stopwright,
    },
    Contender {
        name: "idsp",
        decode: idsp,
    },
    Contender {
        name: "libm f32",
        decode: libm_f32,
    },
    Contender {
        name: "libm f64",
        decode: libm_f64,
    },
    Contender {
        name: "micromath",
        decode: micromath,
    },
    Contender {
        name: "cordic I32F32",
        decode: cordic,
    },
];

fn stopwright(s: i16, c: i16) -> f64 {
    let angle = stopwright_core::trig::atan2(s, c).unwrap_or_default();
    f64::from(angle.to_bits()) / 4_294_967_296.0
}

fn idsp(s: i16, c: i16) -> f64 {
    f64::from(idsp::atan2(i32::from(s) << 15, i32::from(c) << 15)) / 4_294_967_296.0
}

fn libm_f32(s: i16, c: i16) -> f64 {
    f64::from(libm::atan2f(f32::from(s), f32::from(c))) / TAU
}

/// Rounded to the 32 bits of a turn that every angle here has.
fn libm_f64(s: i16, c: i16) -> f64 {
    let turns = libm::atan2(f64::from(s), f64::from(c)) / TAU;
    (turns * 4_294_967_296.0).round() / 4_294_967_296.0
}

fn micromath(s: i16, c: i16) -> f64 {
    f64::from(micromath::F32Ext::atan2(f32::from(s), f32::from(c))) / TAU
}

fn cordic(s: i16, c: i16) -> f64 {
    let angle = cordic::atan2(I32F32::from_num(s), I32F32::from_num(c));
    angle.to_num::<f64>() / TAU
}

/// Largest error over a grid of all pairs of 16-bit amplitudes, arc-seconds. The zero vector and
/// vectors shorter than 1000, which no resolver gives, are left out.
pub(crate) fn worst_arc_seconds(contender: &Contender) -> f64 {
    let values = || (-32_768i32..=32_767).step_by(151);
    let mut worst = 0.0_f64;
    for s in values() {
        for c in values().filter(|c| s.pow(2).saturating_add(c.pow(2)) >= 1_000_000) {
            let exact = f64::from(s).atan2(f64::from(c)) / TAU;
            let difference = (contender.decode)(s as i16, c as i16) - exact;
            worst = worst.max((difference - difference.round()).abs());
        }
    }
    worst * 1_296_000.0
}

/// Instructions on an emulated Cortex-M4 at opt-level 3 and s, as `on-target/count.sh` measured
/// them.
pub(crate) fn instructions() -> Vec<(String, u32, u32)> {
    let text = include_str!("m4_instructions.csv");
    let rows = text.lines().skip(1).filter_map(|line| {
        let mut cells = line.split(',');
        let name = cells.next()?.to_owned();
        Some((
            name,
            cells.next()?.parse().ok()?,
            cells.next()?.parse().ok()?,
        ))
    });
    rows.collect()
}

/// An error as the tables print it: two significant figures.
pub(crate) fn printed(arc_seconds: f64) -> String {
    let digits = (1.0 - arc_seconds.log10().floor()).max(0.0) as usize;
    format!("{arc_seconds:.digits$}")
}
