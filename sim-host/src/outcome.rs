//! Exit statuses: what a program reads of a verdict.

use crate::record::Outcome;

/// Commissionable.
pub const COMMISSIONABLE: u8 = 0;
/// Commissionable at the named speeds or in the named modes only.
pub const RESTRICTED: u8 = 3;
/// Not commissionable.
pub const NOT_COMMISSIONABLE: u8 = 4;

/// The exit status that says this outcome.
pub const fn exit_status(outcome: Outcome) -> u8 {
    match outcome {
        // Evidence without a question is work done.
        Outcome::Commissionable | Outcome::NotJudged => COMMISSIONABLE,
        Outcome::Restricted => RESTRICTED,
        Outcome::NotCommissionable => NOT_COMMISSIONABLE,
    }
}
