//! The other channel: what is told to it, and what comes of what it tells.

use super::Inputs;
use crate::fault::{FaultCode, FaultSet};
use crate::peer::{Config, Consent, Message, Own, Peer, Phase};
use crate::receiver::CrankReading;
use crate::stroke::Stroke;

/// Faults that only say that the other channel has one.
const OF_THE_OTHER: FaultSet = FaultSet::EMPTY
    .with(FaultCode::PeerStopped)
    .with(FaultCode::PeerLatched);

/// State of the exchange.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Channel {
    peer: Peer,
    sequence: u8,
    /// What was told at the end of the last tick.
    phase: Phase,
    consent: Consent,
}

impl Channel {
    /// Nothing told, nothing heard.
    pub(super) fn new() -> Self {
        Self {
            peer: Peer::new(),
            sequence: 0,
            phase: Phase::Standing,
            consent: Consent::default(),
        }
    }

    /// Compares what the other channel says with what this one sees and has told.
    pub(super) fn compare(
        &mut self,
        config: Option<&Config>,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
    ) -> FaultSet {
        let Some(config) = config else {
            return FaultSet::EMPTY;
        };
        let own = Own {
            now: inputs.now,
            crank: reading.map(Own::crank),
            phase: self.phase,
            consent: self.consent,
        };
        let found = match self.peer.step(config, &own, inputs.peer) {
            Ok(()) => FaultSet::EMPTY,
            Err(disagreement) => FaultSet::EMPTY.with(disagreement.fault()),
        };
        let latched = self.peer.is_latched(config);
        let is_driven = self.peer.phase(config) == Some(Phase::Driven);
        found
            .with_if(FaultCode::PeerLatched, latched && is_driven)
            .with_if(FaultCode::PeerStopped, latched && !is_driven)
    }

    /// Whether the other channel, where there is one, permits a start.
    pub(super) fn permits_start(&self, config: Option<&Config>) -> bool {
        config.is_none_or(|config| self.peer.permits_start(config))
    }

    /// The message of this tick.
    pub(super) fn tell(
        &mut self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
        stroke: Stroke,
        mut consent: Consent,
        latched: FaultSet,
    ) -> Message {
        // Each channel tells of its own faults only: told back and forth, they would never end.
        consent.is_latched = !latched.without(OF_THE_OTHER).is_empty();
        self.phase = Phase::of(stroke);
        self.consent = consent;
        self.sequence = self.sequence.wrapping_add(1);
        let own = Own {
            now: inputs.now,
            crank: reading.map(Own::crank),
            phase: self.phase,
            consent,
        };
        own.message(self.sequence)
    }
}
