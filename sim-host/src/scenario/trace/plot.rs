//! A trace as a picture: the rows are kept, thinned out when they become many, and drawn at the
//! end.

use super::{Signal, Sink};
use crate::record::plots::trace::{self, Curve};
use std::fs::File;
use std::io::{Result, Write};

/// Points a picture keeps; past it every second one goes.
const POINTS_MOST: usize = 4_000;

/// Draws the rows it is given.
pub struct Plot {
    file: File,
    title: String,
    signals: Vec<&'static Signal>,
    rows: Vec<(f64, Vec<f64>)>,
    /// Every so many rows are kept.
    every: u64,
    seen: u64,
}

impl Plot {
    /// A picture with this title in a new file.
    pub fn new(file: File, title: &str, signals: &[&'static Signal]) -> Self {
        Self {
            file,
            title: title.to_owned(),
            signals: signals.to_vec(),
            rows: Vec::new(),
            every: 1,
            seen: 0,
        }
    }
}

impl Sink for Plot {
    fn row(&mut self, time_us: u64, values: &[f64]) -> Result<()> {
        if self.seen.is_multiple_of(self.every) {
            self.rows.push((time_us as f64 / 1e6, values.to_vec()));
        }
        self.seen += 1;
        if self.rows.len() > POINTS_MOST {
            let mut index = 0;
            self.rows.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.every *= 2;
        }
        Ok(())
    }

    fn end(&mut self) -> Result<()> {
        let curves = self
            .signals
            .iter()
            .enumerate()
            .map(|(index, signal)| Curve {
                name: signal.name,
                what: signal.what,
                points: self
                    .rows
                    .iter()
                    .map(|(time, values)| (*time, values[index]))
                    .collect(),
            });
        let curves: Vec<Curve> = curves.collect();
        self.file
            .write_all(trace::svg(&self.title, &curves).as_bytes())
    }
}
