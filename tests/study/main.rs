//! Checks of the study of recorded stops.

mod montecarlo;
mod oracle;
mod refusals;
mod robustness;
mod synthetic;
mod truth;
mod variants;
mod whole;
