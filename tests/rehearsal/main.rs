//! Whole rehearsals against plant truth, against published formulas worked out again here, and
//! against what the documents say about them.

mod cautions;
mod edges;
mod numbers;
mod references;
mod repeat;
mod settings;
mod support;
mod traces;
mod verdicts;
