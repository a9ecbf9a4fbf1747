//! One run of a press written as data: what people do, what breaks, what must hold.
//!
//! A scenario file ([`file`](mod@file)) names a press and its commissioned settings, the steps of the
//! operator ([`act`]), limit channels ([`limit_channels`]), disturbances ([`disturb`]) and expectations ([`expect`]). A run
//! ([`run`](mod@run)) plays it on the one bench there is and judges it from plant truth and the
//! controller's outputs ([`oracle`]), never from inside the controller. Traces ([`trace`]) and
//! swarms ([`swarm`]) are made of runs.
//!
//! It refuses to call a run good that did not reach what it set out to reach.

pub mod act;
mod commissioned;
pub mod disturb;
pub mod expect;
pub mod file;
pub mod limit_channels;
mod measure;
pub mod oracle;
#[cfg(feature = "parquet")]
mod parquet_file;
pub mod protocol;
mod references;
pub mod remote;
pub mod run;
pub mod swarm;
pub mod trace;
mod when;

pub use file::Scenario;
pub use run::{Options, Report, run, run_core};
pub use when::{Happening, When};
