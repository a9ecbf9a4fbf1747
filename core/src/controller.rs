//! The order of one tick, and nothing else: sense, locate, judge, decide, act.
//!
//! [`Controller::tick`] is the only way in: what it returns depends on its state and its inputs
//! alone. Time comes in with the inputs; whatever must be stored leaves with the outputs.

use crate::angle::{AngleWindow, CrankAngle, CrankTravel, ElectricalAngle};
use crate::fault::{FaultCode, FaultSet, Reaction};
use crate::fault_latch::{Evidence, FaultLatch, Latched, Standing};
use crate::interlock::{self, Permit};
use crate::motion::{Expectation, Motion};
use crate::muting;
use crate::receiver::{CrankPosition, CrankReading, Receiver, SignalEvidence};
use crate::settings::{Settings, Stage};
use crate::signal::{CarrierFrame, FRAMES_PER_TICK};
use crate::speed::CrankSpeed;
use crate::speed_window::SpeedWindow;
use crate::stop_time::{Progress, StopKind, StopRecord, StopWatch};
use crate::stroke::{Circumstances, Event, Mode, Purpose, Rest, StopReasons, Stroke};
use crate::time::{Duration, Instant};
use crate::top_stop::{self, Compensation, Due};
use crate::two_hand::{STATIONS_MAX, Station, TwoHand};
use crate::valve_pair::{ELEMENTS, ElementFeedback, ValvePair, coil_off_since};
use crate::zero_offset::{AngleCapture, CaptureConfig, CaptureRefusal};

/// One tick.
pub const TICK: Duration = Duration::from_millis(1);
/// A tick may come this much early or late.
const TICK_TOLERANCE: Duration = Duration::from_micros(200);
/// Spacing of the middles of the carrier frames.
const FRAME: Duration = Duration::from_micros(200);
/// The receiver must have been trusted this long before the self-test passes.
const SETTLED_AFTER: Duration = Duration::from_millis(50);
/// It may take this long before its faults count.
const SETTLE_WITHIN: Duration = Duration::from_millis(500);
/// A selector that shows no single mode for this long is a fault.
const SELECTOR_WITHIN: Duration = Duration::from_millis(100);
/// The prior action for continuous holds this long.
const ARMED_WITHIN: Duration = Duration::from_millis(10_000);
/// An angle is captured over this time: 5000 frames.
const CAPTURE_TIME: Duration = Duration::from_millis(1_000);
/// Share of a speed by which a stop may differ from the commissioned speed and still be learnt
/// from: one twentieth.
const LEARN_SPEED_SHARE: i32 = 20;

/// The contacts of the mode selector, one for each mode.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Selector(u8);

impl Selector {
    /// The selector standing at `mode`.
    pub const fn at(mode: Mode) -> Self {
        Self(1u8.wrapping_shl(mode as u32))
    }

    /// Contacts by bit, bit 0 for off, in the order of [`Mode`].
    pub const fn from_contacts(bits: u8) -> Self {
        Self(bits)
    }

    /// The one mode shown, if exactly one contact is closed.
    pub fn mode(self) -> Option<Mode> {
        let modes = [
            Mode::Off,
            Mode::Barring,
            Mode::Inch,
            Mode::Single,
            Mode::Continuous,
            Mode::Test,
        ];
        modes.into_iter().find(|&mode| self == Self::at(mode))
    }
}

/// What commissioning asks of the controller.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Service<'a> {
    /// Nothing.
    #[default]
    None,
    /// Capture the electrical angle at standstill; asked for until the reply comes.
    CaptureAngle,
    /// Put checked settings in force; at standstill only.
    Adopt(&'a Settings),
}

/// The answer to a [`Service`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ServiceReply {
    /// Nothing was asked, or it is under way.
    #[default]
    None,
    /// The captured angle.
    Captured {
        /// Mean of the capture.
        angle: ElectricalAngle,
        /// Widest distance between two of its frames, counts of 2⁻³² turn.
        spread: u32,
    },
    /// No angle, and why.
    CaptureRefused(CaptureRefusal),
    /// The settings are in force.
    Adopted,
    /// Settings are put in force at standstill only.
    NotAtStandstill,
}

