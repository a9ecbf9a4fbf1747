//! The receiver against exact evaluation: decode, detection, loop, integrity, zero.

mod following;
mod synthesis;
