//! Traces: any signals of a run at any rate, written as the run goes on.
//!
//! What a signal is stands in [`SIGNALS`]: what is true of the press, what people do, what the
//! controller sees and says. Where a row goes is a [`Sink`]: CSV, VCD (IEEE 1364), Parquet, or the
//! memory of a plot.

mod csv;
#[cfg(feature = "parquet")]
mod parquet;
mod plot;
mod signals;
mod vcd;

pub use plot::Plot;
pub(super) use signals::state_number;
pub use signals::{SIGNALS, Shape, Signal, signals_named};

use super::run::Observer;
use crate::bench::Moment;
use std::cell::RefCell;
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;
use std::rc::Rc;

/// Milliseconds between two rows: 1 for every tick.
pub type EveryMs = u32;

/// Why a trace could not be written.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// A signal that there is none of.
    #[error("there is no signal {found:?}; the signals are {known}")]
    UnknownSignal {
        /// As it was named.
        found: String,
        /// All there are.
        known: String,
    },
    /// A file of a kind that is not written.
    #[error("{path}: a trace is written as {known}, by the ending of its name")]
    UnknownKind {
        /// The file.
        path: String,
        /// Endings.
        known: &'static str,
    },
    /// The file is there already, or the disk is full.
    #[error("{path}: {error}")]
    File {
        /// The file.
        path: String,
        /// What went wrong.
        error: std::io::Error,
    },
}

/// Where rows go.
pub trait Sink {
    /// One row; a value that is not known is not a number.
    ///
    /// # Errors
    /// When it cannot be written.
    fn row(&mut self, time_us: u64, values: &[f64]) -> std::io::Result<()>;

    /// After the last row.
    ///
    /// # Errors
    /// When what is left cannot be written.
    fn end(&mut self) -> std::io::Result<()>;
}

/// Endings of trace files.
const KINDS: &str = if cfg!(feature = "parquet") {
    ".csv, .vcd or .parquet"
} else {
    ".csv or .vcd (and .parquet when built with that feature)"
};

/// Opens a new file for a trace; one that is there is left alone.
///
/// # Errors
/// [`TraceError`], also when the file exists.
pub fn open(path: &Path, signals: &[&'static Signal]) -> Result<Box<dyn Sink>, TraceError> {
    let shown = path.display().to_string();
    let ending = path.extension().and_then(|it| it.to_str()).unwrap_or("");
    if !is_kind(ending) {
        return Err(TraceError::UnknownKind {
            path: shown,
            known: KINDS,
        });
    }
    let failed = |error| TraceError::File {
        path: shown.clone(),
        error,
    };
    let file = BufWriter::new(File::create_new(path).map_err(failed)?);
    let sink: std::io::Result<Box<dyn Sink>> = match ending {
        "vcd" => vcd::Vcd::new(file, signals).map(|sink| Box::new(sink) as _),
        #[cfg(feature = "parquet")]
        "parquet" => parquet::Parquet::new(file, signals).map(|sink| Box::new(sink) as _),
        _ => csv::Csv::new(file, signals).map(|sink| Box::new(sink) as _),
    };
    sink.map_err(|error| TraceError::File {
        path: path.display().to_string(),
        error,
    })
}

fn is_kind(ending: &str) -> bool {
    matches!(ending, "csv" | "vcd") || cfg!(feature = "parquet") && ending == "parquet"
}

/// Writes rows while a run goes on.
pub struct Recorder {
    signals: Vec<&'static Signal>,
    every_ms: EveryMs,
    ticks: u32,
    sinks: Vec<Box<dyn Sink>>,
    /// The first thing that went wrong: a run does not end for a full disk.
    trouble: Rc<RefCell<Option<std::io::Error>>>,
    row: Vec<f64>,
}

impl Recorder {
    /// A recorder of these signals; `trouble` is where a failure to write is left.
    pub fn new(
        signals: Vec<&'static Signal>,
        every_ms: EveryMs,
        sinks: Vec<Box<dyn Sink>>,
        trouble: Rc<RefCell<Option<std::io::Error>>>,
    ) -> Self {
        Self {
            row: Vec::with_capacity(signals.len()),
            signals,
            every_ms: every_ms.max(1),
            ticks: 0,
            sinks,
            trouble,
        }
    }

    fn keep(&self, written: std::io::Result<()>) {
        if let Err(error) = written {
            self.trouble.borrow_mut().get_or_insert(error);
        }
    }
}

impl Observer for Recorder {
    fn see(&mut self, moment: &Moment<'_>) {
        let is_due = self.ticks.is_multiple_of(self.every_ms);
        self.ticks = self.ticks.wrapping_add(1);
        if !is_due || self.trouble.borrow().is_some() {
            return;
        }
        self.row.clear();
        self.row
            .extend(self.signals.iter().map(|signal| signal.of(moment)));
        let time_us = (moment.now_s * 1e6).round() as u64;
        let mut sinks = std::mem::take(&mut self.sinks);
        for sink in &mut sinks {
            self.keep(sink.row(time_us, &self.row));
        }
        self.sinks = sinks;
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        let mut sinks = std::mem::take(&mut self.sinks);
        for sink in &mut sinks {
            self.keep(sink.end());
        }
    }
}
