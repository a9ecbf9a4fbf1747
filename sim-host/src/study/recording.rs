//! A recording as plain data: what every reader of one produces and every search in one needs.

use std::fmt;

use serde::Serialize;

use super::units::{AngleUnit, TimeUnit};
use super::{Found, RecordingSummary};

/// How to read a file. The default finds columns, units, polarity and direction by itself; every
/// field that is set is obeyed.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ReadOptions {
    /// Time column: its name, or its number from 1.
    pub time: Option<String>,
    /// Angle column: its name, or its number from 1.
    pub angle: Option<String>,
    /// Column of the sine winding's amplitude, instead of an angle.
    pub sine: Option<String>,
    /// Column of the cosine winding's amplitude, instead of an angle.
    pub cosine: Option<String>,
    /// Column of the stop command: its name, or its number from 1.
    pub stop: Option<String>,
    /// Unit of the time column.
    pub time_unit: Option<TimeUnit>,
    /// Unit of the angle column.
    pub angle_unit: Option<AngleUnit>,
    /// Whether the stop command is the low level of its column (a coil that drops out).
    pub stop_active_low: Option<bool>,
    /// Samples per second of a recording without a time column; more than 0.
    pub sample_rate_hz: Option<f64>,
    /// Reading at top dead centre, in degrees: taken off every angle.
    pub zero_deg: f64,
    /// Whether the angle falls in normal travel.
    pub angle_falls: Option<bool>,
}

/// An instant known only to lie between two samples.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Edge {
    /// Last sample with the old level.
    pub earliest_s: f64,
    /// First sample with the new level.
    pub latest_s: f64,
}

/// One span of time in which the stop command was given.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Command {
    /// When it began; `None` when the recording starts with it.
    pub on: Option<Edge>,
    /// When it was withdrawn; `None` when the recording ends with it.
    pub off: Option<Edge>,
    /// Gaps within it that were taken for contact bounce.
    pub bounces: usize,
    /// From its first edge to the last edge of the bouncing, 0 without any.
    pub bounce_s: f64,
}

/// A step of the angle that no crank can make.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct AngleJump {
    /// When.
    pub time_s: f64,
    /// By how much.
    pub step_deg: f64,
}

/// Columns, units and conventions of a file as they were understood.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Layout {
    /// Name of the time column, or the sample rate that stands for one.
    pub time: String,
    /// Name of the angle column, or of the two of a resolver.
    pub angle: String,
    /// Name of the column of the stop command.
    pub stop: String,
    /// What stands between two cells.
    pub separator: String,
    /// Unit of the time column.
    pub time_unit: String,
    /// Unit of the angle column.
    pub angle_unit: String,
    /// Whether the angle begins anew every turn.
    pub angle_wraps: bool,
    /// Whether the angle falls in the direction of travel and was mirrored.
    pub angle_falls: bool,
    /// Whether the stop command is the low level.
    pub stop_active_low: bool,
}

/// What a warning is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WarningKind {
    /// Lines before the header that are no comments.
    LinesBeforeHeader,
    /// The header stands in the file again.
    HeaderRepeated,
    /// Rows with another number of cells than the header.
    RaggedRows,
    /// Cells that are empty or no number by their own account (NaN).
    MissingValues,
    /// Rows with the time of the row before.
    RepeatedTimes,
    /// Samples missing in the raster of time.
    Gaps,
    /// Samples far off the path of the crank, left out.
    Spikes,
    /// Steps of the angle that no crank can make.
    AngleJumps,
    /// A unit that the header does not name.
    UnitGuessed,
    /// The level of the stop command contradicts the name of its column.
    PolarityContradictsName,
    /// The stop command takes more than two levels.
    ManyLevels,
    /// Sine and cosine do not lie on one ellipse, or show too little of it.
    PairUnbalanced,
    /// The crank angle never passes top dead centre.
    TopNeverPassed,
    /// A command with bounce; its first edge was taken.
    CommandBounced,
    /// A command given while the crank stood still.
    CommandAtStandstill,
    /// A command withdrawn before the crank stood still.
    CommandWithdrawn,
    /// The recording ends before standstill is confirmed.
    EndsTooSoon,
    /// The crank did not come to a standstill while the command was given.
    NeverStops,
    /// Too few samples between command and standstill.
    SampleRateTooLow,
    /// The stop could not be fitted.
    FitFailed,
    /// The crank moved on after it had come to rest.
    DoesNotHold,
    /// No stop at speed in the recording.
    NoStop,
}

