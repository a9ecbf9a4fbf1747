//! What stands in the documents is so: commands print what is quoted, links lead somewhere, names
//! exist, every part is on the map, every dependency has its reason, and the fault page is the
//! fault table.
//!
//! `STOPWRIGHT_BLESS=1 cargo test -p stopwright --test documents` writes quoted output and the
//! fault page anew. Read the difference before you keep it: it is what a reader will be told.

mod console;
mod dependencies;
mod faults;
mod files;
mod integration;
mod links;
mod names;
