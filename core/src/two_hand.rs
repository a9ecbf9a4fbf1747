//! Two-hand actuation: palm buttons with two contacts each, concurrency, anti-tie-down.
//!
//! Losing a hand is noticed within [`Config::release_debounce`]; gaining one takes both contacts
//! of every active button, released together for a while and then pressed together in time:
//!
//! ```text
//! WaitRelease --all released long enough--> Armed --one pressed--> Partial --all in time--> Held
//!      ^                                                              | late, or let go again   |
//!      +--------------------------------------------------------------+---- any one released ---+
//! ```
//!
//! Sources: OSHA 1910.217(b)(7)(v) for concurrent use and release of all hands; ISO 13851 types
//! IIIA to C for synchronous actuation within 0.5 s, bound included (figure from memory).

use crate::time::Duration;

/// Two-hand stations the model knows; one operator each.
pub const STATIONS_MAX: usize = 2;

/// The two contacts of one palm button.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PalmContacts {
    /// The normally open contact is closed.
    pub normally_open_closed: bool,
    /// The normally closed contact is closed.
    pub normally_closed_closed: bool,
}

/// One operator's pair of palm buttons. A station that is switched off is left out as a pair; whenever
/// one is switched on or off, all hands must first be seen released, and a hold is over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Station {
    /// The station takes part.
    pub is_active: bool,
    /// Left hand.
    pub left: PalmContacts,
    /// Right hand.
    pub right: PalmContacts,
}

/// Times of the two-hand logic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// The second hand must follow the first within this time, bound included.
    pub synchronous_within: Duration,
    /// Every contact must be seen released this long before a new start.
    pub release_hold: Duration,
    /// A contact lost for longer than this is a release; at most 5 ms, part of the control response.
    pub release_debounce: Duration,
    /// Contacts of one button that disagree longer than this are a fault.
    pub discrepancy_after: Duration,
}

impl Config {
    /// 0.5 s, 50 ms, 2 ms, 300 ms.
    pub const DEFAULT: Self = Self {
        synchronous_within: Duration::from_millis(500),
        release_hold: Duration::from_millis(50),
        release_debounce: Duration::from_millis(2),
        discrepancy_after: Duration::from_millis(300),
    };
}

/// What the hands did in this tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum HandEvent {
    /// All active buttons pressed together, in time, after all had been released.
    Both,
    /// Not all in time, or one alone.
    Late,
    /// A required button was let go.
    OneReleased,
    /// All active buttons have been released long enough.
    AllReleased,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum State {
    WaitRelease { released_for: Duration },
    Armed,
    Partial { age: Duration },
    Held { lost_for: Duration },
}

/// The state of all stations together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TwoHand {
    state: State,
    disagree_for: Duration,
    /// Stations that took part in the last tick.
    active: [bool; STATIONS_MAX],
}

impl PalmContacts {
    /// Both contacts as a pressed button leaves them.
    pub const PRESSED: Self = Self {
        normally_open_closed: true,
        normally_closed_closed: false,
    };
    /// Both contacts as a released button leaves them.
    pub const RELEASED: Self = Self {
        normally_open_closed: false,
        normally_closed_closed: true,
    };

    const fn is_pressed(self) -> bool {
        self.normally_open_closed && !self.normally_closed_closed
    }

    const fn is_released(self) -> bool {
        !self.normally_open_closed && self.normally_closed_closed
    }
}

impl Default for TwoHand {
    fn default() -> Self {
        Self::new()
    }
}

impl TwoHand {
    /// At power-up every hand must first be seen released.
    pub const fn new() -> Self {
        Self {
            state: State::WAIT,
            disagree_for: Duration::ZERO,
            active: [false; STATIONS_MAX],
        }
    }

    /// Whether all hands are held on a valid actuation.
    pub const fn is_held(&self) -> bool {
        matches!(self.state, State::Held { .. })
    }

