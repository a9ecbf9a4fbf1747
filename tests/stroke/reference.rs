//! A second stroke machine, to hold the core's against: the trade's table of states and events,
//! row by row, as corrected. It is read from the top, the first row that fits decides, and what no
//! row fits changes nothing. `docs/STROKE.md` says what was corrected and why.
//!
//! It has a latch of its own, so that a sequence of events is a story that could happen: a fault
//! stays latched until a reset that clears it.

use crate::all::circumstances;
use stopwright_core::stroke::{Circumstances, Event, Mode, Purpose, Rest, StopReasons, Stroke};

/// The states, by their short names in the trade's table, and barring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// Power-up.
    Pwr,
    Off,
    /// Barring.
    Bar,
    /// Wait for release of all hands.
    Wrl,
    /// Ready in the top window.
    Rdt,
    /// Ready, not at the top.
    Rnt,
    /// Inching.
    Inc,
    /// Single, closing.
    Scl,
    /// Single, opening.
    Sop,
    /// Top stopping.
    Sst,
    /// Interrupted, at rest.
    Int,
    /// Continuous, armed.
    Car,
    /// Continuous, first closing.
    Ccl,
    /// Continuous, running.
    Crn,
    /// Continuous, top stop pending.
    Cts,
    /// Test stroke.
    Tst,
    /// Immediate stopping.
    Ims,
    /// Emergency stopped.
    Est,
    /// Fault latched.
    Flt,
}

use Place::{
    Bar, Car, Ccl, Crn, Cts, Est, Flt, Ims, Inc, Int, Off, Pwr, Rdt, Rnt, Scl, Sop, Sst, Tst, Wrl,
};

/// Driven with the valve on. Stopping is moving too, and has rows of its own before these.
const DRIVEN: &[Place] = &[Inc, Scl, Sop, Ccl, Crn, Cts, Tst];
const STOPPING: &[Place] = &[Sst, Ims];
const STANDING: &[Place] = &[Pwr, Off, Bar, Wrl, Rdt, Rnt, Int, Car, Est, Flt];
const ANY: &[Place] = &[
    Pwr, Off, Bar, Wrl, Rdt, Rnt, Inc, Scl, Sop, Sst, Int, Car, Ccl, Crn, Cts, Tst, Ims, Est, Flt,
];

/// What a row does.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Then {
    /// Nothing: the row is there to say so.
    Stay,
    To(Place),
    /// Immediate stop, with its reason.
    Stop(StopReasons),
    /// The same for a fault that the row itself finds.
    Latch,
    TopStop(Purpose),
    /// The stop goes on, with one more reason.
    Remember(StopReasons),
    /// A top stop is pending.
    Pend,
    /// The release of all hands was seen, or has to be seen again.
    ReleaseSeen(bool),
    /// The stop is over.
    AtRest,
}

use Then::{AtRest, Latch, Pend, ReleaseSeen, Remember, Stay, Stop, To, TopStop};

pub(crate) type Guard = fn(&Machine, &Circumstances) -> bool;

