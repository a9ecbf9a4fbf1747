//! Recorded stops of a press: what each took, how far it ran on, and how well that is known.
//!
//! A recording is a table in a text file: time, crank angle (or the sine and cosine of a resolver)
//! and the stop command. [`read`] turns it into plain series, [`find_stops`] finds every stop in
//! them and measures it, [`study`] does both for several files, [`stop_table`] writes the stops as
//! text. `docs/STUDY.md` says how the measuring is done and how good it is.
//!
//! Nothing here prints, judges a limit or fits a curve over speeds: those belong to others. Nothing
//! is passed over in silence: what cannot be read is an error with its place, what was left out is
//! a counted [`Warning`].

mod approach;
mod arrival;
mod brake_curve;
mod codes;
mod columns;
mod command;
mod finder;
mod hold;
mod listing;
mod motion;
mod polynomial;
mod problems;
mod reading;
mod recording;
mod series;
mod sheet;
mod signature;
mod spikes;
mod stop_search;
mod table;
mod units;
mod windings;

use std::path::Path;

use serde::Serialize;

pub use finder::find_stops;
pub use listing::stop_table;
pub use problems::{Problem, ReadError};
pub use reading::{read, read_bytes};
pub use recording::{
    AngleJump, Command, Edge, Layout, ReadOptions, Recording, Warning, WarningKind,
};
pub use stop_search::FindOptions;
pub use units::{AngleUnit, TimeUnit};

/// One stroke per minute in degrees per second.
const DEG_S_PER_SPM: f64 = 6.0;

/// A stop at speed, from the stop command to standstill.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RecordedStop {
    /// Name of the recording it stands in.
    pub recording: String,
    /// Number within its recording, from 0, positioning moves not counted.
    pub index: usize,
    /// When the stop command was given, on the recording's clock: the middle of the two samples
    /// between which it changed.
    pub command_time_s: f64,
    /// Crank angle at that instant, 0 to 360 after top dead centre.
    pub command_deg: f64,
    /// Crank speed at that instant, in strokes per minute.
    pub speed_spm: f64,
    /// Stopping time: from the stop command to the first zero of the fitted crank speed.
    pub time_ms: f64,
    /// Half width of the interval that holds the true stopping time with 95 % confidence: sampling
    /// of the command, scatter of the fit and doubt about its shape together.
    pub time_uncertainty_ms: f64,
    /// Stopping travel in the direction of travel.
    pub travel_deg: f64,
    /// Half width of its 95 % interval.
    pub travel_uncertainty_deg: f64,
    /// Crank angle at standstill, 0 to 360 after top dead centre.
    pub rest_deg: f64,
    /// How far past top dead centre that is, −180 to 180; negative is short of it.
    pub overrun_deg: f64,
    /// Part of the time before the brake acts, as if it then acted with its final strength at once.
    pub reaction_ms: f64,
    /// The rest of the time: the speed at the command over the final deceleration.
    pub braking_ms: f64,
    /// Deceleration just before standstill, in degrees per second squared.
    pub deceleration_deg_s2: f64,
    /// At the top or in mid-stroke.
    pub kind: StopKind,
    /// How long the crank was watched after standstill, at most [`FindOptions::hold_s`].
    pub hold_ms: f64,
    /// How far it moved in that time.
    pub hold_drift_deg: f64,
    /// Angle samples between the command and standstill.
    pub samples: usize,
    /// What a reader should know about this stop; empty when nothing was unusual.
    pub remarks: Vec<String>,
    /// The stop as a curve, from shortly before the command to shortly after standstill.
    pub signature: Vec<SignaturePoint>,
}

/// One point of a stop as a curve.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SignaturePoint {
    /// Time after the stop command.
    pub t_ms: f64,
    /// Travel since the stop command.
    pub travel_deg: f64,
    /// Crank speed, smoothed over a few samples, in strokes per minute.
    pub speed_spm: f64,
}

/// Where a stop ended. The two are different sets of data: limits watch the one, distances come
/// from the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum StopKind {
    /// The stop that ends a stroke: it came to rest near top dead centre.
    TopStop,
    /// Any other.
    MidStroke,
}

/// A stop command that ended a slow or short move, not a stop at speed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PositioningMove {
    /// Name of the recording it stands in.
    pub recording: String,
    /// When the command was given, on the recording's clock.
    pub command_time_s: f64,
    /// Crank angle at that instant, 0 to 360 after top dead centre.
    pub command_deg: f64,
    /// Crank speed at that instant, in strokes per minute.
    pub speed_spm: f64,
    /// Crank angle at rest, 0 to 360 after top dead centre.
    pub rest_deg: f64,
    /// Why it is not taken for a stop at speed.
    pub reason: String,
}

/// What was found in one recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Found {
    /// Stops at speed, in order of time.
    pub stops: Vec<RecordedStop>,
    /// Positioning moves, in order of time.
    pub positioning_moves: Vec<PositioningMove>,
    /// What was left out or is doubtful.
    pub warnings: Vec<Warning>,
}

/// What was read from one file.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RecordingSummary {
    /// Name of the file without folder and extension.
    pub name: String,
    /// Columns, units and conventions as they were understood.
    pub layout: Layout,
    /// Angle samples used.
    pub samples: usize,
    /// First time on its clock.
    pub start_s: f64,
    /// From first to last sample.
    pub duration_s: f64,
    /// Middle value of the time between samples.
    pub sample_period_ms: f64,
    /// Smallest step of the angle.
    pub resolution_deg: f64,
    /// Scatter of one angle sample, one sigma.
    pub noise_deg: f64,
    /// Stops at speed found in it.
    pub stops: usize,
    /// Positioning moves found in it.
    pub positioning_moves: usize,
}

/// Several recordings and all that was found in them.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Study {
    /// One entry a file, in the order given.
    pub recordings: Vec<RecordingSummary>,
    /// All stops at speed.
    pub stops: Vec<RecordedStop>,
    /// All positioning moves.
    pub positioning_moves: Vec<PositioningMove>,
    /// All warnings, those of reading first for each file.
    pub warnings: Vec<Warning>,
}

/// Reads every file and finds the stops in it.
///
/// # Errors
/// One error for every file that cannot be read; the others are read nevertheless, so that all
/// problems show at once.
pub fn study<P: AsRef<Path>>(
    files: &[P],
    read_options: &ReadOptions,
    find_options: &FindOptions,
) -> Result<Study, Vec<ReadError>> {
    let (mut recordings, mut errors) = (Vec::new(), Vec::new());
    for file in files {
        match read(file.as_ref(), read_options) {
            Ok(recording) => recordings.push(recording),
            Err(error) => errors.push(error),
        }
    }
    if errors.is_empty() {
        Ok(study_recordings(&recordings, find_options))
    } else {
        Err(errors)
    }
}

/// Finds the stops in recordings that are already read.
pub fn study_recordings(recordings: &[Recording], options: &FindOptions) -> Study {
    let mut study = Study {
        recordings: Vec::new(),
        stops: Vec::new(),
        positioning_moves: Vec::new(),
        warnings: Vec::new(),
    };
    for recording in recordings {
        let found = find_stops(recording, options);
        study.recordings.push(recording.summary(&found));
        study.stops.extend(found.stops);
        study.positioning_moves.extend(found.positioning_moves);
        study
            .warnings
            .extend(recording.warnings.iter().cloned().chain(found.warnings));
    }
    study
}