/// Everything the controller sees in one tick. Binary facts are positive: true permits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inputs<'a> {
    /// End of the last carrier frame.
    pub now: Instant,
    /// Carrier frames since the last tick, oldest first.
    pub frames: [CarrierFrame; FRAMES_PER_TICK],
    /// The supply is within its limits.
    pub supply_ok: bool,
    /// Palm buttons.
    pub stations: [Station; STATIONS_MAX],
    /// Mode selector.
    pub selector: Selector,
    /// Both channels of the emergency-stop chain.
    pub emergency_chain_closed: [bool; 2],
    /// Stop control.
    pub stop_control_closed: bool,
    /// Both channels of the presence sensing.
    pub presence_clear: [bool; 2],
    /// Both channels of the guards.
    pub guards_closed: [bool; 2],
    /// Main motor runs forward.
    pub motor_forward: bool,
    /// Motor off and flywheel at rest.
    pub drive_at_rest: bool,
    /// Clutch air in its window.
    pub clutch_air_ok: bool,
    /// Counterbalance air in its window.
    pub counterbalance_air_ok: bool,
    /// Lubrication, die protection, overload.
    pub auxiliaries_ok: bool,
    /// Key for supervised work.
    pub key_turned: bool,
    /// Valve elements.
    pub valve: [ElementFeedback; ELEMENTS],
    /// Prior action for continuous.
    pub arm_pressed: bool,
    /// Top stop wanted.
    pub top_stop_pressed: bool,
    /// Reset, with the standing of who asks.
    pub reset: Option<Standing>,
    /// In the test mode: stop at this angle; without it, at the top.
    pub test_angle: Option<CrankAngle>,
    /// Commissioning.
    pub service: Service<'a>,
}

/// The drive of both valve elements: `is_on` from `after` the end of the tick's inputs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ValveDrive {
    /// Level to take.
    pub is_on: bool,
    /// When, counted from [`Inputs::now`]; less than a tick. A timer executes it.
    pub after: Duration,
}

/// Everything the controller says in one tick.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outputs {
    /// Valve drive, the same for both elements.
    pub valve: ValveDrive,
    /// Dump the clutch air and drop the motor.
    pub second_means: bool,
    /// State of the stroke.
    pub stroke: Stroke,
    /// Mode in force.
    pub mode: Mode,
    /// The crank as it is seen.
    pub position: CrankPosition,
    /// Presence sensing is muted.
    pub is_muted: bool,
    /// What the interlock permits.
    pub permit: Permit,
    /// Latched faults.
    pub latched: FaultSet,
    /// Faults that latched in this tick: to be stored.
    pub raised: FaultSet,
    /// Advice.
    pub advice: FaultSet,
    /// The first latched fault, with its evidence.
    pub first_fault: Option<Latched>,
    /// A stop that ended in this tick: to be stored.
    pub stop: Option<StopRecord>,
    /// Release angle in force at the speed of the moment.
    pub release: CrankAngle,
    /// Share of the compensation's authority in use, percent.
    pub authority_percent: u8,
    /// What the compensation adds to the release angle.
    pub compensation: CrankTravel,
    /// Answer to the service asked for.
    pub reply: ServiceReply,
}

/// Events of one tick, taken in the order of [`Event`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Events(u32);

const EVENTS: [Event; 24] = [
    Event::PowerFails,
    Event::FaultImmediate,
    Event::EmergencyStop,
    Event::StopOverdue,
    Event::PermissiveLost,
    Event::StopControl,
    Event::ModeChanged,
    Event::PresenceBlocked,
    Event::HandReleased,
    Event::FaultTop,
    Event::PermissiveLostTop,
    Event::TopStopRequested,
    Event::TakeOver,
    Event::MuteEnd,
    Event::TestAngle,
    Event::ReleaseAngle,
    Event::Standstill,
    Event::HandsLate,
    Event::HandsReleased,
    Event::ArmRequested,
    Event::ArmTimeout,
    Event::Reset,
    Event::SelfTestPassed,
    Event::HandsBoth,
];

impl Events {
    fn note(&mut self, event: Event, happened: bool) {
        if happened {
            self.0 |= 1u32.wrapping_shl(event as u32);
        }
    }

    fn iter(self) -> impl Iterator<Item = Event> {
        EVENTS
            .into_iter()
            .filter(move |&event| self.0 & 1u32.wrapping_shl(event as u32) != 0)
    }
}

