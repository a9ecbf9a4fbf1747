//! Tracking loops at equal noise bandwidth: this project's, and the phase-locked loop of a
//! general-purpose library, both behind their own arctangent, on the same 12-bit amplitudes.
//!
//! Bandwidths are matched by what they are for: the library's loop is set so that white noise on
//! the angle leaves it as quiet as ours. What each then pays is its lag behind a crank that
//! accelerates, and its greatest error while a clutch takes hold.

use dsp_process::SplitProcess;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use std::f64::consts::TAU;
use std::num::Wrapping;
use stopwright_core::tracking::{Config, Tracking};
use stopwright_core::trig;

/// Frames a second.
const RATE: f64 = 5_000.0;
/// Amplitude of the resolver, of a full range of 32 767.
const AMPLITUDE: f64 = 28_800.0;
/// One step of a 12-bit converter in the 16-bit amplitudes.
const CODE: f64 = 16.0;

/// Press B: its greatest acceleration, and the bandwidth set for it.
const ACCELERATION_DEG_S2: f64 = 28_648.0;
pub(crate) const BANDWIDTH_HZ: u32 = 79;

/// What a loop did.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Followed {
    /// Angle noise at constant speed, thousandths of a degree rms.
    pub(crate) noise_mdeg: f64,
    /// Greatest error while the press takes off, thousandths of a degree.
    pub(crate) worst_mdeg: f64,
}

/// A loop that takes amplitudes and gives the angle it holds for their own instant, turns.
trait Loop {
    fn step(&mut self, sine: i16, cosine: i16) -> f64;
}

struct Ours {
    config: Config,
    state: Tracking,
}

impl Ours {
    fn new(bandwidth_hz: u32, damping_permille: u32) -> Self {
        let config = Config::try_new(bandwidth_hz, damping_permille, RATE as u32);
        Self {
            config: config.expect("a loop"),
            state: Tracking::new(Default::default(), 0),
        }
    }
}

impl Loop for Ours {
    fn step(&mut self, sine: i16, cosine: i16) -> f64 {
        let angle = trig::atan2(sine, cosine).expect("an angle");
        self.state.step(&self.config, angle);
        f64::from(self.state.angle().to_bits()) / 4_294_967_296.0
    }
}

struct Idsp {
    config: idsp::PLL,
    state: idsp::PLLState,
}

impl Idsp {
    fn new(bandwidth_hz: f64) -> Self {
        Self {
            config: idsp::PLL::from_bandwidth((bandwidth_hz / RATE) as f32, 4.0),
            state: idsp::PLLState::default(),
        }
    }
}

impl Loop for Idsp {
    fn step(&mut self, sine: i16, cosine: i16) -> f64 {
        let angle = idsp::atan2(i32::from(sine) << 15, i32::from(cosine) << 15);
        // Its output is the complement of the angle.
        let phase = self.config.process(&mut self.state, Wrapping(angle));
        f64::from(phase.0.wrapping_neg()) / 4_294_967_296.0
    }
}

/// Crank angle in turns: at rest, then under the whole torque of the clutch up to speed, and on.
fn takes_off(time_s: f64, acceleration_deg_s2: f64, speed_deg_s: f64) -> f64 {
    let begins_s = 0.5;
    let after_s = (time_s - begins_s).max(0.0);
    let lasts_s = speed_deg_s / acceleration_deg_s2;
    let held_s = after_s.min(lasts_s);
    (0.5 * acceleration_deg_s2 * held_s * held_s + speed_deg_s * (after_s - held_s)) / 360.0
}

/// Runs `it` through both motions. Noise is one code of 12 bits on each amplitude, by eighths of
/// it since a frame averages eight samples.
fn follow(it: impl Fn() -> Box<dyn Loop>) -> Followed {
    let mut random = Pcg64Mcg::seed_from_u64(1);
    let mut noisy = it();
    let (mut sum, mut count) = (0.0, 0.0);
    for frame in 0..40_000 {
        let turns = 85.0 / 60.0 * f64::from(frame) / RATE;
        let error = error_turns(&mut *noisy, turns, || random.random_range(-1.0..1.0) * CODE);
        if frame > 5_000 {
            (sum, count) = (sum + error * error, count + 1.0);
        }
    }
    let mut clean = it();
    let worst = (0..10_000).map(|frame| {
        let turns = takes_off(f64::from(frame) / RATE, ACCELERATION_DEG_S2, 510.0);
        error_turns(&mut *clean, turns, || 0.0).abs()
    });
    // The loop must have locked before the press takes off.
    let worst = worst.skip(2_400).fold(0.0, f64::max);
    Followed {
        noise_mdeg: 360e3 * f64::sqrt(sum / count),
        worst_mdeg: 360e3 * worst,
    }
}

fn error_turns(it: &mut dyn Loop, turns: f64, mut noise: impl FnMut() -> f64) -> f64 {
    let (sin, cos) = (TAU * turns).sin_cos();
    let sine = (AMPLITUDE * sin + noise()).round() as i16;
    let cosine = (AMPLITUDE * cos + noise()).round() as i16;
    let difference = it.step(sine, cosine) - turns;
    difference - difference.round()
}

/// The bandwidth at which the library's loop is as quiet as ours, by bisection.
fn matched(ours: Followed) -> (f64, Followed) {
    let (mut low, mut high) = (5.0, 200.0);
    let run = |hz: f64| follow(|| Box::new(Idsp::new(hz)));
    for _ in 0..20 {
        let middle = 0.5 * (low + high);
        if run(middle).noise_mdeg < ours.noise_mdeg {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low, run(low))
}

/// Our loop as set for press B, and the library's at its matched bandwidth in Hz.
pub(crate) fn compared() -> (Followed, (f64, Followed)) {
    let ours = follow(|| Box::new(Ours::new(BANDWIDTH_HZ, 707)));
    (ours, matched(ours))
}

/// One row of the table in docs/RECEIVER.md.
pub(crate) fn row(name: &str, bandwidth_hz: f64, it: Followed) -> String {
    format!(
        "| {name} | {bandwidth_hz:.0} | {:.1} | {:.0} |",
        it.noise_mdeg, it.worst_mdeg
    )
}
