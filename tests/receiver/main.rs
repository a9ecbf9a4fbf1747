//! The receiver against exact evaluation: decode, detection, loop, integrity, zero.

mod bench;
mod decode;
mod following;
mod loop_response;
mod synthesis;
