//! The stroke: which state the press is in and what an event does to it.
//!
//! ```text
//!                 +--> Barring (motor off, key)
//! PowerUp --> Off-+--> WaitRelease --all hands released--> Ready (in the top window)
//!              ^  ^        ^                               ReadyAwayFromTop (inch only)
//!              |  |        |                                  | both hands
//!              |  |        |        +-- inch -----------------+--> Inching --+
//!              |  |        |        +-- single: Closing --take-over--> Opening --release--+
//!              |  |        |        +-- test:   TestStroke ---------------------release---+
//!              |  |        |        +-- continuous: Armed -> ContinuousClosing            |
//!              |  |        |              -> ContinuousRunning -> ContinuousTopStop ------+
//!              |  |        +---- at rest in the window ---- TopStopping <----------------+
//!              |  |                  any hand, curtain, stop, fault: ImmediateStopping
//!              |  +-- mode changed ------- Interrupted <-- at rest --+-- EmergencyStopped
//!              +-- reset ------------------ FaultLatched <-----------+
//! ```
//!
//! Valve, muting and second means are never remembered: they follow from the state
//! ([`Stroke::drives_valve`], [`crate::muting`], [`crate::fault_latch`]). An event that a state has
//! no use for leaves it as it is. No arm has a wildcard over states, so a new state does not
//! compile until somebody has decided what every event does to it.

/// Why a stop is running: a set, so that what happens during a stop adds to it and never starts it
/// over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopReasons(u8);

impl StopReasons {
    /// Nothing but the end of the stroke.
    pub const NONE: Self = Self(0);
    /// Emergency stop.
    pub const EMERGENCY: Self = Self(1);
    /// A fault.
    pub const FAULT: Self = Self(2);
    /// A stroke cut short: a hand, the presence sensing, the stop control, a permissive.
    pub const INTERRUPTED: Self = Self(4);
    /// The mode selector.
    pub const MODE: Self = Self(8);
    /// The end of an inch or of a test stroke by letting go.
    pub const LET_GO: Self = Self(16);
    /// The test angle.
    pub const TEST_ANGLE: Self = Self(32);

    const ALL: Self = Self(63);

    /// As it is stored: a bit for each reason.
    pub const fn to_bits(self) -> u8 {
        self.0
    }

    /// The reasons of such bits; none when one of them is no reason.
    pub const fn from_bits(bits: u8) -> Option<Self> {
        if bits & !Self::ALL.0 == 0 {
            Some(Self(bits))
        } else {
            None
        }
    }

    /// Both sets together.
    #[must_use]
    pub const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Whether all of `other` is in the set.
    pub const fn has(self, other: Self) -> bool {
        self.0 & other.0 == other.0
    }
}

/// What kind of stroke a top stop ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Purpose {
    /// Single stroke or continuous.
    Production,
    /// Inch to top.
    Inch,
    /// Supervised test stroke: where it rests is a result, not a fault.
    Test,
}

/// The states.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Stroke {
    /// Self-test.
    PowerUp,
    /// Mode off, or a mode not yet taken up.
    Off,
    /// Turned by hand or turning gear; motor off, valve off.
    Barring,
    /// Waits until every hand control is released.
    WaitRelease,
    /// Ready, slide in the top window.
    Ready,
    /// Ready, slide elsewhere: inch only.
    ReadyAwayFromTop,
    /// Inching: ends with the hands, at the latest at the next release angle.
    Inching,
    /// Single stroke, closing: both hands held.
    Closing,
    /// Single stroke, opening: hands free.
    Opening,
    /// The top stop runs.
    TopStopping {
        /// What it ends.
        purpose: Purpose,
        /// What happened besides.
        reasons: StopReasons,
    },
    /// A stroke cut short, at rest.
    Interrupted {
        /// All hands were released since.
        release_seen: bool,
    },
    /// Continuous, armed by the prior action.
    Armed,
    /// Continuous, first closing: both hands held.
    ContinuousClosing {
        /// A top stop was asked for already.
        top_stop_pending: bool,
    },
    /// Continuous, running.
    ContinuousRunning,
    /// Continuous, ends at the next release angle.
    ContinuousTopStop,
    /// Supervised test stroke, hands held.
    TestStroke,
    /// An immediate stop runs.
    ImmediateStopping {
        /// Why.
        reasons: StopReasons,
    },
    /// Stopped by emergency stop.
    EmergencyStopped,
    /// A fault is latched.
    FaultLatched,
}

