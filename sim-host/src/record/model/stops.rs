//! The part of the record that speaks for the stops: cells, single stops, curves over time.

use serde::{Deserialize, Serialize};

/// All stops, and what each cell of like stops says.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StopMatrix {
    /// Share of all future stops the tolerance limits cover, such as 0.999.
    pub content_ratio: f64,
    /// Confidence of that statement, such as 0.95.
    pub confidence_ratio: f64,
    /// How the warm cells were made warm, and what that leaves out.
    pub warm_note: Option<String>,
    /// One per kind, speed and brake condition.
    pub cells: Vec<Cell>,
    /// Every stop of every cell, in the order it was made.
    pub stops: Vec<Stop>,
    /// Moves back to the top, told apart from stops at speed and kept out of the cells.
    pub positioning_moves: Vec<PositioningMove>,
    /// Measured stops against plant truth, where truth is known.
    pub accuracy: Option<Accuracy>,
}

impl StopMatrix {
    /// The stop with this number.
    pub fn stop(&self, number: u32) -> Option<&Stop> {
        self.stops.iter().find(|stop| stop.number == number)
    }

    /// The cell with this name.
    pub fn cell(&self, id: &str) -> Option<&Cell> {
        self.cells.iter().find(|cell| cell.id == id)
    }
}

/// Like stops together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cell {
    /// Short name, unique in the record; `Stop::cell` refers to it.
    pub id: String,
    /// Where in the stroke the stop was commanded.
    pub kind: StopKind,
    /// Crank angle of the stop command: the mean over the cell, in degrees.
    pub command_deg: f64,
    /// Nominal speed, in strokes per minute.
    pub speed_spm: f64,
    /// Brake cold, warm or not known.
    pub brake: BrakeCondition,
    /// Number of stops.
    pub n: u32,
    /// Mean stopping time, in milliseconds.
    pub time_mean_ms: f64,
    /// Standard deviation of the stopping time, in milliseconds; none below two stops.
    pub time_sd_ms: Option<f64>,
    /// Longest stopping time, in milliseconds.
    pub time_worst_ms: f64,
    /// One-sided upper tolerance limit of the stopping time, in milliseconds.
    pub time_tolerance_limit_ms: Option<f64>,
    /// Factor k of that limit: mean plus k standard deviations.
    pub tolerance_factor: Option<f64>,
    /// Mean stopping travel, in degrees.
    pub travel_mean_deg: f64,
    /// Standard deviation of the stopping travel, in degrees.
    pub travel_sd_deg: Option<f64>,
    /// Longest stopping travel, in degrees.
    pub travel_worst_deg: f64,
    /// One-sided upper tolerance limit of the stopping travel, in degrees.
    pub travel_tolerance_limit_deg: Option<f64>,
    /// Brake temperature at the first stop of the cell, in degrees Celsius; simulated only.
    pub brake_c: Option<f64>,
}

/// Where in the stroke a stop was commanded.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StopKind {
    /// At the release angle, to rest at the top.
    #[default]
    Top,
    /// Anywhere else.
    MidStroke,
}

/// State of the brake.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BrakeCondition {
    /// At the temperature of the room.
    Cold,
    /// At working temperature.
    Warm,
    /// Nobody wrote it down.
    #[default]
    NotStated,
}

/// One stop.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stop {
    /// Number of the stop, from 1, unique in the record; the trace file bears it.
    pub number: u32,
    /// The cell it belongs to.
    pub cell: String,
    /// The recording it was found in.
    pub recording: Option<String>,
    /// Time of the stop command within that recording, in seconds.
    pub command_time_s: Option<f64>,
    /// Crank angle at coil off, in degrees.
    pub command_deg: f64,
    /// Crank speed at coil off, in strokes per minute.
    pub speed_spm: f64,
    /// Stopping time: coil off to standstill, in milliseconds.
    pub time_ms: f64,
    /// Stopping travel: coil off to standstill, in degrees.
    pub travel_deg: f64,
    /// Crank angle at standstill, in degrees.
    pub rest_deg: f64,
    /// Reaction: coil off to first deceleration, in milliseconds.
    pub reaction_ms: Option<f64>,
    /// Braking: first deceleration to standstill, in milliseconds.
    pub braking_ms: Option<f64>,
    /// What the simulated press itself did.
    pub truth: Option<StopTruth>,
}

/// Plant truth of one stop, between the same marks.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StopTruth {
    /// Stopping time, in milliseconds.
    pub time_ms: f64,
    /// Stopping travel, in degrees.
    pub travel_deg: f64,
    /// Crank angle at standstill, in degrees.
    pub rest_deg: f64,
}

/// Measured less true, over all stops with truth.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accuracy {
    /// Stops compared.
    pub n: u32,
    /// Mean error of the stopping time, signed, in milliseconds.
    pub time_bias_ms: f64,
    /// Greatest error of the stopping time, either sign, in milliseconds.
    pub time_error_worst_ms: f64,
    /// Mean error of the stopping travel, signed, in degrees.
    pub travel_bias_deg: f64,
    /// Greatest error of the stopping travel, either sign, in degrees.
    pub travel_error_worst_deg: f64,
}

/// A move that ended at rest but was no stop at speed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PositioningMove {
    /// The recording it was found in.
    pub recording: String,
    /// Time of its stop command, in seconds.
    pub command_time_s: f64,
    /// Crank angle of its stop command, in degrees.
    pub command_deg: f64,
    /// Crank speed at its stop command, in strokes per minute.
    pub speed_spm: f64,
    /// Crank angle at standstill, in degrees.
    pub rest_deg: f64,
    /// Why it was told apart.
    pub reason: String,
}

/// One stop drawn over time. The three lists are of one length.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StopSignature {
    /// Number of the stop drawn.
    pub stop: u32,
    /// Time from coil off, in milliseconds; rises.
    pub time_ms: Vec<f64>,
    /// Crank speed, in strokes per minute.
    pub speed_spm: Vec<f64>,
    /// Crank travel since coil off, in degrees.
    pub travel_deg: Vec<f64>,
}

/// Stopping travel over speed, as travel = a N + b N².
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StopCurve {
    /// Linear coefficient a, in degrees per stroke per minute.
    pub a_deg_per_spm: f64,
    /// Quadratic coefficient b, in degrees per stroke per minute squared.
    pub b_deg_per_spm2: f64,
    /// Reaction that a implies, a / 6, in milliseconds.
    pub reaction_ms: f64,
    /// The means the curve was fitted to.
    pub points: Vec<CurvePoint>,
    /// Greatest distance of a point from the curve, either sign, in degrees.
    pub residual_worst_deg: f64,
}

/// One speed of the stop curve.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CurvePoint {
    /// Speed, in strokes per minute.
    pub speed_spm: f64,
    /// Mean stopping travel, in degrees.
    pub travel_deg: f64,
    /// The curve at that speed, in degrees.
    pub fitted_deg: f64,
}
