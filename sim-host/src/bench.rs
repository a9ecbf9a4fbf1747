//! The lock-step world that owns time: the simulated press turns, its resolver is sampled, the
//! controller ticks, and what it writes reaches the press at the instant it names.
//!
//! One tick is a millisecond. The press runs first, frame by frame; then the controller sees the
//! five frames and the panel. Nothing here waits, and two benches of one seed stay equal to the
//! bit.

mod job;

pub use job::JobKeeper;

use crate::control::{Control, Lost, silence};
use crate::index_switch::IndexSwitch;
use crate::load::Loads;
use crate::plant::{Event, Mark, Plant, Setup, StopTruth};
use crate::press::Press;
use crate::resolver::Resolver;
use crate::units;
use std::collections::VecDeque;
use stopwright_core::angle::CrankAngle;
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Controller, Inputs, Outputs, Selector, Service, ValveDrive};
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::Standing;
use stopwright_core::job::CheckedJob;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::motion::StartRecord;
use stopwright_core::receiver::CrankReading;
use stopwright_core::settings::Settings;
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK};
use stopwright_core::stop_time::StopRecord;
use stopwright_core::stroke::Mode;
use stopwright_core::time::{Duration, Instant};
use stopwright_core::two_hand::{PalmContacts, Station};
use stopwright_core::valve_pair::{Captured, ELEMENTS, ElementFeedback};

const TICK_US: u64 = 1_000;
const FRAME_US: u64 = TICK_US / FRAMES_PER_TICK as u64;
/// Crank speed below which the flywheel counts as at rest, strokes per minute.
const FLYWHEEL_AT_REST_SPM: f64 = 0.5;
/// Samples of the crank kept behind the present, one a tick.
const HISTORY_TICKS: usize = 4_000;

/// What people and devices at the press do. Set it and tick.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Mode selector.
    pub mode: Mode,
    /// Left palm button of the first station.
    pub left_pressed: bool,
    /// Right palm button of the first station.
    pub right_pressed: bool,
    /// Key for supervised work.
    pub key_turned: bool,
    /// Emergency stop operated.
    pub emergency_operated: bool,
    /// Stop control operated.
    pub stop_operated: bool,
    /// Something is in the presence-sensing field.
    pub presence_blocked: bool,
    /// An interlocked guard is open.
    pub guard_open: bool,
    /// Counterbalance pressure switch in its window.
    pub counterbalance_air_ok: bool,
    /// Clutch air pressure switch in its window.
    pub clutch_air_ok: bool,
    /// Prior action for continuous.
    pub arm_pressed: bool,
    /// Top stop wanted.
    pub top_stop_pressed: bool,
    /// Reset, for the next tick only.
    pub reset: Option<Standing>,
    /// In the test mode: the angle at which to stop.
    pub test_angle: Option<CrankAngle>,
}

impl Default for Panel {
    fn default() -> Self {
        Self {
            mode: Mode::Off,
            left_pressed: false,
            right_pressed: false,
            key_turned: false,
            emergency_operated: false,
            stop_operated: false,
            presence_blocked: false,
            guard_open: false,
            counterbalance_air_ok: true,
            clutch_air_ok: true,
            arm_pressed: false,
            top_stop_pressed: false,
            reset: None,
            test_angle: None,
        }
    }
}

/// What commissioning asks of the controller in one tick; the owned twin of [`Service`].
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Request {
    /// Nothing.
    #[default]
    None,
    /// Capture the electrical angle.
    CaptureAngle,
    /// Put settings in force.
    Adopt(Box<Settings>),
    /// Put a job in force.
    AdoptJob(Box<CheckedJob>),
}

/// One sample of the crank as the receiver sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When, s.
    pub time_s: f64,
    /// Crank angle by the direct decode, degrees.
    pub crank_deg: f64,
    /// Speed by the tracking loop, strokes per minute.
    pub speed_spm: f64,
    /// A valve coil carries current.
    pub coil_on: bool,
}

/// A stop as the controller measured it, beside what really happened.
#[derive(Clone, Debug)]
pub struct MeasuredStop {
    /// The controller's record.
    pub record: StopRecord,
    /// Plant truth; none when the press was at rest at coil off.
    pub truth: Option<StopTruth>,
    /// The start of the run that it ended; none when the crank was not followed through it.
    pub start: Option<StartRecord>,
    /// From the drive switched on to the spool of each element having shifted.
    pub shift_on: [Duration; ELEMENTS],
    /// From the drive switched off to the spool of each element having shifted.
    pub shift_off: [Duration; ELEMENTS],
    /// The crank around the stop.
    pub trace: Vec<Sample>,
}

