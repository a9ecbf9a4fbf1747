//! Controller and settings store as one unit, fed from a recording. The same file is compiled on
//! desk and target.

use crate::flash::{PAGE, RamFlash};
use crate::wire::{Answer, Ask, Digest, Malformed, spell};
use stopwright_core::codec::{self, PressRecord};
use stopwright_core::controller::{Controller, Inputs, Outputs, Service, ServiceReply, TICK};
use stopwright_core::fault::FaultSet;
use stopwright_core::job::{CheckedJob, Job};
use stopwright_core::poll;
use stopwright_core::settings::Settings;
use stopwright_core::store::{Slot, Standstill, Store};

/// A flash in memory is ready at the first poll.
const POLLS_MAX: u32 = 64;
/// Two copies, two pages each.
pub const REGIONS: [core::ops::Range<u32>; 2] =
    [0..2 * PAGE as u32, 2 * PAGE as u32..4 * PAGE as u32];

/// The unit.
pub struct Unit {
    controller: Controller,
    store: Store<RamFlash>,
}

impl Unit {
    /// At power-up with a stored press record and the faults that were latched.
    pub fn boot(block: &[u8], stored: FaultSet, flash: RamFlash) -> Result<Self, Malformed> {
        let record: PressRecord = codec::decode(block).map_err(|_| Malformed)?.value;
        let settings = Settings::try_new(record.schema).map_err(|_| Malformed)?;
        Ok(Self {
            controller: Controller::new(settings, stored),
            store: Store::try_new(flash, REGIONS).map_err(|_| Malformed)?,
        })
    }

    /// The flash, for the next power-up.
    pub fn into_flash(self) -> RamFlash {
        self.store.into_flash()
    }

    /// The controller.
    pub fn controller(&mut self) -> &mut Controller {
        &mut self.controller
    }

    /// One tick; `run` is the controller's own, or something around it.
    pub fn tick(
        &mut self,
        mut inputs: Inputs<'_>,
        ask: Ask<'_>,
        answer: &mut Answer,
        run: &mut dyn FnMut(&mut Controller, &Inputs<'_>) -> Outputs,
    ) -> Result<(), Malformed> {
        let said = match ask {
            Ask::None => run(&mut self.controller, &inputs),
            Ask::CaptureAngle => {
                inputs.service = Service::CaptureAngle;
                run(&mut self.controller, &inputs)
            }
            Ask::Adopt(block) => {
                let record: PressRecord = codec::decode(block).map_err(|_| Malformed)?.value;
                let settings = Settings::try_new(record.schema).map_err(|_| Malformed)?;
                let mut inputs = Inputs { ..inputs };
                inputs.service = Service::Adopt(&settings);
                run(&mut self.controller, &inputs)
            }
            Ask::AdoptJob(block) => {
                let job: Job = codec::decode(block).map_err(|_| Malformed)?.value;
                let job = CheckedJob::try_new(job, self.controller.settings(), TICK)
                    .map_err(|_| Malformed)?;
                let mut inputs = Inputs { ..inputs };
                inputs.service = Service::AdoptJob(&job);
                run(&mut self.controller, &inputs)
            }
        };
        answer.outputs(&said);
        let mut state = Digest::EMPTY;
        spell(&self.controller, &mut state);
        answer.field(&state.0);
        match ask {
            Ask::Adopt(block) if said.reply == ServiceReply::Adopted => {
                let stored = self.save(block, &said);
                answer.field(&stored);
            }
            _ => answer.field(&()),
        }
        Ok(())
    }

    /// Writes the press record to the store: its generation, and a digest of the flash.
    fn save(&mut self, block: &[u8], said: &Outputs) -> Option<(u32, u32)> {
        let record: PressRecord = codec::decode(block).ok()?.value;
        let standstill = Standstill::of(said.stroke)?;
        let saving = self.store.save(Slot::PRESS, &record, standstill);
        let generation = poll::run(saving, POLLS_MAX).ok()?.ok()?;
        let mut flash = Digest::EMPTY;
        crate::wire::Bytes::take_in(&mut flash, self.store.flash().bytes());
        Some((generation, flash.0))
    }
}
