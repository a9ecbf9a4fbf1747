//! Swarms: runs that are drawn from a seed and not written, as many as there is time for.
//!
//! For each run whole families of faults are switched off by chance and the rest strike wildly
//! (swarm testing, Groce et al., ISSTA 2012, from memory): a fault that always strikes hides the
//! ones that come after it. A run depends on the swarm's seed and its own number alone, so that
//! any share of a swarm, on any number of threads, is the same to the bit; rows are handed out in
//! order and nothing is kept.

mod draw;
mod fittings;
mod join;
pub mod results;
mod row;
mod share;

pub use draw::draw;
pub use join::{JoinError, join};
pub use row::{Row, Total};
pub use share::Share;

use super::Scenario;
use super::run::{Options, run_core};
use crate::prng;
use rayon::prelude::*;
use std::ops::Range;

/// Rows made together before they are handed out: enough to keep every core busy, few enough to
/// keep memory flat. At the end of a batch cores wait for the last run, ten times as long as most.
const BATCH: u64 = 1_024;

/// A swarm, or a share of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Swarm {
    /// Runs of the whole swarm.
    pub runs: u64,
    /// Its seed.
    pub seed: u64,
    /// The part to make.
    pub share: Share,
}

impl Swarm {
    /// Numbers of the runs in this share.
    pub fn range(&self) -> Range<u64> {
        self.share.of(self.runs)
    }

    /// Makes one run.
    pub fn run(&self, index: u64) -> Row {
        let scenario = draw(self.seed, index);
        let options = Options {
            seed: seed_of(self.seed, index),
        };
        Row::new(self, index, &scenario, &run_core(&scenario, &options))
    }

    /// Makes all runs of the share on the threads there are, and hands out their rows in order.
    ///
    /// # Errors
    /// What `each` returns: the swarm ends there.
    pub fn fly<E>(&self, mut each: impl FnMut(Row) -> Result<(), E>) -> Result<Total, E> {
        let range = self.range();
        let mut total = Total::default();
        let mut from = range.start;
        while from < range.end {
            let until = (from + BATCH).min(range.end);
            let batch: Vec<u64> = (from..until).collect();
            let rows: Vec<Row> = batch
                .into_par_iter()
                .with_max_len(1)
                .map(|it| self.run(it))
                .collect();
            for row in rows {
                total.add(&row);
                each(row)?;
            }
            from = until;
        }
        Ok(total)
    }
}

/// The seed of one run of a swarm.
pub fn seed_of(seed: u64, index: u64) -> u64 {
    use rand::RngExt;
    // Readable, and surely inside what a file may name.
    prng::numbered_stream(seed, "swarm run", index).random::<u64>() >> 12
}
