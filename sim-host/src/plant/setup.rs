//! How a simulated press is set up for a run: die, counterbalance, speed, wear, heat, and what is
//! broken.

use crate::press::Press;

/// One set-up of a press. Start from [`Setup::nominal`] and change what the run is about.
#[derive(Clone, Debug, PartialEq)]
pub struct Setup {
    /// Upper die on the slide, kg.
    pub die_kg: f64,
    /// Share of the weight of slide and fitted die that the counterbalance carries; 1 is balanced.
    pub counterbalance_share: f64,
    /// Rise of the counterbalance pressure over the stroke as a share: 0 with an endless surge
    /// tank, up to 0.2 on a press.
    pub counterbalance_rise: f64,
    /// Speed setting at the start, strokes per minute: the speed of the idling flywheel.
    pub spm: f64,
    /// Where the crank is at the start and whether it turns.
    pub start: Start,
    /// Share of the press's work curve met in each stroke; 0 is no load.
    pub work_share: f64,
    /// Ambient temperature, °C.
    pub ambient_c: f64,
    /// Brake temperature at the start, °C.
    pub brake_c: f64,
    /// Lining worn off since new, mm.
    pub lining_wear_mm: f64,
    /// Stops made since the lining was renewed, if it is new: a new lining brakes up to a fifth
    /// weaker until some hundred stops have bedded it in.
    pub stops_since_relining: Option<u32>,
    /// What moisture does to the friction of the first stop, as a share either way; gone after a
    /// few stops.
    pub moisture: f64,
    /// How much later the valve exhausts on the first stop because oil or valve are cold, ms; gone
    /// after ten stops.
    pub cold_start_ms: f64,
    /// Whether stops scatter; without it every stop is the nominal one.
    pub scatter: bool,
    /// Whether gears and shafts twist and rattle; without it the train is rigid.
    pub elastic_train: bool,
    /// When the clutch lets go.
    pub clutch_release: ClutchRelease,
    /// What is broken at the start.
    pub faults: Faults,
}

/// The crank at the start of a run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Start {
    /// At rest at this crank angle, degrees, the flywheel turning at the speed setting.
    Ready(f64),
    /// At rest at this crank angle, degrees, motor off, flywheel at rest.
    Cold(f64),
    /// Turning with the clutch locked at the speed setting, at this crank angle, degrees.
    Turning(f64),
}

/// When the clutch lets go in a stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClutchRelease {
    /// When the falling pressure no longer presses it: the flywheel carries the crank through the
    /// reaction.
    WithPressure,
    /// At coil off: the simplification behind common closed forms. Only for comparison with them.
    AtCoilOff,
}

/// What is broken. All off by [`Default`].
#[derive(Clone, Debug, PartialEq)]
pub struct Faults {
    /// Valve element stays shifted when its coil goes off.
    pub valve_stuck_on: [bool; 2],
    /// Valve element does not shift when its coil goes on.
    pub valve_stuck_off: [bool; 2],
    /// Added to the shift time of an element going off, ms.
    pub valve_slow_ms: [f64; 2],
    /// Chance that an element sticks when it goes off: then it is late by a time of this mean, ms.
    /// A rest before the stroke raises the chance: twofold in ten minutes, tenfold at most.
    pub valve_sticking: [Sticking; 2],
    /// Output driver of an element shorted: its coil is on whatever the controller writes.
    pub output_stuck_on: [bool; 2],
    /// Position feedback of an element stuck at this value.
    pub feedback_stuck: [Option<bool>; 2],
    /// Factor on the exhaust time constant: 1 free, above 1 restricted.
    pub exhaust_factor: f64,
    /// Pressure that stays in the clutch when exhausted, bar.
    pub residual_bar: f64,
    /// Supply pressure instead of the press's own, bar.
    pub supply_bar: Option<f64>,
    /// Factor on the brake torque: 1 sound, 0.4 oil on the lining, 0 no brake.
    pub brake_factor: f64,
    /// Factor on the clutch torque.
    pub clutch_factor: f64,
    /// Brake springs broken, of twelve.
    pub broken_springs: u32,
    /// The counterbalance carries nothing.
    pub counterbalance_lost: bool,
    /// Share of the counterbalance pressure that leaks away a minute.
    pub counterbalance_leak_per_min: f64,
    /// Factor on the work curve.
    pub work_factor: f64,
}

/// A valve element that sticks now and then.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sticking {
    /// Chance at each going off, 0 to 1.
    pub chance: f64,
    /// Mean of the time it is late when it sticks, ms; a long tail.
    pub mean_ms: f64,
}

impl Default for Faults {
    fn default() -> Self {
        Self {
            valve_stuck_on: [false; 2],
            valve_stuck_off: [false; 2],
            valve_slow_ms: [0.0; 2],
            valve_sticking: [Sticking::default(); 2],
            output_stuck_on: [false; 2],
            feedback_stuck: [None; 2],
            exhaust_factor: 1.0,
            residual_bar: 0.0,
            supply_bar: None,
            brake_factor: 1.0,
            clutch_factor: 1.0,
            broken_springs: 0,
            counterbalance_lost: false,
            counterbalance_leak_per_min: 0.0,
            work_factor: 1.0,
        }
    }
}

impl Setup {
    /// The press as its data sheet has it: heaviest die, counterbalance as set, nominal speed, a
    /// cool unworn brake, no work, ready at top dead centre.
    pub fn nominal(press: &Press) -> Self {
        Self {
            die_kg: press.masses.die_max_kg,
            counterbalance_share: press.counterbalance.share,
            counterbalance_rise: 0.0,
            spm: press.speed.nominal_spm,
            start: Start::Ready(0.0),
            work_share: 0.0,
            ambient_c: 20.0,
            brake_c: 20.0,
            lining_wear_mm: 0.0,
            stops_since_relining: None,
            moisture: 0.0,
            cold_start_ms: 0.0,
            scatter: true,
            elastic_train: false,
            clutch_release: ClutchRelease::WithPressure,
            faults: Faults::default(),
        }
    }
}
