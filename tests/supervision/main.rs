//! What supervises besides the stroke: limit channels, settings and journal on flash, own health,
//! the second channel.

mod flash;
mod journal;
mod schema;
mod store;