/// What can happen. In the order in which events of one tick are taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// The supply fails.
    PowerFails,
    /// A fault that stops at once has latched.
    FaultImmediate,
    /// Emergency stop operated.
    EmergencyStop,
    /// The crank still turns long after the stop command.
    StopOverdue,
    /// A permissive that stops at once was lost.
    PermissiveLost,
    /// Stop control operated.
    StopControl,
    /// The mode selector moved.
    ModeChanged,
    /// Presence sensing blocked.
    PresenceBlocked,
    /// A required hand was let go.
    HandReleased,
    /// A fault that stops at the top has latched.
    FaultTop,
    /// A permissive that lets the stroke finish was lost.
    PermissiveLostTop,
    /// A top stop was asked for.
    TopStopRequested,
    /// The take-over angle was reached.
    TakeOver,
    /// The mute end was reached.
    MuteEnd,
    /// The test angle was reached.
    TestAngle,
    /// The release angle is reached within this tick.
    ReleaseAngle,
    /// The crank came to rest.
    Standstill,
    /// Hands not together.
    HandsLate,
    /// All hands released.
    HandsReleased,
    /// The prior action for continuous.
    ArmRequested,
    /// The time for it is over.
    ArmTimeout,
    /// Supervised reset.
    Reset,
    /// Self-test passed.
    SelfTestPassed,
    /// Both hands, together, in time.
    HandsBoth,
}

impl Event {
    /// Every event, in the order in which those of one tick are taken.
    pub const ALL: [Self; 24] = [
        Self::PowerFails,
        Self::FaultImmediate,
        Self::EmergencyStop,
        Self::StopOverdue,
        Self::PermissiveLost,
        Self::StopControl,
        Self::ModeChanged,
        Self::PresenceBlocked,
        Self::HandReleased,
        Self::FaultTop,
        Self::PermissiveLostTop,
        Self::TopStopRequested,
        Self::TakeOver,
        Self::MuteEnd,
        Self::TestAngle,
        Self::ReleaseAngle,
        Self::Standstill,
        Self::HandsLate,
        Self::HandsReleased,
        Self::ArmRequested,
        Self::ArmTimeout,
        Self::Reset,
        Self::SelfTestPassed,
        Self::HandsBoth,
    ];
}

/// The stroking modes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Mode {
    /// No motion.
    #[default]
    Off,
    /// Turning by hand or turning gear.
    Barring,
    /// Inch.
    Inch,
    /// Single stroke.
    Single,
    /// Continuous.
    Continuous,
    /// Supervised test stroke.
    Test,
}

impl Mode {
    /// The mode of a position of the selector, counted from 0 in the order of the modes.
    pub const fn of_position(position: u8) -> Option<Self> {
        match position {
            0 => Some(Self::Off),
            1 => Some(Self::Barring),
            2 => Some(Self::Inch),
            3 => Some(Self::Single),
            4 => Some(Self::Continuous),
            5 => Some(Self::Test),
            _ => None,
        }
    }
}

/// Where a top stop came to rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Rest {
    /// Before the top window.
    Short,
    /// In it.
    InWindow,
    /// Past it, up to the overrun limit.
    Late,
    /// Past the overrun limit.
    Overrun,
}

/// What the guards of the table ask about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Circumstances {
    /// The mode selected.
    pub mode: Mode,
    /// Everything a start in this mode needs, hands apart.
    pub may_start: bool,
    /// Motor off and flywheel at rest: the barring state may be taken up.
    pub may_bar: bool,
    /// A fault is latched.
    pub is_latched: bool,
    /// The emergency stop is operated.
    pub is_emergency: bool,
    /// Every hand control is released.
    pub hands_released: bool,
    /// The slide is in the top window.
    pub is_in_top_window: bool,
    /// The slide is closing.
    pub is_closing: bool,
    /// Presence sensing is clear.
    pub presence_clear: bool,
    /// Presence sensing is muted now.
    pub is_muted: bool,
    /// Inching needs no presence sensing: two hands protect.
    pub is_two_hand_setup: bool,
    /// Where the slide came to rest, for [`Event::Standstill`].
    pub rest: Rest,
    /// The stop that just ended went past its latch limit.
    pub is_past_latch_limit: bool,
}

