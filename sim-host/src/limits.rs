//! Limits from evidence: which advisory and latch limits a press may run with, and whether it may
//! run at all.
//!
//! Stops come in cells: where they were commanded, at which speed, brake cold or warm. All cells
//! of one place and speed become one [`LimitSet`], because a controller does not know how warm the
//! brake is: *baseline* is the higher of the cold and warm means, *advisory* is the baseline plus
//! the scatter that covers the demanded share of stops, *latch* is one margin beyond, and never
//! beyond what the installed distance allows the worst mid-stroke stop to become.
//! baseline < advisory < latch ≤ allowed has to hold in time and in travel; if not, the press is
//! not commissionable so, and each [`Finding`] names the reason and the way out.
//!
//! Top stop and mid-stroke stops stay two data sets: the monitor watches the first, the distance
//! lives on the second, and [`headroom`] carries the one into the other.
//! Everything here is a pure function of plain data; a rehearsal and a study of recordings share it.
//!
//! This proposes; it approves nothing. Whoever signs reads the rule text beside each number.

pub mod findings;
mod group;
pub mod habit;
pub mod headroom;
mod proposal;
pub mod release;

pub use findings::{Finding, Reason};
pub use habit::ShopHabit;
pub use headroom::Headroom;
pub use proposal::propose;

use crate::distance::{DistanceError, Site};
use crate::statistics::rest::{RestCriterion, RestJudgement};
use crate::statistics::{Demand, StatisticsError, Summary};
use crate::stop_curve::StopCurve;
use serde::{Deserialize, Serialize};
use stopwright_core::safety_distance::Rule;
use thiserror::Error;

/// One measured stop.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Stop {
    /// Speed at the stop command, strokes per minute.
    pub speed_spm: f64,
    /// Coil off to standstill, milliseconds.
    pub time_ms: f64,
    /// Coil off to standstill, degrees of crank.
    pub travel_deg: f64,
    /// Crank angle at standstill, degrees after top dead centre.
    pub rest_deg: f64,
    /// Part of `time_ms` in which the crank was still at speed, milliseconds, where it is known.
    #[serde(default)]
    pub reaction_ms: Option<f64>,
}

/// Where in the stroke a stop was commanded.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// At the release angle, to rest at the top.
    Top,
    /// At this crank angle, degrees. Below 180 it is in the closing stroke and bears on distance.
    MidStroke(f64),
}

/// Temperature of the brake.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Warmth {
    /// As after a night.
    Cold,
    /// At working temperature.
    Warm,
}

/// Stops made alike.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cell {
    /// Where they were commanded.
    pub position: Position,
    /// Speed they were made at, strokes per minute, as set.
    pub speed_spm: f64,
    /// Brake cold or warm.
    pub warmth: Warmth,
    /// The stops. Of top stops only those at the final release angle, or their rests mislead.
    pub stops: Vec<Stop>,
}

/// The safeguard whose distance the limits have to respect.
#[derive(Clone, Debug, PartialEq)]
pub struct Safeguard {
    /// Rules that all have to hold.
    pub rules: Vec<Rule>,
    /// The device.
    pub site: Site,
    /// Distance in place, millimetres.
    pub installed_mm: f64,
    /// Request to coil off, milliseconds.
    pub control_ms: f64,
    /// Hand in the field to request, milliseconds.
    pub device_ms: f64,
}

/// By what the limits are made and judged.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Criteria {
    /// Share of stops below the advisory limit, and how sure.
    pub limits: Demand,
    /// The same for the mid-stroke stop that the distance has to cover. ISO 13855:2010 (from
    /// memory) takes the longest of ten or mean + 3 s; 25 stops so cover 98.6 %.
    pub distance: Demand,
    /// Fewest stops in a cell.
    pub stops_least: usize,
    /// How well a single stopping time is known, milliseconds: scatter is not taken below it.
    pub measured_within_ms: f64,
    /// How well a single travel is known, degrees: scatter is not taken below it.
    pub measured_within_deg: f64,
    /// Margin from advisory to latch, as a share of the longest stop seen, and at least
    /// `margin_least_ms`. The only published monitor setting we know has these numbers:
    /// 29 CFR 1910.217(h)(5)(iii).
    pub margin_share: f64,
    /// Smallest margin from advisory to latch, milliseconds.
    pub margin_least_ms: f64,
    /// Where the crank is to rest.
    pub rest: RestCriterion,
    /// How far past the target a top stop may rest before it is an overrun, degrees. 15 is often
    /// quoted for Europe (from memory) and the set point of Japan's article 22; Taiwan has 25.
    pub overrun_limit_deg: f64,
    /// Most that mid-stroke stops may be longer than top stops, as a ratio of means: 1.25 in
    /// 29 CFR 1910.217(h)(2)(ii) (from memory). Beyond it the counterbalance is suspect.
    pub ratio_most: f64,
    /// Running friction as a share of the brake torque, for the torque a limit implies.
    pub friction_share: f64,
}

impl Default for Criteria {
    fn default() -> Self {
        Self {
            limits: Demand::LIMITS,
            distance: Demand::REST,
            stops_least: 10,
            measured_within_ms: 4.0,
            measured_within_deg: 0.5,
            margin_share: 0.10,
            margin_least_ms: 10.0,
            rest: RestCriterion::default(),
            overrun_limit_deg: 15.0,
            ratio_most: 1.25,
            friction_share: 0.0,
        }
    }
}

/// What the stops of one cell say.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct CellEvidence {
    /// Brake cold or warm.
    pub warmth: Warmth,
    /// Stopping times, milliseconds.
    pub time_ms: Summary,
    /// Stopping travels, degrees.
    pub travel_deg: Summary,
    /// Factor on the deviation for the demanded share.
    pub factor: f64,
}

