//! How stopping time and travel grow with speed.

use crate::angle::CrankTravel;
use crate::speed::CrankSpeed;
use crate::time::Duration;

/// How stopping time and travel grow with speed: t(N) = reaction + c·N and
/// α(N) = 6·N·reaction + 3·c·N² degrees (N in strokes per minute), a rigid rotor under a constant
/// brake torque.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopCurve {
    /// The part of the stop at full speed.
    pub reaction: Duration,
    /// Braking time per stroke per minute, nanoseconds.
    pub braking_ns_per_spm: u32,
}

impl StopCurve {
    /// Braking time at `speed`.
    fn braking_at(self, speed: CrankSpeed) -> Duration {
        // Nanoseconds, in thousandths.
        let micros = speed.milli_times(self.braking_ns_per_spm);
        Duration::from_micros(u32::try_from(micros).unwrap_or(u32::MAX))
    }

    /// Expected stopping travel at `speed`: speed · (reaction + braking / 2).
    pub fn travel_at(self, speed: CrankSpeed) -> CrankTravel {
        self.at(speed).1
    }

    /// Expected stopping time at `speed`.
    pub fn time_at(self, speed: CrankSpeed) -> Duration {
        self.reaction.saturating_add(self.braking_at(speed))
    }

    /// Expected stopping time and travel at `speed`.
    pub fn at(self, speed: CrankSpeed) -> (Duration, CrankTravel) {
        let braking = self.braking_at(speed);
        let half = Duration::from_micros(braking.as_micros() / 2);
        let travel = speed.travel_in(self.reaction.saturating_add(half));
        (self.reaction.saturating_add(braking), travel)
    }
}