/// Where the present run ends: the next release angle ahead of where it began.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Run {
    /// Net travel at its beginning.
    from: CrankTravel,
    /// Travel from there to the release angle.
    to_release: CrankTravel,
}

/// The controller.
#[derive(Clone, Debug)]
pub struct Controller {
    settings: Settings,
    receiver: Receiver,
    hands: TwoHand,
    valve: ValvePair,
    window: SpeedWindow,
    /// Mean speed over the window.
    speed: CrankSpeed,
    motion: Motion,
    watch: StopWatch,
    compensation: Compensation,
    latch: FaultLatch,
    stroke: Stroke,
    mode: Mode,
    run: Option<Run>,
    /// At the end of the last tick the run had passed its release angle and was still driven.
    release_passed: bool,
    /// The capture under way, and for how long.
    capture: Option<(AngleCapture, Duration)>,
    last_tick: Option<Instant>,
    state_age: Duration,
    settled_for: Duration,
    /// The receiver has begun anew, so long ago, and has not settled yet.
    settling: Option<Duration>,
    selector_bad_for: Duration,
    last_reading: Option<CrankReading>,
}

impl Controller {
    /// A controller at power-up. `stored` are faults that were latched when the supply went away.
    pub fn new(settings: Settings, stored: FaultSet) -> Self {
        let mut latch = FaultLatch::new();
        let evidence = Evidence {
            at: Instant::default(),
            angle: None,
            speed: CrankSpeed::ZERO,
        };
        let found = stored.with_if(FaultCode::StoredFault, !stored.is_empty());
        latch.raise(found, evidence);
        Self {
            settings,
            receiver: Receiver::new(),
            hands: TwoHand::new(),
            valve: ValvePair::new(),
            window: SpeedWindow::new(),
            speed: CrankSpeed::ZERO,
            motion: Motion::new(),
            watch: StopWatch::new(),
            compensation: Compensation::new(),
            latch,
            stroke: Stroke::PowerUp,
            mode: Mode::Off,
            run: None,
            release_passed: false,
            capture: None,
            last_tick: None,
            state_age: Duration::ZERO,
            settled_for: Duration::ZERO,
            settling: Some(Duration::ZERO),
            selector_bad_for: Duration::ZERO,
            last_reading: None,
        }
    }

    /// The settings in force.
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What the latest carrier frame showed, for a signal check.
    pub fn signal(&self) -> SignalEvidence {
        self.receiver.signal()
    }

    /// When the latch limit of the running stop runs out, once its coil is off.
    pub fn stop_limit_ends_at(&self) -> Option<Instant> {
        self.watch.limit_ends_at(&self.settings.get().stop)
    }

    /// One tick.
    pub fn tick(&mut self, inputs: &Inputs<'_>) -> Outputs {
        let late = self.note_time(inputs.now);
        let position = self.locate(inputs);
        let reading = match &position {
            CrankPosition::Trusted(reading) => Some(*reading),
            CrankPosition::Untrusted { .. } => None,
        };
        let (progress, mut found) = self.judge(inputs, reading.as_ref());
        found = found.with_if(FaultCode::TickLate, late);
        let mode_shown = self.read_selector(inputs, &mut found);
        let permit = self.permit(inputs, reading.as_ref(), mode_shown);
        let dropped = !inputs.supply_ok && !self.stroke.is_standing();
        found = found
            .with_if(FaultCode::PermissiveAir, self.air_lost(inputs))
            .with_if(FaultCode::StoredFault, dropped);

        let stop = match progress {
            Progress::Standstill(record) => Some(record),
            _ => None,
        };
        found = found.union(self.learn(stop.as_ref(), found));
        let raised = self.raise(found, inputs.now);
        if let Some(standing) = inputs.reset.filter(|_| self.stroke.is_standing()) {
            self.latch.reset(standing, found);
        }

        let hand = self
            .hands
            .step(&self.settings.get().two_hand, &inputs.stations, TICK);
        let (events, after) = self.events(&Seen {
            inputs,
            reading: reading.as_ref(),
            progress: &progress,
            raised,
            permit,
            mode_shown,
            hand,
        });
        let now = self.circumstances(inputs, reading.as_ref(), permit, mode_shown, stop.as_ref());
        let before = self.stroke;
        self.decide(events, &now, mode_shown);
        let valve = self.act(before, inputs.now, reading.as_ref(), after);
        self.release_passed = self.is_release_passed();
        let reply = self.serve(inputs);
        self.outputs(position, valve, permit, raised, stop, reply)
    }
}

