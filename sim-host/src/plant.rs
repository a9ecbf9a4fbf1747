//! The simulated press: from the controller's valve outputs to the turning crank.
//!
//! A fixed step (at most [`STEP_S`]) of the explicit midpoint rule, and exact instants for whatever changes the equations: coils and spools switching and pressures passing a
//! touch pressure are known beforehand and stepped onto; lock-up, slip, standstill and breaking
//! away are found inside the step they fall in. Equations, choices and what is left out:
//! `docs/PLANT.md`.
//!
//! It knows nothing of sensors or controllers. What really happened is told as [`Event`]s and
//! [`StopTruth`]s. All draws come from the seed.
//!
//! It is a model of an invented press: good for rehearsal and study, no evidence about a real one.

mod air;
mod barring;
mod counterbalance;
mod equations;
mod lining;
mod machine;
mod motion;
mod scatter;
mod setup;
mod truth;
mod wind_up;

pub use setup::{ClutchRelease, Faults, Setup, Start, Sticking};
pub use truth::{Event, Mark, StopTruth};

use crate::press::Press;
use air::Air;
use barring::Barring;
use counterbalance::Counterbalance;
use equations::{Clutch, Crank, Energy, Motion, Rates};
use lining::Lining;
use machine::Machine;
use scatter::{StopDraw, StopHistory};
use std::f64::consts::{PI, TAU};
use wind_up::WindUp;

/// Longest step of the integration, s: one carrier frame. Against tight integration it costs less
/// than 0.01 ms of stopping time (`docs/PLANT.md`).
pub const STEP_S: f64 = 200e-6;
/// Spans shorter than this are not stepped, s.
const INSTANT_S: f64 = 1e-10;
/// The thermal switch of a brake opens so far above what production makes of it, K.
const THERMAL_SWITCH_K: f64 = 10.0;

/// Springs of a brake, for [`Faults::broken_springs`].
pub const BRAKE_SPRINGS: u32 = 12;

/// Where the crank is and how it moves, for a sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CrankState {
    /// Time, s.
    pub time_s: f64,
    /// Crank angle from top dead centre, rad, counted on over turns.
    pub angle_rad: f64,
    /// Crank speed, rad/s.
    pub speed_rad_s: f64,
    /// Crank acceleration, rad/s².
    pub accel_rad_s2: f64,
}

/// Energy that has gone through the press since the start, J; for balances.
pub type EnergyAccount = Energy;

/// The simulated press.
#[derive(Clone, Debug)]
pub struct Plant {
    press: Press,
    setup: Setup,
    seed: u64,
    time_s: f64,
    /// When a step last changed the mode.
    changed_s: f64,
    motion: Motion,
    crank: Crank,
    clutch: Clutch,
    rates: Rates,
    /// Torque of the weight where the crank stands.
    rest_pull_nm: f64,
    machine: Machine,
    counterbalance: Counterbalance,
    air: Air,
    lining: Lining,
    barring: Barring,
    wind_up: Option<WindUp>,
    /// The first zero of crank speed has been told.
    crank_rests: bool,
    motor_on: bool,
    setting: SpeedSetting,
    draw: StopDraw,
    /// How long the valve rested before this stroke, and when it last went off, s.
    rested_s: f64,
    coil_off_s: f64,
    energy: Energy,
    bites: Bites,
    watched_rad: Vec<f64>,
    events: Vec<Event>,
    stops: truth::StopLog,
    marks: Vec<Mark>,
}

/// Speed setting with the lag of its drive.
#[derive(Clone, Copy, Debug)]
struct SpeedSetting {
    now_rad_s: f64,
    wanted_rad_s: f64,
    lag_s: f64,
}

/// Which friction faces carry, to notice changes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Bites {
    brake: bool,
    clutch: bool,
}

