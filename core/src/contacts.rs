//! Contacts that say one thing together: a pair that must agree, and a selector of which exactly
//! one contact closes.
//!
//! A pair turns on slowly and off quickly. Off needs one channel only; on needs both, and after one
//! channel went off alone it needs both to have been seen off, so that a channel that no longer
//! follows can not hide behind the other:
//!
//! ```text
//! Off --both on, long enough--> On --any off, too long--> Off        (both channels off)
//!  ^                                                  +-> WentAlone  (one still on)
//!  +------------- both seen off ----------------------------+
//! ```
//!
//! The discrepancy time adds the fault; it never delays the off.

use crate::time::Duration;

/// The two channels of a pair as they are wired: true is closed, or switched on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Levels {
    /// First channel; of a complementary pair the normally open contact.
    pub first: bool,
    /// Second channel; of a complementary pair the normally closed contact.
    pub second: bool,
}

/// How the channels of a pair go together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum PairKind {
    /// A normally open and a normally closed contact: on is first closed, second open.
    Complementary,
    /// Two equal channels, as of a device with two semiconductor outputs: on is both on.
    Equivalent,
}

/// What the two channels say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Reading {
    /// Both say on.
    On,
    /// Both say off.
    Off,
    /// They disagree.
    Split,
}

/// How a pair is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PairConfig {
    /// How the channels go together.
    pub kind: PairKind,
    /// Both must say on for this long.
    pub on_after: Duration,
    /// A channel lost for longer than this is off; part of the control response.
    pub off_after: Duration,
    /// Channels that disagree for longer than this are a fault.
    pub discrepancy_after: Duration,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum PairState {
    Off { on_for: Duration },
    On { lost_for: Duration },
    WentAlone,
}

/// One pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ContactPair {
    state: PairState,
    split_for: Duration,
}

impl Levels {
    /// The levels of a healthy pair of this kind that is on, or off.
    pub const fn of(kind: PairKind, is_on: bool) -> Self {
        Self {
            first: is_on,
            second: match kind {
                PairKind::Complementary => !is_on,
                PairKind::Equivalent => is_on,
            },
        }
    }

    /// What the channels say.
    pub const fn read(self, kind: PairKind) -> Reading {
        let second = match kind {
            PairKind::Complementary => !self.second,
            PairKind::Equivalent => self.second,
        };
        match (self.first, second) {
            (true, true) => Reading::On,
            (false, false) => Reading::Off,
            (true, false) | (false, true) => Reading::Split,
        }
    }
}

/// How the pairs at the press are wired and judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Emergency-stop chain.
    pub emergency: PairConfig,
    /// Presence sensing.
    pub presence: PairConfig,
    /// Guards.
    pub guards: PairConfig,
}

impl Config {
    /// A chain of two opening contacts, a sensing device with two switched outputs, guards with one
    /// contact of each kind. None of them delays the off: what filters test pulses or bounce is in
    /// the device or the input, and in its response time.
    pub const DEFAULT: Self = Self {
        emergency: PairConfig {
            kind: PairKind::Equivalent,
            off_after: Duration::ZERO,
            ..PairConfig::CONTACTS
        },
        presence: PairConfig {
            off_after: Duration::ZERO,
            ..PairConfig::SWITCHED_OUTPUTS
        },
        guards: PairConfig {
            off_after: Duration::ZERO,
            ..PairConfig::CONTACTS
        },
    };
}

impl PairConfig {
    /// A guard or button with two contacts: 50 ms to on, 5 ms to off, 300 ms of discrepancy
    /// (common practice, no source).
    pub const CONTACTS: Self = Self {
        kind: PairKind::Complementary,
        on_after: Duration::from_millis(50),
        off_after: Duration::from_millis(5),
        discrepancy_after: Duration::from_millis(300),
    };
    /// Two switched outputs of a sensing device: its test pulses are below 1 ms, so off is taken
    /// at the second tick; 100 ms of discrepancy (common practice, no source).
    pub const SWITCHED_OUTPUTS: Self = Self {
        kind: PairKind::Equivalent,
        on_after: Duration::from_millis(10),
        off_after: Duration::from_millis(1),
        discrepancy_after: Duration::from_millis(100),
    };
}