/// Where, on what, if, then.
pub(crate) type Row = (&'static [Place], Event, Guard, Then);

const ALWAYS: Guard = |_, _| true;
const MAY_INCH: Guard = |_, now| now.mode == Mode::Inch && now.may_start;
const MAY_CLOSE: Guard = |_, now| now.mode == Mode::Single && now.may_start && now.presence_clear;
const BLOCKED: Guard = |_, now| !now.presence_clear;
const MUTED: Guard = |_, now| now.is_muted;
const LATCHED: Guard = |machine, _| machine.latched;

const EMERGENCY: StopReasons = StopReasons::EMERGENCY;
const FAULT: StopReasons = StopReasons::FAULT;
const INTERRUPTED: StopReasons = StopReasons::INTERRUPTED;
const MODE: StopReasons = StopReasons::MODE;
const LET_GO: StopReasons = StopReasons::LET_GO;
const TEST: StopReasons = StopReasons::TEST_ANGLE;

pub(crate) const TABLE: &[Row] = &[
    (ANY, Event::PowerFails, ALWAYS, To(Pwr)),
    // A stop takes in reasons; it never starts over.
    (STOPPING, Event::EmergencyStop, ALWAYS, Remember(EMERGENCY)),
    (STOPPING, Event::FaultImmediate, ALWAYS, Remember(FAULT)),
    (STOPPING, Event::FaultTop, ALWAYS, Remember(FAULT)),
    (STOPPING, Event::StopControl, ALWAYS, Remember(INTERRUPTED)),
    (
        STOPPING,
        Event::PermissiveLost,
        ALWAYS,
        Remember(INTERRUPTED),
    ),
    (
        STOPPING,
        Event::PermissiveLostTop,
        ALWAYS,
        Remember(INTERRUPTED),
    ),
    (STOPPING, Event::ModeChanged, ALWAYS, Remember(MODE)),
    (STOPPING, Event::StopOverdue, ALWAYS, To(Flt)),
    (STOPPING, Event::Standstill, ALWAYS, AtRest),
    (DRIVEN, Event::EmergencyStop, ALWAYS, Stop(EMERGENCY)),
    (DRIVEN, Event::FaultImmediate, ALWAYS, Stop(FAULT)),
    (DRIVEN, Event::StopControl, ALWAYS, Stop(INTERRUPTED)),
    (DRIVEN, Event::PermissiveLost, ALWAYS, Stop(INTERRUPTED)),
    (DRIVEN, Event::ModeChanged, ALWAYS, Stop(MODE)),
    (&[Pwr, Flt], Event::EmergencyStop, ALWAYS, Stay),
    (STANDING, Event::EmergencyStop, ALWAYS, To(Est)),
    (STANDING, Event::FaultImmediate, ALWAYS, To(Flt)),
    (STANDING, Event::FaultTop, ALWAYS, To(Flt)),
    // Turning although it stands: the table's creep.
    (STANDING, Event::StopOverdue, ALWAYS, To(Flt)),
    (&[Pwr], Event::SelfTestPassed, LATCHED, To(Flt)),
    (&[Pwr], Event::SelfTestPassed, ALWAYS, To(Off)),
    (
        &[Off],
        Event::ModeChanged,
        |_, now| now.mode == Mode::Barring && now.may_bar,
        To(Bar),
    ),
    (
        &[Off],
        Event::ModeChanged,
        |_, now| matches!(now.mode, Mode::Barring | Mode::Off),
        Stay,
    ),
    (&[Off], Event::ModeChanged, ALWAYS, To(Wrl)),
    (&[Bar], Event::ModeChanged, ALWAYS, To(Off)),
    (&[Bar], Event::PermissiveLost, ALWAYS, To(Off)),
    (
        &[Wrl, Rdt, Rnt, Car, Int],
        Event::ModeChanged,
        ALWAYS,
        To(Off),
    ),
    (
        &[Wrl],
        Event::HandsReleased,
        |_, now| now.is_in_top_window,
        To(Rdt),
    ),
    (&[Wrl], Event::HandsReleased, ALWAYS, To(Rnt)),
    (&[Rdt, Rnt], Event::HandsBoth, MAY_INCH, To(Inc)),
    (&[Rdt], Event::HandsBoth, MAY_CLOSE, To(Scl)),
    (
        &[Rdt],
        Event::HandsBoth,
        |_, now| now.mode == Mode::Test && now.may_start && now.presence_clear,
        To(Tst),
    ),
    // Refused for any reason.
    (&[Rdt, Rnt], Event::HandsBoth, ALWAYS, To(Wrl)),
    (&[Rdt, Rnt], Event::HandsLate, ALWAYS, To(Wrl)),
    (
        &[Rdt],
        Event::ArmRequested,
        |_, now| now.mode == Mode::Continuous && now.may_start,
        To(Car),
    ),
    (&[Rdt], Event::PresenceBlocked, ALWAYS, Stay),
    (
        &[Car],
        Event::HandsBoth,
        |_, now| now.may_start && now.presence_clear,
        To(Ccl),
    ),
    (&[Car], Event::HandsBoth, ALWAYS, To(Wrl)),
    (&[Car], Event::HandsLate, ALWAYS, To(Wrl)),
    (&[Car], Event::ArmTimeout, ALWAYS, To(Rdt)),
    (&[Car], Event::StopControl, ALWAYS, To(Wrl)),
    (&[Car], Event::PermissiveLost, ALWAYS, To(Wrl)),
    (&[Car], Event::PermissiveLostTop, ALWAYS, To(Wrl)),
    (&[Car], Event::PresenceBlocked, ALWAYS, To(Rdt)),
    // Inch and test have no top stop to finish to.
    (&[Inc, Tst], Event::FaultTop, ALWAYS, Stop(FAULT)),
    (
        &[Inc, Tst],
        Event::PermissiveLostTop,
        ALWAYS,
        Stop(INTERRUPTED),
    ),
    (&[Inc, Tst], Event::HandReleased, ALWAYS, Stop(LET_GO)),
    (
        &[Inc],
        Event::PresenceBlocked,
        |_, now| now.is_closing && !now.is_two_hand_setup,
        Stop(INTERRUPTED),
    ),
    (&[Inc], Event::ReleaseAngle, ALWAYS, TopStop(Purpose::Inch)),
    (
        &[Tst],
        Event::PresenceBlocked,
        |_, now| now.is_closing,
        Stop(INTERRUPTED),
    ),
    (&[Tst], Event::TestAngle, ALWAYS, Stop(TEST)),
    (&[Tst], Event::ReleaseAngle, ALWAYS, TopStop(Purpose::Test)),
    (&[Scl, Ccl], Event::HandReleased, ALWAYS, Stop(INTERRUPTED)),
    (
        &[Scl, Ccl],
        Event::PresenceBlocked,
        ALWAYS,
        Stop(INTERRUPTED),
    ),
    // The release angle, and no take-over before it.
    (&[Scl, Ccl], Event::ReleaseAngle, ALWAYS, Latch),
    (&[Scl], Event::TakeOver, ALWAYS, To(Sop)),
    (&[Scl], Event::FaultTop, ALWAYS, Stay),
    (&[Sop, Crn, Cts], Event::HandReleased, ALWAYS, Stay),
    (&[Sop, Crn, Cts], Event::PresenceBlocked, MUTED, Stay),
    (
        &[Sop, Crn, Cts],
        Event::PresenceBlocked,
        ALWAYS,
        Stop(INTERRUPTED),
    ),
    (&[Sop, Crn, Cts], Event::MuteEnd, BLOCKED, Stop(INTERRUPTED)),
    (&[Sop], Event::FaultTop, ALWAYS, Stay),
    (
        &[Sop, Cts],
        Event::ReleaseAngle,
        ALWAYS,
        TopStop(Purpose::Production),
    ),
    (&[Ccl], Event::TakeOver, ALWAYS, To(Crn)),
    (&[Ccl], Event::TopStopRequested, ALWAYS, Pend),
    (&[Ccl], Event::FaultTop, ALWAYS, Pend),
    (&[Ccl], Event::PermissiveLostTop, ALWAYS, Pend),
    (
        &[Crn],
        Event::ReleaseAngle,
        |machine, _| machine.is_pending,
        TopStop(Purpose::Production),
    ),
    (&[Crn], Event::TopStopRequested, ALWAYS, To(Cts)),
    (&[Crn], Event::FaultTop, ALWAYS, To(Cts)),
    (&[Crn], Event::PermissiveLostTop, ALWAYS, To(Cts)),
    (&[Int], Event::HandsReleased, ALWAYS, ReleaseSeen(true)),
    (
        &[Int],
        Event::HandsBoth,
        |machine, now| machine.release_seen && MAY_CLOSE(machine, now) && now.is_closing,
        To(Scl),
    ),
    (
        &[Int],
        Event::HandsBoth,
        |machine, now| machine.release_seen && MAY_INCH(machine, now),
        To(Inc),
    ),
    (&[Int], Event::HandsBoth, ALWAYS, ReleaseSeen(false)),
    (&[Int], Event::HandsLate, ALWAYS, ReleaseSeen(false)),
    (&[Est], Event::Reset, LATCHED, To(Flt)),
    (
        &[Est],
        Event::Reset,
        |_, now| now.hands_released && !now.is_emergency,
        To(Off),
    ),
    (&[Flt], Event::Reset, |machine, _| !machine.latched, To(Off)),
];

/// The machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Machine {
    place: Place,
    reasons: StopReasons,
    /// What the running top stop ends.
    purpose: Purpose,
    is_pending: bool,
    release_seen: bool,
    latched: bool,
    /// The row that decided last, if one did.
    pub(crate) row: Option<usize>,
}

