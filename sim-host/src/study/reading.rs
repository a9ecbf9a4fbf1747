//! A file to a [`Recording`], or every reason why not.
//!
//! In order: lines and separator, header and columns, numbers, units, the path of the crank, the
//! stop command. Trouble with a whole column is told before trouble with single cells; within one
//! step all problems are collected.

use std::fmt;
use std::path::Path as FilePath;

use serde::Serialize;

use super::columns::{self, AngleColumns, ColumnTrouble, Columns};
use super::command;
use super::motion::{self, Gate, Path};
use super::recording::{Layout, ReadOptions, Recording, Warning, WarningKind};
use super::sheet::{self, Row, Separator, Sheet};
use super::units::{AngleUnit, TimeUnit, Unit};
use super::windings;

/// Lines in which a header is looked for.
const HEADER_LINES: usize = 60;
/// Problems told one by one; more are counted.
const PROBLEMS_TOLD: usize = 12;
/// A larger share of bad rows means that the file was misunderstood, not that rows are bad.
const BAD_SHARE_MAX: f64 = 0.1;
/// Fewest samples of a recording: some before the command, some while stopping, some at rest.
const SAMPLES_MIN: usize = 12;
/// Time between samples over its middle value that counts as a gap.
const GAP: f64 = 2.5;
/// Share of stop-command samples between the two levels that is still an edge.
const BETWEEN_SHARE_MAX: f64 = 0.02;
/// A crank this close to top dead centre is taken to have been there.
const TOP_REACHED_DEG: f64 = 1.0;

/// One thing wrong with a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Line of the file, from 1, when it is about a line.
    pub line: Option<u64>,
    /// Column within the line, from 1, when it is about a cell.
    pub column: Option<usize>,
    /// What was found and what is allowed.
    pub message: String,
}

/// A file that cannot be studied, with every problem found in the step that failed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
pub struct ReadError {
    /// The file as it was named.
    pub file: String,
    /// At least one.
    pub problems: Vec<Problem>,
    /// Further problems of the same step that are not listed.
    pub more: usize,
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let line = problem
                .line
                .map_or(String::new(), |line| format!(":{line}"));
            let column = problem
                .column
                .map_or(String::new(), |column| format!(":{column}"));
            let end = if index + 1 < self.problems.len() {
                "\n"
            } else {
                ""
            };
            write!(f, "{}{line}{column}: {}{end}", self.file, problem.message)?;
        }
        if self.more > 0 {
            write!(f, "\n{}: and {} more", self.file, self.more)
        } else {
            Ok(())
        }
    }
}

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

/// Problems of one step, before the file's name is put to them.
#[derive(Debug, Default)]
struct Problems {
    told: Vec<Problem>,
    more: usize,
}

impl Problems {
    fn one(line: Option<u64>, message: impl fmt::Display) -> Self {
        let problem = Problem {
            line,
            column: None,
            message: message.to_string(),
        };
        Self {
            told: vec![problem],
            more: 0,
        }
    }

    fn add(&mut self, line: Option<u64>, column: Option<usize>, message: impl fmt::Display) {
        if self.told.len() < PROBLEMS_TOLD {
            self.told.push(Problem {
                line,
                column,
                message: message.to_string(),
            });
        } else {
            self.more += 1;
        }
    }

    fn none_or_err(self) -> Result<(), Self> {
        if self.told.is_empty() {
            Ok(())
        } else {
            Err(self)
        }
    }

    fn named(self, file: &str) -> ReadError {
        ReadError {
            file: file.into(),
            problems: self.told,
            more: self.more,
        }
    }
}

/// Warnings of one file, one a kind, counted.
struct Warnings {
    recording: String,
    list: Vec<Warning>,
}

impl Warnings {
    fn add(
        &mut self,
        kind: WarningKind,
        line: Option<u64>,
        time_s: Option<f64>,
        message: impl fmt::Display,
    ) {
        match self.list.iter_mut().find(|warning| warning.kind == kind) {
            Some(warning) => warning.count += 1,
            None => self.list.push(Warning {
                recording: self.recording.clone(),
                kind,
                count: 1,
                line,
                time_s,
                message: message.to_string(),
            }),
        }
    }

