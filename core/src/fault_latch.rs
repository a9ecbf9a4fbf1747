//! The one place that remembers faults. A latched fault stays through power and time, whatever
//! its condition does; only a deliberate reset with the standing its rule asks for clears it, and
//! only when its condition has gone. Each fault is frozen with its evidence; the first of them stays
//! shown until nothing is latched any more.
//!
//! Advice goes with its condition. What is judged each tick is shown while it is so; what is judged
//! at the end of a stop stands until the next one has ended.
//!
//! What an operator has reset once and finds latched again is no chance any more: from then on it
//! takes the key, until somebody with the key has cleared it.

use crate::angle::CrankAngle;
use crate::fault::{FaultCode, FaultSet, Reaction, ResetRule};
use crate::speed::CrankSpeed;
use crate::time::Instant;

/// What was known when a fault latched.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Evidence {
    /// When.
    pub at: Instant,
    /// The last trusted crank angle, if there was one.
    pub angle: Option<CrankAngle>,
    /// The speed that went with it.
    pub speed: CrankSpeed,
}

/// A latched fault with its frozen evidence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Latched {
    /// Which fault.
    pub code: FaultCode,
    /// What was known.
    pub evidence: Evidence,
}

/// Who asks for a reset.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Standing {
    /// The operator.
    Operator,
    /// Somebody with the key, after a check.
    KeyHolder,
    /// The same, after the commissioning step in question was repeated.
    Recommissioned,
}

/// What does more than advise.
const LATCHING: FaultSet = FaultSet::demanding(Reaction::TopStop);

/// Advice that is judged at the end of a stop.
const OF_STOPS: FaultSet = FaultSet::EMPTY
    .with(FaultCode::StopTimeAdvisory)
    .with(FaultCode::TopStopShort)
    .with(FaultCode::CompensationHalf)
    .with(FaultCode::StopRatio)
    .with(FaultCode::StopTrend);

/// So many latched faults keep their evidence here. Whatever latches beside eight others is on record
/// with its evidence all the same: an entry of the journal holds it.
pub const FROZEN_MAX: usize = 8;

/// Faults in force.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FaultLatch {
    latched: FaultSet,
    advice: FaultSet,
    /// Reset by an operator since somebody with the key last reset.
    reset_before: FaultSet,
    first: Option<Latched>,
    /// In no order; a place is free once its fault is cleared.
    frozen: [Option<Latched>; FROZEN_MAX],
}

impl FaultLatch {
    /// Nothing latched.
    pub const fn new() -> Self {
        Self {
            latched: FaultSet::EMPTY,
            advice: FaultSet::EMPTY,
            reset_before: FaultSet::EMPTY,
            first: None,
            frozen: [None; FROZEN_MAX],
        }
    }

    /// The latched faults.
    pub const fn latched(&self) -> FaultSet {
        self.latched
    }

    /// Faults that only advise, as last seen.
    pub const fn advice(&self) -> FaultSet {
        self.advice
    }

    /// The first fault since the latch was last empty.
    pub const fn first(&self) -> Option<Latched> {
        self.first
    }

    /// What was known when a fault latched that is latched now; `None` too for one that found
    /// [`FROZEN_MAX`] others.
    pub fn evidence(&self, code: FaultCode) -> Option<Evidence> {
        let frozen = self.frozen.iter().flatten();
        let mut of_it = frozen.filter(|latched| latched.code == code);
        of_it.next().map(|latched| latched.evidence)
    }

    /// A stop has ended: what the last one gave rise to is over.
    pub const fn end_of_stop(&mut self) {
        self.advice = self.advice.without(OF_STOPS);
    }

    /// Faults that an operator had reset when the supply went away, and nobody with the key since: should
    /// one come back, it takes the key.
    pub const fn remember_resets(&mut self, reset_before: FaultSet) {
        self.reset_before = reset_before;
    }

    /// Takes in what was found this tick and returns the faults that were not latched before.
    pub fn raise(&mut self, found: FaultSet, evidence: Evidence) -> FaultSet {
        let advised = found.without(LATCHING);
        self.advice = self.advice.intersection(OF_STOPS).union(advised);
        let new = found.intersection(LATCHING).without(self.latched);
        if self.first.is_none() {
            let first = new.iter().next();
            self.first = first.map(|code| Latched { code, evidence });
        }
        let free = self.frozen.iter_mut().filter(|place| place.is_none());
        for (place, code) in free.zip(new.iter()) {
            *place = Some(Latched { code, evidence });
        }
        self.latched = self.latched.union(new);
        new
    }

    /// What it takes to clear a latched fault now.
    pub fn rule(&self, code: FaultCode) -> ResetRule {
        match code.reset_rule() {
            ResetRule::Operator if self.reset_before.contains(code) => ResetRule::KeyHolder,
            rule => rule,
        }
    }

