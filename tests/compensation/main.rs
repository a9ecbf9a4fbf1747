//! The top-stop compensation against a brake that changes: it never hides what is failing, and one
//! fast stop, or ten, never carry the next past the top.
//!
//! Presses B, C, E and G under settings as commissioned, on the bench, with the controller's own
//! compensation running.

#[path = "../channels/commissioned.rs"]
#[allow(dead_code)]
mod commissioned;
mod ramp;
mod run;
mod transient;