impl Stroke {
    /// Whether the valve is on in this state. Nothing else switches it on.
    pub const fn drives_valve(self) -> bool {
        match self {
            Self::Inching
            | Self::Closing
            | Self::Opening
            | Self::ContinuousClosing { .. }
            | Self::ContinuousRunning
            | Self::ContinuousTopStop
            | Self::TestStroke => true,
            Self::PowerUp
            | Self::Off
            | Self::Barring
            | Self::WaitRelease
            | Self::Ready
            | Self::ReadyAwayFromTop
            | Self::TopStopping { .. }
            | Self::Interrupted { .. }
            | Self::Armed
            | Self::ImmediateStopping { .. }
            | Self::EmergencyStopped
            | Self::FaultLatched => false,
        }
    }

    /// Whether a stop is running.
    pub const fn is_stopping(self) -> bool {
        matches!(
            self,
            Self::TopStopping { .. } | Self::ImmediateStopping { .. }
        )
    }

    /// Whether the crank is meant to stand.
    pub const fn is_standing(self) -> bool {
        !self.drives_valve() && !self.is_stopping()
    }

    /// Whether this state ends at the release angle.
    pub const fn awaits_release(self) -> bool {
        matches!(
            self,
            Self::Opening | Self::ContinuousTopStop | Self::TestStroke | Self::Inching
        )
    }

