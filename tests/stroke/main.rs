//! The stroke logic, checked exhaustively.
//!
//! - [`table`]: every state with every event under every circumstance.
//! - [`space`]: the logic in a reduced press, every state of which is visited. Prints the number of
//!   states and the invariants: `cargo test -p stopwright-tests --test stroke space -- --nocapture`.
//! - [`sequences`]: long random sequences against a machine written from the trade's own table.
//! - [`faults`]: every fault raised through a whole tick of the controller, and reset by its rule.
//! - [`page`]: `docs/STROKE.md`, drawn from the logic itself.

mod all;
mod faults;
mod page;
mod reference;
mod sequences;
mod space;
mod table;
