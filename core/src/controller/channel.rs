//! The other channel: what is told to it, and what comes of what it tells.

use super::Inputs;
use crate::fault::{FaultCode, FaultSet};
use crate::peer::{Config, Consent, Message, Own, Peer, Phase};
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::stroke::Stroke;
use crate::time::Duration;

/// Faults that only say that the other channel has one.
const OF_THE_OTHER: FaultSet = FaultSet::EMPTY
    .with(FaultCode::PeerStopped)
    .with(FaultCode::PeerLatched);

/// What follows from each channel driving one element of the valve: while only one of the two drives,
/// one element is where this channel has not put it.
const OF_ITS_ELEMENT: FaultSet = FaultSet::EMPTY
    .with(FaultCode::CoilReadBack)
    .with(FaultCode::ValveElementStuck);

/// State of the exchange.
#[derive(Clone, Copy, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Channel {
    peer: Peer,
    sequence: u8,
    /// What was told at the end of the last tick.
    phase: Phase,
    consent: Consent,
    /// Ticks for which an element has been off that this channel drives.
    off_for: u8,
}

impl Channel {
    /// Nothing told, nothing heard.
    pub(super) fn new() -> Self {
        Self {
            peer: Peer::new(),
            sequence: 0,
            phase: Phase::Standing,
            consent: Consent::default(),
            off_for: 0,
        }
    }

    /// Compares what the other channel says with what this one sees and has told, and returns what
    /// was `found` with what comes of it.
    ///
    /// The channels start and release at instants of their own. For as long as that is no
    /// disagreement, an element that is with the other channel is not stuck.
    pub(super) fn compare(
        &mut self,
        config: Option<&Config>,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
        found: FaultSet,
    ) -> FaultSet {
        let Some(config) = config else {
            return found;
        };
        let own = Own {
            now: inputs.now,
            crank: reading.map(Own::crank),
            phase: self.phase,
            consent: self.consent,
        };
        let agreed = self.peer.step(config, &own, inputs.peer);
        let phase = self.peer.phase(config);
        let is_driven = phase == Some(Phase::Driven);
        // Its element is off sooner than this one's: a stop that has begun, and no danger.
        let stops_first = phase.is_some() && !is_driven && self.phase == Phase::Driven;
        // Its element is on by itself: for as long as a healthy channel may be ahead or behind.
        let is_apart = agreed.is_ok() && is_driven && self.phase != Phase::Driven;
        // The same before it has said so: one that has lost its supply says nothing any more, and its
        // silence is the fault.
        let is_off = self.phase == Phase::Driven && !found.intersection(OF_ITS_ELEMENT).is_empty();
        self.off_for = if is_off {
            self.off_for.saturating_add(1)
        } else {
            0
        };
        let awaits_word = is_off && self.off_for <= config.silent_ticks.saturating_add(1);
        let found = match stops_first || is_apart || awaits_word {
            true => found.without(OF_ITS_ELEMENT),
            false => found,
        };
        let found = match agreed {
            Ok(()) => found,
            Err(disagreement) => found.with(disagreement.fault()),
        };
        let latched = self.peer.is_latched(config);
        found
            .with_if(FaultCode::PeerLatched, latched && is_driven)
            .with_if(FaultCode::PeerStopped, latched && !is_driven)
    }

    /// Whether the other channel, where there is one, permits a start.
    pub(super) fn permits_start(&self, config: Option<&Config>) -> bool {
        config.is_none_or(|config| self.peer.permits_start(config))
    }

    /// Whether the other channel has begun a stop within what it may be behind after this one, at
    /// `speed`, took over `since`.
    pub(super) fn stopped_at_take_over(
        &self,
        config: Option<&Config>,
        since: Duration,
        speed: CrankSpeed,
    ) -> bool {
        config.is_some_and(|config| {
            let ticks = u32::from(config.phase_ticks_at(Some(speed)));
            let behind = Duration::from_millis(ticks);
            since <= behind && self.peer.phase(config) == Some(Phase::Stopping)
        })
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