    /// What `event` makes of this state.
    #[must_use]
    pub fn step(self, event: Event, now: &Circumstances) -> Self {
        use Event as E;
        use Stroke as S;
        match (self, event) {
            (_, E::PowerFails) => S::PowerUp,

            // What drives stops at once for five reasons.
            (s, E::FaultImmediate) if s.drives_valve() => stop_now(StopReasons::FAULT),
            (s, E::EmergencyStop) if s.drives_valve() => stop_now(StopReasons::EMERGENCY),
            (s, E::PermissiveLost | E::StopControl) if s.drives_valve() => {
                stop_now(StopReasons::INTERRUPTED)
            }
            (s, E::ModeChanged) if s.drives_valve() => stop_now(StopReasons::MODE),

            // What stops goes on stopping; reasons are added, nothing starts over.
            (s, E::FaultImmediate | E::FaultTop) if s.is_stopping() => s.also(StopReasons::FAULT),
            (s, E::EmergencyStop) if s.is_stopping() => s.also(StopReasons::EMERGENCY),
            (s, E::PermissiveLost | E::PermissiveLostTop | E::StopControl) if s.is_stopping() => {
                s.also(StopReasons::INTERRUPTED)
            }
            (s, E::ModeChanged) if s.is_stopping() => s.also(StopReasons::MODE),
            (s, E::StopOverdue) if s.is_stopping() => S::FaultLatched,
            (S::TopStopping { purpose, reasons }, E::Standstill) => {
                at_rest(reasons, Some(purpose), now)
            }
            (S::ImmediateStopping { reasons }, E::Standstill) => at_rest(reasons, None, now),
            (S::TopStopping { .. } | S::ImmediateStopping { .. }, _) => self,

            // What stands takes faults and the emergency stop alike.
            (s, E::FaultImmediate | E::FaultTop | E::StopOverdue) if s.is_standing() => {
                S::FaultLatched
            }
            (S::PowerUp | S::FaultLatched, E::EmergencyStop) => self,
            (s, E::EmergencyStop) if s.is_standing() => S::EmergencyStopped,

            (S::PowerUp, E::SelfTestPassed) if now.is_latched => S::FaultLatched,
            (S::PowerUp, E::SelfTestPassed) => S::Off,
            (S::PowerUp, _) => self,

            (S::Off, E::ModeChanged) => match now.mode {
                Mode::Barring if now.may_bar => S::Barring,
                Mode::Off | Mode::Barring => S::Off,
                Mode::Inch | Mode::Single | Mode::Continuous | Mode::Test => S::WaitRelease,
            },
            (S::Off, _) => self,

            (S::Barring, E::ModeChanged | E::PermissiveLost) => S::Off,
            (S::Barring, _) => self,

            (
                S::WaitRelease | S::Ready | S::ReadyAwayFromTop | S::Armed | S::Interrupted { .. },
                E::ModeChanged,
            ) => S::Off,

            (S::WaitRelease, E::HandsReleased) if now.is_in_top_window => S::Ready,
            (S::WaitRelease, E::HandsReleased) => S::ReadyAwayFromTop,
            (S::WaitRelease, _) => self,

            (S::Ready, E::HandsBoth) => start(now),
            (S::Ready, E::HandsLate) => S::WaitRelease,
            (S::Ready, E::ArmRequested) if now.mode == Mode::Continuous && now.may_start => {
                S::Armed
            }
            (S::Ready, _) => self,

            (S::ReadyAwayFromTop, E::HandsBoth) if now.mode == Mode::Inch => start(now),
            (S::ReadyAwayFromTop, E::HandsBoth | E::HandsLate) => S::WaitRelease,
            (S::ReadyAwayFromTop, _) => self,

            (S::Inching, E::HandReleased) => stop_now(StopReasons::LET_GO),
            (S::Inching, E::FaultTop) => stop_now(StopReasons::FAULT),
            (S::Inching, E::PermissiveLostTop) => stop_now(StopReasons::INTERRUPTED),
            (S::Inching, E::PresenceBlocked) if now.is_closing && !now.is_two_hand_setup => {
                stop_now(StopReasons::INTERRUPTED)
            }
            (S::Inching, E::ReleaseAngle) => top_stop(Purpose::Inch),
            (S::Inching, _) => self,

            // Closing is held by both hands and guarded throughout.
            (S::Closing, E::HandReleased | E::PresenceBlocked) => {
                stop_now(StopReasons::INTERRUPTED)
            }
            (S::Closing, E::TakeOver) => S::Opening,
            // The release angle without the take-over before it: the angle is not to be believed.
            (S::Closing | S::ContinuousClosing { .. }, E::ReleaseAngle) => {
                stop_now(StopReasons::FAULT)
            }
            (S::Closing, _) => self,

            (S::Opening | S::ContinuousRunning | S::ContinuousTopStop, E::PresenceBlocked)
                if !now.is_muted =>
            {
                stop_now(StopReasons::INTERRUPTED)
            }
            (S::Opening | S::ContinuousRunning | S::ContinuousTopStop, E::MuteEnd)
                if !now.presence_clear =>
            {
                stop_now(StopReasons::INTERRUPTED)
            }
            (S::Opening | S::ContinuousTopStop, E::ReleaseAngle) => top_stop(Purpose::Production),
            (S::Opening | S::ContinuousTopStop, _) => self,

            (S::Armed, E::HandsBoth) if now.may_start && now.presence_clear => {
                S::ContinuousClosing {
                    top_stop_pending: false,
                }
            }
            (
                S::Armed,
                E::HandsBoth
                | E::HandsLate
                | E::StopControl
                | E::PermissiveLost
                | E::PermissiveLostTop,
            ) => S::WaitRelease,
            (S::Armed, E::ArmTimeout | E::PresenceBlocked) => S::Ready,
            (S::Armed, _) => self,

            (S::ContinuousClosing { .. }, E::HandReleased | E::PresenceBlocked) => {
                stop_now(StopReasons::INTERRUPTED)
            }
            (
                S::ContinuousClosing { .. },
                E::FaultTop | E::PermissiveLostTop | E::TopStopRequested,
            ) => S::ContinuousClosing {
                top_stop_pending: true,
            },
            (
                S::ContinuousClosing {
                    top_stop_pending: true,
                },
                E::TakeOver,
            ) => S::ContinuousTopStop,
            (
                S::ContinuousClosing {
                    top_stop_pending: false,
                },
                E::TakeOver,
            ) => S::ContinuousRunning,
            (S::ContinuousClosing { .. }, _) => self,

            (S::ContinuousRunning, E::FaultTop | E::PermissiveLostTop | E::TopStopRequested) => {
                S::ContinuousTopStop
            }
            (S::ContinuousRunning, _) => self,

            (S::TestStroke, E::HandReleased) => stop_now(StopReasons::LET_GO),
            (S::TestStroke, E::FaultTop) => stop_now(StopReasons::FAULT),
            (S::TestStroke, E::PermissiveLostTop) => stop_now(StopReasons::INTERRUPTED),
            (S::TestStroke, E::PresenceBlocked) if now.is_closing => {
                stop_now(StopReasons::INTERRUPTED)
            }
            (S::TestStroke, E::TestAngle) => stop_now(StopReasons::TEST_ANGLE),
            (S::TestStroke, E::ReleaseAngle) => top_stop(Purpose::Test),
            (S::TestStroke, _) => self,

            (S::Interrupted { .. }, E::HandsReleased) => S::Interrupted { release_seen: true },
            (S::Interrupted { release_seen: true }, E::HandsBoth) => resume(now),
            (S::Interrupted { .. }, E::HandsBoth | E::HandsLate) => S::Interrupted {
                release_seen: false,
            },
            (S::Interrupted { .. }, _) => self,

            (S::EmergencyStopped, E::Reset) if now.is_latched => S::FaultLatched,
            (S::EmergencyStopped, E::Reset) if !now.is_emergency && now.hands_released => S::Off,
            (S::EmergencyStopped, _) => self,

            (S::FaultLatched, E::Reset) if !now.is_latched => S::Off,
            (S::FaultLatched, _) => self,
        }
    }

