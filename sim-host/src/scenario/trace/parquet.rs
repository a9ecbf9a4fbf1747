//! A trace as Parquet: one optional DOUBLE column a signal, time first; null where a value is not
//! known.

use super::{Signal, Sink};
use crate::scenario::parquet_file::{GROUP_ROWS, begin};
use parquet::data_type::DoubleType;
use parquet::file::writer::SerializedFileWriter;
use std::io::{Error, Result, Write};

pub(super) struct Parquet<W: Write + Send> {
    writer: Option<SerializedFileWriter<W>>,
    /// Time first.
    columns: Vec<Vec<f64>>,
}

impl<W: Write + Send> Parquet<W> {
    pub(super) fn new(out: W, signals: &[&'static Signal]) -> Result<Self> {
        let columns: String = std::iter::once("time_s")
            .chain(signals.iter().map(|signal| signal.name))
            .map(|name| format!("OPTIONAL DOUBLE {name};\n"))
            .collect();
        let writer = begin(out, &format!("message trace {{\n{columns}}}"))?;
        Ok(Self {
            writer: Some(writer),
            columns: vec![Vec::with_capacity(GROUP_ROWS); signals.len() + 1],
        })
    }

    fn write_group(&mut self) -> Result<()> {
        let Some(writer) = &mut self.writer else {
            return Ok(());
        };
        let mut group = writer.next_row_group().map_err(Error::other)?;
        for values in &mut self.columns {
            let Some(mut column) = group.next_column().map_err(Error::other)? else {
                break;
            };
            let levels: Vec<i16> = values.iter().map(|it| i16::from(it.is_finite())).collect();
            values.retain(|it| it.is_finite());
            let typed = column.typed::<DoubleType>();
            typed
                .write_batch(values, Some(&levels), None)
                .map_err(Error::other)?;
            column.close().map_err(Error::other)?;
            values.clear();
        }
        group.close().map_err(Error::other)?;
        Ok(())
    }
}

impl<W: Write + Send> Sink for Parquet<W> {
    fn row(&mut self, time_us: u64, values: &[f64]) -> Result<()> {
        let row = std::iter::once(time_us as f64 / 1e6).chain(values.iter().copied());
        for (column, value) in self.columns.iter_mut().zip(row) {
            column.push(value);
        }
        match self.columns.first().map_or(0, Vec::len) {
            GROUP_ROWS.. => self.write_group(),
            _ => Ok(()),
        }
    }

    fn end(&mut self) -> Result<()> {
        if self
            .columns
            .first()
            .is_some_and(|column| !column.is_empty())
        {
            self.write_group()?;
        }
        match self.writer.take() {
            Some(writer) => writer.close().map(|_| ()).map_err(Error::other),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::trace::signals_named;
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::RowAccessor;

    /// Read back by the reader of the format's own implementation.
    #[test]
    fn rows_are_read_back_with_nulls_where_nothing_is_known() {
        let file = tempfile::NamedTempFile::new().expect("a file");
        let signals = signals_named("crank_deg,seen_deg").expect("signals");
        let out = file.reopen().expect("a file");
        let mut sink = Parquet::new(out, &signals).expect("a sink");
        let rows = 2 * GROUP_ROWS + 5;
        for row in 0..rows {
            let seen = if row % 3 == 0 { f64::NAN } else { row as f64 };
            sink.row(1_000 * row as u64, &[0.5 * row as f64, seen])
                .expect("a row");
        }
        sink.end().expect("written");
        let reader = SerializedFileReader::new(file.reopen().expect("a file")).expect("parquet");
        assert_eq!(reader.metadata().num_row_groups(), 3);
        let mut read = 0;
        for (index, row) in reader.get_row_iter(None).expect("rows").enumerate() {
            let row = row.expect("a row");
            assert_eq!(row.get_double(0).expect("time"), index as f64 / 1e3);
            assert_eq!(row.get_double(1).expect("angle"), 0.5 * index as f64);
            assert_eq!(row.get_double(2).is_ok(), index % 3 != 0);
            read += 1;
        }
        assert_eq!(read, rows);
    }
}