/// What the events of one tick are made from.
struct Seen<'a> {
    inputs: &'a Inputs<'a>,
    reading: Option<&'a CrankReading>,
    progress: &'a Progress,
    raised: FaultSet,
    permit: Permit,
    mode_shown: Mode,
    hand: Option<crate::two_hand::HandEvent>,
}

/// Sense and locate.
impl Controller {
    /// Whether this tick came too early or too late.
    fn note_time(&mut self, now: Instant) -> bool {
        let last = self.last_tick.replace(now);
        self.state_age = self.state_age.saturating_add(TICK);
        last.is_some_and(|last| {
            let step = now.saturating_since(last);
            step < TICK.saturating_sub(TICK_TOLERANCE) || step > TICK.saturating_add(TICK_TOLERANCE)
        })
    }

    fn locate(&mut self, inputs: &Inputs<'_>) -> CrankPosition {
        let config = self.settings.receiver();
        self.receiver.start_tick(config);
        // The middle of the last frame lies half a frame before `now`.
        let mut middle = inputs
            .now
            .saturating_sub(TICK)
            .saturating_add(Duration::from_micros(100));
        for frame in &inputs.frames {
            self.receiver.frame(config, frame, middle);
            if let Some((capture, _)) = self.capture.as_mut() {
                capture.feed(self.receiver.electrical());
            }
            middle = middle.saturating_add(FRAME);
        }
        self.receiver.position(config, inputs.now)
    }
}

/// Judge.
impl Controller {
    fn judge(
        &mut self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
    ) -> (Progress, FaultSet) {
        let mut found = self.signal_faults(reading);
        let settings = self.settings.get();
        if let Some(reading) = reading {
            let expectation = self.expectation();
            let angle = reading.angle();
            self.speed = self.window.step(angle);
            let seen = self
                .motion
                .step(&settings.motion, expectation, angle, self.speed, TICK);
            found = found.union(seen);
            self.last_reading = Some(*reading);
        }
        found = found.union(
            self.valve
                .judge(&settings.valve_pair, &inputs.valve, inputs.now),
        );
        let disagree = self.hands.has_discrepancy(&settings.two_hand);
        found = found
            .with_if(FaultCode::HandContactsDisagree, disagree)
            .with_if(FaultCode::ReleasePassed, self.release_passed);
        let coil_off = self.valve.driven_off_at().and_then(|command| {
            coil_off_since(&settings.valve_pair, &inputs.valve, command, inputs.now)
        });
        let crank = reading.map(|reading| (reading, self.speed));
        let (progress, live) = self
            .watch
            .step(&settings.stop, crank, coil_off, inputs.now, TICK);
        found = found
            .union(live)
            .with_if(FaultCode::StopNotEnding, progress == Progress::Overdue);
        if let Progress::Standstill(record) = &progress {
            found = found
                .union(record.judge(&settings.stop))
                .union(self.judge_rest(record));
        }
        (progress, found)
    }

    /// Signal faults count once the receiver has settled, or should have.
    fn signal_faults(&mut self, reading: Option<&CrankReading>) -> FaultSet {
        self.settled_for = match reading {
            Some(_) => self.settled_for.saturating_add(TICK),
            None => Duration::ZERO,
        };
        self.settling = self
            .settling
            .filter(|_| self.settled_for < SETTLED_AFTER)
            .map(|age| age.saturating_add(TICK));
        match self.settling {
            Some(age) if age < SETTLE_WITHIN => FaultSet::EMPTY,
            _ => self.receiver.faults(),
        }
    }

    const fn expectation(&self) -> Expectation {
        match self.stroke {
            Stroke::Barring => Expectation::Barred,
            state if state.drives_valve() => Expectation::Driven,
            state if state.is_stopping() => Expectation::Stopping,
            _ => Expectation::Rest,
        }
    }

    /// Travel left to the release angle in force, less than nothing once it is passed. Counted by
    /// travel from where the run began, so that no run is too long or too short for it.
    fn ahead_of_release(&self) -> Option<CrankTravel> {
        let run = self.run?;
        let commissioned = self.settings.get().top_stop.release;
        let moved = self.release_now().offset_from(commissioned);
        let since_start = self.motion.travel().saturating_sub(run.from);
        Some(
            run.to_release
                .saturating_add(moved)
                .saturating_sub(since_start),
        )
    }

