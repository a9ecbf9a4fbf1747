//! A timer interrupt samples and delivers; the main loop is the board of the core's example, the same
//! file, on lines that are words of memory. Frames travel through the core's mailbox. Two letters are
//! held back on the way: the controller must see that ticks were missing.
#![no_std]
#![no_main]

#[path = "../../../../core/examples/board/app.rs"]
mod app;

use app::{Board, Frames};
use core::cell::RefCell;
use core::convert::Infallible;
use core::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::{entry, exception};
use cortex_m_semihosting::{debug, hprintln};
use critical_section::Mutex;
use embedded_hal::digital::{ErrorType, InputPin, OutputPin};
use stopwright_core::codec::{self, PressRecord};
use stopwright_core::controller::{Controller, Service};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::hal::{
    FrameBuilder, Input, InputPair, LimitOutputs, Mailbox, PinWatchdog, Polarity, SamplePair,
    TickBuilder, ValveOutputs,
};
use stopwright_core::settings::Settings;
use stopwright_core::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::time::Instant;
use stopwright_on_target::host::Source;
use stopwright_on_target::replay::Records;
use stopwright_on_target::wire::{self, Reader};

#[panic_handler]
fn panic(info: &core::panic::PanicInfo) -> ! {
    hprintln!("{}", info);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

/// Ticks in all, and the two that are held back.
const TICKS: u32 = 500;
const HELD_BACK: core::ops::Range<u32> = 300..302;
/// The board's clock, and samples a second.
const CLOCK_HZ: u32 = 25_000_000;
const SAMPLES_HZ: u32 = 40_000;
const SAMPLE_US: u64 = 25;
/// Both windings of a crank that stands at 45 electrical degrees, by the phase of the excitation.
const CARRIER: [u16; SAMPLES_PER_FRAME] = [2_048, 2_948, 3_321, 2_948, 2_048, 1_148, 775, 1_148];

static MAIL: Mailbox<(Instant, Frames)> = Mailbox::new();
static SAMPLES: AtomicU32 = AtomicU32::new(0);
static BUILDERS: Mutex<RefCell<(FrameBuilder, TickBuilder)>> =
    Mutex::new(RefCell::new((FrameBuilder::new(), TickBuilder::new())));
static mut SOURCE: Source = Source::CLOSED;

static GUARD: [Line; 2] = [Line::new(true), Line::new(false)];
static VALVE: [Line; 2] = [Line::new(true), Line::new(true)];
static LIMITS: [Line; 4] = [const { Line::new(true) }; 4];
static WATCHDOG: Line = Line::new(false);

/// A line of the board: a level, and how often it changed.
struct Line {
    level: AtomicBool,
    edges: AtomicU32,
}

impl Line {
    const fn new(level: bool) -> Self {
        Self {
            level: AtomicBool::new(level),
            edges: AtomicU32::new(0),
        }
    }

    fn is_on(&self) -> bool {
        self.level.load(Ordering::Relaxed)
    }

    fn set(&self, level: bool) {
        if self.level.swap(level, Ordering::Relaxed) != level {
            self.edges.fetch_add(1, Ordering::Relaxed);
        }
    }
}

/// The pin at a line.
struct Pin(&'static Line);

impl ErrorType for Pin {
    type Error = Infallible;
}

impl InputPin for Pin {
    fn is_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.0.is_on())
    }

    fn is_low(&mut self) -> Result<bool, Infallible> {
        Ok(!self.0.is_on())
    }
}

impl OutputPin for Pin {
    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }

    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }
}

#[exception]
fn SysTick() {
    let sample = SAMPLES.fetch_add(1, Ordering::Relaxed);
    let code = CARRIER[sample as usize % SAMPLES_PER_FRAME];
    let now = Instant::from_micros(u64::from(sample + 1) * SAMPLE_US);
    critical_section::with(|section| {
        let (frames, ticks) = &mut *BUILDERS.borrow_ref_mut(section);
        let frame = frames.push(SamplePair {
            sine: code,
            cosine: code,
        });
        let Some(letter) = frame.and_then(|frame| ticks.push(frame)) else {
            return;
        };
        let tick = sample / (SAMPLES_PER_FRAME * FRAMES_PER_TICK) as u32;
        if !HELD_BACK.contains(&tick) {
            MAIL.put((now, letter));
        }
    });
}

