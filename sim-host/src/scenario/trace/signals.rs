//! Every signal that a trace can hold.

use super::TraceError;
use crate::bench::Moment;
use crate::resolver::Resolver;
use crate::units;
use std::f64::consts::PI;
use stopwright_core::demodulator::{Config, demodulate};
use stopwright_core::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::stroke::Stroke;

/// How a signal's values look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Any number.
    Real,
    /// 0 or 1.
    Bit,
    /// A whole number below 2¹⁶.
    Word,
}

/// A signal.
#[derive(Debug)]
pub struct Signal {
    /// Its name, with its unit.
    pub name: &'static str,
    /// How its values look.
    pub shape: Shape,
    /// What it is.
    pub what: &'static str,
    value: fn(&Moment<'_>) -> f64,
}

impl Signal {
    const fn real(name: &'static str, what: &'static str, value: fn(&Moment<'_>) -> f64) -> Self {
        Self {
            name,
            shape: Shape::Real,
            what,
            value,
        }
    }

    const fn bit(name: &'static str, what: &'static str, value: fn(&Moment<'_>) -> f64) -> Self {
        Self {
            name,
            shape: Shape::Bit,
            what,
            value,
        }
    }

    const fn word(name: &'static str, what: &'static str, value: fn(&Moment<'_>) -> f64) -> Self {
        Self {
            name,
            shape: Shape::Word,
            what,
            value,
        }
    }

    /// Its value; not a number where it is not known.
    pub fn of(&self, moment: &Moment<'_>) -> f64 {
        (self.value)(moment)
    }
}

const fn bit(is_on: bool) -> f64 {
    if is_on { 1.0 } else { 0.0 }
}

/// A middle sample of the carrier, near its crest.
const CREST: usize = SAMPLES_PER_FRAME / 4;

/// All signals.
pub const SIGNALS: &[Signal] = &[
    Signal::real("crank_deg", "true crank angle, 0 to 360", |m| {
        m.plant.state().angle_rad.to_degrees().rem_euclid(360.0)
    }),
    Signal::real("crank_spm", "true crank speed", |m| {
        m.plant.state().speed_rad_s * 30.0 / PI
    }),
    Signal::real("flywheel_spm", "flywheel speed at the crank", |m| {
        m.plant.flywheel_spm()
    }),
    Signal::real("slide_mm", "slide travel down from top dead centre", |m| {
        m.plant.slide_mm()
    }),
    Signal::real("clutch_bar", "pressure in the clutch", |m| {
        m.plant.clutch_pressure_bar()
    }),
    Signal::real(
        "counterbalance_bar",
        "pressure in the counterbalance",
        |m| m.plant.counterbalance_bar().unwrap_or(f64::NAN),
    ),
    Signal::real("brake_c", "brake temperature", |m| {
        m.plant.brake_temperature_c()
    }),
    Signal::bit("coil_1", "first coil carries current", |m| {
        bit(m.plant.coil(0))
    }),
    Signal::bit("coil_2", "second coil carries current", |m| {
        bit(m.plant.coil(1))
    }),
    Signal::bit("valve_1", "first element shifted, by its feedback", |m| {
        bit(m.plant.valve_shifted(0))
    }),
    Signal::bit("valve_2", "second element shifted, by its feedback", |m| {
        bit(m.plant.valve_shifted(1))
    }),
    Signal::bit("left", "left palm down", |m| bit(m.panel.left_pressed)),
    Signal::bit("right", "right palm down", |m| bit(m.panel.right_pressed)),
    Signal::bit("reach", "a hand in the presence sensing", |m| {
        bit(m.panel.presence_blocked)
    }),
    Signal::bit("emergency", "emergency stop operated", |m| {
        bit(m.panel.emergency_operated)
    }),
    Signal::bit("guard", "an interlocked guard is open", |m| {
        bit(m.panel.guard_open)
    }),
    Signal::bit("supply", "supply as the controller is told", |m| {
        bit(m.inputs.supply_ok && !m.is_unpowered)
    }),
    Signal::word("sine_code", "a sample of the sine winding", |m| {
        f64::from(m.inputs.frames[0].sine[CREST])
    }),
    Signal::word("cosine_code", "a sample of the cosine winding", |m| {
        f64::from(m.inputs.frames[0].cosine[CREST])
    }),
    Signal::word("second_sine_code", "the same of the second resolver", |m| {
        f64::from(m.inputs.second_frames[0].sine[CREST])
    }),
    Signal::word(
        "second_cosine_code",
        "the same of its cosine winding",
        |m| f64::from(m.inputs.second_frames[0].cosine[CREST]),
    ),
    Signal::real(
        "second_deg",
        "crank angle that the second resolver shows",
        second_deg,
    ),
    Signal::bit(
        "index",
        "index switch closed, as the controller is told",
        |m| bit(m.inputs.index_closed),
    ),
    Signal::real("seen_deg", "crank angle as the controller trusts it", |m| {
        let reading = m.outputs.position.trusted();
        reading.map_or(f64::NAN, |it| units::angle_deg(it.angle()))
    }),
    Signal::real("seen_spm", "crank speed as the controller trusts it", |m| {
        let reading = m.outputs.position.trusted();
        reading.map_or(f64::NAN, |it| units::speed_spm(it.speed()))
    }),
    Signal::bit("drive", "valve drive on", |m| bit(m.outputs.valve.is_on)),
    Signal::bit("second_means", "second means used", |m| {
        bit(m.outputs.second_means)
    }),
    Signal::bit("muted", "presence sensing muted", |m| {
        bit(m.outputs.is_muted)
    }),
    Signal::bit("permit", "a stroke may start", |m| {
        bit(m.outputs.permit.start())
    }),
    Signal::word("state", "state of the stroke, by number", |m| {
        f64::from(state_number(m.outputs.stroke))
    }),
    Signal::real("release_deg", "release angle in force", |m| {
        units::angle_deg(m.outputs.release)
    }),
    Signal::real("compensation_deg", "what the compensation adds", |m| {
        units::travel_deg(m.outputs.compensation)
    }),
    Signal::word(
        "limit_channels",
        "limit channels that are on, by bit",
        |m| f64::from(m.outputs.limit_channels.to_bits()),
    ),
    Signal::word(
        "limit_read_back",
        "limit channels as the controller reads them back, by bit",
        |m| f64::from(m.inputs.limit_read_back.to_bits()),
    ),
    Signal::word(
        "loads",
        "loads of limit channels that are on, by bit",
        |m| f64::from(m.loads.to_bits()),
    ),
    Signal::word("faults", "how many faults are latched", |m| {
        m.outputs.latched.iter().count() as f64
    }),
    Signal::word(
        "first_fault",
        "number of the first latched fault, or 0",
        |m| {
            let first = m.outputs.first_fault;
            first.map_or(0.0, |first| f64::from(first.code.number()))
        },
    ),
];

/// By the direct decode of the last frame, before any check; not a number where none is fitted.
fn second_deg(moment: &Moment<'_>) -> f64 {
    let Some(setup) = moment.second.map(Resolver::setup) else {
        return f64::NAN;
    };
    let seen = demodulate(&moment.inputs.second_frames[FRAMES_PER_TICK - 1]);
    let seen = seen.in_phase(&Config::new(0));
    let rotor_deg = f64::from(seen.sine)
        .atan2(f64::from(seen.cosine))
        .to_degrees();
    let crank_deg = match setup.reversed {
        true => setup.zero_deg - rotor_deg,
        false => rotor_deg - setup.zero_deg,
    };
    crank_deg.rem_euclid(360.0)
}

/// Numbers of the states in a trace, stable.
pub(in crate::scenario) const fn state_number(stroke: Stroke) -> u8 {
    match stroke {
        Stroke::PowerUp => 0,
        Stroke::Off => 1,
        Stroke::Barring => 2,
        Stroke::WaitRelease => 3,
        Stroke::Ready => 4,
        Stroke::ReadyAwayFromTop => 5,
        Stroke::Inching => 6,
        Stroke::Closing => 7,
        Stroke::Opening => 8,
        Stroke::TopStopping { .. } => 9,
        Stroke::Interrupted { .. } => 10,
        Stroke::Armed => 11,
        Stroke::ContinuousClosing { .. } => 12,
        Stroke::ContinuousRunning => 13,
        Stroke::ContinuousTopStop => 14,
        Stroke::TestStroke => 15,
        Stroke::ImmediateStopping { .. } => 16,
        Stroke::EmergencyStopped => 17,
        Stroke::FaultLatched => 18,
    }
}

/// The signals of these names, joined by commas; all of them for "all".
///
/// # Errors
/// [`TraceError::UnknownSignal`].
pub fn signals_named(list: &str) -> Result<Vec<&'static Signal>, TraceError> {
    if list == "all" {
        return Ok(SIGNALS.iter().collect());
    }
    let find = |name: &str| {
        let found = SIGNALS.iter().find(|signal| signal.name == name);
        found.ok_or_else(|| TraceError::UnknownSignal {
            found: name.to_owned(),
            known: SIGNALS
                .iter()
                .map(|signal| signal.name)
                .collect::<Vec<_>>()
                .join(", "),
        })
    };
    list.split(',').map(|name| find(name.trim())).collect()
}