    /// Whether all hands have been released long enough for a new start.
    pub const fn is_released(&self) -> bool {
        matches!(self.state, State::Armed)
    }

    /// Whether the contacts of a button have disagreed too long.
    pub fn has_discrepancy(&self, config: &Config) -> bool {
        self.disagree_for > config.discrepancy_after
    }

    /// One tick of length `tick`.
    pub fn step(
        &mut self,
        config: &Config,
        stations: &[Station; STATIONS_MAX],
        tick: Duration,
    ) -> Option<HandEvent> {
        let active = stations.map(|station| station.is_active);
        if active != self.active {
            // The hands of a station that comes in, or comes back, have not been seen released.
            (self.state, self.active) = (State::WAIT, active);
        }
        let hands = Hands::of(stations);
        self.disagree_for = match hands.disagree {
            true => self.disagree_for.saturating_add(tick),
            false => Duration::ZERO,
        };
        let (state, event) = self.state.step(config, hands, tick);
        self.state = state;
        event
    }
}

/// All active buttons, summed up. With no active station nothing is ever pressed.
#[derive(Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Hands {
    all_pressed: bool,
    any_pressed: bool,
    all_released: bool,
    disagree: bool,
}

impl Hands {
    fn of(stations: &[Station; STATIONS_MAX]) -> Self {
        let (mut palms, mut pressed, mut released) = (0u8, 0u8, 0u8);
        for station in stations.iter().filter(|station| station.is_active) {
            for palm in [station.left, station.right] {
                palms = palms.saturating_add(1);
                pressed = pressed.saturating_add(u8::from(palm.is_pressed()));
                released = released.saturating_add(u8::from(palm.is_released()));
            }
        }
        Self {
            all_pressed: palms > 0 && pressed == palms,
            any_pressed: released < palms,
            all_released: released == palms,
            disagree: pressed.saturating_add(released) < palms,
        }
    }
}

impl State {
    const WAIT: Self = Self::WaitRelease {
        released_for: Duration::ZERO,
    };

