//! Worst instruction counts of a whole tick of the controller on an emulated Cortex-M4, by what the
//! press is doing, as lines of `name,worst,mean,tick`, and the bytes of memory it needs: one receiver,
//! five frames, a job with sixteen limit channels of four windows.
//!
//! These are instructions, never cycles; see the other program of this package.
#![no_std]
#![no_main]

#[path = "../motion.rs"]
#[allow(dead_code)]
mod motion;
#[path = "../press.rs"]
mod press;

use core::hint::black_box;
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use press::Press;
use stopwright_core::controller::{Controller, Inputs, Outputs, Service};
use stopwright_core::fault::FaultSet;
use stopwright_core::stroke::Stroke;

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    hprintln!("panic");
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

/// What a tick was spent on.
#[derive(Clone, Copy)]
enum Work {
    Adopting,
    Standing,
    Running,
    Commanding,
    Stopping,
    Ending,
}

const NAMES: [&str; 6] = [
    "tick that adopts a job",
    "tick at rest",
    "tick with the valve on",
    "tick of a stop command",
    "tick in a stop",
    "tick that ends a stop",
];

#[derive(Clone, Copy, Default)]
struct Count {
    worst: u32,
    at: u64,
    sum: u32,
    ticks: u32,
}

#[inline(never)]
fn timed_tick(controller: &mut Controller, inputs: &Inputs<'_>) -> (Outputs, u32) {
    let before = SYST::get_current();
    let outputs = controller.tick(inputs);
    let after = SYST::get_current();
    (
        outputs,
        (before.wrapping_sub(after) & 0x00FF_FFFF) * 10 / 64,
    )
}

fn work(before: Stroke, outputs: &Outputs) -> Work {
    if outputs.stop.is_some() {
        Work::Ending
    } else if before.drives_valve() && !outputs.valve.is_on {
        Work::Commanding
    } else if outputs.stroke.drives_valve() {
        Work::Running
    } else if outputs.stroke.is_stopping() {
        Work::Stopping
    } else {
        Work::Standing
    }
}

fn drive() -> Option<[Count; 6]> {
    let settings = press::settings()?;
    let job = black_box(press::job(&settings)?);
    let mut controller = Controller::new(settings, FaultSet::EMPTY);
    let mut press = Press::new();
    let mut counts = [Count::default(); 6];
    let mut last = Stroke::PowerUp;
    let mut stops = 0;
    let mut adopted = false;
    for tick in 0..6_000u64 {
        let mut inputs = press.inputs();
        let adopts = !adopted && tick > 700;
        if adopts {
            inputs.service = Service::AdoptJob(&job);
            adopted = true;
        }
        let (outputs, instructions) = timed_tick(&mut controller, black_box(&inputs));
        let work = if adopts {
            Work::Adopting
        } else {
            work(last, &outputs)
        };
        last = outputs.stroke;
        stops += u32::from(outputs.stop.is_some());
        // Strokes that end at the top, and at last one that is broken off while it closes.
        press.obey(&outputs, !adopted || tick > 4_800);
        let count = &mut counts[work as usize];
        if tick > 700 {
            count.sum += instructions;
            count.ticks += 1;
            if instructions > count.worst {
                (count.worst, count.at) = (instructions, tick);
            }
        }
        if !outputs.raised.is_empty() {
            for code in outputs.raised.iter() {
                hprintln!("{} raised,{}", tick, code.number());
            }
        }
    }
    hprintln!("stops,{}", stops);
    hprintln!("bytes of the controller,{}", size_of::<Controller>());
    hprintln!("bytes of its inputs,{}", size_of::<Inputs<'_>>());
    hprintln!("bytes of its outputs,{}", size_of::<Outputs>());
    Some(counts)
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
    match drive() {
        Some(counts) => {
            for (name, count) in NAMES.iter().zip(counts) {
                let mean = count.sum / count.ticks.max(1);
                hprintln!("{},{},{},{}", name, count.worst, mean, count.at);
            }
            debug::exit(debug::EXIT_SUCCESS);
        }
        None => {
            hprintln!("settings refused");
            debug::exit(debug::EXIT_FAILURE);
        }
    }
    loop {}
}
