//! Replays the recording and logs, through `defmt`, every tick in which a fault latches.
#![no_std]
#![no_main]

use core::ptr::addr_of_mut;
use cortex_m_rt::entry;
use cortex_m_semihosting::debug;
use defmt_semihosting as _;
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_on_target::host::Source;
use stopwright_on_target::replay::{Around, replay};
use stopwright_on_target::wire::{Answer, Ask};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo) -> ! {
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

static mut SOURCE: Source = Source::CLOSED;

struct Logging {
    scenario: u32,
    tick: u32,
}

impl Around for Logging {
    fn scenario(&mut self, _: &str) {
        (self.scenario, self.tick) = (self.scenario + 1, 0);
    }

    fn run(&mut self, controller: &mut Controller, inputs: &Inputs<'_>, _: &Ask<'_>) -> Outputs {
        let said = controller.tick(inputs);
        for code in said.raised.iter() {
            let (scenario, tick, seen) = (self.scenario, self.tick, said.position.trusted());
            defmt::warn!("{} {} {} {} {}", scenario, tick, code, said.stroke, seen);
        }
        self.tick += 1;
        said
    }

    fn answer(&mut self, _: &Answer) -> bool {
        true
    }
}

#[entry]
fn main() -> ! {
    // SAFETY: nothing else refers to it; there is no interrupt.
    let source = unsafe { &mut *addr_of_mut!(SOURCE) };
    let is_open = source.open("recording.bin\0");
    let mut logging = Logging {
        scenario: 0,
        tick: 0,
    };
    let is_played = is_open && replay(source, &mut logging).is_ok();
    debug::exit(match is_played {
        true => debug::EXIT_SUCCESS,
        false => debug::EXIT_FAILURE,
    });
    loop {}
}