/// One event with its circumstances, by number. Whether a fault is latched is the machine's own:
/// the bit for it says whether a reset clears it.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) struct Happening {
    pub(crate) event: Event,
    pub(crate) number: u32,
}

impl Machine {
    pub(crate) const fn new() -> Self {
        Self {
            place: Pwr,
            reasons: StopReasons::NONE,
            purpose: Purpose::Production,
            is_pending: false,
            release_seen: false,
            latched: false,
            row: None,
        }
    }

    /// The circumstances of `happening` as this machine's press has them.
    pub(crate) fn circumstances(&self, happening: Happening) -> Circumstances {
        Circumstances {
            is_latched: self.latched,
            ..circumstances(happening.number)
        }
    }

    /// Events that a row of the present state's own asks about; for a state without one, all.
    pub(crate) fn expected(&self) -> Vec<Event> {
        let own = |places: &[Place]| places.contains(&self.place) && places.len() <= 5;
        let rows = TABLE.iter().filter(|(places, ..)| own(places));
        rows.map(|(_, event, ..)| *event).collect()
    }

    /// What the latch makes of an event, before the stroke hears of it.
    pub(crate) fn latch(&mut self, happening: Happening) {
        match happening.event {
            Event::FaultImmediate | Event::FaultTop | Event::StopOverdue => self.latched = true,
            Event::Reset if circumstances(happening.number).is_latched => self.latched = false,
            // Power lost in mid-stroke counts as a stored fault.
            Event::PowerFails if !STANDING.contains(&self.place) => self.latched = true,
            _ => {}
        }
    }

