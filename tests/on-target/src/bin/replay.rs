//! Replays a recording and writes every answer: `recording.bin` to `answers-target.bin`.
#![no_std]
#![no_main]

use core::ptr::addr_of_mut;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_on_target::host::{Sink, Source};
use stopwright_on_target::replay::{Around, replay};
use stopwright_on_target::wire::{Answer, Ask};

#[panic_handler]
fn panic(info: &core::panic::PanicInfo) -> ! {
    hprintln!("{}", info);
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

static mut SOURCE: Source = Source::CLOSED;
static mut SINK: Sink = Sink::CLOSED;

struct Writing {
    sink: &'static mut Sink,
}

impl Around for Writing {
    fn scenario(&mut self, _: &str) {}

    fn run(&mut self, controller: &mut Controller, inputs: &Inputs<'_>, _: &Ask<'_>) -> Outputs {
        controller.tick(inputs)
    }

    fn answer(&mut self, answer: &Answer) -> bool {
        self.sink.put(answer.bytes())
    }
}

#[entry]
fn main() -> ! {
    // SAFETY: nothing else refers to either; there is no interrupt.
    let (source, sink) = unsafe { (&mut *addr_of_mut!(SOURCE), &mut *addr_of_mut!(SINK)) };
    if !source.open("recording.bin\0") || !sink.open("answers-target.bin\0") {
        hprintln!("recording.bin can not be read, or answers-target.bin not written");
        debug::exit(debug::EXIT_FAILURE);
    }
    let mut writing = Writing { sink };
    let is_played = replay(source, &mut writing).is_ok();
    if !writing.sink.flush() || !is_played {
        hprintln!("the recording was not played to its end");
        debug::exit(debug::EXIT_FAILURE);
    }
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}
