//! A controller on a rig: every input can be set, the crank is a rotor under constant torque, and
//! the resolver is drawn by its formula. Nothing of it is a press; it is what it takes to make each
//! fault show.

use super::settings::{BRAKING_DEG_S2, REACTION_MS, SPEED_DEG_S};
use std::f64::consts::TAU;
use stopwright_core::contacts::{self, Levels};
use stopwright_core::controller::{
    Controller, Inputs, Outputs, Selector, Service, ServiceReply, TICK,
};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::{Evidence, Standing};
use stopwright_core::job::{CheckedJob, Job};
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::peer::{self, Message, Received};
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::signal::{CODE_MAX, CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::time::{Duration, Instant};
use stopwright_core::two_hand::{PalmContacts, STATIONS_MAX, Station};
use stopwright_core::valve_pair::{Captured, ELEMENTS, ElementFeedback};

/// From the drive to the coil, and to the spool.
const COIL: Duration = Duration::from_millis(5);
const SPOOL: Duration = Duration::from_millis(20);
const CLUTCH_DEG_S2: f64 = 3_000.0;

/// A resolver and its converter.
#[derive(Clone, Debug)]
pub(crate) struct Resolver {
    /// Amplitude of each winding against the nominal one.
    pub(crate) gain: [f64; 2],
    /// Direct voltage of the sine winding, codes.
    pub(crate) offset: f64,
    pub(crate) carrier_phase_deg: f64,
    /// A second harmonic that turns over from frame to frame, codes.
    pub(crate) noise: f64,
    /// By how much the shaft stands off the crank.
    pub(crate) slip_deg: f64,
    /// By how much it does in the last frame of each tick.
    pub(crate) slip_last_deg: f64,
    /// The converter repeats its latest frame.
    pub(crate) is_frozen: bool,
    latest: CarrierFrame,
    /// State of the draw that dithers the codes.
    dither: u32,
}

impl Resolver {
    const fn healthy() -> Self {
        Self {
            gain: [1.0; 2],
            offset: 0.0,
            carrier_phase_deg: 0.0,
            noise: 0.0,
            slip_deg: 0.0,
            slip_last_deg: 0.0,
            is_frozen: false,
            latest: CarrierFrame::SILENT,
            dither: 1,
        }
    }

    /// The frame of this place in its tick. The resolver's own zero lies 45 degrees from the top.
    fn frame(&mut self, crank_deg: f64, place: usize) -> CarrierFrame {
        if self.is_frozen {
            return self.latest;
        }
        let is_last = place + 1 == FRAMES_PER_TICK;
        let slip_deg = self.slip_deg + if is_last { self.slip_last_deg } else { 0.0 };
        let (sine, cosine) = (crank_deg + slip_deg + 45.0).to_radians().sin_cos();
        let noise = if place.is_multiple_of(2) {
            self.noise
        } else {
            -self.noise
        };
        let phase_deg = self.carrier_phase_deg;
        let dither = &mut self.dither;
        let mut codes = |winding: f64, offset: f64| {
            std::array::from_fn(|sample| {
                // No converter is quite still.
                *dither = dither.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let still = f64::from(*dither >> 30) / 2.0 - 0.75;
                let phase = sample as f64 / SAMPLES_PER_FRAME as f64 * TAU + phase_deg.to_radians();
                let harmonic = noise * [1.0, 0.0, -1.0, 0.0][sample % 4];
                let code = 2_048.0 + 1_800.0 * winding * phase.sin() + offset + harmonic + still;
                code.round().clamp(0.0, f64::from(CODE_MAX)) as u16
            })
        };
        let [sine_gain, cosine_gain] = self.gain;
        self.latest = CarrierFrame {
            sine: codes(sine * sine_gain, self.offset),
            cosine: codes(cosine * cosine_gain, 0.0),
        };
        self.latest
    }
}

/// The crank.
#[derive(Clone, Debug)]
pub(crate) struct Crank {
    pub(crate) angle_deg: f64,
    speed_deg_s: f64,
    /// The flywheel's.
    pub(crate) drive_deg_s: f64,
    /// From coil off until the brake bites.
    pub(crate) reaction_ms: f64,
    /// Something else turns it, at this speed, whatever clutch and brake do.
    pub(crate) forced_deg_s: Option<f64>,
}

/// One element of the valve.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Element {
    pub(crate) coil_stuck: Option<bool>,
    pub(crate) spool_stuck: Option<bool>,
    feedback: ElementFeedback,
}

