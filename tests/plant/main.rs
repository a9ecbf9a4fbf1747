//! The simulated press against published tables, an independent integration and itself.

mod behaviour;
mod bench;
mod closed_forms;
mod document;
mod elastic;
mod odd;
mod reference;
mod tables;
