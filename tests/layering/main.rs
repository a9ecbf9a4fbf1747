//! The building holds: modules use lower floors only, the core stays without std and without
//! unsafe code, every public type of it can be logged, and one thing has one word.

mod dependencies;
mod floors;
mod logging;
mod source;
mod words;