    fn count(&self, kind: WarningKind) -> usize {
        self.list
            .iter()
            .filter(|warning| warning.kind == kind)
            .map(|warning| warning.count)
            .sum()
    }
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
    let timed = cells.with_times(&table, options, &mut warnings)?;
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

/// Header and columns of a sheet.
struct Table {
    header: Vec<String>,
    /// Rows begin after this line.
    header_line: u64,
    separator: Separator,
    columns: Columns,
}

impl Table {
    /// The first line that names every column needed, under the first separator that shows it.
    fn find(
        sheet: &Sheet,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Self, Problems> {
        let mut nearest: Option<(u64, ColumnTrouble)> = None;
        for (before, (line, text)) in sheet.lines().take(HEADER_LINES).enumerate() {
            for separator in Separator::all() {
                let header = sheet::split(text, separator);
                let is_data = header.iter().all(|cell| number(cell) != Cell::Text);
                if header.len() < 2 {
                    continue;
                }
                match columns::choose(&header, options) {
                    Ok(columns) => {
                        if before > 0 {
                            let message = format!("{before} lines before the header were skipped");
                            warnings.add(WarningKind::LinesBeforeHeader, Some(line), None, message);
                        }
                        // A first row of numbers, its columns given by number, is data already.
                        let header_line = if is_data { line - 1 } else { line };
                        return Ok(Self {
                            header,
                            header_line,
                            separator,
                            columns,
                        });
                    }
                    Err(trouble) => {
                        let best = nearest
                            .as_ref()
                            .map_or(usize::MAX, |best| best.1.problems.len());
                        if trouble.problems.len() < best {
                            nearest = Some((line, trouble));
                        }
                    }
                }
            }
        }
        let Some((line, trouble)) = nearest else {
            return Err(Problems::one(
                Some(1),
                "no table found: no line holds two cells or more",
            ));
        };
        let mut problems = Problems::default();
        trouble
            .problems
            .iter()
            .for_each(|message| problems.add(Some(line), None, message));
        Err(problems)
    }

    fn name(&self, column: usize) -> &str {
        self.header.get(column).map_or("", String::as_str)
    }

    /// The columns needed, in the order of [`Reading::values`].
    fn needed(&self) -> Vec<usize> {
        let angle = match self.columns.angle {
            AngleColumns::Angle { column, .. } => vec![column],
            AngleColumns::Pair { sine, cosine } => vec![sine, cosine],
        };
        let time = self.columns.time.map(|(column, _)| column);
        [self.columns.stop]
            .into_iter()
            .chain(angle)
            .chain(time)
            .collect()
    }

    fn cells(&self, sheet: &Sheet, warnings: &mut Warnings) -> Result<Cells, Problems> {
        let rows = sheet.rows(self.header_line, self.separator);
        let (mut cells, mut problems) = (Cells::default(), Problems::default());
        for (index, row) in rows.iter().enumerate() {
            if row.cells.iter().eq(self.header.iter().map(String::as_str)) && !self.is_numeric(row)
            {
                warnings.add(
                    WarningKind::HeaderRepeated,
                    Some(row.line),
                    None,
                    "the header stands here again",
                );
            } else if index == 0 && cells.take_units(row, self) {
            } else if self.is_ragged(row) {
                warnings.add(
                    WarningKind::RaggedRows,
                    Some(row.line),
                    None,
                    self.ragged(row),
                );
            } else {
                cells.take(row, self, &mut problems);
            }
        }
        problems.none_or_err()?;
        self.require_mostly_good(&cells, rows.len(), warnings)?;
        Ok(cells)
    }

    fn is_numeric(&self, row: &Row) -> bool {
        row.cells.iter().all(|cell| number(cell) != Cell::Text)
    }

    /// One empty cell after the last separator is allowed.
    fn is_ragged(&self, row: &Row) -> bool {
        let (have, want) = (row.cells.len(), self.header.len());
        have != want && !(have == want + 1 && row.cells.get(want) == Some(""))
    }

    fn ragged(&self, row: &Row) -> String {
        format!(
            "row left out: it has {} cells, the header has {}",
            row.cells.len(),
            self.header.len()
        )
    }

    fn require_mostly_good(
        &self,
        cells: &Cells,
        rows: usize,
        warnings: &mut Warnings,
    ) -> Result<(), Problems> {
        let ragged = warnings.count(WarningKind::RaggedRows);
        if ragged as f64 > BAD_SHARE_MAX * rows as f64 {
            let first = warnings
                .list
                .iter()
                .find(|warning| warning.kind == WarningKind::RaggedRows);
            let hint = match self.separator {
                Separator::Mark(b',') => {
                    "; a decimal comma needs another separator or quotation marks"
                }
                _ => "",
            };
            return Err(Problems::one(
                first.and_then(|warning| warning.line),
                format!(
                    "{ragged} of {rows} rows have another number of cells than the header{hint}"
                ),
            ));
        }
        let (missing, first) = cells.missing(self.needed().len());
        for _ in 0..missing {
            let message = "a needed cell is empty or not a number; it was left out";
            warnings.add(WarningKind::MissingValues, first, None, message);
        }
        if cells.readings.len() < SAMPLES_MIN {
            return Err(Problems::one(
                None,
                format!(
                    "{} rows of numbers, at least {SAMPLES_MIN} are needed",
                    cells.readings.len()
                ),
            ));
        }
        Ok(())
    }

    fn layout(&self, timed: &Timed, angles: &Angles, options: &ReadOptions) -> Layout {
        Layout {
            time: match (self.columns.time, options.sample_rate_hz) {
                (Some((column, _)), _) => self.name(column).into(),
                (None, rate) => format!("{} Hz given", rate.unwrap_or(0.0)),
            },
            angle: match self.columns.angle {
                AngleColumns::Angle { column, .. } => self.name(column).into(),
                AngleColumns::Pair { sine, cosine } => {
                    format!("{}, {}", self.name(sine), self.name(cosine))
                }
            },
            stop: self.name(self.columns.stop).into(),
            separator: self.separator.name().into(),
            time_unit: timed.unit.to_string(),
            angle_unit: angles.unit.clone(),
            angle_wraps: angles.wraps,
            angle_falls: false,
            stop_active_low: false,
        }
    }
}

/// A cell that should hold a number.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Cell {
    Number(f64),
    Missing,
    Text,
}

/// A number with a decimal point or a decimal comma; words of a switched signal are 0 and 1.
fn number(cell: &str) -> Cell {
    let plain = cell.trim().replace('\u{2212}', "-");
    let value = plain
        .parse::<f64>()
        .or_else(|error| match plain.matches(',').count() {
            1 if !plain.contains('.') => plain.replace(',', ".").parse(),
            _ => Err(error),
        });
    match (value, plain.to_lowercase().as_str()) {
        (Ok(value), _) if value.is_finite() => Cell::Number(value),
        (Ok(_), _) | (_, "" | "-" | "na" | "n/a" | "null" | "none" | "#n/a") => Cell::Missing,
        (_, "true" | "on" | "high" | "yes") => Cell::Number(1.0),
        (_, "false" | "off" | "low" | "no") => Cell::Number(0.0),
        _ => Cell::Text,
    }
}

/// One row: line, then stop command, angle (one or two values), time; not a number where missing.
struct Reading {
    line: u64,
    values: [f64; 4],
}

/// The rows of a table as numbers.
#[derive(Default)]
struct Cells {
    readings: Vec<Reading>,
    /// Units from a row of units under the header, in the order of the columns needed.
    units: Vec<Option<Unit>>,
}

impl Cells {
    fn take(&mut self, row: &Row, table: &Table, problems: &mut Problems) {
        let mut values = [f64::NAN; 4];
        for (slot, &column) in values.iter_mut().zip(&table.needed()) {
            let cell = row.cells.get(column).unwrap_or_default();
            match number(cell) {
                Cell::Number(value) => *slot = value,
                Cell::Missing => {}
                Cell::Text => problems.add(
                    Some(row.line),
                    Some(column + 1),
                    format!(
                        "`{}` is no number (column `{}`)",
                        shortened(cell),
                        table.name(column)
                    ),
                ),
            }
        }
        self.readings.push(Reading {
            line: row.line,
            values,
        });
    }

