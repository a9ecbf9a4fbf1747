//! The clutch/brake valve: two elements, each with its drive, its coil's read-back and its
//! feedback. Every transition is timed for each element alone: two exhaust paths in parallel hide
//! one dead element inside the scatter of the stopping time.

use crate::fault::{FaultCode, FaultSet};
use crate::time::{Duration, Instant};

/// Elements of the valve.
pub const ELEMENTS: usize = 2;

/// A signal with the instant of its last change, as an input-capture timer delivers it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Captured {
    /// The level now.
    pub is_on: bool,
    /// When it last changed.
    pub changed_at: Instant,
}

/// What one valve element reports.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ElementFeedback {
    /// The coil carries current.
    pub coil: Captured,
    /// The spool has shifted to its driven position.
    pub shifted: Captured,
}

/// Longest times an element may take to follow its drive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// From the drive's change to the coil's.
    pub coil_within: Duration,
    /// For the spool of each element, learned in commissioning.
    pub shift: [ShiftBounds; ELEMENTS],
}

/// Longest times one element's spool may take, from the drive's change to its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ShiftBounds {
    /// Switching on.
    pub on_within: Duration,
    /// Switching off; part of the stopping-time budget.
    pub off_within: Duration,
}

impl Config {
    /// Fixed bounds until a press's own are known: 50 ms for the coil, 150 ms for the spool.
    pub const DEFAULT: Self = Self {
        coil_within: Duration::from_millis(50),
        shift: [ShiftBounds {
            on_within: Duration::from_millis(150),
            off_within: Duration::from_millis(150),
        }; ELEMENTS],
    };

    /// The fixed bounds, but for the time that either spool may take to switch off.
    pub const fn with_off_within(off_within: Duration) -> Self {
        let Self {
            coil_within,
            shift: [ShiftBounds { on_within, .. }, _],
        } = Self::DEFAULT;
        let bounds = ShiftBounds {
            on_within,
            off_within,
        };
        Self {
            coil_within,
            shift: [bounds; ELEMENTS],
        }
    }
}

impl ShiftBounds {
    const fn towards(&self, is_on: bool) -> Duration {
        if is_on {
            self.on_within
        } else {
            self.off_within
        }
    }
}

/// Watches both elements follow one common drive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ValvePair {
    drive: Captured,
}

impl ValvePair {
    /// Both drives off.
    pub const fn new() -> Self {
        Self {
            drive: Captured {
                is_on: false,
                changed_at: Instant::from_micros(0),
            },
        }
    }

    /// Whether the drives are on.
    pub const fn is_driven(&self) -> bool {
        self.drive.is_on
    }

    /// When the drives went off, while they are off.
    pub fn driven_off_at(&self) -> Option<Instant> {
        (!self.drive.is_on).then_some(self.drive.changed_at)
    }

    /// Notes a change of the drives that takes effect at `at`.
    pub fn drive(&mut self, is_on: bool, at: Instant) {
        if self.drive.is_on != is_on {
            self.drive = Captured {
                is_on,
                changed_at: at,
            };
        }
    }

    /// Judges both elements at `now`.
    pub fn judge(
        &self,
        config: &Config,
        feedback: &[ElementFeedback; ELEMENTS],
        now: Instant,
    ) -> FaultSet {
        let is_on = self.drive.is_on;
        let since = now.saturating_since(self.drive.changed_at);
        let elements = feedback.iter().zip(&config.shift);
        elements.fold(FaultSet::EMPTY, |faults, (element, bounds)| {
            let coil_late = element.coil.is_on != is_on && since > config.coil_within;
            let spool_late = element.shifted.is_on != is_on && since > bounds.towards(is_on);
            faults
                .with_if(FaultCode::CoilReadBack, coil_late)
                .with_if(FaultCode::ValveElementStuck, spool_late)
        })
    }
}

/// When the first of both coils lost its current after `command`, if one has. A coil that is off
/// past its bound without a change of its own was never on: then the command itself counts.
pub fn coil_off_since(
    config: &Config,
    feedback: &[ElementFeedback; ELEMENTS],
    command: Instant,
    now: Instant,
) -> Option<Instant> {
    let is_overdue = now.saturating_since(command) > config.coil_within;
    feedback
        .iter()
        .filter(|element| !element.coil.is_on)
        .filter(|element| element.coil.changed_at >= command || is_overdue)
        .map(|element| element.coil.changed_at.max(command))
        .min()
}

/// When the last of both spools had shifted off after `command`, if both have.
pub fn shifted_off_since(
    feedback: &[ElementFeedback; ELEMENTS],
    command: Instant,
) -> Option<Instant> {
    let is_off = |spool: &Captured| !spool.is_on && spool.changed_at >= command;
    let spools = || feedback.iter().map(|element| element.shifted);
    let last = spools().map(|spool| spool.changed_at).max();
    last.filter(|_| spools().all(|spool| is_off(&spool)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const fn ms(value: u32) -> Duration {
        Duration::from_millis(value)
    }

    const fn bounds(on_ms: u32, off_ms: u32) -> ShiftBounds {
        ShiftBounds {
            on_within: ms(on_ms),
            off_within: ms(off_ms),
        }
    }

    /// Whether element 0 or 1 is named when it alone has not followed the drive for so long.
    fn is_late(element: usize, is_on: bool, for_ms: u32) -> bool {
        const CONFIG: Config = Config {
            coil_within: ms(5),
            shift: [bounds(30, 40), bounds(50, 60)],
        };
        let mut valve = ValvePair::new();
        valve.drive(true, Instant::from_micros(1_000_000));
        valve.drive(is_on, Instant::from_micros(1_000_000));
        let changed_at = Instant::from_micros(1_000_000);
        let follows = |shifted| {
            let level = |is_on| Captured { is_on, changed_at };
            ElementFeedback {
                coil: level(is_on),
                shifted: level(shifted),
            }
        };
        let mut others = [0, 1]
            .iter()
            .map(|other| follows((*other == element) ^ is_on));
        let feedback = [others.next(), others.next()].map(Option::unwrap_or_default);
        let now = changed_at.saturating_add(ms(for_ms));
        let found = valve.judge(&CONFIG, &feedback, now);
        found.contains(FaultCode::ValveElementStuck)
    }

    #[test]
    fn each_element_has_a_bound_of_its_own_in_each_direction() {
        let cases = [(0, true, 30), (0, false, 40), (1, true, 50), (1, false, 60)];
        for (element, is_on, within_ms) in cases {
            assert!(!is_late(element, is_on, within_ms));
            assert!(is_late(element, is_on, within_ms.saturating_add(1)));
        }
    }
}
