//! Checks of the study of recorded stops.

mod montecarlo;
mod synthetic;
mod truth;
mod variants;
