//! Worst instruction counts of the decode, of its peers, and of the receiver, on an emulated
//! Cortex-M4, as lines of `name,instructions`.
//!
//! The emulator runs one instruction per 256 ns of its own time (`-icount shift=8`), the system
//! timer counts 40 ns: 6.4 ticks an instruction. These are instructions, never cycles: a division
//! or a load takes several cycles on the real core.
#![no_std]
#![no_main]

#[allow(dead_code)]
mod motion;

use core::hint::black_box;
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use fixed::types::I32F32;
use motion::Motion;
use stopwright_core::receiver::{Config, Receiver, Settings};
use stopwright_core::signal::WindingAmplitudes;
use stopwright_core::time::Instant;
use stopwright_core::{tracking, trig};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    hprintln!("panic");
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

/// Instructions between two readings of the timer around `call`.
fn between(call: &mut dyn FnMut()) -> u32 {
    let before = SYST::get_current();
    call();
    (before.wrapping_sub(SYST::get_current()) & 0x00FF_FFFF) * 10 / 64
}

/// Pairs all over the plane: every sector, every sign, small and large.
fn pairs() -> impl Iterator<Item = (i16, i16)> {
    let values = || {
        (-32_767..=32_767)
            .step_by(2_339)
            .chain([-32_768, -1, 0, 1, 255])
    };
    values()
        .flat_map(move |s| values().map(move |c| (s as i16, c as i16)))
        .filter(|&pair| pair != (0, 0))
}

/// Worst instructions of `decode`, from its first to its return.
fn worst<R>(decode: fn(i16, i16) -> R) -> u32 {
    let call = |decode: fn(i16, i16) -> R, s: i16, c: i16| {
        let (s, c, decode) = (black_box(s), black_box(c), black_box(decode));
        between(&mut || {
            decode(s, c);
        })
    };
    let with = pairs().map(|(s, c)| call(decode, s, c)).max().unwrap_or(0);
    let (s, c, empty) = (black_box(1), black_box(1), black_box(empty as fn(i16, i16)));
    // The empty function is one instruction, its return.
    with - between(&mut || empty(s, c)) + 1
}

#[inline(never)]
fn empty(_: i16, _: i16) {}

#[inline(never)]
fn cordic(s: i16, c: i16) -> I32F32 {
    cordic::atan2(I32F32::from_num(s), I32F32::from_num(c))
}

#[inline(never)]
fn idsp(s: i16, c: i16) -> i32 {
    idsp::atan2(i32::from(s) << 15, i32::from(c) << 15)
}

#[inline(never)]
fn libm_f32(s: i16, c: i16) -> f32 {
    libm::atan2f(f32::from(s), f32::from(c))
}

#[inline(never)]
fn libm_f64(s: i16, c: i16) -> f64 {
    libm::atan2(f64::from(s), f64::from(c))
}

#[inline(never)]
fn micromath(s: i16, c: i16) -> f32 {
    micromath::F32Ext::atan2(f32::from(s), f32::from(c))
}

#[inline(never)]
fn tracked(state: &mut tracking::Tracking, config: &tracking::Config, w: WindingAmplitudes) {
    if let Ok(angle) = trig::atan2(w.sine, w.cosine) {
        state.step(config, angle);
    }
}

fn worst_tracking() -> u32 {
    let Ok(config) = tracking::Config::try_new(200, 707, 5_000) else {
        return 0;
    };
    let mut state = tracking::Tracking::default();
    let step =
        black_box(tracked as fn(&mut tracking::Tracking, &tracking::Config, WindingAmplitudes));
    let with = pairs()
        .map(|(sine, cosine)| {
            let amplitudes = black_box(WindingAmplitudes { sine, cosine });
            between(&mut || step(&mut state, &config, amplitudes))
        })
        .max()
        .unwrap_or(0);
    with - between_empty_step() + 1
}

