//! The part of the record that was decided: limits, release angle, distances.

use serde::{Deserialize, Serialize};

/// Limits of the top stop at one speed, and what stands behind them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LimitSet {
    /// Speed the limits belong to, in strokes per minute.
    pub speed_spm: f64,
    /// The rule they follow, in words.
    pub rule: String,
    /// Mean stopping time at the top they start from, in milliseconds.
    pub reference_ms: f64,
    /// Mean stopping travel at the top they start from, in degrees.
    pub reference_deg: f64,
    /// Advisory limit in time, in milliseconds; none when no limit can be given.
    pub advisory_ms: Option<f64>,
    /// Latch limit in time, in milliseconds; none when no limit can be given.
    pub latch_ms: Option<f64>,
    /// Advisory limit in travel, in degrees.
    pub advisory_deg: Option<f64>,
    /// Latch limit in travel, in degrees.
    pub latch_deg: Option<f64>,
    /// Share of the advisory limit that is the tolerance limit's, above the mean, in milliseconds.
    pub scatter_allowance_ms: f64,
    /// Share for heat and air pressure, in milliseconds.
    pub drift_allowance_ms: f64,
    /// Greatest latch limit the installed distance allows, in milliseconds.
    pub distance_ceiling_ms: Option<f64>,
    /// The rule of distance that sets that ceiling.
    pub distance_ceiling_rule: Option<String>,
    /// Worst mid-stroke mean over the top mean.
    pub mid_to_top_ratio: Option<f64>,
    /// The ratio above which the counterbalance or the measurement is looked at.
    pub mid_to_top_limit_ratio: Option<f64>,
    /// The shop habit, for comparison only.
    pub habit: Option<Habit>,
}

/// Common practice, no source: a fixed number of milliseconds above the measured time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Habit {
    /// Advisory limit by habit, in milliseconds.
    pub advisory_ms: f64,
    /// Latch limit by habit, in milliseconds.
    pub latch_ms: f64,
    /// Brake torque left when the stop takes that long, as a share of the measured torque.
    pub advisory_torque_ratio: Option<f64>,
    /// Brake torque left at the latch limit by habit.
    pub latch_torque_ratio: Option<f64>,
    /// Whether the installed distance would still hold with the latch limit by habit.
    pub distance_holds: Option<bool>,
}

/// The release angle of one speed and mode: found, held, and what rest it gives.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TopStop {
    /// Mode of stroking, such as `single stroke`.
    pub mode: String,
    /// Speed, in strokes per minute.
    pub speed_spm: f64,
    /// Rest angle aimed at, signed: past the top is positive, in degrees.
    pub target_deg: f64,
    /// Release angle found, in degrees; none when the search did not end in the window.
    pub release_deg: Option<f64>,
    /// The supervised search, step by step; the first step is the starting angle.
    pub search: Vec<SearchStep>,
    /// Strokes under the bounded running compensation.
    pub hold: Option<CompensationHold>,
    /// What counts as resting at the top.
    pub window: OverrunWindow,
    /// Whether rests stay near enough to the target.
    pub rest_criterion: Option<RestCriterion>,
}

/// Mean of a few stops at one release angle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SearchStep {
    /// Corrections made so far; 0 is the starting angle.
    pub correction: u32,
    /// Release angle tried, in degrees.
    pub release_deg: f64,
    /// Stops made.
    pub n: u32,
    /// Mean rest, signed: past the top is positive, in degrees.
    pub rest_mean_deg: f64,
    /// Standard deviation of the rest, in degrees; none below two stops.
    pub rest_sd_deg: Option<f64>,
}

/// The running compensation over a number of strokes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CompensationHold {
    /// How much earlier than the commissioned angle it may release, in degrees.
    pub authority_early_deg: f64,
    /// How much later it may release, in degrees.
    pub authority_late_deg: f64,
    /// Greatest share of either bound that was used.
    pub authority_used_ratio: f64,
    /// Each stroke.
    pub strokes: Vec<HoldStroke>,
}

/// One stroke under compensation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoldStroke {
    /// Number of the stroke, from 1.
    pub stroke: u32,
    /// Release angle in force, in degrees.
    pub release_deg: f64,
    /// Rest, signed: past the top is positive, in degrees.
    pub rest_deg: f64,
}

/// The window around the top, both sides given as positive angles.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OverrunWindow {
    /// How far short of the top still counts as the top, in degrees.
    pub short_deg: f64,
    /// How far past the top still counts as the top: the overrun limit, in degrees.
    pub past_deg: f64,
    /// How long the crank takes over the overrun limit at full speed, in milliseconds.
    pub past_equals_ms: Option<f64>,
    /// Where the overrun limit comes from.
    pub source: String,
}

/// Does a stated share of rests lie near the target, with stated confidence?
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RestCriterion {
    /// Stops judged.
    pub n: u32,
    /// Distance from the target that counts as near, either side, in degrees.
    pub window_deg: f64,
    /// Share of rests seen within it.
    pub within_ratio: f64,
    /// Share that can be vouched for with the confidence below.
    pub within_assured_ratio: f64,
    /// Share asked for.
    pub required_ratio: f64,
    /// Confidence asked for.
    pub confidence_ratio: f64,
    /// Met.
    pub pass: bool,
}

/// One safety distance by one published rule.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Distance {
    /// The safeguard it is for, such as `light curtain`.
    pub device: String,
    /// Short name of the rule.
    pub rule: String,
    /// Document and edition of the rule.
    pub edition: String,
    /// Clause of the rule.
    pub clause: String,
    /// Whether the wording of the rule was read or is from memory.
    pub standing: RuleStanding,
    /// What the rule asks, in words or symbols.
    pub formula: String,
    /// Each symbol with its value.
    pub terms: Vec<Term>,
    /// The stopping time that entered, in milliseconds.
    pub stopping_time_ms: f64,
    /// Where that stopping time comes from, such as a latch limit scaled to mid-stroke.
    pub stopping_time_source: String,
    /// Distance the rule asks for, in millimetres.
    pub required_mm: f64,
    /// Distance installed, in millimetres.
    pub installed_mm: Option<f64>,
    /// Installed less required, signed, in millimetres.
    pub margin_mm: Option<f64>,
    /// Greatest latch limit at the top with which the installed distance holds, in milliseconds;
    /// none when no limit does.
    pub allowed_latch_ms: Option<f64>,
    /// The installed distance suffices.
    pub pass: Option<bool>,
    /// Speed it was computed for, in strokes per minute.
    pub speed_spm: f64,
    /// The rule over a range of latch limits, rising, for the plot.
    pub curve: Vec<DistancePoint>,
}

/// Whether the wording of a rule was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RuleStanding {
    /// In a public copy or an official restatement.
    Read,
    /// Not read: check the document before relying on it.
    #[default]
    FromMemory,
}

/// A symbol of a formula with its value.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Term {
    /// Symbol, as in the formula.
    pub symbol: String,
    /// What it stands for.
    pub meaning: String,
    /// Its value.
    pub value: f64,
    /// Unit of the value.
    pub unit: String,
}

/// Required distance with one latch limit in force.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DistancePoint {
    /// Latch limit at the top, in milliseconds.
    pub latch_ms: f64,
    /// Distance the rule asks for with it, in millimetres.
    pub required_mm: f64,
}
