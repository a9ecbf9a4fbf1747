//! Results as Parquet: a column a field of the row, none of them optional.

use super::{Results, Row};
use crate::scenario::parquet_file::{GROUP_ROWS, begin};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::record::{Field, Row as Record};
use std::fs::File;
use std::io::{Error, ErrorKind, Result, Write};

enum Column {
    Count(fn(&Row) -> u64),
    Text(fn(&Row) -> &str),
    Seconds(fn(&Row) -> f64),
}

use Column::{Count, Seconds, Text};

const COLUMNS: [(&str, Column); 15] = [
    ("swarm_seed", Count(|row| row.swarm_seed)),
    ("runs", Count(|row| row.runs)),
    ("run", Count(|row| row.run)),
    ("press", Text(|row| &row.press)),
    ("story", Text(|row| &row.story)),
    ("broke", Text(|row| &row.broke)),
    ("exit_status", Count(|row| u64::from(row.exit_status))),
    ("breaches", Text(|row| &row.breaches)),
    ("unexcused", Text(|row| &row.unexcused)),
    ("faults", Text(|row| &row.faults)),
    ("reached", Text(|row| &row.reached)),
    ("ended", Text(|row| &row.ended)),
    ("strokes", Count(|row| row.strokes)),
    ("lasted_s", Seconds(|row| row.lasted_s)),
    ("digest", Text(|row| &row.digest)),
];

/// Writes rows in groups: what is kept in memory does not grow with the swarm.
pub(super) struct Writer<W: Write + Send> {
    /// None after the end.
    file: Option<SerializedFileWriter<W>>,
    rows: Vec<Row>,
}

impl<W: Write + Send> Writer<W> {
    pub(super) fn new(out: W) -> Result<Self> {
        let columns = COLUMNS.map(|(name, column)| match column {
            Count(_) => format!("REQUIRED INT64 {name} (INTEGER(64,false));\n"),
            Text(_) => format!("REQUIRED BYTE_ARRAY {name} (UTF8);\n"),
            Seconds(_) => format!("REQUIRED DOUBLE {name};\n"),
        });
        let file = begin(out, &format!("message swarm {{\n{}}}", columns.concat()))?;
        Ok(Self {
            file: Some(file),
            rows: Vec::new(),
        })
    }

    fn write_group(&mut self) -> Result<()> {
        let Some(file) = &mut self.file else {
            return Ok(());
        };
        let mut group = file.next_row_group().map_err(Error::other)?;
        for (_, column) in &COLUMNS {
            let rows = self.rows.iter();
            match column {
                // As the format has it: unsigned numbers in the bits of signed ones.
                Count(of) => write::<Int64Type, _>(&mut group, rows.map(|it| of(it) as i64)),
                Text(of) => {
                    write::<ByteArrayType, _>(&mut group, rows.map(|it| ByteArray::from(of(it))))
                }
                Seconds(of) => write::<DoubleType, _>(&mut group, rows.map(of)),
            }
            .map_err(Error::other)?;
        }
        group.close().map_err(Error::other)?;
        self.rows.clear();
        Ok(())
    }
}

/// Writes the next column of a group.
fn write<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: impl Iterator<Item = T::T>,
) -> parquet::errors::Result<()> {
    let Some(mut column) = group.next_column()? else {
        return Ok(());
    };
    let values: Vec<T::T> = values.collect();
    column.typed::<T>().write_batch(&values, None, None)?;
    column.close()
}

impl<W: Write + Send> Results for Writer<W> {
    fn row(&mut self, row: &Row) -> Result<()> {
        self.rows.push(row.clone());
        match self.rows.len() {
            GROUP_ROWS.. => self.write_group(),
            _ => Ok(()),
        }
    }

    fn end(&mut self) -> Result<()> {
        if !self.rows.is_empty() {
            self.write_group()?;
        }
        match self.file.take() {
            Some(file) => file.close().map(|_| ()).map_err(Error::other),
            None => Ok(()),
        }
    }
}

/// All rows of a file, whoever wrote it, in the order they have there.
pub(super) fn rows(file: File) -> Result<Vec<Row>> {
    let no_results =
        |error: &dyn std::fmt::Display| Error::new(ErrorKind::InvalidData, error.to_string());
    let reader = SerializedFileReader::new(file).map_err(|error| no_results(&error))?;
    let records = reader
        .get_row_iter(None)
        .map_err(|error| no_results(&error))?;
    let rows = records.map(|record| {
        let record = record.map_err(|error| no_results(&error))?;
        row(&record).map_err(|error| no_results(&error))
    });
    rows.collect()
}

/// A record by the names of its columns; one that is of another kind is as good as missing.
fn row(record: &Record) -> serde_json::Result<Row> {
    let columns = record.get_column_iter().filter_map(|(name, field)| {
        let (_, column) = COLUMNS.iter().find(|(ours, _)| ours == name)?;
        let value = match (column, field) {
            (Count(_), Field::Int(it)) => (*it).into(),
            (Count(_), Field::Long(it)) => (*it).into(),
            (Count(_), Field::ULong(it)) => (*it).into(),
            (Text(_), Field::Str(it)) => it.as_str().into(),
            (Seconds(_), Field::Double(it)) => (*it).into(),
            _ => return None,
        };
        Some((name.clone(), value))
    });
    serde_json::from_value(serde_json::Value::Object(columns.collect()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::swarm::{Share, Swarm};
    use std::io::Seek;

    fn written(rows: impl Iterator<Item = Row>) -> File {
        let mut file = tempfile::tempfile().expect("a file");
        let mut writer = Writer::new(file.try_clone().expect("a file")).expect("a writer");
        for row in rows {
            writer.row(&row).expect("a row");
        }
        writer.end().expect("written");
        file.rewind().expect("the start");
        file
    }

    #[test]
    fn rows_are_read_back_as_they_were_over_the_edge_of_a_group() {
        let swarm = Swarm {
            runs: 4,
            seed: u64::MAX,
            share: Share::WHOLE,
        };
        let drawn: Vec<Row> = (0..4).map(|it| swarm.run(it)).collect();
        let many = || drawn.iter().cycle().take(2 * GROUP_ROWS + 5).cloned();
        let back = rows(written(many())).expect("rows");
        assert!(back.into_iter().eq(many()));
        assert!(rows(written(std::iter::empty())).expect("none").is_empty());
    }

    #[test]
    fn a_file_that_is_none_and_a_table_of_something_else_are_refused() {
        let mut text = tempfile::tempfile().expect("a file");
        text.write_all(b"swarm_seed,runs,run\n1,2,3\n")
            .expect("written");
        assert!(rows(text).is_err());
        let other = tempfile::tempfile().expect("a file");
        let out = other.try_clone().expect("a file");
        let file = begin(out, "message other { REQUIRED DOUBLE press; }");
        let mut file = file.expect("a writer");
        let mut group = file.next_row_group().expect("a group");
        write::<DoubleType, _>(&mut group, [1.0].into_iter()).expect("a column");
        group.close().expect("a group");
        file.close().expect("written");
        let error = rows(other).expect_err("no results").to_string();
        assert!(error.starts_with("missing field"), "{error}");
    }
}
