//! The desk beside the target: records what a controller is given in real scenarios and what it
//! answers here, and compares that with what the same core answered on a target.
//!
//! ```text
//! desk record FOLDER     writes recording.bin and answers.bin
//! desk compare FOLDER ANSWERS   says for each scenario whether the answers are equal
//! ```

#[path = "../src/flash.rs"]
#[allow(dead_code, unreachable_pub)]
mod flash;
#[path = "../src/unit.rs"]
#[allow(dead_code, unreachable_pub)]
mod unit;
#[path = "../src/wire.rs"]
#[allow(dead_code, unreachable_pub)]
mod wire;

mod compare;
mod job;
mod record;

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["record", folder] => record::record(Path::new(folder)),
        ["compare", folder, answers] => compare::compare(Path::new(folder), Path::new(answers)),
        _ => Err("desk record FOLDER, or desk compare FOLDER ANSWERS".to_owned()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(trouble) => {
            eprintln!("{trouble}");
            ExitCode::FAILURE
        }
    }
}
