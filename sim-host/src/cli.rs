//! The command line: flags, progress, exit status. Everything else is in the library.

mod distance;
mod explain;
mod play;
mod progress;
mod quantity;
mod rehearse;
mod run;
mod study;
mod swarm;

use clap::{Parser, Subcommand};
use std::io::Write;
use std::process::ExitCode;
use stopwright_core::safety_distance::Rule;

/// Exit status when the command could not do its work.
const FAILED: u8 = 1;

#[derive(Parser)]
#[command(name = "stopwright", version, about, long_about = LONG_ABOUT, after_help = EXIT_STATUS)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

const LONG_ABOUT: &str = "Rehearse the commissioning of a mechanical press's rotary-position \
control on a simulated press, or study recorded stops of a real one.\n\n\
A model and a verification aid. Not certified, and never the safeguard of a real press. Local \
codes and licensed practice govern.";

const EXIT_STATUS: &str = "Exit status: 0 commissionable (or done); 1 the work could not be done; \
2 the command line is wrong; 3 commissionable with restrictions; 4 not commissionable. For run: 0 \
everything holds; 3 nothing is broken, but a case that had to be reached was not; 4 broken.";

#[derive(Subcommand)]
enum Command {
    /// Carry a whole commissioning through on a simulated press.
    Rehearse(rehearse::Arguments),
    /// Play scenarios on a simulated press and judge what happens.
    Run(run::Arguments),
    /// Put the results of all shares of a swarm together.
    Join(swarm::JoinArguments),
    /// Measure the stops in recordings of a real press, and judge them the same way.
    Study(study::Arguments),
    /// Safety distance from a stopping time, and back, by named published rules.
    Distance(distance::Arguments),
    /// Say what a fault number means, why, what to check, and how it is reset.
    Explain(explain::Arguments),
}

/// Runs the command named on the command line.
pub fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Rehearse(arguments) => rehearse::run(&arguments),
        Command::Run(arguments) => run::run(&arguments),
        Command::Join(arguments) => swarm::run_join(&arguments),
        Command::Study(arguments) => study::run(&arguments),
        Command::Distance(arguments) => distance::run(&arguments),
        Command::Explain(arguments) => explain::run(&arguments),
    };
    match outcome {
        Ok(status) => ExitCode::from(status),
        Err(problem) => {
            eprintln!("error: {problem}");
            ExitCode::from(FAILED)
        }
    }
}

/// Rules for presence sensing unless others are named: the United States form and the
/// international one.
const RULES: [Rule; 2] = [Rule::UsStoppingTime, Rule::IsoOrthogonal2010];

/// Writes to standard output. A reader that has gone away wants no more: that is not an error.
///
/// # Errors
/// Any other failure to write.
fn say(text: &str) -> Result<(), Problem> {
    let mut out = std::io::stdout().lock();
    let written = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    match written {
        Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

/// What a command could not do, for the person who called it.
type Problem = Box<dyn std::error::Error>;