    /// Driven travel is never unbounded: but for continuous running, which has no end of its own,
    /// no run may go on past the late bound of its release angle. Asked at the end of a tick, when
    /// whatever was due has been done.
    fn is_release_passed(&self) -> bool {
        let ends = self.stroke.drives_valve() && self.stroke != Stroke::ContinuousRunning;
        let late = self.settings.get().top_stop.late_bound;
        let bound = late.saturating_sub(self.compensation.offset());
        let past = CrankTravel::ZERO.saturating_sub(bound);
        ends && self.ahead_of_release().is_some_and(|ahead| ahead < past)
    }

    /// Overrun and shortness are faults of a production stroke; an inch or a test that does not
    /// end at the top has simply not ended there.
    fn judge_rest(&self, record: &StopRecord) -> FaultSet {
        let is_production = matches!(
            self.stroke,
            Stroke::TopStopping {
                purpose: Purpose::Production,
                ..
            }
        );
        let rest = self.rest(record);
        FaultSet::EMPTY
            .with_if(
                FaultCode::TopStopOverrun,
                is_production && rest == Rest::Overrun,
            )
            .with_if(
                FaultCode::TopStopShort,
                is_production && rest == Rest::Short,
            )
    }

    fn rest(&self, record: &StopRecord) -> Rest {
        let settings = self.settings.get();
        let past_target = record.rest_angle.offset_from(settings.top_stop.target);
        let past_top = record.rest_angle.offset_from(CrankAngle::TOP_DEAD_CENTRE);
        if past_target < CrankTravel::ZERO.saturating_sub(settings.angles.window_before) {
            Rest::Short
        } else if past_target <= settings.angles.window_after {
            Rest::InWindow
        } else if past_top <= settings.angles.overrun_limit {
            Rest::Late
        } else {
            Rest::Overrun
        }
    }

    fn air_lost(&self, inputs: &Inputs<'_>) -> bool {
        let ok = inputs.clutch_air_ok && inputs.counterbalance_air_ok;
        self.stroke.drives_valve() && !ok
    }

    fn raise(&mut self, found: FaultSet, now: Instant) -> FaultSet {
        let evidence = Evidence {
            at: now,
            angle: self.last_reading.map(|reading| reading.angle()),
            speed: self
                .last_reading
                .map(|reading| reading.speed())
                .unwrap_or_default(),
        };
        self.latch.raise(found, evidence)
    }

    /// Feeds a healthy top stop of production to the compensation.
    fn learn(&mut self, stop: Option<&StopRecord>, found: FaultSet) -> FaultSet {
        let settings = self.settings.get();
        let is_production = self.stroke
            == Stroke::TopStopping {
                purpose: Purpose::Production,
                reasons: StopReasons::NONE,
            };
        let is_healthy = found
            .reaction()
            .is_none_or(|reaction| reaction == Reaction::Advise)
            && self.latch.latched().is_empty();
        let (Some(stop), true, true) = (stop, is_production, is_healthy) else {
            return FaultSet::EMPTY;
        };
        let commissioned = settings.top_stop.speed.as_counts_per_ms();
        let off = stop
            .speed
            .as_counts_per_ms()
            .saturating_sub(commissioned)
            .saturating_abs();
        if off > commissioned / LEARN_SPEED_SHARE {
            return FaultSet::EMPTY;
        }
        self.compensation.learn(&settings.top_stop, stop.rest_angle)
    }
}

/// Decide.
impl Controller {
    fn read_selector(&mut self, inputs: &Inputs<'_>, found: &mut FaultSet) -> Mode {
        let shown = inputs.selector.mode();
        self.selector_bad_for = match shown {
            Some(_) => Duration::ZERO,
            None => self.selector_bad_for.saturating_add(TICK),
        };
        let is_bad = self.selector_bad_for >= SELECTOR_WITHIN;
        *found = found.with_if(FaultCode::ModeSelector, is_bad);
        shown.unwrap_or(self.mode)
    }

