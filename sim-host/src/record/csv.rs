//! `stops.csv` and the trace of each stop: the record for spreadsheets and for a second study.
//!
//! Units stand in the header. A trace begins with `time_s,crank_deg,stop_cmd`, the columns a
//! recording of a real press has, so that `study` reads it like one.

use super::model::{Record, Stop, StopTruth};
use super::numbers;
use thiserror::Error;

/// Why a table could not be written.
#[derive(Debug, Error)]
pub enum CsvError {
    /// A number is infinite or not a number.
    #[error("{table}, line {line}, column {column}: {value} is not a finite number")]
    NotFinite {
        /// The file.
        table: String,
        /// Line in the file, the header being 1.
        line: usize,
        /// Name of the column.
        column: &'static str,
        /// What stood there.
        value: f64,
    },
    /// The CSV library refused.
    #[error("{table}: {source}")]
    Library {
        /// The file.
        table: String,
        /// What it said.
        source: ::csv::Error,
    },
}

/// Samples of one stop, from before its command to after its standstill.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    /// Number of the stop.
    pub stop: u32,
    /// The samples, in order of time.
    pub samples: Vec<TraceSample>,
}

impl Trace {
    /// Name of the file within the folder of the record.
    pub fn file(&self) -> String {
        trace_file(self.stop)
    }
}

/// Name of the trace of a stop within the folder of the record.
pub fn trace_file(stop: u32) -> String {
    format!("traces/stop-{stop:03}.csv")
}

/// One sample of a trace.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TraceSample {
    /// Time, in seconds; rises.
    pub time_s: f64,
    /// Crank angle, in degrees, 0 up to 360.
    pub crank_deg: f64,
    /// The valve coil is off.
    pub stop_cmd: bool,
    /// Crank speed as the controller has it, in strokes per minute.
    pub speed_spm: f64,
}

const TRACE_COLUMNS: [&str; 4] = ["time_s", "crank_deg", "stop_cmd", "speed_spm"];

/// One trace as CSV.
pub fn trace(trace: &Trace) -> Result<String, CsvError> {
    let mut table = Table::new(trace.file(), &TRACE_COLUMNS)?;
    for sample in &trace.samples {
        let cells = [
            table.number(0, sample.time_s)?,
            on_the_circle(table.number(1, sample.crank_deg)?),
            u8::from(sample.stop_cmd).to_string(),
            table.number(3, sample.speed_spm)?,
        ];
        table.row(&cells)?;
    }
    table.finish()
}

/// 359.99999 rounds to 360, which is 0.
fn on_the_circle(text: String) -> String {
    if text == "360.0000" {
        "0.0000".to_owned()
    } else {
        text
    }
}

const STOP_COLUMNS: [&str; 14] = [
    "number",
    "cell",
    "recording",
    "command_time_s",
    "command_deg",
    "speed_spm",
    "time_ms",
    "travel_deg",
    "rest_deg",
    "reaction_ms",
    "braking_ms",
    "truth_time_ms",
    "truth_travel_deg",
    "truth_rest_deg",
];

/// Every stop of the record as CSV. What is not known is an empty cell.
pub fn stops(record: &Record) -> Result<String, CsvError> {
    let mut table = Table::new("stops.csv".to_owned(), &STOP_COLUMNS)?;
    for stop in &record.stop_matrix.stops {
        let cells = stop_row(&table, stop)?;
        table.row(&cells)?;
    }
    table.finish()
}

