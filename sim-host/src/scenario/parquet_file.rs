//! Parquet files as they are begun here: one schema, written in groups of rows, so that what is kept in
//! memory does not grow with the file.

use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::parser::parse_message_type;
use std::io::{Error, Result, Write};
use std::sync::Arc;

/// Rows kept until they are written together.
pub(super) const GROUP_ROWS: usize = 16_384;

/// Begins a file with the columns of this message type.
pub(super) fn begin<W: Write + Send>(out: W, message: &str) -> Result<SerializedFileWriter<W>> {
    let schema = parse_message_type(message).map_err(Error::other)?;
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .build();
    SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties)).map_err(Error::other)
}