/// The rig.
pub(crate) struct Rig {
    controller: Controller,
    settings: &'static Settings,
    pub(crate) inputs: Inputs<'static>,
    pub(crate) resolver: Resolver,
    pub(crate) second: Resolver,
    /// By how much the index switch stands off its place, or the state it is stuck in.
    pub(crate) index_slip_deg: f64,
    pub(crate) index_stuck: Option<bool>,
    /// What the other channel says, made from what this one says: it sees the same.
    pub(crate) peer_says: fn(Message) -> Option<Message>,
    /// The limit channels' outputs are not read back as they are.
    pub(crate) read_back_is_dead: bool,
    pub(crate) crank: Crank,
    pub(crate) elements: [Element; ELEMENTS],
    /// The next tick comes late by so much.
    pub(crate) late_us: u64,
    drive: Captured,
    now_us: u64,
    /// When the last message was made.
    told_at: Instant,
    pub(crate) outputs: Outputs,
    /// Whatever was latched or advised of since power-up.
    pub(crate) seen: FaultSet,
    /// The first thing that was waited for in vain.
    pub(crate) trouble: Option<String>,
}

impl Rig {
    /// Powered up, self-test passed, slide at the top.
    pub(crate) fn new(schema: Schema) -> Self {
        let settings = Settings::try_new(schema).unwrap_or_else(|problems| panic!("{problems:?}"));
        // A rig ends with its test: what it leaks is small and goes with it.
        let settings = &*Box::leak(Box::new(settings));
        let mut controller = Controller::new(*settings, FaultSet::EMPTY);
        let inputs = calm();
        let outputs = controller.tick(&inputs);
        let mut rig = Self {
            controller,
            settings,
            inputs,
            resolver: Resolver::healthy(),
            second: Resolver::healthy(),
            index_slip_deg: 0.0,
            index_stuck: None,
            peer_says: Some,
            read_back_is_dead: false,
            crank: Crank {
                angle_deg: 0.0,
                speed_deg_s: 0.0,
                drive_deg_s: SPEED_DEG_S,
                reaction_ms: REACTION_MS,
                forced_deg_s: None,
            },
            elements: [Element::default(); ELEMENTS],
            late_us: 0,
            drive: Captured::default(),
            now_us: 0,
            told_at: Instant::from_micros(0),
            outputs,
            seen: FaultSet::EMPTY,
            trouble: None,
        };
        rig.until("the self-test", |outputs| outputs.stroke == Stroke::Off);
        rig
    }

    /// Everything that was broken is whole again, hands off, the crank under clutch and brake.
    pub(crate) fn mend(&mut self) {
        // A pair of which one channel went alone has to be seen off as a whole.
        let pairs = contacts::Config::DEFAULT;
        self.inputs.emergency_chain = Levels::of(pairs.emergency.kind, false);
        self.inputs.presence = Levels::of(pairs.presence.kind, false);
        self.inputs.guards = Levels::of(pairs.guards.kind, false);
        self.run_ms(10);
        let selector = match self.inputs.selector.contacts() {
            0 => Selector::at(Mode::Single),
            _ => self.inputs.selector,
        };
        self.inputs = Inputs { selector, ..calm() };
        (self.resolver, self.second) = (Resolver::healthy(), Resolver::healthy());
        (self.index_slip_deg, self.index_stuck) = (0.0, None);
        (self.peer_says, self.read_back_is_dead) = (Some, false);
        self.crank.forced_deg_s = None;
        self.crank.drive_deg_s = SPEED_DEG_S;
        self.crank.reaction_ms = REACTION_MS;
        for element in &mut self.elements {
            (element.coil_stuck, element.spool_stuck) = (None, None);
        }
    }