    /// A first row of words under the header that are units, or nothing.
    fn take_units(&mut self, row: &Row, table: &Table) -> bool {
        let bare = |cell: &str| cell.trim_matches(|sign| "[]()".contains(sign)).to_owned();
        let is_unit = |cell: &str| {
            let cell = bare(cell);
            cell.is_empty() || cell == "-" || cell == "1" || Unit::from_word(&cell).is_some()
        };
        let has_one = row
            .cells
            .iter()
            .any(|cell| Unit::from_word(&bare(cell)).is_some());
        let is_units = has_one && row.cells.iter().all(is_unit);
        if is_units {
            let unit = |&column: &usize| Unit::from_word(&bare(row.cells.get(column)?));
            self.units = table.needed().iter().map(unit).collect();
        }
        is_units
    }

    /// Rows that miss one of the `needed` values, and the line of the first.
    fn missing(&self, needed: usize) -> (usize, Option<u64>) {
        let is_bad = |reading: &&Reading| reading.values.iter().take(needed).any(|v| v.is_nan());
        let bad: Vec<u64> = self
            .readings
            .iter()
            .filter(is_bad)
            .map(|r| r.line)
            .collect();
        (bad.len(), bad.first().copied())
    }

    fn with_times(
        self,
        table: &Table,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Timed, Problems> {
        let slot = table.needed().len() - 1;
        let Some((_, named)) = table.columns.time else {
            let period = 1.0 / options.sample_rate_hz.unwrap_or(1.0);
            let times = (0..self.readings.len())
                .map(|row| row as f64 * period)
                .collect();
            return Ok(Timed {
                units: self.units,
                readings: self.readings,
                times,
                unit: TimeUnit::Seconds,
            });
        };
        let raw: Vec<f64> = self
            .readings
            .iter()
            .map(|r| r.values.get(slot).copied().unwrap_or(f64::NAN))
            .collect();
        let written = self.units.get(slot).copied().flatten();
        let written = if let Some(Unit::Time(unit)) = written {
            Some(unit)
        } else {
            None
        };
        let unit = options.time_unit.or(named).or(written).unwrap_or_else(|| {
            let guess = TimeUnit::guess(middle_step(&raw));
            let message = format!("the unit of time is not named; taken as {guess}");
            warnings.add(WarningKind::UnitGuessed, None, None, message);
            guess
        });
        let rows = self.readings.into_iter().zip(&raw);
        let rows = rows.filter(|(_, time)| time.is_finite());
        let (readings, times) = rows
            .map(|(reading, time)| (reading, time * unit.seconds()))
            .unzip();
        Timed {
            units: self.units,
            readings,
            times,
            unit,
        }
        .with_rising_time(warnings)
    }
}

fn shortened(cell: &str) -> String {
    cell.chars().take(24).collect()
}

/// Middle value of the positive steps.
fn middle_step(values: &[f64]) -> f64 {
    let steps = values
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|&step| step > 0.0);
    motion::median(&steps.collect::<Vec<_>>()).unwrap_or(0.0)
}

/// Readings with their times in seconds.
struct Timed {
    units: Vec<Option<Unit>>,
    readings: Vec<Reading>,
    times: Vec<f64>,
    unit: TimeUnit,
}

/// Angle readings and what they are.
struct Angles {
    /// Time and degrees.
    readings: Vec<(f64, f64)>,
    wraps: bool,
    unit: String,
}

impl Timed {
    /// Refuses time that goes back; leaves out rows that repeat the time before them.
    fn with_rising_time(mut self, warnings: &mut Warnings) -> Result<Self, Problems> {
        let mut problems = Problems::default();
        let mut keep = Vec::with_capacity(self.times.len());
        let mut before = f64::NEG_INFINITY;
        for (&time, reading) in self.times.iter().zip(&self.readings) {
            let line = Some(reading.line);
            if time < before {
                problems.add(
                    line,
                    None,
                    format!(
                        "time goes back: {time} s after {before} s; it must rise from row to row"
                    ),
                );
            } else if time == before {
                warnings.add(
                    WarningKind::RepeatedTimes,
                    line,
                    None,
                    "row left out: it has the time of the row before",
                );
            }
            keep.push(time > before);
            before = time;
        }
        problems.none_or_err()?;
        let repeated = warnings.count(WarningKind::RepeatedTimes);
        if repeated as f64 > BAD_SHARE_MAX * self.times.len() as f64 {
            let message = format!(
                "{repeated} of {} rows repeat the time of the row before: the time column is too coarse",
                self.times.len()
            );
            return Err(Problems::one(None, message));
        }
        let mut kept = keep.iter();
        self.times.retain(|_| kept.next() == Some(&true));
        let mut kept = keep.iter();
        self.readings.retain(|_| kept.next() == Some(&true));
        Ok(self)
    }

