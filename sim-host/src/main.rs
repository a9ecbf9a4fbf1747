//! `stopwright`: the command.

use std::process::ExitCode;

fn main() -> ExitCode {
    stopwright::cli::main()
}