    /// One millisecond.
    pub(crate) fn tick(&mut self) {
        for place in 0..FRAMES_PER_TICK {
            self.turn(1e-3 / FRAMES_PER_TICK as f64);
            let angle_deg = self.crank.angle_deg;
            self.inputs.frames[place] = self.resolver.frame(angle_deg, place);
            self.inputs.second_frames[place] = self.second.frame(angle_deg, place);
        }
        self.now_us += 1_000 + std::mem::take(&mut self.late_us);
        self.inputs.now = Instant::from_micros(self.now_us);
        let index_deg = (self.crank.angle_deg - self.index_slip_deg).rem_euclid(360.0);
        let index = (210.0..=270.0).contains(&index_deg);
        self.inputs.index_closed = self.index_stuck.unwrap_or(index);
        self.inputs.valve = self.elements.map(|element| element.feedback);
        let on = self.outputs.limit_channels;
        self.inputs.limit_read_back = if self.read_back_is_dead {
            ChannelSet::EMPTY
        } else {
            on
        };
        self.inputs.peer = (self.peer_says)(self.outputs.peer).map(|message| Received {
            message,
            at: self.told_at.saturating_add(peer::Config::DEFAULT.transport),
        });
        self.told_at = self.inputs.now;
        self.outputs = self.controller.tick(&self.inputs);
        self.seen = self
            .seen
            .union(self.outputs.latched)
            .union(self.outputs.advice);
        if self.outputs.valve.is_on != self.drive.is_on {
            self.drive = Captured {
                is_on: self.outputs.valve.is_on,
                changed_at: self.inputs.now.saturating_add(self.outputs.valve.after),
            };
        }
        self.follow();
    }

    /// Coils and spools follow the drive.
    fn follow(&mut self) {
        let (drive, now) = (self.drive, self.inputs.now);
        let update = |seen: &mut Captured, delay: Duration, stuck: Option<bool>| {
            let at = drive.changed_at.saturating_add(delay);
            let wanted = stuck.unwrap_or(if now >= at { drive.is_on } else { seen.is_on });
            if wanted != seen.is_on {
                let changed_at = if stuck.is_some() { now } else { at };
                *seen = Captured {
                    is_on: wanted,
                    changed_at,
                };
            }
        };
        for element in &mut self.elements {
            update(&mut element.feedback.coil, COIL, element.coil_stuck);
            update(&mut element.feedback.shifted, SPOOL, element.spool_stuck);
        }
    }

    fn turn(&mut self, step_s: f64) {
        let is_clutched = self
            .elements
            .iter()
            .all(|element| element.feedback.shifted.is_on);
        let coils = self.elements.map(|element| element.feedback.coil);
        let off_us = coils
            .iter()
            .map(|coil| coil.changed_at.as_micros())
            .max()
            .unwrap_or(0);
        let off_for_ms = (self.now_us as f64 - off_us as f64) / 1e3;
        let are_off = coils.iter().all(|coil| !coil.is_on);
        let is_braked = are_off && off_for_ms >= self.crank.reaction_ms;
        let crank = &mut self.crank;
        if let Some(forced) = crank.forced_deg_s {
            crank.speed_deg_s = forced;
        } else if self.drive.is_on && is_clutched {
            let faster = crank.speed_deg_s + CLUTCH_DEG_S2 * step_s;
            crank.speed_deg_s = faster.min(crank.drive_deg_s);
        } else if is_braked {
            crank.speed_deg_s = (crank.speed_deg_s - BRAKING_DEG_S2 * step_s).max(0.0);
        }
        crank.angle_deg += crank.speed_deg_s * step_s;
    }

    pub(crate) fn run_ms(&mut self, ms: u32) {
        (0..ms).for_each(|_| self.tick());
    }

    /// Runs until it is so, for ten seconds at most; notes it when that does not come.
    pub(crate) fn until(&mut self, what: &str, is_so: fn(&Outputs) -> bool) {
        for _ in 0..10_000 {
            self.tick();
            if is_so(&self.outputs) {
                return;
            }
        }
        let latched: Vec<FaultCode> = self.outputs.latched.iter().collect();
        let stroke = self.outputs.stroke;
        let trouble = format!("waited for {what} in vain: {stroke:?}, {latched:?}");
        self.trouble.get_or_insert(trouble);
    }

    pub(crate) fn select(&mut self, mode: Mode) {
        self.let_go();
        self.inputs.selector = Selector::at(mode);
        self.until("the mode to be taken up", |outputs| {
            matches!(outputs.stroke, Stroke::Ready | Stroke::Barring)
        });
    }

    /// Puts a job in force.
    pub(crate) fn adopt(&mut self, job: Job) {
        let job = CheckedJob::try_new(job, self.settings, TICK).expect("a job for the rig");
        self.inputs.service = Service::AdoptJob(Box::leak(Box::new(job)));
        self.tick();
        self.inputs.service = Service::None;
        self.run_ms(100);
    }

