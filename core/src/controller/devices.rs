//! Devices with more than one contact: emergency-stop chain, presence sensing, guards, selector.

use super::{Inputs, TICK};
use crate::contacts::{Config, ContactPair, OneOfN, SelectorConfig};
use crate::fault::{FaultCode, FaultSet};
use crate::stroke::Mode;

const SELECTOR: SelectorConfig = SelectorConfig::DEFAULT;

/// State of the devices.
#[derive(Clone, Copy, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Devices {
    emergency: ContactPair,
    presence: ContactPair,
    guards: ContactPair,
    selector: OneOfN,
}

impl Devices {
    /// Everything off.
    pub(super) const fn new() -> Self {
        Self {
            emergency: ContactPair::new(),
            presence: ContactPair::new(),
            guards: ContactPair::new(),
            selector: OneOfN::new(),
        }
    }

    /// Takes the contacts of one tick.
    pub(super) fn step(&mut self, config: &Config, inputs: &Inputs<'_>) -> FaultSet {
        self.emergency
            .step(&config.emergency, inputs.emergency_chain, TICK);
        self.presence.step(&config.presence, inputs.presence, TICK);
        self.guards.step(&config.guards, inputs.guards, TICK);
        self.selector
            .step(&SELECTOR, inputs.selector.contacts(), TICK);
        let disagree = |pair: &ContactPair, config| pair.has_discrepancy(config);
        FaultSet::EMPTY
            .with_if(
                FaultCode::EmergencyContactsDisagree,
                disagree(&self.emergency, &config.emergency),
            )
            .with_if(
                FaultCode::PresenceContactsDisagree,
                disagree(&self.presence, &config.presence),
            )
            .with_if(
                FaultCode::GuardContactsDisagree,
                disagree(&self.guards, &config.guards),
            )
            .with_if(
                FaultCode::ModeSelector,
                self.selector.is_undefined(&SELECTOR),
            )
    }

    /// The emergency-stop chain is closed.
    pub(super) const fn emergency_closed(&self) -> bool {
        self.emergency.is_on()
    }

    /// Nothing is in the field.
    pub(super) const fn presence_clear(&self) -> bool {
        self.presence.is_on()
    }

    /// The guards are closed.
    pub(super) const fn guards_closed(&self) -> bool {
        self.guards.is_on()
    }

    /// The mode shown: the last one while the selector is between two positions, off from the moment
    /// another is shown until that has settled, and off before the first.
    pub(super) fn mode(&self) -> Mode {
        let settled = self.selector.settled();
        settled
            .filter(|_| !self.selector.shows_another())
            .and_then(Mode::of_position)
            .unwrap_or(Mode::Off)
    }
}