    fn angles(
        &self,
        table: &Table,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Angles, Problems> {
        let AngleColumns::Angle {
            unit: named,
            column,
        } = table.columns.angle
        else {
            return self.pair_angles(warnings);
        };
        let at = self
            .times
            .iter()
            .zip(&self.readings)
            .map(|(&time, reading)| (time, reading.values[1]));
        let raw: Vec<(f64, f64)> = at.filter(|reading| reading.1.is_finite()).collect();
        require_samples(raw.len())?;
        let saw = SawTooth::of(&raw);
        let written = match self.units.get(1).copied().flatten() {
            Some(Unit::Angle(unit)) => Some(unit),
            _ => None,
        };
        let unit = match options.angle_unit.or(named).or(written) {
            Some(AngleUnit::Counts(number)) if number <= 0.0 => {
                let guess = AngleUnit::guess_counts(saw.span).filter(|_| saw.falls_back);
                let guess = guess.ok_or_else(|| counts_unknown(table.name(column)))?;
                warnings.add(
                    WarningKind::UnitGuessed,
                    None,
                    None,
                    format!("counts of one turn are not named; taken as {guess}"),
                );
                guess
            }
            Some(unit) => unit,
            None => {
                let guess =
                    AngleUnit::guess(saw.span, saw.falls_back).unwrap_or(AngleUnit::Degrees);
                warnings.add(
                    WarningKind::UnitGuessed,
                    None,
                    None,
                    format!("the unit of the angle is not named; taken as {guess}"),
                );
                guess
            }
        };
        let degrees = 360.0 / unit.per_turn();
        Ok(Angles {
            readings: raw
                .iter()
                .map(|&(time, value)| (time, value * degrees))
                .collect(),
            wraps: saw.span * degrees < 1.1 * 360.0,
            unit: unit.to_string(),
        })
    }

    fn pair_angles(&self, warnings: &mut Warnings) -> Result<Angles, Problems> {
        let pairs: Vec<(f64, f64)> = self
            .readings
            .iter()
            .map(|reading| (reading.values[1], reading.values[2]))
            .collect();
        let windings = windings::angles(&pairs);
        if let Some(doubt) = windings.doubt {
            warnings.add(WarningKind::PairUnbalanced, None, None, doubt);
        }
        let at = self.times.iter().copied().zip(windings.deg);
        let readings: Vec<(f64, f64)> = at.filter(|reading| reading.1.is_finite()).collect();
        require_samples(readings.len())?;
        Ok(Angles {
            readings,
            wraps: true,
            unit: "sine and cosine".into(),
        })
    }

    fn stop_values(&self) -> Vec<(f64, f64)> {
        let at = self
            .times
            .iter()
            .zip(&self.readings)
            .map(|(&time, reading)| (time, reading.values[0]));
        at.filter(|value| value.1.is_finite()).collect()
    }
}

fn require_samples(count: usize) -> Result<(), Problems> {
    if count >= SAMPLES_MIN {
        return Ok(());
    }
    Err(Problems::one(
        None,
        format!("{count} angles in the file, at least {SAMPLES_MIN} are needed"),
    ))
}

fn counts_unknown(name: &str) -> Problems {
    Problems::one(
        None,
        format!(
            "column `{name}` holds counts, and they do not tell how many make a turn: give the counts of one turn as the angle's unit"
        ),
    )
}

/// Range of a column of angles, and whether it falls back at the end of a turn.
struct SawTooth {
    span: f64,
    falls_back: bool,
}

impl SawTooth {
    fn of(raw: &[(f64, f64)]) -> Self {
        let mut values: Vec<f64> = raw.iter().map(|reading| reading.1).collect();
        values.sort_by(f64::total_cmp);
        // The very ends are left to spikes.
        let end = |share| motion::quantile(&values, share).unwrap_or(0.0);
        let span = end(0.998) - end(0.002);
        let falls = raw
            .windows(2)
            .any(|pair| (pair[1].1 - pair[0].1).abs() > 0.6 * span);
        Self {
            span,
            falls_back: falls && span > 0.0,
        }
    }
}

fn assemble(
    name: &str,
    table: &Table,
    timed: &Timed,
    angles: Angles,
    options: &ReadOptions,
    mut warnings: Warnings,
) -> Result<Recording, Problems> {
    let mut layout = table.layout(timed, &angles, options);
    let period = middle_step(&timed.times);
    let path = motion::follow(
        &angles.readings,
        angles.wraps,
        Gate::new(&angles.readings, angles.wraps, period),
    );
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
    let resolution_deg = motion::resolution(&angles.readings);
    let scatter = motion::scatter(&angles.readings, angles.wraps);
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
