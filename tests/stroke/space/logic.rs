//! The parts of the core that the reduced press runs on, so that a mutant can replace one.

use stopwright_core::angle::CrankAngle;
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::{Evidence, FaultLatch, Standing};
use stopwright_core::muting;
use stopwright_core::receiver::CrankReading;
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stroke::{Circumstances, Event, Stroke};
use stopwright_core::time::Instant;

/// Last muted angle of the reduced press.
pub(crate) const MUTE_END: CrankAngle = CrankAngle::from_millidegrees(300_000);

/// A state, an event and its circumstances to the next state.
pub(crate) type Step = fn(Stroke, Event, &Circumstances) -> Stroke;

/// How far the angle may be believed.
#[derive(Clone, Copy)]
pub(crate) struct Belief {
    pub(crate) is_trusted: bool,
    /// The index has proven it.
    pub(crate) is_proven: bool,
}

/// State and reading, and how far the reading may be believed, to muting.
pub(crate) type Mute = fn(Stroke, &CrankReading, Belief) -> bool;

/// Latched faults, who asks, and what is still present, to what stays latched.
pub(crate) type Reset = fn(FaultSet, Standing, FaultSet) -> FaultSet;

#[derive(Clone, Copy)]
pub(crate) struct Logic {
    pub(crate) step: Step,
    pub(crate) mute: Mute,
    pub(crate) reset: Reset,
    /// What is latched after the power was away.
    pub(crate) power_up: fn(FaultSet) -> FaultSet,
}

impl Logic {
    /// The core as it is.
    pub(crate) const CORE: Self = Self {
        step: |stroke, event, now| stroke.step(event, now),
        mute: |stroke, reading, belief| {
            let reading = Some(reading).filter(|_| belief.is_trusted);
            muting::is_muted(stroke, reading, belief.is_proven, MUTE_END)
        },
        reset,
        power_up: |stored| latch_of(stored).latched(),
    };
}

/// A latch is its set of faults here: evidence decides nothing, and that a fault was reset before
/// only makes the next reset harder.
fn latch_of(latched: FaultSet) -> FaultLatch {
    let mut latch = FaultLatch::new();
    let evidence = Evidence {
        at: Instant::from_micros(0),
        angle: None,
        speed: CrankSpeed::ZERO,
    };
    latch.raise(latched, evidence);
    latch
}

fn reset(latched: FaultSet, standing: Standing, present: FaultSet) -> FaultSet {
    let mut latch = latch_of(latched);
    latch.reset(standing, present);
    latch.latched()
}
