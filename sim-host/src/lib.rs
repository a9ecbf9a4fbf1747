//! The host side.

pub mod kinematics;
pub mod press;
pub mod prng;
pub mod toml_check;
