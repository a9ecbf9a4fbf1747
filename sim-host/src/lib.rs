//! The host side.

pub mod kinematics;
pub mod plant;
pub mod press;
pub mod prng;
pub mod resolver;
pub mod toml_check;
