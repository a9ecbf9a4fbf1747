//! A timer interrupt samples and delivers; the main loop ticks. Frames travel through the core's
//! mailbox. Two letters are held back on the way: the controller must see that ticks were missing.
#![no_std]
#![no_main]

use core::cell::RefCell;
use core::sync::atomic::{AtomicU32, Ordering};
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m_rt::{entry, exception};
use cortex_m_semihosting::{debug, hprintln};
use critical_section::Mutex;
use stopwright_core::codec::{self, PressRecord};
use stopwright_core::controller::{Controller, Inputs};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::hal::{FrameBuilder, Mailbox, SamplePair, TickBuilder};
use stopwright_core::settings::Settings;
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME};
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

type Frames = [CarrierFrame; FRAMES_PER_TICK];

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

#[entry]
fn main() -> ! {
    let (Some(settings), Some(mut peripherals)) = (settings(), cortex_m::Peripherals::take())
    else {
        hprintln!("recording.bin can not be read");
        debug::exit(debug::EXIT_FAILURE);
        loop {}
    };
    let mut controller = Controller::new(settings, FaultSet::EMPTY);
    let timer = &mut peripherals.SYST;
    timer.set_clock_source(SystClkSource::Core);
    timer.set_reload(CLOCK_HZ / SAMPLES_HZ - 1);
    timer.clear_current();
    timer.enable_interrupt();
    timer.enable_counter();

    let (mut ticks, mut serviced, mut late_at) = (0, 0, None);
    let mut was_trusted = false;
    while ticks < TICKS - HELD_BACK.len() as u32 {
        let Some((now, frames)) = MAIL.take() else {
            cortex_m::asm::wfi();
            continue;
        };
        let inputs = Inputs {
            frames,
            supply_ok: true,
            ..Inputs::dead(now)
        };
        let said = controller.tick(&inputs);
        ticks += 1;
        serviced += u32::from(controller.service_token().is_some());
        was_trusted |= said.position.trusted().is_some();
        if said.raised.contains(FaultCode::TickLate) {
            late_at = Some(ticks);
        }
    }
    hprintln!(
        "{} ticks from the interrupt, {} letters lost, {} watchdog services, angle trusted: {}",
        ticks,
        MAIL.missed(),
        serviced,
        was_trusted
    );
    hprintln!("late tick seen in tick {:?} of those that came", late_at);
    let is_seen = late_at == Some(HELD_BACK.start + 1);
    debug::exit(match is_seen && MAIL.missed() == 0 && was_trusted {
        true => debug::EXIT_SUCCESS,
        false => debug::EXIT_FAILURE,
    });
    loop {}
}
