//! The part of the record that shows what the controller did when something was wrong.

use serde::{Deserialize, Serialize};

/// A fault injected on purpose, and what came of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Drill {
    /// Number of the fault.
    pub fault_number: u16,
    /// Name of the fault.
    pub fault: String,
    /// Where and when it was injected, in words.
    pub injected: String,
    /// Crank angle at injection, in degrees.
    pub injected_deg: Option<f64>,
    /// Reaction expected.
    pub expected: String,
    /// Reaction seen.
    pub seen: String,
    /// From injection to the reaction's coil off or refused start, in milliseconds.
    pub latency_ms: Option<f64>,
    /// Crank travel over that time, in degrees.
    pub latency_deg: Option<f64>,
    /// Longest latency allowed, in milliseconds.
    pub bound_ms: Option<f64>,
    /// Reaction as expected and within its bound.
    pub pass: bool,
}

/// A check of the stroke logic.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FunctionCheck {
    /// What was tried.
    pub name: String,
    /// What had to happen.
    pub expected: String,
    /// What happened.
    pub seen: String,
    /// As expected.
    pub pass: bool,
}
