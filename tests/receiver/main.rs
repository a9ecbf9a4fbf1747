//! The receiver against exact evaluation: decode, detection, loop, integrity, zero.

mod decode;
mod following;
mod synthesis;
