//! The table in a sheet: its header, its columns, its rows as numbers.

use super::ReadOptions;
use super::columns::{self, AngleColumns, ColumnTrouble, Columns};
use super::problems::{Problems, Warnings};
use super::recording::WarningKind;
use super::sheet::{self, Row, Separator, Sheet};
use super::units::Unit;

/// Lines in which a header is looked for.
const HEADER_LINES: usize = 60;
/// A larger share of bad rows means that the file was misunderstood, not that rows are bad.
pub(super) const BAD_SHARE_MAX: f64 = 0.1;
/// Fewest samples of a recording: some before the command, some while stopping, some at rest.
pub(super) const SAMPLES_MIN: usize = 12;

/// Header and columns of a sheet.
pub(super) struct Table {
    header: Vec<String>,
    /// Rows begin after this line.
    header_line: u64,
    pub(super) separator: Separator,
    pub(super) columns: Columns,
}

impl Table {
    /// The first line that names every column needed, under the first separator that shows it. A
    /// header behind a comment mark counts when no plain line is one.
    pub(super) fn find(
        sheet: &Sheet,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Self, Problems> {
        let mut nearest = None;
        for (before, (line, text)) in sheet.lines().take(HEADER_LINES).enumerate() {
            if let Some(table) = Self::from_line(line, text, options, &mut nearest) {
                if before > 0 {
                    let message = format!("{before} lines before the header were skipped");
                    warnings.add(WarningKind::LinesBeforeHeader, Some(line), None, message);
                }
                return Ok(table);
            }
        }
        let mut remarks = sheet.comments().take(HEADER_LINES);
        let remark =
            remarks.find_map(|(line, text)| Self::from_line(line, text, options, &mut None));
        remark.ok_or_else(|| no_header(nearest))
    }

    /// `nearest` is the line with the fewest troubles so far.
    fn from_line(
        line: u64,
        text: &str,
        options: &ReadOptions,
        nearest: &mut Option<(u64, ColumnTrouble)>,
    ) -> Option<Self> {
        for separator in Separator::all() {
            let header = sheet::split(text, separator);
            if header.len() < 2 {
                continue;
            }
            match columns::choose(&header, options) {
                Ok(columns) => {
                    // A first row of numbers, its columns given by number, is data already.
                    let is_data = header.iter().all(|cell| number(cell) != Cell::Text);
                    let header_line = if is_data {
                        line.saturating_sub(1)
                    } else {
                        line
                    };
                    return Some(Self {
                        header,
                        header_line,
                        separator,
                        columns,
                    });
                }
                Err(trouble) => {
                    let fewest = nearest
                        .as_ref()
                        .map_or(usize::MAX, |(_, least)| least.problems.len());
                    if trouble.problems.len() < fewest {
                        *nearest = Some((line, trouble));
                    }
                }
            }
        }
        None
    }

    pub(super) fn name(&self, column: usize) -> &str {
        self.header.get(column).map_or("", String::as_str)
    }

    /// The columns needed, in the order of [`Reading::values`].
    pub(super) fn needed(&self) -> Vec<usize> {
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

    pub(super) fn cells(&self, sheet: &Sheet, warnings: &mut Warnings) -> Result<Cells, Problems> {
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
}

fn no_header(nearest: Option<(u64, ColumnTrouble)>) -> Problems {
    let Some((line, trouble)) = nearest else {
        return Problems::one(Some(1), "no table found: no line holds two cells or more");
    };
    let mut problems = Problems::default();
    trouble
        .problems
        .iter()
        .for_each(|message| problems.add(Some(line), None, message));
    problems
}

/// A cell that should hold a number.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Cell {
    Number(f64),
    Missing,
    Text,
}

/// A number with a decimal point or a decimal comma.
fn number(cell: &str) -> Cell {
    match cell.trim().parse::<f64>() {
        Ok(value) if value.is_finite() => Cell::Number(value),
        Ok(_) => Cell::Missing,
        Err(_) => number_otherwise(cell.trim()),
    }
}

fn number_otherwise(cell: &str) -> Cell {
    let plain = cell.replace('\u{2212}', "-");
    if plain.matches(',').count() <= 1
        && !plain.contains('.')
        && let Ok(value) = plain.replace(',', ".").parse::<f64>()
        && value.is_finite()
    {
        return Cell::Number(value);
    }
    match plain.to_lowercase().as_str() {
        "" | "-" | "na" | "n/a" | "null" | "none" | "#n/a" => Cell::Missing,
        _ => Cell::Text,
    }
}

/// A level of a switched signal: a number, or one of two words.
fn level(cell: &str) -> Cell {
    match (number(cell), cell.trim().to_lowercase().as_str()) {
        (Cell::Text, "true" | "on" | "high" | "yes" | "stop") => Cell::Number(1.0),
        (Cell::Text, "false" | "off" | "low" | "no" | "run") => Cell::Number(0.0),
        (value, _) => value,
    }
}

/// One row: line, then stop command, angle (one or two values), time; not a number where missing.
pub(super) struct Reading {
    pub(super) line: u64,
    pub(super) values: [f64; 4],
}

/// The rows of a table as numbers.
#[derive(Default)]
pub(super) struct Cells {
    pub(super) readings: Vec<Reading>,
    /// Units from a row of units under the header, in the order of the columns needed.
    pub(super) units: Vec<Option<Unit>>,
}

impl Cells {
    fn take(&mut self, row: &Row, table: &Table, problems: &mut Problems) {
        let mut values = [f64::NAN; 4];
        for (slot, &column) in values.iter_mut().zip(&table.needed()) {
            let cell = row.cells.get(column).unwrap_or_default();
            let read = if column == table.columns.stop {
                level
            } else {
                number
            };
            match read(cell) {
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
}

fn shortened(cell: &str) -> String {
    cell.chars().take(24).collect()
}
