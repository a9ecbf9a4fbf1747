//! `stopwright study`.

use super::{Problem, quantity, say};
use crate::assess::{self, Guard, Question};
use crate::distance::rule_named;
use crate::record::{NamedText, folder, json, text};
use crate::study::{self, AngleUnit, FindOptions, ReadOptions, TimeUnit, stop_table};
use std::path::PathBuf;
use stopwright_core::safety_distance::Rule;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Recordings: time, crank angle (or sine and cosine) and the stop command, as CSV.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Folder for the record; without it only the stop table is printed.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write into a folder that is not empty, taking the place of an earlier record there.
    #[arg(long, requires = "out")]
    replace: bool,
    /// Name of the press, for the record.
    #[arg(long, default_value = "not named")]
    press: String,
    /// Time column, by name or by number from 1.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    time: Option<String>,
    /// Unit of the time column: s, ms or us.
    #[arg(long, value_name = "UNIT", help_heading = "Columns")]
    time_unit: Option<TimeUnit>,
    /// Samples per second, where there is no time column.
    #[arg(long, value_name = "HZ", help_heading = "Columns", value_parser = quantity::positive)]
    sample_rate: Option<f64>,
    /// Angle column.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    angle: Option<String>,
    /// Unit of the angle column: deg, rad, turn, or the counts of one turn.
    #[arg(long, value_name = "UNIT", help_heading = "Columns")]
    angle_unit: Option<AngleUnit>,
    /// Column of the sine winding, in place of an angle.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    sine: Option<String>,
    /// Column of the cosine winding, in place of an angle.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    cosine: Option<String>,
    /// Column of the stop command.
    #[arg(long, value_name = "COLUMN", help_heading = "Columns")]
    stop: Option<String>,
    /// The stop command is the low level of its column: true or false.
    #[arg(long, value_name = "BOOL", help_heading = "Columns")]
    stop_active_low: Option<bool>,
    /// Reading at top dead centre, degrees.
    #[arg(
        long,
        value_name = "DEG",
        default_value_t = 0.0,
        help_heading = "Columns",
        allow_hyphen_values = true
    )]
    zero: f64,
    /// The angle falls in normal travel: true or false.
    #[arg(long, value_name = "BOOL", help_heading = "Columns")]
    angle_falls: Option<bool>,
    /// Installed distance of the safeguard, with its unit; asks for a verdict.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm, help_heading = "Distance", requires_all = ["control_response", "device_response"])]
    distance: Option<f64>,
    /// Detection capability, with its unit.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm, help_heading = "Distance")]
    detection: Option<f64>,
    /// From request to coil off, with its unit.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms, help_heading = "Distance")]
    control_response: Option<f64>,
    /// From the hand in the field to the request, with its unit.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms, help_heading = "Distance")]
    device_response: Option<f64>,
    /// Rule the safeguard must satisfy, by name; may be given more than once.
    #[arg(long = "rule", value_name = "NAME", value_parser = rule_named, help_heading = "Distance")]
    rules: Vec<Rule>,
    /// Print the record as JSON instead of tables.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    let if_not_empty = match arguments.replace {
        true => folder::IfNotEmpty::Replace,
        false => folder::IfNotEmpty::Refuse,
    };
    if let Some(out) = &arguments.out {
        folder::check(out, if_not_empty)?;
    }
    let question = question(arguments)?;
    let found = study::study(
        &arguments.files,
        &read_options(arguments),
        &FindOptions::default(),
    )
    .map_err(|errors| all(&errors))?;
    for warning in &found.warnings {
        eprintln!("warning: {warning}");
    }
    let record = assess::assess(&found, &question)?;
    if arguments.json {
        say(&json::write(&record)?)?;
    } else {
        say(&stop_table(&found.stops))?;
        say(&format!(
            "{} stop(s), {} positioning move(s), {} warning(s) in {} file(s)\n\n",
            found.stops.len(),
            found.positioning_moves.len(),
            found.warnings.len(),
            found.recordings.len()
        ))?;
    }
    let mut place = None;
    if let Some(out) = &arguments.out {
        let contents = folder::Contents {
            record: &record,
            settings: None,
            traces: &[],
        };
        place = Some(
            folder::write(out, &contents, if_not_empty)?
                .page
                .display()
                .to_string(),
        );
    }
    if !arguments.json {
        say(&text::summary(&record, place.as_deref()))?;
    }
    Ok(record.verdict.exit_status)
}

fn all<E: std::fmt::Display>(errors: &[E]) -> String {
    errors
        .iter()
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join("\nerror: ")
}

fn read_options(arguments: &Arguments) -> ReadOptions {
    ReadOptions {
        time: arguments.time.clone(),
        angle: arguments.angle.clone(),
        sine: arguments.sine.clone(),
        cosine: arguments.cosine.clone(),
        stop: arguments.stop.clone(),
        time_unit: arguments.time_unit,
        angle_unit: arguments.angle_unit,
        stop_active_low: arguments.stop_active_low,
        sample_rate_hz: arguments.sample_rate,
        zero_deg: arguments.zero,
        angle_falls: arguments.angle_falls,
    }
}

fn question(arguments: &Arguments) -> Result<Question, Problem> {
    let mut question = Question {
        press: arguments.press.clone(),
        ..Question::default()
    };
    for file in &arguments.files {
        let bytes = std::fs::read(file).map_err(|error| format!("{}: {error}", file.display()))?;
        let name = file
            .file_name()
            .unwrap_or(file.as_os_str())
            .to_string_lossy()
            .into_owned();
        let lines = bytes.iter().filter(|byte| **byte == b'\n').count() as u64;
        question
            .files
            .push((name, folder::sha256(&bytes), lines.saturating_sub(1)));
    }
    let (Some(installed_mm), Some(control_ms), Some(device_ms)) = (
        arguments.distance,
        arguments.control_response,
        arguments.device_response,
    ) else {
        return Ok(question);
    };
    let mut rules = arguments.rules.clone();
    if rules.is_empty() {
        rules.extend(super::RULES);
    }
    let mut note = |name: &str, value: String| {
        question.given.push(NamedText {
            name: name.to_owned(),
            value,
        });
    };
    note("distance", format!("{installed_mm} mm"));
    note("control response", format!("{control_ms} ms"));
    note("device response", format!("{device_ms} ms"));
    if let Some(mm) = arguments.detection {
        note("detection", format!("{mm} mm"));
    }
    question.guard = Some(Guard {
        installed_mm,
        detection_mm: arguments.detection,
        device_ms,
        control_ms,
        rules,
    });
    Ok(question)
}