    fn also(self, more: StopReasons) -> Self {
        match self {
            Self::TopStopping { purpose, reasons } => Self::TopStopping {
                purpose,
                reasons: reasons.and(more),
            },
            Self::ImmediateStopping { reasons } => Self::ImmediateStopping {
                reasons: reasons.and(more),
            },
            other => other,
        }
    }
}

const fn stop_now(reasons: StopReasons) -> Stroke {
    Stroke::ImmediateStopping { reasons }
}

const fn top_stop(purpose: Purpose) -> Stroke {
    Stroke::TopStopping {
        purpose,
        reasons: StopReasons::NONE,
    }
}

/// A valid actuation from [`Stroke::Ready`].
fn start(now: &Circumstances) -> Stroke {
    match now.mode {
        _ if !now.may_start => Stroke::WaitRelease,
        Mode::Inch => Stroke::Inching,
        Mode::Single if now.presence_clear => Stroke::Closing,
        Mode::Test if now.presence_clear => Stroke::TestStroke,
        // Continuous needs its prior action; a refused actuation has to be let go first.
        Mode::Single | Mode::Test | Mode::Continuous | Mode::Off | Mode::Barring => {
            Stroke::WaitRelease
        }
    }
}

/// A valid actuation after an interruption, with every hand released in between.
fn resume(now: &Circumstances) -> Stroke {
    match now.mode {
        Mode::Single if now.may_start && now.is_closing && now.presence_clear => Stroke::Closing,
        Mode::Inch if now.may_start => Stroke::Inching,
        // In the opening part the stroke is finished by inching to the top.
        Mode::Off | Mode::Barring | Mode::Single | Mode::Inch | Mode::Continuous | Mode::Test => {
            Stroke::Interrupted {
                release_seen: false,
            }
        }
    }
}

