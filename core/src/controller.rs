//! The order of one tick, and nothing else: sense, locate, judge, decide, act.
//!
//! [`Controller::tick`] is the only way in: what it returns depends on its state and its inputs
//! alone. Time comes in with the inputs; whatever must be stored leaves with the outputs.
//!
//! Parts with much to remember are never inlined: the stack holds what one of them needs, not what
//! all of them do.

mod acting;
mod channel;
mod deciding;
mod devices;
mod events;
mod inputs;
mod judging;
mod outputs;
mod own_health;
mod sensing;
mod service;

pub use inputs::{Inputs, Selector, Service};
pub use outputs::{CapturedAngle, Outputs, ServiceReply, ValveDrive};

use crate::angle::CrankTravel;
use crate::digest::digest;
use crate::fault::{FaultCode, FaultSet, Reaction};
use crate::fault_latch::{Evidence, FaultLatch};
use crate::health::{Checkpoint, Flow, ServiceToken, TickConfig};
use crate::interlock::Permit;
use crate::limit_channels::{self, LimitChannels};
use crate::motion::Motion;
use crate::peer::Consent;
use crate::receiver::{CrankPosition, CrankReading, SignalEvidence};
use crate::run_in::RunIn;
use crate::settings::Settings;
use crate::speed::CrankSpeed;
use crate::speed_window::SpeedWindow;
use crate::stop_time::{StopRecord, StopWatch};
use crate::stop_trend::StopTrend;
use crate::stroke::{Mode, Stroke};
use crate::time::{Duration, Instant};
use crate::top_stop::{Compensation, ReleaseShift};
use crate::two_hand::TwoHand;
use crate::valve_pair::ValvePair;
use channel::Channel;
use devices::Devices;
use events::Seen;
use own_health::OwnHealth;
use sensing::Sensing;

/// One tick.
pub const TICK: Duration = Duration::from_millis(1);
/// When it is due, and how well the clocks must agree.
const TICK_CONFIG: TickConfig = TickConfig::DEFAULT;

/// Faults that take more than the valve.
const SECOND_MEANS: FaultSet = FaultSet::demanding(Reaction::SecondMeans);

/// Where the present run ends: the next release angle ahead of where it began.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Run {
    /// Net travel at its beginning.
    from: CrankTravel,
    /// Travel from there to the release angle.
    to_release: CrankTravel,
    /// It does not end before this travel.
    not_before: CrankTravel,
}