impl Default for ContactPair {
    fn default() -> Self {
        Self::new()
    }
}

impl ContactPair {
    /// Off until seen on.
    pub const fn new() -> Self {
        Self {
            state: PairState::Off {
                on_for: Duration::ZERO,
            },
            split_for: Duration::ZERO,
        }
    }

    /// Whether the pair is on.
    pub const fn is_on(&self) -> bool {
        matches!(self.state, PairState::On { .. })
    }

    /// Whether one channel went off alone and both have not been seen off since.
    pub const fn went_alone(&self) -> bool {
        matches!(self.state, PairState::WentAlone)
    }

    /// Whether the channels have disagreed too long.
    pub fn has_discrepancy(&self, config: &PairConfig) -> bool {
        self.split_for > config.discrepancy_after
    }

    /// One tick of length `tick`; whether the pair is on.
    pub fn step(&mut self, config: &PairConfig, levels: Levels, tick: Duration) -> bool {
        let reading = levels.read(config.kind);
        self.split_for = match reading {
            Reading::Split => self.split_for.saturating_add(tick),
            Reading::On | Reading::Off => Duration::ZERO,
        };
        self.state = self.state.step(config, reading, tick);
        self.is_on()
    }
}

impl PairState {
    const OFF: Self = Self::Off {
        on_for: Duration::ZERO,
    };
    const ON: Self = Self::On {
        lost_for: Duration::ZERO,
    };

    fn step(self, config: &PairConfig, reading: Reading, tick: Duration) -> Self {
        match (self, reading) {
            (Self::Off { on_for }, Reading::On) => {
                let on_for = on_for.saturating_add(tick);
                if on_for >= config.on_after {
                    Self::ON
                } else {
                    Self::Off { on_for }
                }
            }
            (Self::Off { .. }, Reading::Off | Reading::Split) => Self::OFF,
            (Self::On { .. }, Reading::On) => Self::ON,
            (Self::On { lost_for }, Reading::Off | Reading::Split) => {
                let lost_for = lost_for.saturating_add(tick);
                if lost_for <= config.off_after {
                    Self::On { lost_for }
                } else if reading == Reading::Off {
                    Self::OFF
                } else {
                    Self::WentAlone
                }
            }
            (Self::WentAlone, Reading::Off) => Self::OFF,
            (Self::WentAlone, Reading::On | Reading::Split) => Self::WentAlone,
        }
    }
}

/// How a selector is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SelectorConfig {
    /// A position counts when its contact has been the only one for this long.
    pub settle_after: Duration,
    /// No contact, or several, for longer than this is a fault.
    pub fault_after: Duration,
}

/// A selector of which exactly one contact closes, up to sixteen positions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OneOfN {
    settled: Option<u8>,
    candidate: Option<u8>,
    candidate_for: Duration,
    undefined_for: Duration,
}

impl SelectorConfig {
    /// 20 ms to settle, 100 ms to the fault.
    pub const DEFAULT: Self = Self {
        settle_after: Duration::from_millis(20),
        fault_after: Duration::from_millis(100),
    };
}

impl OneOfN {
    /// No position yet.
    pub const fn new() -> Self {
        Self {
            settled: None,
            candidate: None,
            candidate_for: Duration::ZERO,
            undefined_for: Duration::ZERO,
        }
    }

    /// The last position that settled, from 0; it stays while the selector turns on.
    pub const fn settled(&self) -> Option<u8> {
        self.settled
    }

    /// Whether another single position is shown than the one that settled: the old one is over
    /// before the new one counts.
    pub fn shows_another(&self) -> bool {
        self.candidate.is_some() && self.candidate != self.settled
    }

    /// Whether no single position has been shown for too long.
    pub fn is_undefined(&self, config: &SelectorConfig) -> bool {
        self.undefined_for > config.fault_after
    }