impl Plant {
    /// A press in a set-up. Equal press, set-up, seed and calls give equal runs to the bit.
    pub fn new(press: &Press, setup: &Setup, seed: u64) -> Self {
        let (angle_deg, turning, motor_on) = match setup.start {
            Start::Ready(deg) => (deg, false, true),
            Start::Cold(deg) => (deg, false, false),
            Start::Turning(deg) => (deg, true, true),
        };
        let setting_rad_s = setup.spm * PI / 30.0;
        let mut plant = Self {
            press: press.clone(),
            setup: setup.clone(),
            seed,
            time_s: 0.0,
            changed_s: f64::NEG_INFINITY,
            motion: Motion::at(
                angle_deg.to_radians(),
                if turning { setting_rad_s } else { 0.0 },
                if motor_on { setting_rad_s } else { 0.0 },
            ),
            crank: if turning {
                Crank::Turning(1.0)
            } else {
                Crank::Standing
            },
            clutch: if turning {
                Clutch::Locked
            } else {
                Clutch::Slipping(1.0)
            },
            rates: Rates::default(),
            rest_pull_nm: 0.0,
            machine: Machine::new(press, setup),
            counterbalance: Counterbalance::new(press, setup),
            air: Air::new(press, setup.clutch_release, &setup.faults, turning),
            lining: Lining::new(&press.brake, setup),
            barring: Barring::new(press),
            wind_up: WindUp::new(press).filter(|_| setup.elastic_train),
            crank_rests: !turning,
            motor_on,
            setting: SpeedSetting {
                now_rad_s: setting_rad_s,
                wanted_rad_s: setting_rad_s,
                lag_s: press.motor.setting_lag_s,
            },
            draw: StopDraw::nominal(0),
            rested_s: 0.0,
            coil_off_s: 0.0,
            energy: Energy::default(),
            bites: Bites::default(),
            watched_rad: Vec::new(),
            events: Vec::new(),
            stops: truth::StopLog::default(),
            marks: Vec::new(),
        };
        plant.renew_brake();
        plant.bites = plant.biting();
        plant.settle_modes();
        plant
    }

    /// The controller writes the output of a valve element (0 or 1) at an instant, now or later.
    /// Instants in the past count as now.
    ///
    /// # Panics
    /// If `element` is neither 0 nor 1.
    pub fn drive(&mut self, element: usize, on: bool, at_s: f64) {
        assert!(element < 2, "a press has valve elements 0 and 1");
        self.air.drive(element, on, at_s, self.time_s);
    }

    /// Main motor on or off. Off, the flywheel runs down over minutes.
    pub fn set_motor(&mut self, on: bool) {
        self.motor_on = on;
        self.refresh();
    }

    /// Dumps the clutch air by the second means, for good.
    pub fn dump_air(&mut self) {
        self.air.dump(self.time_s, &self.setup.faults);
    }

    /// Sets the speed, strokes per minute; on a press of fixed speed it changes nothing.
    pub fn set_speed_spm(&mut self, spm: f64) {
        if self.press.motor.variable_speed {
            let spm = spm.clamp(0.0, 2.0 * self.press.speed.max_spm);
            self.setting.wanted_rad_s = spm * PI / 30.0;
        }
    }

    /// Turns the crank by turning gear, brake released, at most one stroke per minute either way;
    /// 0 brings it gently to rest and sets the brake again. Its torque is limited: it does not hold
    /// against the clutch.
    pub fn bar(&mut self, speed_deg_s: f64) {
        self.barring.command(speed_deg_s.to_radians());
        self.settle_modes();
    }

    /// What is broken from now on.
    pub fn set_faults(&mut self, faults: Faults) {
        self.setup.faults = faults;
        self.renew_machine();
        self.air
            .apply_faults(self.time_s, &self.setup.faults, &mut self.marks);
        self.note_marks();
        self.settle_modes();
    }

    /// What is broken now.
    pub fn faults(&self) -> &Faults {
        &self.setup.faults
    }

    /// Changes die and counterbalance: mass of the upper die, kg, and the share of the weight of
    /// slide and die that is carried.
    pub fn set_die(&mut self, die_kg: f64, counterbalance_share: f64) {
        self.setup.die_kg = die_kg;
        self.setup.counterbalance_share = counterbalance_share;
        self.counterbalance.refill();
        self.renew_machine();
        self.settle_modes();
    }

    /// Share of the press's work curve met from now on.
    pub fn set_work_share(&mut self, share: f64) {
        self.setup.work_share = share;
        self.renew_machine();
        self.settle_modes();
    }

    /// Tells each passing of a crank angle as [`Mark::Passed`] with the number returned here.
    pub fn watch(&mut self, angle_deg: f64) -> usize {
        self.watched_rad
            .push(angle_deg.to_radians().rem_euclid(TAU));
        self.watched_rad.len() - 1
    }

