//! `stopwright run`: scenarios played and judged.

use super::{Problem, say};
use crate::scenario::expect::Finding;
use crate::scenario::{self, Options, Report, Scenario};
use std::path::PathBuf;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Scenario files.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Every random draw follows from it; without it each file's own.
    #[arg(long)]
    seed: Option<u64>,
    /// Runs of each file, with this seed and the ones after it.
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    repeat: u32,
    /// Print every line of the verdicts, not only those that say something is wrong.
    #[arg(long)]
    verbose: bool,
    /// Print the reports as JSON, one a line.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    // All files are read before the first is played: who mends one mends all.
    let mut problems = Vec::new();
    let mut scenarios = Vec::new();
    for file in &arguments.files {
        match Scenario::load(file) {
            Ok(scenario) => scenarios.push(scenario),
            Err(problem) => problems.push(problem.to_string()),
        }
    }
    if !problems.is_empty() {
        let lines: Vec<&str> = problems.iter().flat_map(|text| text.lines()).collect();
        return Err(lines.join("
error: ").into());
    }
    let mut status = scenario::run::HOLDS;
    for scenario in &scenarios {
        for number in 0..u64::from(arguments.repeat) {
            let seed = arguments.seed.unwrap_or(scenario.seed).wrapping_add(number);
            let report = scenario::run_core(scenario, &Options { seed });
            show(arguments, &report)?;
            status = status.max(report.exit_status);
        }
    }
    Ok(status)
}

fn show(arguments: &Arguments, report: &Report) -> Result<(), Problem> {
    if arguments.json {
        return say(&format!("{}\n", serde_json::to_string(report)?));
    }
    say(&in_words(report, arguments.verbose))
}

/// The verdict on a run, for people.
fn in_words(report: &Report, verbose: bool) -> String {
    let mut text = format!(
        "{:<12} {}  ({}, seed {}, {:.1} s)\n",
        verdict(report.verdict),
        report.title,
        report.file,
        report.seed,
        report.lasted_s
    );
    for line in &report.lines {
        if verbose || line.finding != Finding::Holds {
            let mark = match line.finding {
                Finding::Holds => "holds",
                Finding::NotReached => "not reached",
                Finding::Broken => "broken",
            };
            text += &format!("  {mark:<11} {}: {}\n", line.about, line.seen);
        }
    }
    if report.verdict != Finding::Holds {
        text += &format!(
            "  replay      stopwright run {} --seed {}\n",
            report.file, report.seed
        );
    }
    text
}

const fn verdict(finding: Finding) -> &'static str {
    match finding {
        Finding::Holds => "HOLDS",
        Finding::NotReached => "NOT REACHED",
        Finding::Broken => "BROKEN",
    }
}