/// A call with as many arguments as a loop's step that does nothing but return.
fn between_empty_step() -> u32 {
    #[inline(never)]
    fn empty(_: &mut u32, _: &u32, _: WindingAmplitudes) {}
    let (mut state, config) = (black_box(0), black_box(0));
    let amplitudes = black_box(WindingAmplitudes { sine: 1, cosine: 1 });
    let step = black_box(empty as fn(&mut u32, &u32, WindingAmplitudes));
    between(&mut || step(&mut state, &config, amplitudes))
}

#[inline(never)]
fn idsp_tracked(state: &mut idsp::PLLState, pll: &idsp::PLL, s: i16, c: i16) {
    use dsp_process::SplitProcess;
    let angle = idsp::atan2(i32::from(s) << 15, i32::from(c) << 15);
    black_box(pll.process(state, core::num::Wrapping(angle)));
}

fn worst_idsp_tracking() -> u32 {
    let pll = idsp::PLL::from_bandwidth(0.02, 4.0);
    let mut state = idsp::PLLState::default();
    let step = black_box(idsp_tracked as fn(&mut idsp::PLLState, &idsp::PLL, i16, i16));
    let with = pairs()
        .map(|(s, c)| {
            let (s, c) = (black_box(s), black_box(c));
            between(&mut || step(&mut state, &pll, s, c))
        })
        .max()
        .unwrap_or(0);
    with - between_empty_step() + 1
}

/// A healthy press that starts, turns and stops: least and worst frame, worst tick.
fn worst_receiver() -> (u32, u32, u32) {
    static DEFAULT: Config = Config::new(Settings::DEFAULT);
    // As settings read from memory would be: nothing of it is known while compiling.
    let config = black_box(&DEFAULT);
    let mut receiver = Receiver::new();
    let (mut frame_worst, mut tick_worst) = (0, 0);
    let mut frame_least = u32::MAX;
    let mut motion = Motion::new();
    let timing = between(&mut || ());
    let timed = |call: &mut dyn FnMut()| between(call) - timing;
    for tick in 0..600u64 {
        let frames = motion.tick();
        let mut total = timed(&mut || receiver.start_tick(config));
        for (k, frame) in frames.iter().enumerate() {
            let middle = Instant::from_micros(1_000_000 + tick * 1_000 + k as u64 * 200 + 100);
            let one = timed(&mut || receiver.frame(config, black_box(frame), middle));
            frame_worst = frame_worst.max(one);
            if tick > 20 {
                frame_least = frame_least.min(one);
            }
            total += one;
        }
        let now = Instant::from_micros(1_000_000 + (tick + 1) * 1_000);
        total += timed(&mut || {
            receiver.end_tick(config);
            black_box(receiver.position(config, black_box(now)));
            black_box(receiver.faults());
        });
        tick_worst = tick_worst.max(total);
        if tick > 10 && receiver.position(config, now).trusted().is_none() {
            hprintln!("untrusted,{}", tick);
        }
    }
    (frame_least, frame_worst, tick_worst)
}

#[entry]
fn main() -> ! {
    if let Some(mut peripherals) = cortex_m::Peripherals::take() {
        let timer = &mut peripherals.SYST;
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(0x00FF_FFFF);
        timer.clear_current();
        timer.enable_counter();
    }
    hprintln!("stopwright,{}", worst(trig::atan2));
    hprintln!("idsp,{}", worst(idsp));
    hprintln!("libm f32,{}", worst(libm_f32));
    hprintln!("libm f64,{}", worst(libm_f64));
    hprintln!("micromath,{}", worst(micromath));
    hprintln!("cordic I32F32,{}", worst(cordic));
    hprintln!("stopwright decode and loop,{}", worst_tracking());
    hprintln!("idsp decode and loop,{}", worst_idsp_tracking());
    let (least, frame, tick) = worst_receiver();
    hprintln!("receiver frame at least,{}", least);
    hprintln!("receiver frame,{}", frame);
    hprintln!("receiver tick of five frames,{}", tick);
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}
