//! `stopwright explain`: the fault table, for people.

use super::{Problem, say};
use stopwright_core::fault::{FaultCode, FaultRow, Reaction, ResetRule};

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Fault number; without one, all faults are listed.
    number: Option<u8>,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    match arguments.number {
        None => {
            for code in FaultCode::ALL {
                let row = code.row();
                say(&format!(
                    "{:>3}  {:<32} {}\n",
                    row.number,
                    row.name,
                    reaction(row.reaction)
                ))?;
            }
            Ok(0)
        }
        Some(number) => {
            let code = FaultCode::from_number(number).ok_or_else(|| unknown(number))?;
            say(&text(&code.row()))?;
            Ok(0)
        }
    }
}

fn unknown(number: u8) -> String {
    let known: Vec<String> = FaultCode::ALL
        .iter()
        .map(|code| code.number().to_string())
        .collect();
    format!(
        "there is no fault {number}; the numbers are {}",
        known.join(", ")
    )
}

fn text(row: &FaultRow) -> String {
    format!(
        "{} {}\n  what     {}\n  why      {}\n  check    {}\n  demands  {}\n  within   {}\n  reset    {}\n",
        row.number,
        row.name,
        row.what,
        row.why,
        row.check,
        reaction(row.reaction),
        row.latency,
        reset(row.reset)
    )
}

const fn reaction(reaction: Reaction) -> &'static str {
    match reaction {
        Reaction::Advise => "show and log",
        Reaction::TopStop => "stop at the top, then latch",
        Reaction::ImmediateStop => "stop now, latch",
        Reaction::SecondMeans => "stop now, latch, dump the air, drop the motor",
    }
}

const fn reset(rule: ResetRule) -> &'static str {
    match rule {
        ResetRule::ByItself => "by itself, when the condition has gone",
        ResetRule::Operator => "by the operator at standstill, cause gone",
        ResetRule::KeyHolder => "by the key holder after a check",
        ResetRule::Recommissioning => {
            "by the key holder, after the commissioning step it touches was repeated"
        }
    }
}