/// Settings of the first press in the recording.
fn settings() -> Option<Settings> {
    // SAFETY: nothing else refers to it.
    let source = unsafe { &mut *core::ptr::addr_of_mut!(SOURCE) };
    if !source.open("recording.bin\0") {
        return None;
    }
    let mut reader = Reader {
        rest: source.ahead(),
    };
    reader.byte().ok().filter(|kind| *kind == wire::NAME)?;
    let length = reader.byte().ok()?;
    reader.take(usize::from(length)).ok()?;
    reader.byte().ok().filter(|kind| *kind == wire::BOOT)?;
    reader.faults().ok()?;
    let record: PressRecord = codec::decode(reader.block().ok()?).ok()?.value;
    Settings::try_new(record.schema).ok()
}

/// The board; its valve and its limit channels were on, and go off.
fn board(settings: Settings) -> Option<Board<'static, Pin, Pin, Pin, PinWatchdog<Pin>>> {
    let [open, closed] = GUARD
        .each_ref()
        .map(|line| Input::new(Pin(line), Polarity::High));
    let [first, second] = VALVE.each_ref().map(Pin);
    Some(Board {
        frames: &MAIL,
        guards: InputPair::new(open, closed),
        valve: ValveOutputs::try_new(first, second).ok()?,
        limit_outputs: LimitOutputs::try_new(LIMITS.each_ref().map(Pin)).ok()?,
        watchdog: PinWatchdog::new(Pin(&WATCHDOG)),
        controller: Controller::new(settings, FaultSet::EMPTY),
    })
}

#[entry]
fn main() -> ! {
    let (Some(mut board), Some(mut peripherals)) =
        (settings().and_then(board), cortex_m::Peripherals::take())
    else {
        hprintln!("recording.bin can not be read");
        debug::exit(debug::EXIT_FAILURE);
        loop {}
    };
    let timer = &mut peripherals.SYST;
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(CLOCK_HZ / SAMPLES_HZ - 1);
    timer.clear_current();
    timer.enable_interrupt();
    timer.enable_counter();

    let (mut ticks, mut serviced, mut late_at) = (0, 0, None);
    let mut was_trusted = false;
    while ticks < TICKS - HELD_BACK.len() as u32 {
        let Some(ticked) = board.poll(Service::None) else {
            cortex_m::asm::wfi();
            continue;
        };
        ticks += 1;
        serviced += u32::from(ticked.is_serviced);
        was_trusted |= ticked.outputs.position.trusted().is_some();
        if ticked.outputs.raised.contains(FaultCode::TickLate) {
            late_at = Some(ticks);
        }
    }
    let is_off = VALVE.iter().chain(&LIMITS).all(|line| !line.is_on());
    let edges = WATCHDOG.edges.load(Ordering::Relaxed);
    hprintln!(
        "{} ticks from the interrupt, {} letters lost, angle trusted: {}",
        ticks,
        MAIL.missed(),
        was_trusted
    );
    hprintln!(
        "{} watchdog services, {} edges on its line, valve and channels off: {}",
        serviced,
        edges,
        is_off
    );
    hprintln!("late tick seen in tick {:?} of those that came", late_at);
    // A late tick is not a good one: it alone is not serviced.
    let is_serviced = serviced == ticks - 1 && edges == serviced;
    let is_seen = late_at == Some(HELD_BACK.start + 1);
    let is_good = is_seen && is_serviced && is_off && MAIL.missed() == 0 && was_trusted;
    debug::exit(match is_good {
        true => debug::EXIT_SUCCESS,
        false => debug::EXIT_FAILURE,
    });
    loop {}
}
