//! What the images share.
#![no_std]

pub mod flash;
pub mod host;
pub mod replay;
pub mod unit;
pub mod wire;
