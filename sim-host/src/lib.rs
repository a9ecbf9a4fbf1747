//! The host side.
pub mod distance;
pub mod limits;
pub mod statistics;
pub mod stop_curve;