    fn step(self, config: &Config, hands: Hands, tick: Duration) -> (Self, Option<HandEvent>) {
        match self {
            Self::WaitRelease { released_for } if hands.all_released => {
                let released_for = released_for.saturating_add(tick);
                if released_for >= config.release_hold {
                    (Self::Armed, Some(HandEvent::AllReleased))
                } else {
                    (Self::WaitRelease { released_for }, None)
                }
            }
            Self::WaitRelease { .. } => (Self::WAIT, None),
            Self::Armed if hands.all_pressed => (
                Self::Held {
                    lost_for: Duration::ZERO,
                },
                Some(HandEvent::Both),
            ),
            Self::Armed if hands.any_pressed => (
                Self::Partial {
                    age: Duration::ZERO,
                },
                None,
            ),
            Self::Armed => (Self::Armed, None),
            Self::Partial { age } => {
                let age = age.saturating_add(tick);
                // Lateness first: both hands one tick too late are still too late.
                if age > config.synchronous_within || hands.all_released {
                    (Self::WAIT, Some(HandEvent::Late))
                } else if hands.all_pressed {
                    (
                        Self::Held {
                            lost_for: Duration::ZERO,
                        },
                        Some(HandEvent::Both),
                    )
                } else {
                    (Self::Partial { age }, None)
                }
            }
            Self::Held { .. } if hands.all_pressed => (
                Self::Held {
                    lost_for: Duration::ZERO,
                },
                None,
            ),
            Self::Held { lost_for } => {
                let lost_for = lost_for.saturating_add(tick);
                if lost_for >= config.release_debounce {
                    (Self::WAIT, Some(HandEvent::OneReleased))
                } else {
                    (Self::Held { lost_for }, None)
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: Duration = Duration::from_millis(1);

    fn station(left: bool, right: bool) -> [Station; STATIONS_MAX] {
        let palm = |on| {
            if on {
                PalmContacts::PRESSED
            } else {
                PalmContacts::RELEASED
            }
        };
        [
            Station {
                is_active: true,
                left: palm(left),
                right: palm(right),
            },
            Station::default(),
        ]
    }

    fn run(hands: &mut TwoHand, left: bool, right: bool, ticks: u32) -> Option<HandEvent> {
        let mut last = None;
        for _ in 0..ticks {
            last = hands
                .step(&Config::DEFAULT, &station(left, right), MS)
                .or(last);
        }
        last
    }

    fn armed() -> TwoHand {
        let mut hands = TwoHand::new();
        assert_eq!(
            run(&mut hands, false, false, 50),
            Some(HandEvent::AllReleased)
        );
        hands
    }

    #[test]
    fn half_a_second_is_in_time_and_a_tick_more_is_late() {
        let mut hands = armed();
        assert_eq!(run(&mut hands, true, false, 500), None);
        assert_eq!(run(&mut hands, true, true, 1), Some(HandEvent::Both));
        let mut hands = armed();
        assert_eq!(run(&mut hands, true, false, 501), None);
        assert_eq!(run(&mut hands, true, true, 1), Some(HandEvent::Late));
        assert!(!hands.is_held());
    }

    #[test]
    fn a_button_tied_down_never_starts() {
        let mut hands = armed();
        assert_eq!(run(&mut hands, true, true, 1), Some(HandEvent::Both));
        assert_eq!(
            run(&mut hands, true, false, 5),
            Some(HandEvent::OneReleased)
        );
        for _ in 0..20 {
            assert_eq!(run(&mut hands, true, true, 200), None);
            assert_eq!(run(&mut hands, true, false, 200), None);
        }
    }

    #[test]
    fn letting_one_hand_go_is_seen_within_five_milliseconds() {
        let mut hands = armed();
        run(&mut hands, true, true, 10);
        assert_eq!(
            run(&mut hands, true, false, 5),
            Some(HandEvent::OneReleased)
        );
    }

    #[test]
    fn a_welded_contact_is_named_and_never_counts_as_released() {
        let mut hands = armed();
        let mut stations = station(false, false);
        stations[0].left = PalmContacts {
            normally_open_closed: true,
            normally_closed_closed: true,
        };
        for _ in 0..301 {
            hands.step(&Config::DEFAULT, &stations, MS);
        }
        assert!(hands.has_discrepancy(&Config::DEFAULT));
        assert!(!hands.is_released());
    }

    /// All stations off, and the one with both hands down comes back; one with its buttons tied down
    /// comes in beside the one that is worked; one of two is left out of a hold.
    #[test]
    fn a_station_that_is_switched_waits_for_every_hand_to_be_released() {
        let off = [Station::default(); STATIONS_MAX];
        let [held, _] = station(true, true);
        let [free, _] = station(false, false);
        let cases = [
            (off, [held, Station::default()]),
            ([free, Station::default()], [held, held]),
            ([free, free], [held, Station::default()]),
        ];
        for (before, after) in cases {
            let mut hands = TwoHand::new();
            for _ in 0..100 {
                hands.step(&Config::DEFAULT, &before, MS);
            }
            for _ in 0..1_000 {
                assert_eq!(hands.step(&Config::DEFAULT, &after, MS), None);
            }
        }
        let mut hands = TwoHand::new();
        for both in [[free, free], [held, held]] {
            for _ in 0..100 {
                hands.step(&Config::DEFAULT, &both, MS);
            }
        }
        assert!(hands.is_held());
        hands.step(&Config::DEFAULT, &[held, Station::default()], MS);
        assert!(!hands.is_held());
    }

    #[test]
    fn with_all_stations_off_there_is_no_start() {
        let mut hands = TwoHand::new();
        let off = [Station::default(); STATIONS_MAX];
        assert!(
            (0..1_000).all(|_| hands.step(&Config::DEFAULT, &off, MS) != Some(HandEvent::Both))
        );
    }
}