    /// Heats (or cools) the brake as `minutes` of stops at the present speed setting would, by the
    /// heat model alone: the clock does not move and nothing turns.
    pub fn soak(&mut self, stops_per_minute: f64, minutes: f64) {
        let power_w = self.stopping_w(self.setting.now_rad_s, stops_per_minute);
        self.lining.soak(power_w, minutes * 60.0);
        self.lining.count(stops_per_minute * minutes);
        self.renew_brake();
    }

    /// Brings the brake to the temperature that so many stops a minute at the present speed setting
    /// keep it at; 0 is ambient. Heat alone: nothing wears, nothing turns, the clock stands.
    pub fn temper(&mut self, stops_per_minute: f64) {
        let power_w = self.stopping_w(self.setting.now_rad_s, stops_per_minute);
        self.lining.temper(power_w);
        self.renew_brake();
    }

    /// The heat of so many stops a minute from this speed, W.
    fn stopping_w(&self, speed_rad_s: f64, stops_per_minute: f64) -> f64 {
        let energy_j = 0.5 * self.press.masses.crank_kg_m2 * speed_rad_s * speed_rad_s;
        energy_j * stops_per_minute / 60.0
    }

    /// Lets time pass up to an instant; an instant in the past does nothing.
    pub fn advance_to(&mut self, time_s: f64) {
        while self.time_s < time_s - INSTANT_S {
            let until_s = time_s.min(self.air.next_s());
            if until_s - self.time_s > INSTANT_S {
                self.integrate_to(until_s);
            }
            if self.air.next_s() <= self.time_s + INSTANT_S {
                self.time_s = self.time_s.max(self.air.next_s().min(time_s));
                self.act_on_air();
            }
        }
        if self.air.next_s() <= self.time_s {
            self.act_on_air();
        }
    }

    /// Where the crank is and how it moves.
    pub fn state(&self) -> CrankState {
        let mut state = CrankState {
            time_s: self.time_s,
            angle_rad: self.motion.angle_rad,
            speed_rad_s: self.motion.speed_rad_s,
            accel_rad_s2: self.rates.accel,
        };
        if let Some(wind_up) = &self.wind_up {
            state.angle_rad += wind_up.twist_rad;
            state.speed_rad_s += wind_up.rate_rad_s;
            state.accel_rad_s2 += wind_up.accel_rad_s2;
        }
        state
    }

    /// Slide travel down from top dead centre, mm.
    pub fn slide_mm(&self) -> f64 {
        1e3 * self.machine.slide_m(self.state().angle_rad)
    }

    /// Whether a coil is energised.
    pub fn coil(&self, element: usize) -> bool {
        self.air.coil(element)
    }

    /// Position feedback of a valve element: shifted to pressurise.
    pub fn valve_shifted(&self, element: usize) -> bool {
        self.setup.faults.feedback_stuck[element].unwrap_or_else(|| self.air.shifted(element))
    }

    /// Pressure in the clutch, bar.
    pub fn clutch_pressure_bar(&self) -> f64 {
        self.air.bar(self.time_s)
    }

    /// Pressure in the counterbalance cylinders, bar; `None` where springs do it.
    pub fn counterbalance_bar(&self) -> Option<f64> {
        let slide_m = self.machine.slide_m(self.motion.angle_rad);
        self.counterbalance.pressure_bar(slide_m)
    }

    /// Brake temperature, °C.
    pub fn brake_temperature_c(&self) -> f64 {
        self.lining.temperature_c
    }

    /// The thermal switch of the brake is closed: the lining is no warmer than the hardest production at
    /// the highest speed keeps it, and 10 K.
    pub fn thermal_switch_closed(&self) -> bool {
        let fastest_rad_s = self.press.speed.max_spm * PI / 30.0;
        let hardest_w = self.stopping_w(fastest_rad_s, self.press.brake.stops_per_minute);
        self.lining.temperature_c <= self.lining.steady_c(hardest_w) + THERMAL_SWITCH_K
    }

    /// Lining worn off since new, mm.
    pub fn lining_wear_mm(&self) -> f64 {
        self.lining.wear_mm
    }

    /// Flywheel speed, strokes per minute at the crank.
    pub fn flywheel_spm(&self) -> f64 {
        self.motion.flywheel_rad_s * 30.0 / PI
    }

    /// Whether the main motor is on.
    pub fn motor_on(&self) -> bool {
        self.motor_on
    }

