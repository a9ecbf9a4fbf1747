//! What supervises besides the stroke: limit channels, contacts, learned bounds, settings and
//! journal on flash, own health, the second channel.

mod bank;
mod checks;
mod codec;
mod flash;
mod identity;
mod inputs;
mod journal;
mod peer;
mod power_up;
mod schema;
mod store;
mod trend;