fn stop_row(table: &Table, stop: &Stop) -> Result<Vec<String>, CsvError> {
    let truth = |part: fn(&StopTruth) -> f64| stop.truth.as_ref().map(part);
    let numbers = [
        stop.command_time_s,
        Some(stop.command_deg),
        Some(stop.speed_spm),
        Some(stop.time_ms),
        Some(stop.travel_deg),
        Some(stop.rest_deg),
        stop.reaction_ms,
        stop.braking_ms,
        truth(|t| t.time_ms),
        truth(|t| t.travel_deg),
        truth(|t| t.rest_deg),
    ];
    let names = [
        stop.number.to_string(),
        stop.cell.clone(),
        stop.recording.clone().unwrap_or_default(),
    ];
    let first_number = names.len();
    let mut row = Vec::from(names);
    for (index, value) in numbers.into_iter().enumerate() {
        let cell = value
            .map(|v| table.number(first_number + index, v))
            .transpose()?;
        row.push(cell.unwrap_or_default());
    }
    Ok(row)
}

/// A table being written, which knows its columns and where it is.
struct Table {
    name: String,
    columns: &'static [&'static str],
    rows: usize,
    writer: ::csv::Writer<Vec<u8>>,
}

impl Table {
    fn new(name: String, columns: &'static [&'static str]) -> Result<Self, CsvError> {
        let mut table = Self {
            name,
            columns,
            rows: 0,
            writer: ::csv::Writer::from_writer(vec![]),
        };
        table.row(columns)?;
        Ok(table)
    }

    /// A number with the decimals of its column.
    fn number(&self, column: usize, value: f64) -> Result<String, CsvError> {
        let column = self.columns.get(column).copied().unwrap_or_default();
        if value.is_finite() {
            return Ok(numbers::near(value, numbers::decimals(column)));
        }
        Err(CsvError::NotFinite {
            table: self.name.clone(),
            line: self.rows + 1,
            column,
            value,
        })
    }

    fn row<T: AsRef<[u8]>>(&mut self, cells: &[T]) -> Result<(), CsvError> {
        self.rows += 1;
        let written = self.writer.write_record(cells);
        written.map_err(|source| CsvError::Library {
            table: self.name.clone(),
            source,
        })
    }

    fn finish(self) -> Result<String, CsvError> {
        let Self { name, writer, .. } = self;
        let bytes = writer.into_inner().map_err(|e| CsvError::Library {
            table: name.clone(),
            source: ::csv::Error::from(e.into_error()),
        })?;
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(time_s: f64, crank_deg: f64) -> TraceSample {
        TraceSample {
            time_s,
            crank_deg,
            stop_cmd: true,
            speed_spm: 85.0,
        }
    }

    #[test]
    fn a_trace_begins_with_the_columns_of_a_recording() {
        let text = trace(&Trace {
            stop: 7,
            samples: vec![sample(0.001, 313.3)],
        })
        .unwrap();
        assert_eq!(
            text,
            "time_s,crank_deg,stop_cmd,speed_spm\n0.001000,313.3000,1,85.000\n"
        );
    }

    #[test]
    fn an_angle_that_rounds_to_a_full_turn_is_written_as_zero() {
        let text = trace(&Trace {
            stop: 1,
            samples: vec![sample(0.0, 359.999_99)],
        })
        .unwrap();
        assert!(text.contains(",0.0000,1,"), "{text}");
    }

    #[test]
    fn a_number_that_is_not_finite_is_refused_with_line_and_column() {
        let samples = vec![sample(0.0, 1.0), sample(f64::NAN, 2.0)];
        let error = trace(&Trace { stop: 12, samples }).unwrap_err().to_string();
        assert!(
            error.contains("traces/stop-012.csv, line 3, column time_s"),
            "{error}"
        );
    }

    #[test]
    fn what_is_not_known_of_a_stop_is_an_empty_cell() {
        let mut record = Record::default();
        let stop = Stop {
            number: 3,
            cell: "top, one".into(),
            time_ms: 138.0,
            ..Stop::default()
        };
        record.stop_matrix.stops.push(stop);
        let text = stops(&record).unwrap();
        let row = text.lines().nth(1).unwrap();
        assert_eq!(
            row,
            "3,\"top, one\",,,0.0000,0.000,138.000,0.0000,0.0000,,,,,"
        );
    }
}