    /// Clears what `standing` may clear and whose condition is no longer in `present`. Advice is
    /// cleared with it.
    pub fn reset(&mut self, standing: Standing, present: FaultSet) {
        let mut kept = FaultSet::EMPTY;
        for code in self.latched.iter() {
            let cleared = allows(standing, self.rule(code)) && !present.contains(code);
            kept = kept.with_if(code, !cleared);
        }
        let cleared = self.latched.without(kept);
        self.reset_before = resets_known(self.reset_before, standing, cleared);
        for place in &mut self.frozen {
            *place = place.filter(|latched| kept.contains(latched.code));
        }
        self.latched = kept;
        self.advice = FaultSet::EMPTY;
        if kept.is_empty() {
            self.first = None;
        }
    }
}

/// What an operator has reset since somebody with the key last did, once `standing` has `cleared` more.
pub(crate) const fn resets_known(
    before: FaultSet,
    standing: Standing,
    cleared: FaultSet,
) -> FaultSet {
    match standing {
        Standing::Operator => before.union(cleared),
        Standing::KeyHolder | Standing::Recommissioned => before.without(cleared),
    }
}

const fn allows(standing: Standing, rule: ResetRule) -> bool {
    match rule {
        ResetRule::ByItself | ResetRule::Operator => true,
        ResetRule::KeyHolder => matches!(standing, Standing::KeyHolder | Standing::Recommissioned),
        ResetRule::Recommissioning => matches!(standing, Standing::Recommissioned),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const EVIDENCE: Evidence = Evidence {
        at: Instant::from_micros(7),
        angle: None,
        speed: CrankSpeed::ZERO,
    };

    #[test]
    fn a_latch_outlives_its_condition_and_bows_only_to_its_rule() {
        for &code in FaultCode::ALL
            .iter()
            .filter(|code| code.reaction() != Reaction::Advise)
        {
            let mut latch = FaultLatch::new();
            let found = FaultSet::EMPTY.with(code);
            assert!(latch.raise(found, EVIDENCE).contains(code));
            latch.raise(FaultSet::EMPTY, EVIDENCE);
            assert!(
                latch.latched().contains(code),
                "{code:?} went away by itself"
            );
            for standing in [
                Standing::Operator,
                Standing::KeyHolder,
                Standing::Recommissioned,
            ] {
                let mut other = latch;
                other.reset(standing, found);
                assert!(
                    other.latched().contains(code),
                    "{code:?} reset with its cause present"
                );
                other.reset(standing, FaultSet::EMPTY);
                assert_eq!(
                    other.latched().is_empty(),
                    allows(standing, code.reset_rule())
                );
            }
        }
    }

    #[test]
    fn what_comes_back_after_an_operators_reset_takes_the_key() {
        let code = FaultCode::NoMotion;
        let found = FaultSet::EMPTY.with(code);
        let mut latch = FaultLatch::new();
        let mut comes = |standing| {
            latch.raise(found, EVIDENCE);
            latch.reset(standing, FaultSet::EMPTY);
            latch.latched().is_empty()
        };
        assert!(comes(Standing::Operator));
        assert!(!comes(Standing::Operator));
        assert!(comes(Standing::KeyHolder));
        // Cleared with the key it begins anew.
        assert!(comes(Standing::Operator));
        assert!(!comes(Standing::Operator));
    }

    #[test]
    fn every_fault_keeps_its_own_evidence_until_it_is_cleared() {
        let at = |micros| Evidence {
            at: Instant::from_micros(micros),
            ..EVIDENCE
        };
        let mut latch = FaultLatch::new();
        let latching = LATCHING.iter().take(FROZEN_MAX.saturating_add(1));
        let codes: std::vec::Vec<FaultCode> = latching.collect();
        for (micros, &code) in (0..).zip(&codes) {
            latch.raise(FaultSet::EMPTY.with(code), at(micros));
            // Its condition goes on, and changes nothing.
            latch.raise(FaultSet::EMPTY.with(code), at(99));
        }
        for (micros, &code) in (0..8).zip(&codes) {
            assert_eq!(latch.evidence(code), Some(at(micros)), "{code:?}");
        }
        assert_eq!(
            codes.get(FROZEN_MAX).and_then(|&it| latch.evidence(it)),
            None
        );
        // One is cleared: its evidence goes, and its place is the next one's.
        let [cleared, kept @ ..] = codes.as_slice() else {
            return assert!(!codes.is_empty());
        };
        let present = kept.iter().copied().fold(FaultSet::EMPTY, FaultSet::with);
        latch.reset(Standing::Recommissioned, present);
        assert_eq!(latch.evidence(*cleared), None);
        latch.raise(FaultSet::EMPTY.with(*cleared), at(100));
        assert_eq!(latch.evidence(*cleared), Some(at(100)));
        latch.reset(Standing::Recommissioned, FaultSet::EMPTY);
        assert_eq!(latch, FaultLatch::new());
    }

    #[test]
    fn the_first_fault_keeps_its_evidence() {
        let mut latch = FaultLatch::new();
        latch.raise(FaultSet::EMPTY.with(FaultCode::SignalLow), EVIDENCE);
        let later = Evidence {
            at: Instant::from_micros(8),
            ..EVIDENCE
        };
        latch.raise(FaultSet::EMPTY.with(FaultCode::TrackingLost), later);
        assert_eq!(
            latch.first(),
            Some(Latched {
                code: FaultCode::SignalLow,
                evidence: EVIDENCE
            })
        );
    }
}
