//! A file to a [`Recording`], or every reason why not.
//!
//! In order: lines and separator, header and columns, numbers, units, the path of the crank, the
//! stop command. Trouble with a whole column is told before trouble with single cells; within one
//! step all problems are collected.

use std::path::Path as FilePath;

use super::columns::AngleColumns;
use super::command;
use super::motion::{self, Gate, Path};
use super::problems::{Problems, ReadError, Warnings};
use super::recording::{Layout, ReadOptions, Recording, WarningKind};
use super::series::{Angles, Timed, middle_step};
use super::sheet::Sheet;
use super::spikes;
use super::table::Table;

/// Time between samples over its middle value that counts as a gap.
const GAP: f64 = 2.5;
/// Share of stop-command samples between the two levels that is still an edge.
const BETWEEN_SHARE_MAX: f64 = 0.02;
/// A crank this close to top dead centre is taken to have been there.
const TOP_REACHED_DEG: f64 = 1.0;

/// Reads a recording from a file.
///
/// # Errors
/// The file cannot be opened, or for any reason of [`read_bytes`].
pub fn read(file: &FilePath, options: &ReadOptions) -> Result<Recording, ReadError> {
    let shown = file.display().to_string();
    let bytes = std::fs::read(file).map_err(|error| Problems::one(None, error).named(&shown))?;
    let name = file
        .file_stem()
        .map_or_else(|| shown.clone(), |stem| stem.to_string_lossy().into());
    parse(&name, &bytes, options).map_err(|problems| problems.named(&shown))
}

/// Reads a recording called `name` from the bytes of a file.
///
/// # Errors
/// Nothing in it; a column missing or ambiguous; text where a number should stand; time that goes
/// back; rows of the wrong length throughout; a stop command that never changes; too few samples.
pub fn read_bytes(name: &str, bytes: &[u8], options: &ReadOptions) -> Result<Recording, ReadError> {
    parse(name, bytes, options).map_err(|problems| problems.named(name))
}

fn parse(name: &str, bytes: &[u8], options: &ReadOptions) -> Result<Recording, Problems> {
    check(options)?;
    let mut warnings = Warnings {
        recording: name.into(),
        list: Vec::new(),
    };
    let sheet = Sheet::new(bytes);
    if sheet.is_empty() {
        return Err(Problems::one(None, "the file is empty: no header, no rows"));
    }
    if let Some(line) = sheet.first_open_quote() {
        return Err(Problems::one(
            Some(line),
            "a quotation mark on this line is not closed",
        ));
    }
    let table = Table::find(&sheet, options, &mut warnings)?;
    let cells = table.cells(&sheet, &mut warnings)?;
    let timed = Timed::new(cells, &table, options, &mut warnings)?;
    let angles = timed.angles(&table, options, &mut warnings)?;
    assemble(name, &table, &timed, angles, options, warnings)
}

fn check(options: &ReadOptions) -> Result<(), Problems> {
    let mut problems = Problems::default();
    if options
        .sample_rate_hz
        .is_some_and(|rate| !(rate.is_finite() && rate > 0.0))
    {
        problems.add(
            None,
            None,
            "the sample rate given must be a number of hertz above 0",
        );
    }
    if !options.zero_deg.is_finite() {
        problems.add(
            None,
            None,
            "the reading at top dead centre must be a number of degrees",
        );
    }
    problems.none_or_err()
}