    fn permit(&self, inputs: &Inputs<'_>, reading: Option<&CrankReading>, mode: Mode) -> Permit {
        let stage = self.settings.get().stage;
        let evidence = interlock::Evidence {
            emergency_chain_closed: inputs.emergency_chain_closed == [true; 2],
            stop_control_closed: inputs.stop_control_closed,
            motor_forward: inputs.motor_forward,
            drive_at_rest: inputs.drive_at_rest,
            clutch_air_ok: inputs.clutch_air_ok,
            counterbalance_air_ok: inputs.counterbalance_air_ok,
            angle_trusted: reading.is_some() && self.settling.is_none(),
            guards_closed: inputs.guards_closed == [true; 2],
            auxiliaries_ok: inputs.auxiliaries_ok,
            is_zeroed: stage >= Stage::Provisional,
            is_commissioned: stage >= Stage::Commissioned,
            key_turned: inputs.key_turned,
        };
        interlock::permit(&evidence, mode)
    }

    fn is_muted(&self, reading: Option<&CrankReading>) -> bool {
        muting::is_muted(self.stroke, reading, self.settings.get().angles.mute_end)
    }

    /// The events of this tick, and how long until the angle that ends the run is reached.
    fn events(&self, seen: &Seen<'_>) -> (Events, Duration) {
        let mut events = Events::default();
        self.note_faults(&mut events, seen);
        self.note_inputs(&mut events, seen);
        let after = self.note_angles(&mut events, seen);
        (events, after)
    }

    fn note_faults(&self, events: &mut Events, seen: &Seen<'_>) {
        let raised = |reaction| seen.raised.iter().any(|code| code.reaction() == reaction);
        let stands_latched = self.stroke.is_standing()
            && !matches!(self.stroke, Stroke::PowerUp | Stroke::FaultLatched)
            && !self.latch.latched().is_empty();
        let immediate = raised(Reaction::ImmediateStop) || raised(Reaction::SecondMeans);
        events.note(Event::FaultImmediate, immediate || stands_latched);
        events.note(Event::FaultTop, raised(Reaction::TopStop));
        events.note(Event::StopOverdue, *seen.progress == Progress::Overdue);
        let at_rest = matches!(
            seen.progress,
            Progress::Standstill(_) | Progress::AssumedStandstill
        );
        events.note(Event::Standstill, at_rest);
    }

    fn note_inputs(&self, events: &mut Events, seen: &Seen<'_>) {
        use crate::two_hand::HandEvent;
        let inputs = seen.inputs;
        events.note(Event::PowerFails, !inputs.supply_ok);
        events.note(
            Event::EmergencyStop,
            inputs.emergency_chain_closed != [true; 2],
        );
        let may_go_on = match self.stroke {
            Stroke::Barring => seen.permit.bar,
            _ => seen.permit.run,
        };
        events.note(Event::PermissiveLost, !may_go_on);
        events.note(Event::PermissiveLostTop, !seen.permit.run_on);
        events.note(Event::StopControl, !inputs.stop_control_closed);
        let is_waiting_in_off = self.stroke == Stroke::Off && seen.mode_shown != Mode::Off;
        events.note(
            Event::ModeChanged,
            seen.mode_shown != self.mode || is_waiting_in_off,
        );
        events.note(Event::PresenceBlocked, inputs.presence_clear != [true; 2]);
        events.note(Event::HandReleased, !self.hands.is_held());
        events.note(Event::HandsReleased, self.hands.is_released());
        events.note(Event::HandsLate, seen.hand == Some(HandEvent::Late));
        events.note(Event::HandsBoth, seen.hand == Some(HandEvent::Both));
        events.note(Event::ArmRequested, inputs.arm_pressed);
        let is_arm_over = self.stroke == Stroke::Armed && self.state_age > ARMED_WITHIN;
        events.note(Event::ArmTimeout, is_arm_over);
        events.note(Event::TopStopRequested, inputs.top_stop_pressed);
        events.note(Event::Reset, inputs.reset.is_some());
        events.note(Event::SelfTestPassed, self.settled_for >= SETTLED_AFTER);
    }

