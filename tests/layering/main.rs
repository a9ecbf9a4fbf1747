//! The building holds: modules use lower floors only, the core stays without std and without
//! unsafe code, and one thing has one word.

mod dependencies;
mod floors;
mod source;
mod words;
