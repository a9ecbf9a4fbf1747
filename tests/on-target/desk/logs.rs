//! Every latch of a replay in words, as the image that logs should say it.

use crate::replay::{Around, Records, replay};
use crate::wire::{Answer, Ask};
use std::path::Path;
use stopwright_core::controller::{Controller, Inputs, Outputs};

/// Prints the latches of `folder`'s recording.
pub(crate) fn print(folder: &Path) -> Result<(), String> {
    let path = folder.join("recording.bin");
    let recording =
        std::fs::read(&path).map_err(|trouble| format!("{}: {trouble}", path.display()))?;
    let mut latches = Latches {
        scenario: 0,
        tick: 0,
    };
    replay(&mut Rest(&recording), &mut latches).map_err(|_| "the recording is damaged".to_owned())
}

struct Rest<'a>(&'a [u8]);

impl Records for Rest<'_> {
    fn ahead(&mut self) -> &[u8] {
        self.0
    }

    fn go_on(&mut self, rest: usize) {
        self.0 = &self.0[self.0.len() - rest..];
    }
}

struct Latches {
    scenario: u32,
    tick: u32,
}

impl Around for Latches {
    fn scenario(&mut self, _: &str) {
        (self.scenario, self.tick) = (self.scenario + 1, 0);
    }

    fn run(&mut self, controller: &mut Controller, inputs: &Inputs<'_>, _: &Ask<'_>) -> Outputs {
        let said = controller.tick(inputs);
        for code in said.raised.iter() {
            let (scenario, tick, seen) = (self.scenario, self.tick, said.position.trusted());
            println!("{scenario} {tick} {code:?} {:?} {seen:?}", said.stroke);
        }
        self.tick += 1;
        said
    }

    fn answer(&mut self, _: &Answer) -> bool {
        true
    }
}
