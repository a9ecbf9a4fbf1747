//! The host side.
