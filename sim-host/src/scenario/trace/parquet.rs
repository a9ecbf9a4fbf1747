//! A trace as Parquet: one optional DOUBLE column a signal, time first; null where a value is not
//! known.

use super::{Signal, Sink};
use parquet::basic::{Compression, ZstdLevel};
use parquet::data_type::DoubleType;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use std::io::{Error, Result, Write};
use std::sync::Arc;

/// Rows kept until they are written together.
const GROUP_ROWS: usize = 16_384;

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
        let schema = parse_message_type(&format!("message trace {{\n{columns}}}"));
        let properties = WriterProperties::builder()
            .set_compression(Compression::ZSTD(ZstdLevel::default()))
            .build();
        let schema = Arc::new(schema.map_err(Error::other)?);
        let writer = SerializedFileWriter::new(out, schema, Arc::new(properties));
        Ok(Self {
            writer: Some(writer.map_err(Error::other)?),
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
