//! Any controller at the press: the core in this process, or one somewhere else.
//!
//! A controller is asked once a millisecond and answers with everything it says in that tick. One
//! that does not answer is lost, and stays lost: the press then sees its outputs off, as a
//! watchdog in front of the valve would have it.

use stopwright_core::angle::{CrankAngle, CrankTravel};
use stopwright_core::contacts;
use stopwright_core::controller::{Controller, Inputs, Outputs, ServiceReply, ValveDrive};
use stopwright_core::fault::FaultSet;
use stopwright_core::interlock::Permit;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::peer::{Consent, Message, Phase};
use stopwright_core::receiver::CrankPosition;
use stopwright_core::run_in::Condition;
use stopwright_core::stroke::{Mode, Stroke};

/// A controller that no longer answers, and how that showed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the controller is lost: {0}")]
pub struct Lost(pub String);

/// Any controller.
pub trait Control: std::fmt::Debug {
    /// How it has the pairs of contacts wired.
    fn contacts(&self) -> contacts::Config {
        contacts::Config::DEFAULT
    }

    /// One tick.
    ///
    /// # Errors
    /// [`Lost`] when no answer came.
    fn tick(&mut self, inputs: &Inputs<'_>) -> Result<Outputs, Lost>;

    /// The supply has come back. `stored` are faults that were latched when it went away.
    ///
    /// # Errors
    /// [`Lost`] when no answer came.
    fn restart(&mut self, stored: FaultSet) -> Result<(), Lost>;
}

impl Control for Controller {
    fn contacts(&self) -> contacts::Config {
        self.settings().get().contacts
    }

    fn tick(&mut self, inputs: &Inputs<'_>) -> Result<Outputs, Lost> {
        Ok(Self::tick(self, inputs))
    }

    fn restart(&mut self, stored: FaultSet) -> Result<(), Lost> {
        *self = Self::new(*self.settings(), stored);
        Ok(())
    }
}

/// What is said where there is no controller to say it: everything off, nothing known.
pub fn silence() -> Outputs {
    Outputs {
        valve: ValveDrive::default(),
        second_means: false,
        stroke: Stroke::PowerUp,
        mode: Mode::Off,
        position: CrankPosition::Untrusted {
            faults: FaultSet::EMPTY,
            last: None,
        },
        is_muted: false,
        permit: Permit {
            run: false,
            run_on: false,
            bar: false,
        },
        latched: FaultSet::EMPTY,
        raised: FaultSet::EMPTY,
        advice: FaultSet::EMPTY,
        first_fault: None,
        start: None,
        stop: None,
        release: CrankAngle::TOP_DEAD_CENTRE,
        authority_percent: 0,
        compensation: CrankTravel::ZERO,
        condition: Condition::WarmingUp,
        limit_channels: ChannelSet::EMPTY,
        peer: Message {
            sequence: 0,
            stamp_us: 0,
            crank: None,
            phase: Phase::default(),
            consent: Consent::default(),
        },
        reply: ServiceReply::None,
    }
}
