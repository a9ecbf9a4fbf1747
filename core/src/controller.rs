//! The order of one tick, and nothing else: sense, locate, judge, decide, act.
//!
//! [`Controller::tick`] is the only way in: what it returns depends on its state and its inputs
//! alone. Time comes in with the inputs; whatever must be stored leaves with the outputs.

mod acting;
mod deciding;
mod events;
mod inputs;
mod judging;
mod outputs;
mod sensing;
mod service;

pub use inputs::{Inputs, Selector, Service};
pub use outputs::{CapturedAngle, Outputs, ServiceReply, ValveDrive};

use crate::angle::CrankTravel;
use crate::fault::{FaultCode, FaultSet, Reaction};
use crate::fault_latch::{Evidence, FaultLatch};
use crate::interlock::Permit;
use crate::motion::Motion;
use crate::receiver::{CrankPosition, CrankReading, SignalEvidence};
use crate::settings::Settings;
use crate::speed::CrankSpeed;
use crate::speed_window::SpeedWindow;
use crate::stop_time::{Progress, StopRecord, StopWatch};
use crate::stroke::{Mode, Stroke};
use crate::time::{Duration, Instant};
use crate::top_stop::Compensation;
use crate::two_hand::TwoHand;
use crate::valve_pair::ValvePair;
use events::Seen;
use sensing::Sensing;

/// One tick.
pub const TICK: Duration = Duration::from_millis(1);
/// A tick may come this much early or late.
const TICK_TOLERANCE: Duration = Duration::from_micros(200);

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
    sensing: Sensing,
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
    last_tick: Option<Instant>,
    state_age: Duration,
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
            sensing: Sensing::new(),
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
            last_tick: None,
            state_age: Duration::ZERO,
            selector_bad_for: Duration::ZERO,
            last_reading: None,
        }
    }

    /// The settings in force.
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What the latest carrier frame of the second resolver showed; nothing where none is fitted.
    pub fn second_signal(&self) -> SignalEvidence {
        self.sensing.second_signal()
    }

    /// What the latest carrier frame showed, for a signal check.
    pub fn signal(&self) -> SignalEvidence {
        self.sensing.signal()
    }

    /// When the latch limit of the running stop runs out, once its coil is off.
    pub fn stop_limit_ends_at(&self) -> Option<Instant> {
        self.watch.limit_ends_at(&self.settings.get().stop)
    }

    /// One tick.
    pub fn tick(&mut self, inputs: &Inputs<'_>) -> Outputs {
        let late = self.note_time(inputs.now);
        let (position, located) = self.sensing.step(&self.settings, inputs);
        let reading = match &position {
            CrankPosition::Trusted(reading) => Some(*reading),
            CrankPosition::Untrusted { .. } => None,
        };
        let (progress, mut found) = self.judge(inputs, reading.as_ref(), located);
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

    /// Whether this tick came too early or too late.
    fn note_time(&mut self, now: Instant) -> bool {
        let last = self.last_tick.replace(now);
        self.state_age = self.state_age.saturating_add(TICK);
        last.is_some_and(|last| {
            let step = now.saturating_since(last);
            step < TICK.saturating_sub(TICK_TOLERANCE) || step > TICK.saturating_add(TICK_TOLERANCE)
        })
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
