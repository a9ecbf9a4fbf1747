//! A recording played through the unit, record by record.

use crate::flash::RamFlash;
use crate::unit::Unit;
use crate::wire::{self, Answer, Ask, Malformed, Reader};
use stopwright_core::controller::{Controller, Inputs, Outputs};

/// Where the records come from.
pub trait Records {
    /// What comes next: a whole record at least, unless they end.
    fn ahead(&mut self) -> &[u8];
    /// Goes on to where `rest` bytes of what was ahead are left.
    fn go_on(&mut self, rest: usize);
}

/// Who stands around each tick of a replay.
pub trait Around {
    /// A scenario begins.
    fn scenario(&mut self, name: &str);
    /// One tick: runs it, and looks at what it likes.
    fn run(&mut self, controller: &mut Controller, inputs: &Inputs<'_>, ask: &Ask<'_>) -> Outputs;
    /// Its answer; false ends the replay.
    fn answer(&mut self, answer: &Answer) -> bool;
}

/// Plays the recording from `source` to its end.
pub fn replay(source: &mut dyn Records, around: &mut dyn Around) -> Result<(), Malformed> {
    let mut unit: Option<Unit> = None;
    let mut answer = Answer::default();
    loop {
        let mut reader = Reader {
            rest: source.ahead(),
        };
        if reader.rest.is_empty() {
            return Ok(());
        }
        match reader.byte()? {
            wire::NAME => {
                let length = reader.byte()?;
                let name = reader.take(usize::from(length))?;
                around.scenario(core::str::from_utf8(name).map_err(|_| Malformed)?);
                // Each scenario begins with a flash of its own.
                unit = None;
            }
            wire::BOOT => {
                let stored = reader.faults()?;
                let block = reader.block()?;
                let flash = unit.take().map_or(RamFlash::ERASED, Unit::into_flash);
                unit = Some(Unit::boot(block, stored, flash)?);
            }
            wire::TICK => {
                let (inputs, ask) = reader.tick()?;
                let unit = unit.as_mut().ok_or(Malformed)?;
                answer.clear();
                unit.tick(inputs, ask, &mut answer, &mut |controller, inputs| {
                    around.run(controller, inputs, &ask)
                })?;
                if !around.answer(&answer) {
                    return Err(Malformed);
                }
            }
            _ => return Err(Malformed),
        }
        let rest = reader.rest.len();
        source.go_on(rest);
    }
}
