//! The host side.

pub mod distance;
pub mod kinematics;
pub mod limits;
pub mod plant;
pub mod press;
pub mod prng;
pub mod resolver;
pub mod statistics;
pub mod stop_curve;
pub mod toml_check;