fn assemble(
    name: &str,
    table: &Table,
    timed: &Timed,
    angles: Angles,
    options: &ReadOptions,
    mut warnings: Warnings,
) -> Result<Recording, Problems> {
    let mut layout = layout(table, timed, &angles, options);
    let period = middle_step(&timed.times);
    let scatter = motion::scatter(&angles.readings, angles.wraps);
    let (readings, spikes_s) = spikes::part(&angles.readings, angles.wraps, scatter);
    let gate = Gate::new(&readings, angles.wraps, period);
    let mut path = motion::follow(&readings, angles.wraps, gate);
    path.spikes_s.extend(spikes_s);
    path.spikes_s.sort_by(f64::total_cmp);
    warn_of_path(&path, timed, period, &mut warnings);
    layout.angle_falls = options.angle_falls.unwrap_or_else(|| motion::falls(&path));
    let sense = if layout.angle_falls { -1.0 } else { 1.0 };
    let crank_deg: Vec<f64> = path
        .deg
        .iter()
        .map(|deg| sense * (deg - options.zero_deg))
        .collect();
    warn_unless_top_passed(&crank_deg, &mut warnings);

    let levels = command::levels(&timed.stop_values()).ok_or_else(|| no_command(table))?;
    if levels.between_share > BETWEEN_SHARE_MAX {
        warnings.add(
            WarningKind::ManyLevels,
            None,
            None,
            "the stop command takes more than two levels; the middle of its range parts them",
        );
    }
    let seen_low = command::stops_at_low(&levels, &path, period);
    let named_low = table.columns.stop_names_drive;
    layout.stop_active_low = options.stop_active_low.or(seen_low).unwrap_or(named_low);
    if options.stop_active_low.is_none() && layout.stop_active_low != named_low {
        let level = if layout.stop_active_low {
            "lower"
        } else {
            "upper"
        };
        let message = format!(
            "the crank is stopped by the {level} level of `{}`: that level is taken for the stop command",
            table.name(table.columns.stop)
        );
        warnings.add(WarningKind::PolarityContradictsName, None, None, message);
    }
    let resolution_deg = motion::resolution(&readings);
    Ok(Recording {
        name: name.into(),
        commands: command::spans(&levels, layout.stop_active_low, period),
        layout,
        time_s: path.time_s,
        crank_deg,
        jumps: path.jumps,
        sample_period_s: period,
        resolution_deg,
        noise_deg: scatter.max(resolution_deg / 12f64.sqrt()).max(1e-4),
        warnings: warnings.list,
    })
}

fn no_command(table: &Table) -> Problems {
    let name = table.name(table.columns.stop);
    Problems::one(
        None,
        format!("no stop in it: the stop command (column `{name}`) never changes"),
    )
}

fn warn_of_path(path: &Path, timed: &Timed, period: f64, warnings: &mut Warnings) {
    for pair in timed.times.windows(2) {
        if pair[1] - pair[0] > GAP * period {
            let message = format!(
                "{:.1} ms between two rows instead of {:.1} ms",
                (pair[1] - pair[0]) * 1e3,
                period * 1e3
            );
            warnings.add(WarningKind::Gaps, None, Some(pair[0]), message);
        }
    }
    for &time in &path.spikes_s {
        warnings.add(
            WarningKind::Spikes,
            None,
            Some(time),
            "angle far off the path of the crank; left out",
        );
    }
    for jump in &path.jumps {
        let message = format!(
            "the angle steps by {:.1} degrees, more than a crank can",
            jump.step_deg
        );
        warnings.add(WarningKind::AngleJumps, None, Some(jump.time_s), message);
    }
}

fn warn_unless_top_passed(crank_deg: &[f64], warnings: &mut Warnings) {
    let turns = |deg: f64| (deg / 360.0).floor();
    let passes = crank_deg
        .windows(2)
        .any(|pair| turns(pair[0]) != turns(pair[1]));
    let touches = crank_deg
        .iter()
        .any(|&deg| motion::shortest(deg).abs() < TOP_REACHED_DEG);
    if !(passes || touches) {
        let message = "the crank angle never passes top dead centre: its zero cannot be checked, and overrun and kind of stop may be wrong";
        warnings.add(WarningKind::TopNeverPassed, None, None, message);
    }
}

fn layout(table: &Table, timed: &Timed, angles: &Angles, options: &ReadOptions) -> Layout {
    Layout {
        time: match (table.columns.time, options.sample_rate_hz) {
            (Some((column, _)), _) => table.name(column).into(),
            (None, rate) => format!("{} Hz given", rate.unwrap_or(0.0)),
        },
        angle: match table.columns.angle {
            AngleColumns::Angle { column, .. } => table.name(column).into(),
            AngleColumns::Pair { sine, cosine } => {
                format!("{}, {}", table.name(sine), table.name(cosine))
            }
        },
        stop: table.name(table.columns.stop).into(),
        separator: table.separator.name().into(),
        time_unit: timed.unit.to_string(),
        angle_unit: angles.unit.clone(),
        angle_wraps: angles.wraps,
        angle_falls: false,
        stop_active_low: false,
    }
}
