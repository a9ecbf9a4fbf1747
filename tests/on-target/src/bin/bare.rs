//! Receiver and tick, nothing else, for the linker to weigh: settings are read from memory as a
//! stored block, inputs come from a place that anything may write. A panic that can be reached
//! calls a function which does not exist, and the image does not link.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::mem::MaybeUninit;
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
// Uninitialised memory costs no flash: what is in it is written before it is read.
static mut INPUTS: MaybeUninit<Inputs<'static>> = MaybeUninit::uninit();
static mut OUTPUTS: MaybeUninit<Outputs> = MaybeUninit::uninit();
static mut CONTROLLER: MaybeUninit<Controller> = MaybeUninit::uninit();

#[inline(never)]
fn tick(controller: &mut Controller) {
    // SAFETY: `main` has written inputs there, and what the board writes are inputs; nothing else
    // runs while they are read.
    unsafe {
        let inputs = read_volatile(addr_of!(INPUTS).cast::<Inputs<'static>>());
        let outputs = addr_of_mut!(OUTPUTS).cast::<Outputs>();
        write_volatile(outputs, controller.tick(&inputs));
    }
}

#[entry]
fn main() -> ! {
    let settings = codec::decode::<PressRecord>(black_box(&BLOCK))
        .ok()
        .and_then(|record| Settings::try_new(record.value.schema).ok());
    let Some(settings) = settings else { loop {} };
    // SAFETY: nothing else refers to them; there is no interrupt.
    let (inputs, place) = unsafe { (&mut *addr_of_mut!(INPUTS), &mut *addr_of_mut!(CONTROLLER)) };
    inputs.write(Inputs::dead(Instant::from_micros(0)));
    let controller = place.write(Controller::new(settings, FaultSet::EMPTY));
    loop {
        tick(controller);
    }
}
