//! The host side.
pub mod distance;
pub mod statistics;
pub mod stop_curve;
