//! What `bare` is, and the settings store with it: for the linker to weigh, and for the list of what
//! the storage library can panic over.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::mem::MaybeUninit;
use core::ptr::{addr_of, addr_of_mut, read_volatile, write_volatile};
use cortex_m as _;
use cortex_m_rt::entry;
use stopwright_core::codec::PressRecord;
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_core::fault::FaultSet;
use stopwright_core::poll;
use stopwright_core::settings::Settings;
use stopwright_core::store::{Slot, Standstill, Store};
use stopwright_core::time::Instant;
use stopwright_on_target::flash::RamFlash;
use stopwright_on_target::unit::REGIONS;

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    loop {}
}

static mut INPUTS: MaybeUninit<Inputs<'static>> = MaybeUninit::uninit();
static mut OUTPUTS: MaybeUninit<Outputs> = MaybeUninit::uninit();
static mut CONTROLLER: MaybeUninit<Controller> = MaybeUninit::uninit();
static mut STORE: MaybeUninit<Store<RamFlash>> = MaybeUninit::uninit();

#[inline(never)]
fn tick(controller: &mut Controller) -> Option<Standstill> {
    // SAFETY: `main` has written inputs there, and what the board writes are inputs; nothing else
    // runs while they are read.
    unsafe {
        let inputs = read_volatile(addr_of!(INPUTS).cast::<Inputs<'static>>());
        let said = controller.tick(&inputs);
        write_volatile(addr_of_mut!(OUTPUTS).cast::<Outputs>(), said);
        Standstill::of(said.stroke)
    }
}

#[entry]
fn main() -> ! {
    // SAFETY: nothing else refers to them; there is no interrupt.
    let (inputs, place, store) = unsafe {
        (
            &mut *addr_of_mut!(INPUTS),
            &mut *addr_of_mut!(CONTROLLER),
            &mut *addr_of_mut!(STORE),
        )
    };
    inputs.write(Inputs::dead(Instant::from_micros(0)));
    let Some(at_rest) = Standstill::of(black_box(stopwright_core::stroke::Stroke::PowerUp)) else {
        loop {}
    };
    let Ok(new) = Store::try_new(RamFlash::ERASED, REGIONS) else {
        loop {}
    };
    let store = store.write(new);
    let loading = store.load::<PressRecord>(Slot::PRESS, 0, at_rest);
    let Ok(Ok(loaded)) = poll::run(loading, 1) else {
        loop {}
    };
    let Ok(settings) = Settings::try_new(loaded.value.schema) else {
        loop {}
    };
    let controller = place.write(Controller::new(settings, FaultSet::EMPTY));
    loop {
        if let Some(standstill) = tick(controller) {
            let saving = store.save(Slot::PRESS, black_box(&loaded.value), standstill);
            let _ = black_box(poll::run(saving, 1));
        }
    }
}