    /// The supply went away and is back at once: a controller that knows nothing of before.
    pub(crate) fn power_up(&mut self) {
        self.controller = Controller::new(*self.settings, FaultSet::EMPTY);
    }

    /// Asks for one tick that the settings be put in force.
    pub(crate) fn ask_to_adopt(&mut self) -> ServiceReply {
        self.inputs.service = Service::Adopt(self.settings);
        self.tick();
        self.inputs.service = Service::None;
        self.outputs.reply
    }

    fn palms(&mut self, contacts: PalmContacts) {
        let station = &mut self.inputs.stations[0];
        (station.left, station.right) = (contacts, contacts);
    }

    pub(crate) fn press_both(&mut self) {
        self.palms(PalmContacts::PRESSED);
    }

    pub(crate) fn let_go(&mut self) {
        self.palms(PalmContacts::RELEASED);
    }

    /// Starts a single stroke from the top and goes on to this angle of it, or to where it stops.
    pub(crate) fn stroke_to(&mut self, angle_deg: f64) {
        let is_ready = matches!(
            self.outputs.stroke,
            Stroke::Ready | Stroke::Interrupted { .. }
        );
        if !is_ready {
            self.select(Mode::Single);
        }
        // A slide at the top may rest a little short of it.
        let top_deg = ((self.crank.angle_deg + 20.0) / 360.0).floor() * 360.0;
        self.press_both();
        self.until("the slide to move", |outputs| outputs.valve.is_on);
        while self.crank.angle_deg < top_deg + angle_deg && self.outputs.valve.is_on {
            self.tick();
        }
    }

    /// Finishes a stroke that was cut short while opening.
    pub(crate) fn inch_to_top(&mut self) {
        self.inputs.selector = Selector::at(Mode::Inch);
        self.until("to be ready to inch", |outputs| {
            outputs.stroke == Stroke::ReadyAwayFromTop
        });
        self.press_both();
        self.until("the slide to move", |outputs| outputs.valve.is_on);
        self.until("the slide to rest", |outputs| outputs.stroke.is_standing());
        self.select(Mode::Single);
    }

    /// A whole single stroke.
    pub(crate) fn stroke(&mut self) {
        self.stroke_to(250.0);
        self.let_go();
        self.until("the slide to rest", |outputs| outputs.stroke.is_standing());
        self.run_ms(200);
    }

    /// A reset, for one tick. Whoever has commissioned anew puts the outcome in force first.
    pub(crate) fn reset(&mut self, standing: Standing) {
        if standing == Standing::Recommissioned {
            self.inputs.service = Service::Adopt(self.settings);
            self.tick();
            self.inputs.service = Service::None;
            self.run_ms(100);
        }
        self.inputs.reset = Some(standing);
        self.tick();
        self.inputs.reset = None;
        self.tick();
    }

    /// The windings drift to these amplitudes, slowly.
    pub(crate) fn drift_to(&mut self, gain: [f64; 2]) {
        let [sine, cosine] = [0, 1].map(|winding| gain[winding] - self.resolver.gain[winding]);
        for _ in 0..100 {
            self.resolver.gain[0] += sine / 100.0;
            self.resolver.gain[1] += cosine / 100.0;
            self.run_ms(10);
        }
    }

    pub(crate) fn is_latched(&self, code: FaultCode) -> bool {
        self.outputs.latched.contains(code)
    }

    /// What was known when it latched.
    pub(crate) fn evidence(&self, code: FaultCode) -> Option<Evidence> {
        self.controller.evidence(code)
    }
}

/// Inputs of a press with everything in order, nobody at it.
fn calm() -> Inputs<'static> {
    let mut stations = [Station::default(); STATIONS_MAX];
    stations[0] = Station {
        is_active: true,
        left: PalmContacts::RELEASED,
        right: PalmContacts::RELEASED,
    };
    Inputs {
        supply_ok: true,
        stations,
        selector: Selector::at(Mode::Off),
        emergency_chain: Levels::of(contacts::Config::DEFAULT.emergency.kind, true),
        stop_control_closed: true,
        presence: Levels::of(contacts::Config::DEFAULT.presence.kind, true),
        guards: Levels::of(contacts::Config::DEFAULT.guards.kind, true),
        motor_forward: true,
        clutch_air_ok: true,
        counterbalance_air_ok: true,
        brake_temperature_ok: true,
        auxiliaries_ok: true,
        key_turned: true,
        ..Inputs::dead(Instant::from_micros(0))
    }
}
