//! The command as somebody calls it: exit statuses, folders, and errors that name what was found
//! and what is allowed.

mod folders;
mod fuzzed;
#[cfg(feature = "parquet")]
mod parquet;
mod refusals;
mod run;
mod scenarios;
mod statuses;
