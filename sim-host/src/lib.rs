//! The host side.

pub mod record;
