//! The part of the record that speaks for the sensor: signal, zero, direction and ratio.

use super::NamedText;
use serde::{Deserialize, Serialize};

/// The resolver's signals over one barred turn, each beside its limit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignalCheck {
    /// Carrier frames looked at.
    pub frames: u32,
    /// Crank travel they cover, in degrees.
    pub travel_deg: f64,
    /// Smallest amplitude, as a share of the nominal one.
    pub amplitude_min_ratio: f64,
    /// Largest amplitude, as a share of the nominal one.
    pub amplitude_max_ratio: f64,
    /// Least amplitude allowed.
    pub amplitude_low_limit_ratio: f64,
    /// Greatest amplitude allowed.
    pub amplitude_high_limit_ratio: f64,
    /// Offset of the sine winding, signed, as a share of the amplitude.
    pub sine_offset_ratio: f64,
    /// Offset of the cosine winding, signed, as a share of the amplitude.
    pub cosine_offset_ratio: f64,
    /// Greatest offset allowed, either sign.
    pub offset_limit_ratio: f64,
    /// Sine gain over cosine gain, less one; signed.
    pub gain_error_ratio: f64,
    /// Greatest gain error allowed, either sign.
    pub gain_error_limit_ratio: f64,
    /// How far the windings are from a right angle, in electrical degrees, signed.
    pub quadrature_deg: f64,
    /// Greatest quadrature error allowed, either sign.
    pub quadrature_limit_deg: f64,
    /// Angle noise with the crank still, one standard deviation, in degrees.
    pub noise_deg: f64,
    /// Greatest noise allowed, in degrees.
    pub noise_limit_deg: f64,
    /// Greatest error of the decoded angle over the turn before the windings are balanced, mean
    /// taken off, in degrees; only a simulated press knows it.
    pub truth_error_unbalanced_deg: Option<f64>,
    /// The same once they are balanced, in degrees.
    pub truth_error_balanced_deg: Option<f64>,
    /// All of the above within their limits.
    pub pass: bool,
    /// What the reader should know, such as a zero in the blind arc.
    pub notes: Vec<String>,
}

/// Zero capture by bisection between equal slide heights either side of the top.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ZeroCapture {
    /// Each pair of equal heights.
    pub pairs: Vec<HeightPair>,
    /// Difference of the tops found in the two directions: play of the drive, in degrees.
    pub lash_deg: f64,
    /// Greatest less smallest midpoint within one direction, in degrees.
    pub spread_deg: f64,
    /// Greatest spread allowed, in degrees.
    pub spread_limit_deg: f64,
    /// Electrical angle at top dead centre, in degrees, 0 up to 360.
    pub zero_offset_deg: f64,
    /// How well it is known, either side, in degrees.
    pub certainty_deg: f64,
    /// The simulated press's own zero offset, where there is one, in degrees.
    pub truth_zero_offset_deg: Option<f64>,
    /// Accepted.
    pub pass: bool,
    /// What the reader should know.
    pub notes: Vec<String>,
}

/// The slide at one height before and after the top, approached in one direction.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HeightPair {
    /// Which way the crank was turned.
    pub direction: Direction,
    /// Distance of the slide below its top, in millimetres.
    pub height_mm: f64,
    /// Sensor angle before the top, in electrical degrees, 0 up to 360.
    pub before_deg: f64,
    /// Sensor angle after the top, in electrical degrees, 0 up to 360.
    pub after_deg: f64,
    /// Middle of the two, in electrical degrees, 0 up to 360.
    pub midpoint_deg: f64,
}

/// Sense of rotation.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Direction {
    /// As in production.
    #[default]
    Forward,
    /// Against it.
    Reverse,
}

/// The slide's height by a dial against the height computed from the crank angle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DirectionProof {
    /// The angles tried, in the order they were reached.
    pub points: Vec<ProofPoint>,
    /// Greatest disagreement allowed, in degrees of crank.
    pub tolerance_deg: f64,
    /// Sensor turns per stroke, signed: 1 is right, -1 is reversed.
    pub sensor_turns_per_stroke: f64,
    /// All points agree and the ratio is one.
    pub pass: bool,
}

/// One angle of the proof.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ProofPoint {
    /// Crank angle shown, in degrees.
    pub crank_deg: f64,
    /// Slide below its top by the dial, in millimetres.
    pub slide_measured_mm: f64,
    /// Slide below its top by stroke, rod and the crank angle shown, in millimetres.
    pub slide_computed_mm: f64,
    /// Measured less computed, turned into crank degrees; signed.
    pub difference_deg: f64,
    /// Within the tolerance.
    pub pass: bool,
}

/// Something fitted beside the resolver that can contradict it: a second resolver, an index switch.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Reference {
    /// What it is.
    pub name: String,
    /// What was learned of it, with units.
    pub findings: Vec<NamedText>,
    /// It can be held to what was learned.
    pub pass: bool,
    /// What else was noticed.
    pub notes: Vec<String>,
}