    fn note_angles(&self, events: &mut Events, seen: &Seen<'_>) -> Duration {
        let (Some(reading), Some(run)) = (seen.reading, self.run) else {
            return Duration::ZERO;
        };
        let angles = &self.settings.get().angles;
        let release = self.release_now();
        let takeover = AngleWindow {
            from: angles.take_over,
            to: release,
        };
        let has_turned = self.motion.travel().saturating_sub(run.from) > angles.window_before;
        events.note(
            Event::TakeOver,
            has_turned && takeover.contains(reading.angle()),
        );
        let past_mute = AngleWindow {
            from: angles.mute_end,
            to: CrankAngle::from_bits(u32::MAX),
        };
        events.note(Event::MuteEnd, past_mute.contains(reading.angle()));

        let ahead = self
            .ahead_of_release()
            .filter(|_| self.stroke.awaits_release());
        let due = ahead.map(|ahead| top_stop::due(ahead, reading.speed(), TICK));
        let mut after = Duration::ZERO;
        if let Some(wait) = due.and_then(wait) {
            events.note(Event::ReleaseAngle, true);
            after = wait;
        }
        let test = seen
            .inputs
            .test_angle
            .filter(|_| self.stroke == Stroke::TestStroke);
        let test = test.map(|angle| angle.offset_from(reading.angle()));
        let test = test.map(|ahead| top_stop::due(ahead, reading.speed(), TICK));
        if let Some(Due::After(wait)) = test {
            events.note(Event::TestAngle, true);
            after = wait;
        }
        after
    }

    fn release_now(&self) -> CrankAngle {
        let config = &self.settings.get().top_stop;
        self.compensation.release_at(config, self.speed)
    }

    fn circumstances(
        &self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
        permit: Permit,
        mode: Mode,
        stop: Option<&StopRecord>,
    ) -> Circumstances {
        let settings = self.settings.get();
        let target = settings.top_stop.target;
        let window = AngleWindow {
            from: target
                .wrapping_add(CrankTravel::ZERO.saturating_sub(settings.angles.window_before)),
            to: target.wrapping_add(settings.angles.window_after),
        };
        let angle = reading.map(|reading| reading.angle());
        Circumstances {
            mode,
            may_start: permit.start(),
            may_bar: permit.bar,
            is_latched: !self.latch.latched().is_empty(),
            is_emergency: inputs.emergency_chain_closed != [true; 2],
            hands_released: self.hands.is_released(),
            is_in_top_window: angle.is_some_and(|angle| window.contains(angle)),
            // Not knowing is closing: the cautious side.
            is_closing: angle.is_none_or(CrankAngle::is_downstroke),
            presence_clear: inputs.presence_clear == [true; 2],
            is_muted: self.is_muted(reading),
            is_two_hand_setup: true,
            rest: stop.map_or(Rest::Overrun, |stop| self.rest(stop)),
            is_past_latch_limit: stop.is_none() && self.stroke.is_stopping(),
        }
    }

    fn decide(&mut self, events: Events, now: &Circumstances, mode_shown: Mode) {
        let before = self.stroke;
        for event in events.iter() {
            self.stroke = self.stroke.step(event, now);
        }
        // The selector is read again on entering Off, so a mode taken up there is the mode.
        self.mode = mode_shown;
        if self.stroke != before {
            self.state_age = Duration::ZERO;
        }
    }
}

/// Act.
impl Controller {
    fn act(
        &mut self,
        before: Stroke,
        now: Instant,
        reading: Option<&CrankReading>,
        after: Duration,
    ) -> ValveDrive {
        self.refuse_the_impossible(now);
        let drives = self.stroke.drives_valve();
        let angle = reading
            .or(self.last_reading.as_ref())
            .map(CrankReading::angle);
        let angle = angle.unwrap_or_default();
        if drives && !self.valve.is_driven() {
            self.valve.drive(true, now);
            self.run = Some(self.run_from(CrankTravel::ZERO, angle, reading));
        }
        if self.stroke == Stroke::ContinuousTopStop && before != Stroke::ContinuousTopStop {
            self.run = Some(self.run_from(self.motion.travel(), angle, reading));
        }
        if drives || !self.valve.is_driven() {
            return ValveDrive {
                is_on: drives,
                after: Duration::ZERO,
            };
        }
        // The only place where a stop begins: the drive goes from on to off.
        let (kind, after) = self.stop_class(after);
        let at = now.saturating_add(after);
        let on_the_way = reading.map_or(CrankTravel::ZERO, |seen| seen.speed().travel_in(after));
        self.valve.drive(false, at);
        self.watch
            .command(kind, now, at, angle.wrapping_add(on_the_way));
        self.run = None;
        ValveDrive {
            is_on: false,
            after,
        }
    }

