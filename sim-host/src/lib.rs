//! The host side.
pub mod study;