/// The controller.
#[derive(Clone, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Controller {
    settings: Settings,
    sensing: Sensing,
    devices: Devices,
    hands: TwoHand,
    valve: ValvePair,
    window: SpeedWindow,
    /// Mean speed over the window.
    speed: CrankSpeed,
    release_shift: ReleaseShift,
    motion: Motion,
    watch: StopWatch,
    run_in: RunIn,
    trend: StopTrend,
    compensation: Compensation,
    latch: FaultLatch,
    channel: Channel,
    /// Digest of the press's settings, without what a job has changed in them.
    press: u32,
    /// Limit channels of the job in force.
    job: Option<limit_channels::Config>,
    limit_channels: LimitChannels,
    own_health: OwnHealth,
    stroke: Stroke,
    mode: Mode,
    run: Option<Run>,
    /// At the end of the last tick the run had passed its release angle and was still driven.
    release_passed: bool,
    state_age: Duration,
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
            release_shift: ReleaseShift::new(&settings.get().top_stop, CrankSpeed::ZERO),
            settings,
            sensing: Sensing::new(),
            devices: Devices::new(),
            hands: TwoHand::new(),
            valve: ValvePair::new(),
            window: SpeedWindow::new(),
            speed: CrankSpeed::ZERO,
            motion: Motion::new(),
            watch: StopWatch::new(),
            run_in: RunIn::new(),
            trend: StopTrend::new(),
            compensation: Compensation::new(),
            channel: Channel::new(),
            press: digest(settings.get()),
            job: None,
            limit_channels: LimitChannels::new(),
            own_health: OwnHealth::new(&settings, latch.latched()),
            latch,
            stroke: Stroke::PowerUp,
            mode: Mode::Off,
            run: None,
            release_passed: false,
            state_age: Duration::ZERO,
            last_reading: None,
        }
    }

    /// At power-up: faults that an operator had reset, and nobody with the key since. Switching off and on
    /// makes no fault that comes back a new one.
    pub const fn remember_resets(&mut self, reset_before: FaultSet) {
        self.latch.remember_resets(reset_before);
    }

    /// The settings in force.
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What was known when this fault latched, while it is latched. The first eight keep it, see
    /// [`FROZEN_MAX`](crate::fault_latch::FROZEN_MAX).
    pub fn evidence(&self, code: FaultCode) -> Option<Evidence> {
        self.latch.evidence(code)
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
        self.watch.limit_ends_at()
    }

    /// When in the last tick a limit channel, 0 to 15, took its level of now; zero when it had it.
    pub fn limit_change_after(&self, channel: usize) -> Duration {
        self.limit_channels.change_after(channel)
    }

    /// Permission to service the watchdog once, after a tick that was good from end to end.
    pub fn service_token(&mut self) -> Option<ServiceToken> {
        self.own_health.service_token()
    }

    /// One tick.
    pub fn tick(&mut self, inputs: &Inputs<'_>) -> Outputs {
        let mut flow = Flow::begin();
        self.state_age = self.state_age.saturating_add(TICK);
        let (latched, is_driven) = (self.latch.latched(), self.valve.is_driven());
        let was_impossible = self.break_off_the_impossible();
        let own = self.own_health.step(
            inputs,
            &self.settings,
            self.job.as_ref(),
            latched,
            is_driven,
        );
        flow.pass(Checkpoint::Sense);

        let (position, located) = self.sensing.step(&self.settings, inputs);
        let reading = position.trusted();
        flow.pass(Checkpoint::Locate);

        let contacts = &self.settings.get().contacts;
        let devices = self.devices.step(contacts, inputs);
        let mode_shown = self.devices.mode();
        let permit = self.permit(inputs, reading, mode_shown);
        let (progress, mut found) = self.judge(
            inputs,
            reading,
            inputs.reported.union(own).union(located).union(devices),
        );
        found = found.with_if(FaultCode::ImpossibleState, was_impossible);
        let stop = progress.record();
        found = found.union(self.learn(inputs, stop.as_ref(), found));
        flow.pass(Checkpoint::Judge);

        let peer = self.settings.get().peer.as_ref();
        found = self.channel.compare(peer, inputs, reading, found);
        flow.pass(Checkpoint::Compare);

        let raised = self.latch_and_reset(found, stop.is_some(), inputs);
        flow.pass(Checkpoint::Latch);

        let two_hand = &self.settings.get().two_hand;
        let hand = self.hands.step(two_hand, &inputs.stations, TICK);
        let (events, after) = self.events(&Seen {
            inputs,
            reading,
            progress: &progress,
            raised,
            permit,
            mode_shown,
            hand,
        });
        let now = self.circumstances(reading, permit, mode_shown, stop.as_ref());
        let before = self.stroke;
        self.decide(events, &now, mode_shown);
        flow.pass(Checkpoint::Decide);

        let valve = self.act(before, inputs.now, reading, after);
        self.release_passed = self.is_release_passed();
        flow.pass(Checkpoint::Act);

        let reply = self.serve(inputs, reading);
        // What was just adopted is to be located anew: until then no channel has an angle, and none
        // switches for the one tick before.
        let located = reading.filter(|_| reply != ServiceReply::Adopted);
        self.step_limit_channels(inputs, located);
        flow.pass(Checkpoint::LimitChannels);

        let outputs = self.outputs(inputs, position, valve, permit, raised, stop, reply);
        self.own_health
            .end(flow, self.latch.latched(), self.valve.is_driven());
        outputs
    }

    fn step_limit_channels(&mut self, inputs: &Inputs<'_>, reading: Option<&CrankReading>) {
        let Some(config) = &self.job else { return };
        let crank = reading.map(|reading| (reading.angle(), self.speed));
        self.limit_channels
            .step(config, crank, inputs.limit_read_back);
    }

    // What a tick has made, each once: a structure for it would be the outputs themselves.
    #[allow(clippy::too_many_arguments)]
    #[inline(never)]
    fn outputs(
        &mut self,
        inputs: &Inputs<'_>,
        position: CrankPosition,
        valve: ValveDrive,
        permit: Permit,
        raised: FaultSet,
        stop: Option<StopRecord>,
        reply: ServiceReply,
    ) -> Outputs {
        let top_stop = &self.settings.get().top_stop;
        let latched = self.latch.latched();
        let is_muted = self.is_muted(self.last_reading.as_ref());
        let consent = Consent {
            run: permit.run,
            start: permit.start() && latched.is_empty(),
            is_muted,
            is_latched: false,
        };
        let trusted = position.trusted();
        let peer = self
            .channel
            .tell(inputs, trusted, self.stroke, consent, latched);
        Outputs {
            valve,
            second_means: latched.meets(SECOND_MEANS),
            stroke: self.stroke,
            mode: self.mode,
            position,
            is_muted,
            permit,
            latched,
            raised,
            advice: self.latch.advice(),
            first_fault: self.latch.first(),
            start: self.motion.take_finished_start(),
            stop,
            release: match self.last_reading {
                Some(_) => self.release_now(),
                None => top_stop.release,
            },
            authority_percent: self.compensation.authority_percent(),
            compensation: self.compensation.offset(),
            condition: self.run_in.condition(&self.settings.get().run_in),
            limit_channels: self.limit_channels.on(),
            peer,
            reply,
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests;