    /// Energy since the start, for balances.
    pub fn energy(&self) -> EnergyAccount {
        self.energy
    }

    /// Energy stored now, J: crank and slide, flywheel, and the weight not carried by the
    /// counterbalance (zero at the top).
    pub fn stored_j(&self) -> f64 {
        let pose = self.machine.pose(&self.motion);
        let (crank, flywheel) = (self.motion.speed_rad_s, self.motion.flywheel_rad_s);
        0.5 * pose.inertia * crank * crank + 0.5 * self.machine.flywheel_kg_m2 * flywheel * flywheel
            - self
                .counterbalance
                .given_j(self.machine.slide_m(self.motion.angle_rad))
    }

    /// Marks since the last call, oldest first.
    pub fn take_events(&mut self) -> Vec<Event> {
        std::mem::take(&mut self.events)
    }

    /// Stops completed since the last call, oldest first.
    pub fn take_stops(&mut self) -> Vec<StopTruth> {
        self.stops.take()
    }

    fn act_on_air(&mut self) {
        let was_on = self.both_coils();
        // If a coil is about to go off, this is the stop it belongs to.
        let draw = if was_on { self.next_draw() } else { self.draw };
        let faults = &self.setup.faults;
        self.air
            .act(self.time_s, faults, draw.shift_delay_s, &mut self.marks);
        match (was_on, self.both_coils()) {
            (true, false) => {
                self.draw = draw;
                self.coil_off_s = self.time_s;
                self.renew_brake();
                self.lining.count(1.0);
            }
            (false, true) => self.rested_s = self.time_s - self.coil_off_s,
            _ => {}
        }
        self.note_marks();
        self.note_bites();
        self.settle_modes();
    }

    fn both_coils(&self) -> bool {
        self.air.coil(0) && self.air.coil(1)
    }

    /// Scatter of the stop after the last one.
    fn next_draw(&self) -> StopDraw {
        let history = StopHistory {
            stops: self.lining.stops(),
            rested_s: self.rested_s,
        };
        let number = self.draw.number + 1;
        StopDraw::new(number, &self.press, &self.setup, self.seed, &history)
    }

    fn renew_machine(&mut self) {
        self.machine = Machine::new(&self.press, &self.setup);
        self.counterbalance.renew(&self.press, &self.setup);
        self.renew_brake();
    }

    /// Brake torque of the running stop: scatter, heat, wear, damage.
    fn renew_brake(&mut self) {
        let broken = f64::from(self.setup.faults.broken_springs.min(BRAKE_SPRINGS));
        let sound_springs = (1.0 - broken / f64::from(BRAKE_SPRINGS)).max(1e-3);
        self.machine.brake_nm = self.press.brake.torque_nm
            * self.lining.torque_share()
            * self.draw.brake_factor
            * self.setup.faults.brake_factor
            * sound_springs;
        let touch_bar = self.press.brake.touch_bar * sound_springs;
        self.air.set_brake(self.lining.gap_ms(), touch_bar);
    }

    fn note(&mut self, mark: Mark) {
        let state = self.state();
        self.note_at(mark, &state);
    }

    fn note_at(&mut self, mark: Mark, state: &CrankState) {
        let event = Event {
            mark,
            time_s: state.time_s,
            angle_deg: state.angle_rad.to_degrees(),
            speed_spm: state.speed_rad_s * 30.0 / PI,
        };
        self.stops.note(&event, self.crank != Crank::Standing);
        self.events.push(event);
    }

    fn note_marks(&mut self) {
        for mark in std::mem::take(&mut self.marks) {
            self.note(mark);
        }
    }

    /// Faces carry from the instant after a knot on.
    fn biting(&self) -> Bites {
        let shares = self.air.shares(self.time_s + 1e-6);
        Bites {
            brake: shares.brake > 0.0,
            clutch: shares.clutch > 0.0,
        }
    }

    fn note_bites(&mut self) {
        let now = self.biting();
        let was = std::mem::replace(&mut self.bites, now);
        if now.brake != was.brake {
            self.note(if now.brake {
                Mark::BrakeTouch
            } else {
                Mark::BrakeFree
            });
        }
        if now.clutch != was.clutch {
            self.note(if now.clutch {
                Mark::ClutchTouch
            } else {
                Mark::ClutchFree
            });
        }
    }
}
