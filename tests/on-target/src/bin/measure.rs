//! Replays the same recording and counts instructions and stack, as lines of `name,worst,mean` and
//! `name,bytes`; with each worst count goes where it was met.
//!
//! The emulator runs one instruction per 256 ns of its own time (`-icount shift=8`), the system
//! timer counts 40 ns: 6.4 ticks an instruction. These are instructions, never cycles: a division
//! or a load takes several cycles on a real core.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::ptr::{addr_of_mut, read_volatile, write_volatile};
use cortex_m::peripheral::SYST;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m::register::msp;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use stopwright_core::codec::{self, PressRecord};
use stopwright_core::controller::{Controller, Inputs, Outputs, ServiceReply};
use stopwright_core::poll;
use stopwright_core::receiver::Receiver;
use stopwright_core::store::{Slot, Standstill, Store};
use stopwright_core::stroke::Stroke;
use stopwright_core::time::Duration;
use stopwright_on_target::flash::RamFlash;
use stopwright_on_target::host::Source;
use stopwright_on_target::replay::{Around, replay};
use stopwright_on_target::unit::REGIONS;
use stopwright_on_target::wire::{Answer, Ask, PEER, SECOND_RECEIVER};

#[panic_handler]
fn panic(info: &core::panic::PanicInfo) -> ! {
    hprintln!("{}", info);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

static mut SOURCE: Source = Source::CLOSED;
static mut STORE: Option<Store<RamFlash>> = None;

/// Instructions of `call`, with those of reading the timer.
fn between(call: &mut dyn FnMut()) -> u32 {
    let before = SYST::get_current();
    call();
    (before.wrapping_sub(SYST::get_current()) & 0x00FF_FFFF) * 10 / 64
}

/// Bytes below the stack pointer that are painted before a call: a tick is painted every time.
const TICK_CANVAS: usize = 8 * 1_024;
const CANVAS: usize = 24 * 1_024;
const PAINT: u32 = 0xC0FF_EE11;

/// Deepest stack of `call`, bytes below its caller's; all of `canvas` is painted before.
#[inline(never)]
fn depth(canvas: usize, call: &mut dyn FnMut()) -> u32 {
    let top = msp::read() as usize & !3;
    let places = || (top - canvas..top).step_by(4).map(|at| at as *mut u32);
    for place in places() {
        // SAFETY: memory below the stack pointer that nothing uses; interrupts are off.
        unsafe { write_volatile(place, PAINT) };
    }
    call();
    let untouched = places()
        // SAFETY: the same memory, read.
        .take_while(|&place| unsafe { read_volatile(place) } == PAINT)
        .count();
    if untouched == 0 {
        panic!("deeper than what was painted");
    }
    (canvas - 4 * untouched) as u32
}

/// Worst and mean of a kind of count.
#[derive(Clone, Copy)]
struct Tally {
    name: &'static str,
    worst: u32,
    sum: u64,
    count: u32,
    at: (usize, u32),
}

impl Tally {
    const fn new(name: &'static str) -> Self {
        Self {
            name,
            worst: 0,
            sum: 0,
            count: 0,
            at: (0, 0),
        }
    }

    fn take(&mut self, count: u32, at: (usize, u32)) {
        if count > self.worst {
            (self.worst, self.at) = (count, at);
        }
        self.sum += u64::from(count);
        self.count += 1;
    }

    fn print(&self) {
        let mean = self.sum.checked_div(u64::from(self.count)).unwrap_or(0);
        let (scenario, tick) = self.at;
        hprintln!(
            "{},{},{},scenario {} tick {}",
            self.name,
            self.worst,
            mean,
            scenario,
            tick
        );
    }
}

struct Measuring {
    /// Place of the scenario and of the tick in it.
    at: (usize, u32),
    has_second: bool,
    has_peer: bool,
    overhead: u32,
    receiver: Receiver,
    /// The last press record that was adopted.
    record: Option<PressRecord>,
    frame: Tally,
    tick: Tally,
    stop: Tally,
    adopt: Tally,
    second: Tally,
    peer: Tally,
    tick_stack: u32,
    adopt_stack: u32,
}

/// As a board calls it: never a part of its caller.
#[inline(never)]
fn tick(controller: &mut Controller, inputs: &Inputs<'_>, said: &mut Option<Outputs>) {
    *said = Some(controller.tick(inputs));
}

impl Measuring {
    fn frames(&mut self, controller: &Controller, inputs: &Inputs<'_>) {
        let config = controller.settings().receiver();
        self.receiver.start_tick(config);
        let mut middle = inputs.now.saturating_sub(Duration::from_micros(900));
        for frame in &inputs.frames {
            let (receiver, frame) = (&mut self.receiver, black_box(frame));
            let count = between(&mut || receiver.frame(config, frame, middle));
            self.frame.take(count - self.overhead, self.at);
            middle = middle.saturating_add(Duration::from_micros(200));
        }
        self.receiver.end_tick(config);
    }
}

impl Around for Measuring {
    fn scenario(&mut self, name: &str) {
        self.at = (self.at.0 + 1, 0);
        self.receiver = Receiver::new();
        self.has_second = name.ends_with(SECOND_RECEIVER);
        self.has_peer = name.ends_with(PEER);
    }

    fn run(&mut self, controller: &mut Controller, inputs: &Inputs<'_>, ask: &Ask<'_>) -> Outputs {
        self.frames(controller, inputs);
        let is_adopting = matches!(ask, Ask::Adopt(_) | Ask::AdoptJob(_));
        let canvas = if is_adopting { CANVAS } else { TICK_CANVAS };
        let mut said = None;
        let mut count = 0;
        let stack = depth(canvas, &mut || {
            count = between(&mut || tick(controller, inputs, &mut said));
        });
        let Some(said) = said else {
            panic!("it did not tick");
        };
        let tally = match (is_adopting, self.has_second, self.has_peer, said.stop) {
            (true, ..) => &mut self.adopt,
            (.., Some(_)) => &mut self.stop,
            (_, true, ..) => &mut self.second,
            (_, _, true, _) => &mut self.peer,
            _ => &mut self.tick,
        };
        tally.take(count - self.overhead, self.at);
        let deepest = match is_adopting && said.reply == ServiceReply::Adopted {
            true => &mut self.adopt_stack,
            false => &mut self.tick_stack,
        };
        *deepest = (*deepest).max(stack);
        if let Ask::Adopt(block) = ask {
            self.record = codec::decode(block).ok().map(|it| it.value);
        }
        self.at.1 += 1;
        said
    }

    fn answer(&mut self, _: &Answer) -> bool {
        true
    }
}

/// One write of settings to the store: instructions, and stack with the library's.
fn measure_store(record: &PressRecord, overhead: u32) {
    // SAFETY: nothing else refers to it; there is no interrupt.
    let place = unsafe { &mut *addr_of_mut!(STORE) };
    *place = Store::try_new(RamFlash::ERASED, REGIONS).ok();
    let (Some(store), Some(standstill)) = (place, Standstill::of(Stroke::Off)) else {
        return;
    };
    let mut count = 0;
    let mut is_saved = false;
    let stack = depth(CANVAS, &mut || {
        count = between(&mut || {
            let saving = store.save(Slot::PRESS, record, standstill);
            is_saved = matches!(poll::run(saving, 1), Ok(Ok(_)));
        });
    });
    if is_saved {
        hprintln!(
            "write of settings,{},{},once",
            count - overhead,
            count - overhead
        );
        hprintln!("stack of a write of settings,{}", stack);
    }
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
    // SAFETY: nothing else refers to it; there is no interrupt.
    let source = unsafe { &mut *addr_of_mut!(SOURCE) };
    if !source.open("recording.bin\0") {
        hprintln!("recording.bin can not be read");
        debug::exit(debug::EXIT_FAILURE);
    }
    let overhead = between(&mut || ());
    let mut measuring = Measuring {
        at: (0, 0),
        has_second: false,
        has_peer: false,
        overhead,
        receiver: Receiver::new(),
        record: None,
        frame: Tally::new("frame"),
        tick: Tally::new("tick"),
        stop: Tally::new("tick in which a stop ends"),
        adopt: Tally::new("tick that adopts settings or a job"),
        second: Tally::new("tick with a second receiver"),
        peer: Tally::new("tick with a peer"),
        tick_stack: 0,
        adopt_stack: 0,
    };
    if replay(source, &mut measuring).is_err() {
        hprintln!("the recording was not played to its end");
        debug::exit(debug::EXIT_FAILURE);
    }
    let Measuring {
        frame,
        tick,
        stop,
        adopt,
        second,
        peer,
        tick_stack,
        adopt_stack,
        record,
        ..
    } = measuring;
    for tally in [frame, tick, stop, adopt, second, peer] {
        tally.print();
    }
    hprintln!("stack of a tick,{}", tick_stack);
    hprintln!("stack of a tick that adopts,{}", adopt_stack);
    if let Some(record) = record {
        measure_store(&record, overhead);
    }
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}
