//! A trace as CSV: time in seconds, then a column a signal; empty where a value is not known.

use super::{Shape, Signal, Sink};
use std::io::{Result, Write};

pub(super) struct Csv<W: Write> {
    writer: csv::Writer<W>,
    shapes: Vec<Shape>,
}

impl<W: Write> Csv<W> {
    pub(super) fn new(out: W, signals: &[&'static Signal]) -> Result<Self> {
        let mut writer = csv::Writer::from_writer(out);
        let names = signals.iter().map(|signal| signal.name);
        writer.write_record(std::iter::once("time_s").chain(names))?;
        Ok(Self {
            writer,
            shapes: signals.iter().map(|signal| signal.shape).collect(),
        })
    }
}

impl<W: Write> Sink for Csv<W> {
    fn row(&mut self, time_us: u64, values: &[f64]) -> Result<()> {
        let time = format!("{}.{:06}", time_us / 1_000_000, time_us % 1_000_000);
        self.writer.write_field(time)?;
        for (value, shape) in values.iter().zip(&self.shapes) {
            let text = match (value.is_finite(), shape) {
                (false, _) => String::new(),
                (true, Shape::Real) => format!("{value:.4}"),
                (true, _) => format!("{value:.0}"),
            };
            self.writer.write_field(text)?;
        }
        self.writer.write_record(None::<&[u8]>)?;
        Ok(())
    }

    fn end(&mut self) -> Result<()> {
        self.writer.flush()
    }
}