/// Something left out or doubtful, with the number of times it occurred.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Warning {
    /// Name of the recording.
    pub recording: String,
    /// What it is about.
    pub kind: WarningKind,
    /// How often.
    pub count: usize,
    /// Line of the file where it first occurred, when it is about a line.
    pub line: Option<u64>,
    /// Time on the recording's clock where it first occurred, when it is about an instant.
    pub time_s: Option<f64>,
    /// One sentence.
    pub message: String,
}

/// One recording, checked: times rise, the angle is continuous and rises in normal travel.
#[derive(Clone, Debug, PartialEq)]
pub struct Recording {
    /// Name of the file without folder and extension.
    pub name: String,
    /// How the file was understood.
    pub layout: Layout,
    /// Time of each angle sample, strictly rising.
    pub time_s: Vec<f64>,
    /// Crank angle at those times, continuous over turns; a multiple of 360 is top dead centre.
    pub crank_deg: Vec<f64>,
    /// Spans of the stop command, in order.
    pub commands: Vec<Command>,
    /// Steps that no crank can make.
    pub jumps: Vec<AngleJump>,
    /// Middle value of the time between samples.
    pub sample_period_s: f64,
    /// Smallest step of the angle.
    pub resolution_deg: f64,
    /// Scatter of one angle sample, one sigma, not less than what the resolution brings.
    pub noise_deg: f64,
    /// What was left out or is doubtful.
    pub warnings: Vec<Warning>,
}

impl Edge {
    /// The best estimate: the middle.
    pub fn middle_s(&self) -> f64 {
        f64::midpoint(self.earliest_s, self.latest_s)
    }

    /// Standard uncertainty of the middle: the edge may lie anywhere between the two samples.
    pub fn sigma_s(&self) -> f64 {
        (self.latest_s - self.earliest_s) / 12f64.sqrt()
    }
}

impl Recording {
    /// Its entry in a study.
    pub fn summary(&self, found: &Found) -> RecordingSummary {
        let start_s = self.time_s.first().copied().unwrap_or(0.0);
        RecordingSummary {
            name: self.name.clone(),
            layout: self.layout.clone(),
            samples: self.time_s.len(),
            start_s,
            duration_s: self.time_s.last().map_or(0.0, |end| end - start_s),
            sample_period_ms: self.sample_period_s * 1e3,
            resolution_deg: self.resolution_deg,
            noise_deg: self.noise_deg,
            stops: found.stops.len(),
            positioning_moves: found.positioning_moves.len(),
        }
    }

    /// Positions of the samples with a time from `from_s` to `to_s`, both included.
    pub(super) fn between(&self, from_s: f64, to_s: f64) -> std::ops::Range<usize> {
        let start = self.time_s.partition_point(|&time| time < from_s);
        let end = self.time_s.partition_point(|&time| time <= to_s);
        start..end.max(start)
    }

    /// Samples from `from_s` to `to_s` after the instant `zero_s`, both included, with their time
    /// after it.
    pub(super) fn samples_after(&self, zero_s: f64, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        let range = self.between(zero_s + from_s, zero_s + to_s);
        let times = self.time_s.get(range.clone()).unwrap_or_default().iter();
        let angles = self.crank_deg.get(range).unwrap_or_default().iter();
        times
            .zip(angles)
            .map(|(&time, &deg)| (time - zero_s, deg))
            .collect()
    }

    /// The longest time between two samples from `from_s` to `to_s`.
    pub(super) fn longest_gap_s(&self, from_s: f64, to_s: f64) -> f64 {
        let times = self
            .time_s
            .get(self.between(from_s, to_s))
            .unwrap_or_default();
        times
            .windows(2)
            .map(|pair| pair[1] - pair[0])
            .fold(0.0, f64::max)
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.recording)?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(time) = self.time_s {
            write!(f, ", at {time:.4} s")?;
        }
        write!(f, ": {}", self.message)?;
        if self.count > 1 {
            write!(f, " ({} times)", self.count)
        } else {
            Ok(())
        }
    }
}
