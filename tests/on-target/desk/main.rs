//! The desk beside the target: records what a controller is given in real scenarios and what it
//! answers here, and compares that with what the same core answered on a target.
//!
//! ```text
//! desk record FOLDER            writes recording.bin and answers.bin
//! desk compare FOLDER ANSWERS   says for each scenario whether the answers are equal
//! desk logs FOLDER              prints what the image that logs should say
//! desk table PAGE SMALL FAST    holds the page's table against the reports of two images
//! desk bless PAGE SMALL FAST    writes it
//! ```

#[path = "../src/flash.rs"]
#[allow(dead_code, unreachable_pub)]
mod flash;
#[path = "../src/replay.rs"]
#[allow(dead_code, unreachable_pub)]
mod replay;
#[path = "../src/unit.rs"]
#[allow(dead_code, unreachable_pub)]
mod unit;
#[path = "../src/wire.rs"]
#[allow(dead_code, unreachable_pub)]
mod wire;

mod compare;
mod job;
mod logs;
mod record;
mod table;

use std::path::Path;
use std::process::ExitCode;

const USAGE: &str = "desk record FOLDER | compare FOLDER ANSWERS | logs FOLDER \
     | table PAGE SMALL FAST | bless PAGE SMALL FAST";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words[..] {
        ["record", folder] => record::record(Path::new(folder)),
        ["compare", folder, answers] => compare::compare(Path::new(folder), Path::new(answers)),
        ["logs", folder] => logs::print(Path::new(folder)),
        ["table", page, small, fast] => {
            table::table(page.as_ref(), small.as_ref(), fast.as_ref(), false)
        }
        ["bless", page, small, fast] => {
            table::table(page.as_ref(), small.as_ref(), fast.as_ref(), true)
        }
        _ => Err(USAGE.to_owned()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(trouble) => {
            eprintln!("{trouble}");
            ExitCode::FAILURE
        }
    }
}