/// Where a finished stop leads. The order is the rule: the gravest first, so that nothing that
/// happened on the way is lost.
fn at_rest(reasons: StopReasons, top: Option<Purpose>, now: &Circumstances) -> Stroke {
    if now.is_latched || now.is_past_latch_limit || reasons.has(StopReasons::FAULT) {
        return Stroke::FaultLatched;
    }
    if reasons.has(StopReasons::EMERGENCY) {
        return Stroke::EmergencyStopped;
    }
    if reasons.has(StopReasons::MODE) {
        return Stroke::Off;
    }
    if reasons.has(StopReasons::LET_GO) {
        return Stroke::WaitRelease;
    }
    match (top, now.rest) {
        (Some(Purpose::Production), Rest::Overrun) => Stroke::FaultLatched,
        (Some(Purpose::Production), Rest::Late)
        | (Some(Purpose::Inch), Rest::Late | Rest::Overrun)
        | (None, _) => Stroke::Interrupted {
            release_seen: false,
        },
        // A hand in the field during the top stop does not undo a stroke that ended well; short
        // of the window the slide is inched to the top; a test reports where it rests.
        (Some(Purpose::Production | Purpose::Inch), Rest::Short | Rest::InWindow)
        | (Some(Purpose::Test), _) => Stroke::WaitRelease,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_are_listed_by_their_numbers() {
        let mut places = Event::ALL.iter().zip(0..);
        assert!(places.all(|(&event, place)| event as usize == place));
    }

    const CALM: Circumstances = Circumstances {
        mode: Mode::Single,
        may_start: true,
        may_bar: false,
        is_latched: false,
        is_emergency: false,
        hands_released: true,
        is_in_top_window: true,
        is_closing: true,
        presence_clear: true,
        is_muted: false,
        is_two_hand_setup: true,
        rest: Rest::InWindow,
        is_past_latch_limit: false,
    };

    fn run(mut state: Stroke, events: &[Event], now: &Circumstances) -> Stroke {
        for &event in events {
            state = state.step(event, now);
        }
        state
    }

    #[test]
    fn one_actuation_is_one_stroke() {
        use Event::*;
        let whole = [
            HandsReleased,
            HandsBoth,
            TakeOver,
            MuteEnd,
            ReleaseAngle,
            Standstill,
        ];
        assert_eq!(run(Stroke::WaitRelease, &whole, &CALM), Stroke::WaitRelease);
        // The hands are still down: nothing more happens until they are let go.
        assert_eq!(
            run(Stroke::WaitRelease, &[HandsBoth, HandsBoth], &CALM),
            Stroke::WaitRelease
        );
    }

    #[test]
    fn events_during_a_stop_add_their_reason_and_change_nothing_else() {
        use Event::*;
        let stop = Stroke::TopStopping {
            purpose: Purpose::Production,
            reasons: StopReasons::NONE,
        };
        for event in [
            FaultImmediate,
            EmergencyStop,
            StopControl,
            PermissiveLost,
            ModeChanged,
        ] {
            let after = stop.step(event, &CALM);
            assert!(matches!(
                after,
                Stroke::TopStopping {
                    purpose: Purpose::Production,
                    ..
                }
            ));
            assert_ne!(after, stop, "{event:?} was dropped");
        }
    }

    #[test]
    fn a_blocked_curtain_stops_the_opening_stroke_unless_it_is_muted() {
        let muted = Circumstances {
            is_muted: true,
            presence_clear: false,
            ..CALM
        };
        let open = Circumstances {
            is_muted: false,
            ..muted
        };
        assert_eq!(
            Stroke::Opening.step(Event::PresenceBlocked, &muted),
            Stroke::Opening
        );
        assert!(
            Stroke::Opening
                .step(Event::PresenceBlocked, &open)
                .is_stopping()
        );
        assert!(Stroke::Opening.step(Event::MuteEnd, &muted).is_stopping());
    }

    #[test]
    fn a_top_stop_past_the_overrun_limit_latches_but_a_test_reports_it() {
        let over = Circumstances {
            rest: Rest::Overrun,
            ..CALM
        };
        let stop = |purpose| Stroke::TopStopping {
            purpose,
            reasons: StopReasons::NONE,
        };
        let at_rest = |purpose| stop(purpose).step(Event::Standstill, &over);
        assert_eq!(at_rest(Purpose::Production), Stroke::FaultLatched);
        assert_eq!(at_rest(Purpose::Test), Stroke::WaitRelease);
    }

    #[test]
    fn a_test_stroke_that_ends_at_its_angle_leaves_an_interrupted_stroke() {
        let stop = Stroke::TestStroke.step(Event::TestAngle, &CALM);
        assert_eq!(
            stop.step(Event::Standstill, &CALM),
            Stroke::Interrupted {
                release_seen: false
            }
        );
    }
}
