//! Receiver and tick, nothing else, for the linker to weigh: settings are read from memory as a
//! stored block, inputs come from a place that anything may write. A panic that can be reached
//! calls a function which does not exist, and the image does not link.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::ptr::{addr_of, addr_of_mut, read_volatile, write_volatile};
use cortex_m as _;
use cortex_m_rt::entry;
use stopwright_core::codec::{self, BLOCK_MAX, PressRecord};
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_core::fault::FaultSet;
use stopwright_core::settings::Settings;
use stopwright_core::time::Instant;

unsafe extern "C" {
    safe fn a_panic_can_be_reached() -> !;
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    a_panic_can_be_reached()
}

static BLOCK: [u8; BLOCK_MAX] = [0; BLOCK_MAX];
static mut INPUTS: Inputs<'static> = Inputs::dead(Instant::from_micros(0));
static mut OUTPUTS: Option<Outputs> = None;
static mut CONTROLLER: Option<Controller> = None;

#[inline(never)]
fn tick(controller: &mut Controller) {
    // SAFETY: what the board writes there are inputs; nothing else runs while they are read.
    unsafe {
        let inputs = read_volatile(addr_of!(INPUTS));
        write_volatile(addr_of_mut!(OUTPUTS), Some(controller.tick(&inputs)));
    }
}

#[entry]
fn main() -> ! {
    let settings = codec::decode::<PressRecord>(black_box(&BLOCK))
        .ok()
        .and_then(|record| Settings::try_new(record.value.schema).ok());
    // SAFETY: nothing else refers to it; there is no interrupt.
    let place = unsafe { &mut *addr_of_mut!(CONTROLLER) };
    *place = settings.map(|settings| Controller::new(settings, FaultSet::EMPTY));
    loop {
        if let Some(controller) = place {
            tick(controller);
        }
    }
}
