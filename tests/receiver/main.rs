//! The receiver against exact evaluation: decode, detection, loop, integrity, zero.

mod balancing;
mod bench;
mod benchmark;
mod decode;
mod document;
mod following;
mod integrity;
mod loop_response;
mod presses;
mod references;
mod rules;
mod settings;
mod synthesis;
mod zero;
