//! The host side.
pub mod statistics;
pub mod stop_curve;