    /// One tick of length `tick`, with the contacts by bit, bit 0 for position 0.
    pub fn step(&mut self, config: &SelectorConfig, contacts: u16, tick: Duration) {
        let shown = only_one(contacts);
        self.undefined_for = match shown {
            Some(_) => Duration::ZERO,
            None => self.undefined_for.saturating_add(tick),
        };
        self.candidate_for = if shown == self.candidate {
            self.candidate_for.saturating_add(tick)
        } else {
            tick
        };
        self.candidate = shown;
        if shown.is_some() && self.candidate_for >= config.settle_after {
            self.settled = shown;
        }
    }
}

/// The number of the only bit that is set.
const fn only_one(bits: u16) -> Option<u8> {
    if bits.count_ones() == 1 {
        Some(bits.trailing_zeros() as u8)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);
    const ON: Levels = Levels {
        first: true,
        second: true,
    };
    const OFF: Levels = Levels {
        first: false,
        second: false,
    };
    const ONE: Levels = Levels {
        first: true,
        second: false,
    };
    const CONFIG: PairConfig = PairConfig {
        kind: PairKind::Equivalent,
        on_after: Duration::from_millis(10),
        off_after: Duration::from_millis(2),
        discrepancy_after: Duration::from_millis(100),
    };

    fn run(pair: &mut ContactPair, levels: Levels, ticks: u32) -> bool {
        (0..ticks).fold(pair.is_on(), |_, _| pair.step(&CONFIG, levels, MS))
    }

    #[test]
    fn a_complementary_pair_is_on_when_its_contacts_differ() {
        assert_eq!(ONE.read(PairKind::Complementary), Reading::On);
        assert_eq!(ON.read(PairKind::Complementary), Reading::Split);
        let released = Levels {
            first: false,
            second: true,
        };
        assert_eq!(released.read(PairKind::Complementary), Reading::Off);
    }

    #[test]
    fn on_takes_both_and_its_time_off_takes_one() {
        let mut pair = ContactPair::new();
        assert!(!run(&mut pair, ON, 9));
        assert!(run(&mut pair, ON, 1));
        assert!(run(&mut pair, ONE, 2), "2 ms are bridged");
        assert!(!run(&mut pair, ONE, 1));
    }

    #[test]
    fn a_channel_that_went_off_alone_keeps_the_pair_off_until_both_were_off() {
        let mut pair = ContactPair::new();
        run(&mut pair, ON, 10);
        run(&mut pair, ONE, 3);
        assert!(!run(&mut pair, ON, 1_000));
        assert!(pair.went_alone() && !pair.has_discrepancy(&CONFIG));
        run(&mut pair, OFF, 1);
        assert!(run(&mut pair, ON, 10));
    }

    #[test]
    fn a_discrepancy_is_a_fault_only_past_its_time() {
        let mut pair = ContactPair::new();
        run(&mut pair, ONE, 100);
        assert!(!pair.has_discrepancy(&CONFIG));
        run(&mut pair, ONE, 1);
        assert!(pair.has_discrepancy(&CONFIG));
    }

    #[test]
    fn bounce_on_the_way_on_starts_the_time_again() {
        let mut pair = ContactPair::new();
        for _ in 0..10 {
            assert!(!run(&mut pair, ON, 9));
            assert!(!run(&mut pair, ONE, 1));
        }
    }

    #[test]
    fn a_selector_shows_its_last_position_until_the_next_has_settled() {
        let config = SelectorConfig::DEFAULT;
        let mut selector = OneOfN::new();
        let mut turn = |contacts, ticks| {
            (0..ticks).for_each(|_| selector.step(&config, contacts, MS));
            (
                selector.settled(),
                selector.shows_another(),
                selector.is_undefined(&config),
            )
        };
        assert_eq!(turn(0b100, 19), (None, true, false));
        assert_eq!(turn(0b100, 1), (Some(2), false, false));
        assert_eq!(turn(0, 1), (Some(2), false, false));
        assert_eq!(turn(0b1000, 19), (Some(2), true, false));
        assert_eq!(turn(0b1000, 1), (Some(3), false, false));
        assert_eq!(turn(0b1100, 100), (Some(3), false, false));
        assert_eq!(turn(0b1100, 1), (Some(3), false, true));
    }
}
