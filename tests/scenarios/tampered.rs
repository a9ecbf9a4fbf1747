//! A controller whose words are changed on their way out: what the judge must notice.

use std::fmt;
use stopwright::control::{Control, Lost};
use stopwright::scenario::{Options, Report, Scenario, run};
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_core::fault::FaultSet;

/// Changes what was said in this tick; the first argument is the number of the tick.
pub(crate) type Tamper = Box<dyn FnMut(u64, &Inputs<'_>, &mut Outputs)>;

/// The core with somebody at its terminals.
pub(crate) struct Tampered {
    core: Controller,
    tamper: Tamper,
    tick: u64,
}

impl fmt::Debug for Tampered {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.core.fmt(f)
    }
}

impl Control for Tampered {
    fn tick(&mut self, inputs: &Inputs<'_>) -> Result<Outputs, Lost> {
        let mut outputs = self.core.tick(inputs);
        self.tick += 1;
        (self.tamper)(self.tick, inputs, &mut outputs);
        Ok(outputs)
    }

    fn restart(&mut self, stored: FaultSet) -> Result<(), Lost> {
        Control::restart(&mut self.core, stored)
    }
}

/// Plays a scenario with tampered outputs.
pub(crate) fn played(
    scenario: &Scenario,
    tamper: impl FnMut(u64, &Inputs<'_>, &mut Outputs) + 'static,
) -> Report {
    let controller = Tampered {
        core: Controller::new(scenario.settings, FaultSet::EMPTY),
        tamper: Box::new(tamper),
        tick: 0,
    };
    let options = Options {
        seed: scenario.seed,
    };
    run(scenario, &options, controller, None)
}
