//! Two controllers on one simulated press, each with its own resolver and its own valve element,
//! telling each other every tick what they see and permit.
//!
//! What is healthy must not trip them; what is wrong with one must stop both, and what is repaired
//! must be resettable on both. This is the structure that ISO 13849-1 calls category 3 or 4; the
//! model claims no performance level.

mod commissioned;
mod failing;
mod healthy;
mod pair;