/// What becomes of the coming millisecond.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Course {
    /// The tick comes this much late, µs; the frames of that time are lost.
    pub late_us: u64,
    /// The controller has no supply.
    pub is_unpowered: bool,
}

/// One millisecond as it was: truth, what the controller saw, what it said.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// Time at the end of the tick's inputs, s since power-up.
    pub now_s: f64,
    /// The press.
    pub plant: &'a Plant,
    /// The second resolver, where fitted.
    pub second: Option<&'a Resolver>,
    /// The panel as people operate it.
    pub panel: &'a Panel,
    /// What happened in the press since the moment before.
    pub events: &'a [Event],
    /// Stops that came to their true end.
    pub stops: &'a [StopTruth],
    /// What the controller was given.
    pub inputs: &'a Inputs<'a>,
    /// What it said.
    pub outputs: &'a Outputs,
    /// Loads of limit channels that are on.
    pub loads: ChannelSet,
    /// The controller has no supply.
    pub is_unpowered: bool,
}

/// What there is to break at the press.
#[derive(Debug)]
pub struct Equipment<'a> {
    /// The press.
    pub plant: &'a mut Plant,
    /// The resolver and its converter.
    pub resolver: &'a mut Resolver,
    /// The second one, where fitted.
    pub second: Option<&'a mut Resolver>,
    /// The index switch, where fitted.
    pub index: Option<&'a mut IndexSwitch>,
    /// Output stage and loads of the limit channels.
    pub loads: &'a mut Loads,
}

