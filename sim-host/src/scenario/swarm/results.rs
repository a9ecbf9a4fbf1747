//! Results of a swarm in a file, a row a run: CSV or Parquet, by the ending of its name.
//!
//! Rows are written as the swarm goes on; a file that is there is left alone.

#[cfg(feature = "parquet")]
mod parquet;

use super::Row;
use std::fs::File;
use std::io::{BufWriter, Error, Write};
use std::path::Path;

/// Why results could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum ResultsError {
    /// A file of a kind that is neither written nor read.
    #[error("{path}: results of a swarm are {known}, by the ending of the name")]
    UnknownKind {
        /// The file.
        path: String,
        /// Endings.
        known: &'static str,
    },
    /// The file is there already or is missing, the disk is full, or these are no results.
    #[error("{path}: {error}")]
    File {
        /// The file.
        path: String,
        /// What went wrong.
        error: Error,
    },
}

/// Where the rows of a swarm go.
pub trait Results: Send {
    /// The next row.
    ///
    /// # Errors
    /// When it cannot be written.
    fn row(&mut self, row: &Row) -> std::io::Result<()>;

    /// After the last row.
    ///
    /// # Errors
    /// When what is left cannot be written.
    fn end(&mut self) -> std::io::Result<()>;
}

impl<W: Write + Send> Results for csv::Writer<W> {
    fn row(&mut self, row: &Row) -> std::io::Result<()> {
        Ok(self.serialize(row)?)
    }

    fn end(&mut self) -> std::io::Result<()> {
        self.flush()
    }
}

enum Kind {
    Csv,
    #[cfg(feature = "parquet")]
    Parquet,
}

/// Endings of files of results.
const KINDS: &str = if cfg!(feature = "parquet") {
    ".csv or .parquet"
} else {
    ".csv (and .parquet when built with that feature)"
};

impl Kind {
    fn of(path: &Path) -> Result<Self, ResultsError> {
        match path.extension().and_then(|it| it.to_str()) {
            Some("csv") => Ok(Self::Csv),
            #[cfg(feature = "parquet")]
            Some("parquet") => Ok(Self::Parquet),
            _ => Err(ResultsError::UnknownKind {
                path: path.display().to_string(),
                known: KINDS,
            }),
        }
    }
}

/// Opens a new file for results; one that is there is left alone.
///
/// # Errors
/// [`ResultsError`], also when the file exists.
pub fn create(path: &Path) -> Result<Box<dyn Results>, ResultsError> {
    let kind = Kind::of(path)?;
    let failed = |error| ResultsError::File {
        path: path.display().to_string(),
        error,
    };
    let out = BufWriter::new(File::create_new(path).map_err(failed)?);
    match kind {
        Kind::Csv => Ok(Box::new(csv::Writer::from_writer(out))),
        #[cfg(feature = "parquet")]
        Kind::Parquet => Ok(Box::new(parquet::Writer::new(out).map_err(failed)?)),
    }
}

/// All rows of a file of results, in their order.
///
/// # Errors
/// [`ResultsError`].
pub(super) fn read(path: &Path) -> Result<Vec<Row>, ResultsError> {
    let kind = Kind::of(path)?;
    let failed = |error| ResultsError::File {
        path: path.display().to_string(),
        error,
    };
    let file = File::open(path).map_err(failed)?;
    match kind {
        Kind::Csv => {
            let rows = csv::Reader::from_reader(file).into_deserialize();
            rows.collect::<Result<_, csv::Error>>()
                .map_err(|error| failed(error.into()))
        }
        #[cfg(feature = "parquet")]
        Kind::Parquet => parquet::rows(file).map_err(failed),
    }
}
