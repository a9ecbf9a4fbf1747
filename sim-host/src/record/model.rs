//! What a record holds. Plain values; the unit is the last part of a field's name, and `Option`
//! marks what one of the two sources (a rehearsal, a study of recordings) cannot know.
//!
//! Crank angles are in degrees after top dead centre, 0 up to but not including 360. A signed
//! angle says so. A `_ratio` is a plain number, 1 being the whole. Every time names its marks:
//! a stopping time runs from coil off to standstill.
//!
//! The keys of `record.json` are these field names; `docs/RECORD.md` explains each, and a test
//! keeps the two together.

mod decisions;
mod proof;
mod sensor;
mod stops;

pub use decisions::*;
pub use proof::*;
pub use sensor::*;
pub use stops::*;

use serde::{Deserialize, Serialize};

/// Version of the layout of `record.json`. Raised when a key changes its meaning or goes away.
pub const SCHEMA: u32 = 1;

/// What each record says about itself, before anything else.
pub const NOTICE: &str = "Model and verification aid. It is not certified, and it is never the \
    safeguard of a real press. A rehearsal proves nothing about the machine it imitates: measure \
    on the press itself. Local codes and licensed practice govern.";

/// One commissioning or study, whole.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Record {
    /// Layout of this file, see [`SCHEMA`].
    pub schema: u32,
    /// What the record is not, see [`NOTICE`].
    pub notice: String,
    /// The program that wrote it.
    pub tool: Tool,
    /// Where the numbers come from.
    pub source: Source,
    /// Which press, and its data plate.
    pub press: Press,
    /// The answer, with its reasons.
    pub verdict: Verdict,
    /// What was printed before each step that turns the crank.
    pub cautions: Vec<Caution>,
    /// The sensor over one barred turn.
    pub signal_check: Option<SignalCheck>,
    /// How the zero was found.
    pub zero_capture: Option<ZeroCapture>,
    /// Proof that the crank reads the right way round, once per stroke.
    pub direction_proof: Option<DirectionProof>,
    /// What is fitted beside the resolver to contradict it, as it was learned; empty when nothing is.
    #[serde(default)]
    pub references: Vec<Reference>,
    /// Every stop, and what the cells of the matrix say.
    pub stop_matrix: StopMatrix,
    /// Stops drawn over time, one or more.
    pub stop_signatures: Vec<StopSignature>,
    /// Travel over speed, where stops at more than one speed exist.
    pub stop_curve: Option<StopCurve>,
    /// Proposed limits, one set per speed.
    pub limits: Vec<LimitSet>,
    /// Release angle, its holding, and the rest it gives, one per speed.
    pub top_stops: Vec<TopStop>,
    /// Safety distances, one per named rule and device.
    pub distances: Vec<Distance>,
    /// Faults injected on purpose.
    pub drills: Vec<Drill>,
    /// Checks of the stroke logic.
    pub function_checks: Vec<FunctionCheck>,
    /// What is not settled by this record.
    pub open_points: Vec<String>,
    /// Digests of the files beside this one; filled when the folder is written.
    pub files: Vec<FileDigest>,
    /// Lines to be signed by hand.
    pub sign_off: Vec<SignatureLine>,
}

impl Record {
    /// An empty record of this schema and version, with the notice and three lines to sign.
    pub fn new(source: Source, press: Press) -> Self {
        Self {
            schema: SCHEMA,
            notice: NOTICE.to_owned(),
            tool: Tool::this(),
            source,
            press,
            sign_off: SignatureLine::usual(),
            ..Self::default()
        }
    }

    /// The limits that belong to a speed, in strokes per minute.
    pub fn limits_at(&self, speed_spm: f64) -> Option<&LimitSet> {
        // Speeds are set points; nothing tells two of them apart closer than this.
        const SAME_SPM: f64 = 0.05;
        self.limits
            .iter()
            .find(|set| (set.speed_spm - speed_spm).abs() < SAME_SPM)
    }
}

/// The program that wrote the record.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tool {
    /// Name of the program.
    pub name: String,
    /// Its version.
    pub version: String,
}

