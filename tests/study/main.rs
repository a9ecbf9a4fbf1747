//! Checks of the study of recorded stops.

mod montecarlo;
mod refusals;
mod robustness;
mod synthetic;
mod truth;
mod variants;