/// Stands between press and controller at every tick: breaks things, and watches.
pub trait Companion: std::fmt::Debug {
    /// Before the press turns on.
    fn before(&mut self, equipment: Equipment<'_>) -> Course;
    /// What the controller is about to be given.
    fn between(&mut self, inputs: &mut Inputs<'_>);
    /// What came of it.
    fn after(&mut self, moment: &Moment<'_>);
}

/// What the resolvers showed in one tick.
struct Sensed {
    frames: [CarrierFrame; FRAMES_PER_TICK],
    second_frames: [CarrierFrame; FRAMES_PER_TICK],
}

/// Press, resolver and controller in lock step.
#[derive(Debug)]
pub struct Bench<C = Controller> {
    plant: Plant,
    resolver: Resolver,
    second: Option<Resolver>,
    index: Option<IndexSwitch>,
    index_closed: bool,
    loads: Loads,
    job: Option<JobKeeper>,
    controller: C,
    lost: Option<Lost>,
    was_unpowered: bool,
    now_us: u64,
    feedback: [ElementFeedback; ELEMENTS],
    /// When the valve was last driven, how long each element then took, and how the run began.
    driven_at: Instant,
    shift_on: [Duration; ELEMENTS],
    start: Option<StartRecord>,
    drive: ValveDrive,
    outputs: Option<Outputs>,
    history: VecDeque<Sample>,
    truths: VecDeque<StopTruth>,
    stops: Vec<MeasuredStop>,
    events: Vec<Event>,
    /// The panel.
    pub panel: Panel,
    /// Asked of the controller until taken back.
    pub request: Request,
    /// Who stands between press and controller.
    pub companion: Option<Box<dyn Companion>>,
}

impl Bench {
    /// A press of this set-up with a controller under `settings`, at power-up.
    pub fn new(
        press: &Press,
        setup: &Setup,
        resolver: Resolver,
        settings: Settings,
        seed: u64,
    ) -> Self {
        let controller = Controller::new(settings, FaultSet::EMPTY);
        Self::with_controller(press, setup, resolver, controller, seed)
    }

    /// The controller, for its settings.
    pub fn controller(&self) -> &Controller {
        &self.controller
    }

    /// When the latch limit of the stop that runs now runs out, s since power-up.
    pub fn limit_runs_out_s(&self) -> Option<f64> {
        self.controller.stop_limit_ends_at().map(units::instant_s)
    }
}

impl<C: Control> Bench<C> {
    /// A press of this set-up with any controller, at power-up.
    pub fn with_controller(
        press: &Press,
        setup: &Setup,
        resolver: Resolver,
        controller: C,
        seed: u64,
    ) -> Self {
        Self {
            plant: Plant::new(press, setup, seed),
            resolver,
            second: None,
            index: None,
            index_closed: false,
            loads: Loads::default(),
            job: None,
            controller,
            lost: None,
            was_unpowered: false,
            now_us: 0,
            feedback: [ElementFeedback::default(); ELEMENTS],
            driven_at: Instant::default(),
            shift_on: [Duration::ZERO; ELEMENTS],
            start: None,
            drive: ValveDrive::default(),
            outputs: None,
            history: VecDeque::with_capacity(HISTORY_TICKS),
            truths: VecDeque::new(),
            stops: Vec::new(),
            events: Vec::new(),
            panel: Panel::default(),
            request: Request::None,
            companion: None,
        }
    }

    /// Why the controller no longer answers, if it does not.
    pub fn lost(&self) -> Option<&Lost> {
        self.lost.as_ref()
    }

    /// The press, for what a person at it can see and do.
    pub fn plant(&self) -> &Plant {
        &self.plant
    }

    /// The press, to act on.
    pub fn plant_mut(&mut self) -> &mut Plant {
        &mut self.plant
    }

    /// The resolver and its converter, to break.
    pub fn resolver_mut(&mut self) -> &mut Resolver {
        &mut self.resolver
    }

    /// Fits a second resolver, with a drive of its own.
    pub fn fit_second_resolver(&mut self, resolver: Resolver) {
        self.second = Some(resolver);
    }

    /// Fits an index switch.
    pub fn fit_index_switch(&mut self, switch: IndexSwitch) {
        self.index = Some(switch);
    }

    /// Gives the limit channels loads.
    pub fn fit_loads(&mut self, loads: Loads) {
        self.loads = loads;
    }

    /// A job that is put in force whenever the controller has come up.
    pub fn set_job(&mut self, job: CheckedJob) {
        self.job = Some(JobKeeper::new(job));
    }

    /// The second resolver, where fitted, to break.
    pub fn second_resolver_mut(&mut self) -> Option<&mut Resolver> {
        self.second.as_mut()
    }

    /// The index switch, where fitted, to watch or break.
    pub fn index_switch_mut(&mut self) -> Option<&mut IndexSwitch> {
        self.index.as_mut()
    }

    /// The index switch is closed, as the controller saw it in the last tick.
    pub fn index_closed(&self) -> bool {
        self.index_closed
    }

    /// Time since power-up, s.
    pub fn now_s(&self) -> f64 {
        self.now_us as f64 / 1e6
    }

    /// What the controller said last; none before the first tick.
    pub fn outputs(&self) -> Option<&Outputs> {
        self.outputs.as_ref()
    }

    /// Stops that ended since the last call.
    pub fn take_stops(&mut self) -> Vec<MeasuredStop> {
        std::mem::take(&mut self.stops)
    }

    /// What happened in the press since the last call.
    pub fn take_events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    /// What the resolvers show in the next tick, with the press turned on to its end.
    fn sense(&mut self) -> Sensed {
        let mut sensed = Sensed {
            frames: [CarrierFrame::SILENT; FRAMES_PER_TICK],
            second_frames: [CarrierFrame::SILENT; FRAMES_PER_TICK],
        };
        for frame in 0..FRAMES_PER_TICK {
            let state = self.plant.state();
            let (angle, speed, accel) = (state.angle_rad, state.speed_rad_s, state.accel_rad_s2);
            sensed.frames[frame] = self.resolver.frame(angle, speed, accel);
            if let Some(second) = &mut self.second {
                sensed.second_frames[frame] = second.frame(angle, speed, accel);
            }
            self.now_us += FRAME_US;
            self.plant.advance_to(self.now_s());
        }
        if let Some(index) = &self.index {
            let state = self.plant.state();
            self.index_closed = index.is_closed(state.angle_rad, state.speed_rad_s);
        }
        self.collect();
        sensed
    }

    /// Takes over what the press reports: truth, and the feedback of the valve elements with the
    /// instants an input-capture timer would hold.
    fn collect(&mut self) {
        let (events, stops) = (self.plant.take_events(), self.plant.take_stops());
        if events.is_empty() && stops.is_empty() {
            return;
        }
        for event in &events {
            let (element, is_on, is_coil) = match event.mark {
                Mark::CoilOn(element) => (element, true, true),
                Mark::CoilOff(element) => (element, false, true),
                Mark::ValveOn(element) => (element, true, false),
                Mark::ValveOff(element) => (element, false, false),
                _ => continue,
            };
            let changed_at = Instant::from_micros((event.time_s * 1e6).round() as u64);
            let captured = Captured { is_on, changed_at };
            let feedback = &mut self.feedback[element];
            *(if is_coil {
                &mut feedback.coil
            } else {
                &mut feedback.shifted
            }) = captured;
        }
        self.truths.extend(stops);
        self.events.extend(events);
    }

    /// One millisecond.
    pub fn tick(&mut self) -> &Outputs {
        let mut companion = self.companion.take();
        let mut course = Course::default();
        if let Some(companion) = &mut companion {
            course = companion.before(Equipment {
                plant: &mut self.plant,
                resolver: &mut self.resolver,
                second: self.second.as_mut(),
                index: self.index.as_mut(),
                loads: &mut self.loads,
            });
        }
        self.now_us += course.late_us;
        self.plant.advance_to(self.now_s());
        let commanded = self
            .outputs
            .map_or(ChannelSet::EMPTY, |said| said.limit_channels);
        self.loads.step(commanded, TICK_US + course.late_us);
        let (events, stops) = (self.events.len(), self.truths.len());
        let sensed = self.sense();
        let request = std::mem::take(&mut self.request);
        let job = self.job.take();
        let is_free = matches!(request, Request::None);
        let due = job.as_ref().zip(self.outputs.as_ref().filter(|_| is_free));
        let due = due.and_then(|(keeper, said)| keeper.due(said));
        let was_asked = due.is_some();
        let service = due.map_or_else(|| service(&request), Service::AdoptJob);
        let mut inputs = self.inputs(sensed, service);
        if let Some(companion) = &mut companion {
            companion.between(&mut inputs);
        }
        let outputs = self.ask(&inputs, course.is_unpowered);
        if let Some(companion) = &mut companion {
            let stops: Vec<StopTruth> = self.truths.range(stops..).copied().collect();
            companion.after(&Moment {
                now_s: self.now_s(),
                plant: &self.plant,
                second: self.second.as_ref(),
                panel: &self.panel,
                events: &self.events[events..],
                stops: &stops,
                inputs: &inputs,
                outputs: &outputs,
                loads: self.loads.on(),
                is_unpowered: course.is_unpowered,
            });
            // It has seen them; kept, they would grow with the run.
            self.events.clear();
        }
        self.companion = companion;
        self.panel.reset = None;
        self.request = request;
        self.job = job;
        if let Some(keeper) = &mut self.job {
            match course.is_unpowered {
                true => keeper.lose(),
                false => keeper.note(&outputs, was_asked),
            }
        }
        self.act(&outputs);
        self.remember(&outputs);
        self.outputs.insert(outputs)
    }

    /// What the controller says; without supply or without a controller, nothing.
    fn ask(&mut self, inputs: &Inputs<'_>, is_unpowered: bool) -> Outputs {
        let was_unpowered = std::mem::replace(&mut self.was_unpowered, is_unpowered);
        let stored = self.outputs.map_or(FaultSet::EMPTY, |said| said.latched);
        if is_unpowered || self.lost.is_some() {
            // What is latched is stored, and shows again with the supply.
            return Outputs {
                latched: stored,
                ..silence()
            };
        }
        let restarted = match was_unpowered {
            true => self.controller.restart(stored),
            false => Ok(()),
        };
        let answer = restarted.and_then(|()| self.controller.tick(inputs));
        answer.unwrap_or_else(|lost| {
            self.lost = Some(lost);
            Outputs {
                latched: stored,
                ..silence()
            }
        })
    }

    fn inputs<'a>(&self, sensed: Sensed, service: Service<'a>) -> Inputs<'a> {
        let panel = &self.panel;
        let palm = |pressed| {
            if pressed {
                PalmContacts::PRESSED
            } else {
                PalmContacts::RELEASED
            }
        };
        let station = Station {
            is_active: true,
            left: palm(panel.left_pressed),
            right: palm(panel.right_pressed),
        };
        let motor_on = self.plant.motor_on();
        let contacts = self.controller.contacts();
        Inputs {
            now: Instant::from_micros(self.now_us),
            frames: sensed.frames,
            second_frames: sensed.second_frames,
            index_closed: self.index_closed,
            supply_ok: true,
            stations: [station, Station::default()],
            selector: Selector::at(panel.mode),
            emergency_chain: Levels::of(contacts.emergency.kind, !panel.emergency_operated),
            stop_control_closed: !panel.stop_operated,
            presence: Levels::of(contacts.presence.kind, !panel.presence_blocked),
            guards: Levels::of(contacts.guards.kind, !panel.guard_open),
            motor_forward: motor_on,
            drive_at_rest: !motor_on && self.plant.flywheel_spm() < FLYWHEEL_AT_REST_SPM,
            clutch_air_ok: panel.clutch_air_ok,
            counterbalance_air_ok: panel.counterbalance_air_ok,
            brake_temperature_ok: self.plant.thermal_switch_closed(),
            auxiliaries_ok: true,
            key_turned: panel.key_turned,
            valve: self.feedback,
            arm_pressed: panel.arm_pressed,
            top_stop_pressed: panel.top_stop_pressed,
            reset: panel.reset,
            test_angle: panel.test_angle,
            limit_read_back: self.loads.outputs(),
            peer: None,
            second_clock: None,
            reported: FaultSet::EMPTY,
            service,
        }
    }

    /// Writes what the controller said to the press.
    fn act(&mut self, outputs: &Outputs) {
        if outputs.valve.is_on != self.drive.is_on {
            if outputs.valve.is_on {
                let now = Instant::from_micros(self.now_us);
                self.driven_at = now.saturating_add(outputs.valve.after);
            }
            let at_s = self.now_s() + units::duration_ms(outputs.valve.after) / 1e3;
            for element in 0..ELEMENTS {
                self.plant.drive(element, outputs.valve.is_on, at_s);
            }
        }
        self.drive = outputs.valve;
        if outputs.second_means {
            self.plant.set_motor(false);
            self.plant.dump_air();
        }
    }

    fn remember(&mut self, outputs: &Outputs) {
        if let Some(reading) = outputs.position.trusted() {
            if self.history.len() == HISTORY_TICKS {
                self.history.pop_front();
            }
            self.history.push_back(self.sample(reading));
        }
        if self.drive.is_on {
            self.shift_on = self.shifted_since(self.driven_at);
        }
        self.start = outputs.start.or(self.start);
        let Some(record) = outputs.stop else { return };
        let truth = self.truth_of(&record);
        let trace = self.trace_of(&record);
        let shift_off = self.shifted_since(record.commanded_at);
        self.stops.push(MeasuredStop {
            record,
            truth,
            start: self.start.take(),
            shift_on: self.shift_on,
            shift_off,
            trace,
        });
    }

    /// From `drive` to the last change of each element's spool.
    fn shifted_since(&self, drive: Instant) -> [Duration; ELEMENTS] {
        self.feedback
            .map(|element| element.shifted.changed_at.saturating_since(drive))
    }

    fn sample(&self, reading: &CrankReading) -> Sample {
        Sample {
            time_s: units::instant_s(reading.measured_at()),
            crank_deg: units::angle_deg(reading.measured()),
            speed_spm: units::speed_spm(reading.speed()),
            coil_on: self.feedback.iter().any(|element| element.coil.is_on),
        }
    }

    /// The true stop that began at the record's coil off.
    fn truth_of(&mut self, record: &StopRecord) -> Option<StopTruth> {
        let coil_off_s = units::instant_s(record.coil_off_at);
        let index = self
            .truths
            .iter()
            .position(|truth| (truth.coil_off_s - coil_off_s).abs() < 1e-4);
        let truth = index.and_then(|index| self.truths.remove(index));
        self.truths.retain(|truth| truth.coil_off_s > coil_off_s);
        truth
    }

    fn trace_of(&self, record: &StopRecord) -> Vec<Sample> {
        let from = units::instant_s(record.commanded_at) - 0.2;
        self.history
            .iter()
            .filter(|sample| sample.time_s >= from)
            .copied()
            .collect()
    }
}

/// A request as the controller sees it.
fn service(request: &Request) -> Service<'_> {
    match request {
        Request::None => Service::None,
        Request::CaptureAngle => Service::CaptureAngle,
        Request::Adopt(settings) => Service::Adopt(settings),
        Request::AdoptJob(job) => Service::AdoptJob(job),
    }
}