/// Limits on one quantity, in its unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Limits {
    /// The higher of the cold and warm means.
    pub baseline: f64,
    /// Cold and warm means apart; none when only one was measured.
    pub drift: Option<f64>,
    /// What scatter adds to the baseline.
    pub scatter: f64,
    /// Above this the controller warns. Rounded up.
    pub advisory: f64,
    /// Above this the controller stops and latches. Rounded down.
    pub latch: f64,
    /// Where the latch limit would be with its full margin.
    pub latch_wanted: f64,
    /// The latch limit may not be above this; none where nothing bounds it.
    pub allowed: Option<f64>,
}

/// The limits of one place and speed, with what they come from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LimitSet {
    /// Where the stops were commanded.
    pub position: Position,
    /// Speed the limits belong to, strokes per minute.
    pub speed_spm: f64,
    /// The cells behind them.
    pub cells: Vec<CellEvidence>,
    /// Limits in time, milliseconds.
    pub time_ms: Limits,
    /// Limits in travel, degrees.
    pub travel_deg: Limits,
    /// How the numbers were made, in words.
    pub rule: String,
}

/// What else belongs to one speed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SpeedReport {
    /// Strokes per minute.
    pub speed_spm: f64,
    /// Whether nothing stands against stops at this speed.
    pub is_commissionable: bool,
    /// Where the crank came to rest; none without top stops.
    pub rest: Option<RestJudgement>,
    /// Mean of the longest mid-stroke place over the mean at the top; none without both.
    pub ratio_mid_to_top: Option<f64>,
    /// From the installed distance to the latch limit; none without a safeguard or stops.
    pub headroom: Option<Headroom>,
    /// What shop habit would set; none without top stops.
    pub habit: Option<ShopHabit>,
    /// A delay that alone makes the overrun limit, milliseconds.
    pub overrun_by_delay_ms: f64,
    /// A longer stopping time by lost torque that alone makes the overrun limit, milliseconds.
    pub overrun_by_torque_ms: f64,
}

/// Whether the press may be handed over.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum Verdict {
    /// At every speed measured.
    Commissionable,
    /// At some of the speeds measured only.
    Restricted {
        /// Those speeds, strokes per minute.
        speeds_spm: Vec<f64>,
    },
    /// At none.
    NotCommissionable,
}

/// The whole proposal.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Proposal {
    /// Whether the press may be handed over.
    pub verdict: Verdict,
    /// What stands against it, most telling first, then what is merely worth knowing.
    pub findings: Vec<Finding>,
    /// Limits by place and speed.
    pub limits: Vec<LimitSet>,
    /// What else belongs to each speed, ascending.
    pub speeds: Vec<SpeedReport>,
    /// Top stops against speed.
    pub curve: Option<StopCurve>,
    /// By what it was made and judged.
    pub criteria: Criteria,
}

/// Why nothing can be proposed.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum LimitsError {
    /// No cell has the three stops that the least evidence takes.
    #[error("no cell has at least 3 stops: limits need measured stops")]
    NoEvidence,
    /// A safeguard without a rule.
    #[error("the safeguard names no rule: at least one is needed")]
    NoRule,
    /// A number outside its range.
    #[error("cell {cell}, stop {stop}: {what} is {found}: allowed is {least} to {most}")]
    OutOfRange {
        /// Number of the cell, from 1.
        cell: usize,
        /// Number of the stop in it, from 1; 0 for the cell itself.
        stop: usize,
        /// Which number.
        what: &'static str,
        /// Value given.
        found: f64,
        /// Smallest value.
        least: f64,
        /// Greatest value.
        most: f64,
    },
    /// The safeguard's numbers.
    #[error(transparent)]
    Distance(#[from] DistanceError),
    /// A statistic.
    #[error(transparent)]
    Statistics(#[from] StatisticsError),
}

impl Limits {
    /// baseline < advisory < latch ≤ allowed.
    pub fn is_ordered(&self) -> bool {
        self.baseline < self.advisory
            && self.advisory < self.latch
            && self.allowed.is_none_or(|allowed| self.latch <= allowed)
    }
}

impl Position {
    /// Whether a stop here bears on the safety distance.
    pub fn is_closing(self) -> bool {
        matches!(self, Self::MidStroke(angle_deg) if (0.0..180.0).contains(&angle_deg))
    }
}

impl Proposal {
    /// Verdict and the first reason, in one sentence.
    pub fn headline(&self) -> String {
        match (
            &self.verdict,
            self.findings.iter().find(|finding| finding.blocks),
        ) {
            (Verdict::Commissionable, _) => "commissionable".to_owned(),
            (Verdict::Restricted { speeds_spm }, Some(first)) => {
                let speeds: Vec<String> = speeds_spm.iter().map(f64::to_string).collect();
                format!(
                    "commissionable at {} SPM only: {}",
                    speeds.join(", "),
                    first.sentence
                )
            }
            (_, Some(first)) => format!("not commissionable: {}", first.way_out),
            (_, None) => "not commissionable".to_owned(),
        }
    }

    /// The limits of a place and speed.
    pub fn limit_set(&self, position: Position, speed_spm: f64) -> Option<&LimitSet> {
        self.limits
            .iter()
            .find(|set| set.position == position && is_same_speed(set.speed_spm, speed_spm))
    }
}

/// Speeds within 2 % are one: a drive does not hold its speed better from stroke to stroke.
pub(crate) fn is_same_speed(left_spm: f64, right_spm: f64) -> bool {
    (left_spm - right_spm).abs() <= 0.02 * left_spm.max(right_spm)
}

#[cfg(test)]
mod tests;
