//! `cargo bench -p stopwright-tests --bench decode` prints the decode beside its peers: the error
//! measured in this run, the instructions as the emulated Cortex-M4 counted them.

mod contenders;
mod loops;

use contenders::{CONTENDERS, instructions, printed, worst_arc_seconds};

fn main() {
    let counts = instructions();
    println!(
        "{:<28}{:>22}{:>12}{:>12}",
        "", "worst error", "M4, opt 3", "M4, opt s"
    );
    for (name, opt_3, opt_s) in &counts {
        let contender = CONTENDERS.iter().find(|one| one.name == name);
        let error = contender.map_or_else(String::new, |one| {
            format!("{} arc-seconds", printed(worst_arc_seconds(one)))
        });
        println!("{name:<28}{error:>22}{opt_3:>12}{opt_s:>12}");
    }
    let (ours, (hz, theirs)) = loops::compared();
    println!("| loop | bandwidth, Hz | noise, mdeg rms | worst in a start of press B, mdeg |");
    println!(
        "{}",
        loops::row("stopwright", f64::from(loops::BANDWIDTH_HZ), ours)
    );
    println!("{}", loops::row("idsp", hz, theirs));
    println!(
        "Instructions, not cycles; worst over the inputs; tests/benches/on-target counts them."
    );
}