impl Tool {
    /// This program.
    pub fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

/// Where the numbers come from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Source {
    /// A commissioning carried out on a simulated press.
    Rehearsal {
        /// Name of the press file, without folders.
        press_file: String,
        /// Every random draw follows from it.
        seed: u64,
        /// Options that were given, in the order of the help page.
        options: Vec<NamedText>,
    },
    /// Recorded stops of a press.
    Study {
        /// The recordings, in the order they were given.
        recordings: Vec<Recording>,
        /// Options that were given, in the order of the help page.
        options: Vec<NamedText>,
    },
}

impl Default for Source {
    fn default() -> Self {
        Self::Study {
            recordings: Vec::new(),
            options: Vec::new(),
        }
    }
}

/// A name with what it stands for.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedText {
    /// Name.
    pub name: String,
    /// Value, with its unit where it has one.
    pub value: String,
}

/// One file of recorded stops.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Recording {
    /// Name of the file, without folders.
    pub file: String,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    pub sha256: String,
    /// Lines of data.
    pub rows: u64,
    /// Samples per second, from the median step.
    pub sample_rate_hz: f64,
    /// Stops at speed found in it.
    pub stops: u32,
    /// Positioning moves found in it: told apart, listed, and kept out of the statistics.
    pub positioning_moves: u32,
    /// What was doubtful while reading it, each with its count.
    pub warnings: Vec<String>,
}

/// The press and its data plate. What is not known stays empty.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Press {
    /// Name or letter, as the user calls it.
    pub name: String,
    /// One line: what kind of press it is.
    pub description: String,
    /// True for a press that exists on paper only.
    pub invented: bool,
    /// Rated force, in kilonewtons.
    pub rated_force_kn: Option<f64>,
    /// Full stroke of the slide, in millimetres.
    pub stroke_mm: Option<f64>,
    /// Length of the connecting rod, in millimetres.
    pub rod_mm: Option<f64>,
    /// Lowest speed, in strokes per minute.
    pub speed_min_spm: Option<f64>,
    /// Nominal speed, in strokes per minute.
    pub speed_nominal_spm: Option<f64>,
    /// Highest speed, in strokes per minute.
    pub speed_max_spm: Option<f64>,
    /// Slide with the heaviest upper die, in kilograms.
    pub slide_with_die_kg: Option<f64>,
    /// How the slide is balanced.
    pub counterbalance: Option<String>,
    /// How the resolver is driven.
    pub sensor_drive: Option<String>,
    /// Further entries of the data plate.
    pub plate: Vec<NamedText>,
}

/// The answer.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Verdict {
    /// In one word.
    pub outcome: Outcome,
    /// Exit status of the command, as its help page lists it.
    pub exit_status: u8,
    /// Speeds and modes it is held to; empty unless the outcome is `restricted`.
    pub restricted_to: Vec<String>,
    /// Why, one sentence each, the heaviest first.
    pub reasons: Vec<String>,
    /// What to change, one sentence each; empty when nothing has to.
    pub ways_out: Vec<String>,
}

/// The answer in one word.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// All that this program can check is in order.
    Commissionable,
    /// In order at the named speeds and in the named modes only.
    Restricted,
    /// Something must change first. The default: nothing passes for want of an answer.
    #[default]
    NotCommissionable,
    /// Evidence only: nobody asked for an answer, or what it takes was not given.
    NotJudged,
}

/// A caution, and the step it stands before.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Caution {
    /// The step that follows.
    pub step: String,
    /// What has to be true before it.
    pub text: String,
}

/// A file of the same folder and its digest.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FileDigest {
    /// Name within the folder.
    pub file: String,
    /// SHA-256 of its bytes, 64 hexadecimal digits.
    pub sha256: String,
}

/// A line to be filled in by hand, on paper.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignatureLine {
    /// Who signs here, by role.
    pub role: String,
    /// What the signature says.
    pub statement: String,
}

impl SignatureLine {
    /// The three who answer for a commissioning.
    pub fn usual() -> Vec<Self> {
        let line = |role: &str, statement: &str| Self {
            role: role.into(),
            statement: statement.into(),
        };
        vec![
            line(
                "Carried out by",
                "The measurements above were taken as described.",
            ),
            line(
                "Checked by",
                "Distances, limits and open points were reviewed against local codes.",
            ),
            line(
                "Released by",
                "The press is released within the verdict above and no further.",
            ),
        ]
    }
}