    /// Only a stop at an angle waits for it within the tick; every other stop is now.
    const fn stop_class(&self, after: Duration) -> (StopKind, Duration) {
        match self.stroke {
            Stroke::TopStopping {
                reasons: StopReasons::NONE,
                ..
            } => (StopKind::Top, after),
            Stroke::TopStopping { .. } => (StopKind::Top, Duration::ZERO),
            Stroke::ImmediateStopping {
                reasons: StopReasons::TEST_ANGLE,
            } => (StopKind::MidStroke, after),
            _ => (StopKind::MidStroke, Duration::ZERO),
        }
    }

    fn run_from(
        &self,
        travel: CrankTravel,
        angle: CrankAngle,
        reading: Option<&CrankReading>,
    ) -> Run {
        let config = &self.settings.get().top_stop;
        let release = reading.map_or(config.release, |_| self.release_now());
        // From rest the release angle of the moment is that of no speed; the commissioned one is
        // what the run will meet.
        let release = if travel == CrankTravel::ZERO {
            config.release
        } else {
            release
        };
        Run {
            from: travel,
            to_release: release.travel_since(angle),
        }
    }

    /// The valve is never on with a fault latched that stops at once. Should the state say so all
    /// the same, something is broken that no table foresaw.
    fn refuse_the_impossible(&mut self, now: Instant) {
        let stops_now = |code: FaultCode| code.reaction() >= Reaction::ImmediateStop;
        if self.stroke.drives_valve() && self.latch.latched().iter().any(stops_now) {
            self.raise(FaultSet::EMPTY.with(FaultCode::ImpossibleState), now);
            self.stroke = Stroke::ImmediateStopping {
                reasons: StopReasons::FAULT,
            };
        }
    }

    fn serve(&mut self, inputs: &Inputs<'_>) -> ServiceReply {
        if inputs.service != Service::CaptureAngle {
            self.capture = None;
        }
        match inputs.service {
            Service::None => ServiceReply::None,
            Service::CaptureAngle => self.serve_capture(),
            Service::Adopt(_) if !self.stroke.is_standing() => ServiceReply::NotAtStandstill,
            Service::Adopt(settings) => {
                self.settings = *settings;
                // The crank has not moved, though a new zero or balance may make its angle jump.
                self.receiver = Receiver::new();
                self.settling = Some(Duration::ZERO);
                self.settled_for = Duration::ZERO;
                self.motion = Motion::new();
                self.window = SpeedWindow::new();
                self.compensation = Compensation::new();
                ServiceReply::Adopted
            }
        }
    }

    fn serve_capture(&mut self) -> ServiceReply {
        if !self.stroke.is_standing() {
            return ServiceReply::CaptureRefused(CaptureRefusal::NotAtStandstill);
        }
        let (capture, age) = self
            .capture
            .get_or_insert((AngleCapture::new(), Duration::ZERO));
        if *age < CAPTURE_TIME {
            *age = age.saturating_add(TICK);
            return ServiceReply::None;
        }
        let (result, spread) = (capture.result(&CaptureConfig::DEFAULT), capture.spread());
        self.capture = None;
        match result {
            Ok(angle) => ServiceReply::Captured { angle, spread },
            Err(refusal) => ServiceReply::CaptureRefused(refusal),
        }
    }

    fn outputs(
        &self,
        position: CrankPosition,
        valve: ValveDrive,
        permit: Permit,
        raised: FaultSet,
        stop: Option<StopRecord>,
        reply: ServiceReply,
    ) -> Outputs {
        let reading = self.last_reading;
        let top_stop = &self.settings.get().top_stop;
        let latched = self.latch.latched();
        Outputs {
            valve,
            second_means: latched
                .iter()
                .any(|code| code.reaction() == Reaction::SecondMeans),
            stroke: self.stroke,
            mode: self.mode,
            position,
            is_muted: self.is_muted(reading.as_ref()),
            permit,
            latched,
            raised,
            advice: self.latch.advice(),
            first_fault: self.latch.first(),
            stop,
            release: reading.map_or(top_stop.release, |_| self.release_now()),
            authority_percent: self.compensation.authority_percent(top_stop),
            compensation: self.compensation.offset(),
            reply,
        }
    }
}

const fn wait(due: Due) -> Option<Duration> {
    match due {
        Due::NotYet => None,
        Due::After(wait) => Some(wait),
        Due::Passed => Some(Duration::ZERO),
    }
}
