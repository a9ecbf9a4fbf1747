//! Shares of one swarm put together again.

use super::results::{ResultsError, read};
use super::{Row, Total};
use std::path::Path;

/// Why shares do not join.
#[derive(Debug, thiserror::Error)]
pub enum JoinError {
    /// A file that cannot be read as rows.
    #[error(transparent)]
    File(#[from] ResultsError),
    /// A row of another swarm.
    #[error("{file}: run {run} is of another swarm than the first row: seed {seed}, {runs} runs")]
    Another {
        /// Which file.
        file: String,
        /// Which run.
        run: u64,
        /// Seed of its swarm.
        seed: u64,
        /// Runs of its swarm.
        runs: u64,
    },
    /// A run is missing or there twice.
    #[error("run {0} is {1}")]
    Gap(u64, &'static str),
    /// No rows at all.
    #[error("there is no row in these files")]
    Empty,
}

/// Reads the results of all shares and returns their rows in order, with what they come to.
///
/// # Errors
/// [`JoinError`] unless every run of one swarm is there exactly once.
pub fn join<P: AsRef<Path>>(files: &[P]) -> Result<(Vec<Row>, Total), JoinError> {
    let mut rows: Vec<Row> = Vec::new();
    for file in files {
        for row in read(file.as_ref())? {
            let first = rows.first().unwrap_or(&row);
            if (row.swarm_seed, row.runs) != (first.swarm_seed, first.runs) {
                return Err(JoinError::Another {
                    file: file.as_ref().display().to_string(),
                    run: row.run,
                    seed: row.swarm_seed,
                    runs: row.runs,
                });
            }
            rows.push(row);
        }
    }
    rows.sort_by_key(|row| row.run);
    let runs = rows.first().ok_or(JoinError::Empty)?.runs;
    for (index, row) in (0..).zip(&rows) {
        if row.run != index {
            let twice = row.run < index;
            let gap = if twice {
                (row.run, "there twice")
            } else {
                (index, "missing")
            };
            return Err(JoinError::Gap(gap.0, gap.1));
        }
    }
    match rows.len() as u64 {
        count if count < runs => Err(JoinError::Gap(count, "missing")),
        _ => {
            let mut total = Total::default();
            rows.iter().for_each(|row| total.add(row));
            Ok((rows, total))
        }
    }
}
