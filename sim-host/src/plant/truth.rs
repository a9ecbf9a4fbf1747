//! What really happened: marks with exact instants, and stops put together from them.
//!
//! Truth is for judging a controller from outside. Nothing here goes through a sensor.

use crate::statistics::rest::signed_deg;

/// What happened. Elements are numbered 0 and 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// The controller wrote an element's output on.
    WrittenOn(usize),
    /// The controller wrote an element's output off: the stop command, if the press was moving.
    WrittenOff(usize),
    /// An element's coil is energised.
    CoilOn(usize),
    /// An element's coil is off.
    CoilOff(usize),
    /// An element has shifted to pressurise.
    ValveOn(usize),
    /// An element has shifted to exhaust.
    ValveOff(usize),
    /// The brake touches: the first torque that slows the crank.
    BrakeTouch,
    /// The brake is free.
    BrakeFree,
    /// The clutch begins to carry.
    ClutchTouch,
    /// The clutch is free.
    ClutchFree,
    /// The crank turns with the flywheel.
    LockUp,
    /// The clutch slips.
    Slip,
    /// The crank begins to turn.
    StartOfMotion,
    /// First zero of the crank speed.
    Standstill,
    /// The crank passed the watched angle of this number, in either direction.
    Passed(usize),
}

/// A mark with its instant and the crank's state there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// What happened.
    pub mark: Mark,
    /// When, s.
    pub time_s: f64,
    /// Crank angle, degrees, counted on over turns.
    pub angle_deg: f64,
    /// Crank speed, strokes per minute.
    pub speed_spm: f64,
}

/// One stop from coil off to standstill. Angles count on over turns except [`Self::rest_deg`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StopTruth {
    /// Number of the stop in the run, from 0.
    pub number: u64,
    /// When the controller wrote the first output off, s; not a number if it did not (a coil lost
    /// by a fault).
    pub command_s: f64,
    /// Crank angle there, degrees.
    pub command_deg: f64,
    /// When the first coil was off, s.
    pub coil_off_s: f64,
    /// Crank angle there, degrees.
    pub coil_off_deg: f64,
    /// Crank speed there, strokes per minute.
    pub speed_spm: f64,
    /// When the first element had shifted, s; not a number if none did.
    pub valve_shifted_s: f64,
    /// When the brake touched, s; not a number if it did not.
    pub touch_s: f64,
    /// First zero of the crank speed, s.
    pub standstill_s: f64,
    /// Coil off to standstill, ms.
    pub stop_time_ms: f64,
    /// Crank travel from coil off to standstill, degrees.
    pub travel_deg: f64,
    /// Rest angle, −180 to 180 degrees around top dead centre: positive is overrun.
    pub overrun_deg: f64,
    /// Rest angle, 0 to 360 degrees.
    pub rest_deg: f64,
    /// Reaction, ms: of the stop at constant speed and then constant deceleration that has the
    /// same time and travel, the part at constant speed: 2 · travel / speed − time.
    pub reaction_ms: f64,
}

/// Puts stops together while events pass.
#[derive(Clone, Debug, Default)]
pub(super) struct StopLog {
    count: u64,
    command: Option<(f64, f64)>,
    open: Option<StopTruth>,
    done: Vec<StopTruth>,
}

impl StopLog {
    pub(super) fn take(&mut self) -> Vec<StopTruth> {
        std::mem::take(&mut self.done)
    }

    /// Direction of travel of the stop that runs now, if one does.
    pub(super) fn open_direction(&self) -> Option<f64> {
        self.open.map(|stop| stop.speed_spm.signum())
    }

    pub(super) fn note(&mut self, event: &Event, is_turning: bool) {
        match event.mark {
            Mark::WrittenOff(_) if is_turning && self.command.is_none() => {
                self.command = Some((event.time_s, event.angle_deg));
            }
            // Driven again before standstill: not a stop.
            Mark::WrittenOn(_) => {
                self.command = None;
                self.open = None;
            }
            Mark::CoilOff(_) if is_turning && self.open.is_none() => self.begin(event),
            Mark::ValveOff(_) => self.fill(|stop| &mut stop.valve_shifted_s, event),
            Mark::BrakeTouch => self.fill(|stop| &mut stop.touch_s, event),
            Mark::Standstill => self.end(event),
            _ => {}
        }
    }

    fn begin(&mut self, event: &Event) {
        let (command_s, command_deg) = self.command.unwrap_or((f64::NAN, f64::NAN));
        self.open = Some(StopTruth {
            number: self.count,
            command_s,
            command_deg,
            coil_off_s: event.time_s,
            coil_off_deg: event.angle_deg,
            speed_spm: event.speed_spm,
            valve_shifted_s: f64::NAN,
            touch_s: f64::NAN,
            ..StopTruth::default()
        });
    }

    fn fill(&mut self, field: fn(&mut StopTruth) -> &mut f64, event: &Event) {
        if let Some(stop) = &mut self.open {
            let field = field(stop);
            if field.is_nan() {
                *field = event.time_s;
            }
        }
    }

    fn end(&mut self, event: &Event) {
        self.command = None;
        let Some(mut stop) = self.open.take() else {
            return;
        };
        stop.standstill_s = event.time_s;
        stop.stop_time_ms = 1e3 * (event.time_s - stop.coil_off_s);
        stop.travel_deg = event.angle_deg - stop.coil_off_deg;
        stop.rest_deg = event.angle_deg.rem_euclid(360.0);
        stop.overrun_deg = signed_deg(event.angle_deg);
        let speed_deg_s = 6.0 * stop.speed_spm;
        stop.reaction_ms = 2e3 * stop.travel_deg / speed_deg_s - stop.stop_time_ms;
        self.count += 1;
        self.done.push(stop);
    }
}