    /// What the event makes of the machine.
    pub(crate) fn step(&mut self, event: Event, now: &Circumstances) {
        let fits = |&(places, on, guard, _): &Row| {
            on == event && places.contains(&self.place) && guard(self, now)
        };
        self.row = TABLE.iter().position(fits);
        let Some(row) = self.row else { return };
        match TABLE[row].3 {
            Stay => {}
            To(place) => self.enter(place),
            Stop(reasons) => {
                self.enter(Ims);
                self.reasons = reasons;
            }
            Latch => {
                self.latched = true;
                self.enter(Ims);
                self.reasons = FAULT;
            }
            TopStop(purpose) => {
                self.enter(Sst);
                self.purpose = purpose;
            }
            Remember(reason) => self.reasons = self.reasons.and(reason),
            Pend => self.is_pending = true,
            ReleaseSeen(is_seen) => self.release_seen = is_seen,
            AtRest => self.rest(now),
        }
    }

    fn enter(&mut self, place: Place) {
        // A top stop that was asked for in the first closing is kept into running.
        self.is_pending &= place == Crn;
        self.place = place;
        self.reasons = StopReasons::NONE;
        self.release_seen = false;
    }

    /// The order of ruling at standstill, the gravest first.
    fn rest(&mut self, now: &Circumstances) {
        let is_top = self.place == Sst;
        let is_production = is_top && self.purpose == Purpose::Production;
        let is_at_top = matches!(now.rest, Rest::Short | Rest::InWindow);
        let is_overrun = is_production && now.rest == Rest::Overrun;
        let place = if self.latched || now.is_past_latch_limit || self.reasons.has(FAULT) {
            Flt
        } else if self.reasons.has(EMERGENCY) {
            Est
        } else if self.reasons.has(MODE) {
            Off
        } else if self.reasons.has(LET_GO) {
            Wrl
        } else if is_overrun {
            Flt
        } else if is_top && (is_at_top || self.purpose == Purpose::Test) {
            Wrl
        } else {
            Int
        };
        self.latched |= now.is_past_latch_limit || place == Flt;
        self.enter(place);
    }

    /// The machine in the place of one of the core's states.
    pub(crate) fn at(stroke: Stroke, is_latched: bool) -> Self {
        let mut machine = Self {
            latched: is_latched,
            ..Self::new()
        };
        machine.place = match stroke {
            Stroke::PowerUp => Pwr,
            Stroke::Off => Off,
            Stroke::Barring => Bar,
            Stroke::WaitRelease => Wrl,
            Stroke::Ready => Rdt,
            Stroke::ReadyAwayFromTop => Rnt,
            Stroke::Inching => Inc,
            Stroke::Closing => Scl,
            Stroke::Opening => Sop,
            Stroke::TopStopping { purpose, reasons } => {
                machine.purpose = purpose;
                machine.reasons = reasons;
                Sst
            }
            Stroke::Interrupted { release_seen } => {
                machine.release_seen = release_seen;
                Int
            }
            Stroke::Armed => Car,
            Stroke::ContinuousClosing { top_stop_pending } => {
                machine.is_pending = top_stop_pending;
                Ccl
            }
            Stroke::ContinuousRunning => Crn,
            Stroke::ContinuousTopStop => Cts,
            Stroke::TestStroke => Tst,
            Stroke::ImmediateStopping { reasons } => {
                machine.reasons = reasons;
                Ims
            }
            Stroke::EmergencyStopped => Est,
            Stroke::FaultLatched => Flt,
        };
        machine
    }

    /// The same, in the core's terms.
    pub(crate) const fn as_stroke(&self) -> Stroke {
        match self.place {
            Pwr => Stroke::PowerUp,
            Off => Stroke::Off,
            Bar => Stroke::Barring,
            Wrl => Stroke::WaitRelease,
            Rdt => Stroke::Ready,
            Rnt => Stroke::ReadyAwayFromTop,
            Inc => Stroke::Inching,
            Scl => Stroke::Closing,
            Sop => Stroke::Opening,
            Sst => Stroke::TopStopping {
                purpose: self.purpose,
                reasons: self.reasons,
            },
            Int => Stroke::Interrupted {
                release_seen: self.release_seen,
            },
            Car => Stroke::Armed,
            Ccl => Stroke::ContinuousClosing {
                top_stop_pending: self.is_pending,
            },
            Crn if self.is_pending => Stroke::ContinuousTopStop,
            Crn => Stroke::ContinuousRunning,
            Cts => Stroke::ContinuousTopStop,
            Tst => Stroke::TestStroke,
            Ims => Stroke::ImmediateStopping {
                reasons: self.reasons,
            },
            Est => Stroke::EmergencyStopped,
            Flt => Stroke::FaultLatched,
        }
    }
}
