//! `stopwright run`: scenarios played and judged, with traces; or a swarm of drawn ones.

use super::Problem;
use super::play::{PlayArguments, play, show};
use super::swarm::{self, SwarmArguments};
use crate::scenario::run::HOLDS;
use crate::scenario::{Report, Scenario};
use std::path::PathBuf;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Scenario files.
    #[arg(required_unless_present = "swarm", conflicts_with = "swarm")]
    files: Vec<PathBuf>,
    /// Runs of each file, with this seed and the ones after it.
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    repeat: u32,
    #[command(flatten)]
    play: PlayArguments,
    #[command(flatten)]
    swarm: SwarmArguments,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    let is_traced = arguments.play.is_traced();
    if let Some(runs) = arguments.swarm.swarm {
        if is_traced && arguments.swarm.only.is_none() {
            return Err("a trace is of one run: name it with --only".into());
        }
        return swarm::run(&arguments.swarm, &arguments.play, runs);
    }
    let scenarios = read(&arguments.files)?;
    let runs = scenarios.len() as u64 * u64::from(arguments.repeat);
    if is_traced && runs != 1 {
        return Err(format!("a trace is of one run; here are {runs}").into());
    }
    let mut status = HOLDS;
    for scenario in &scenarios {
        for number in 0..u64::from(arguments.repeat) {
            let seed = arguments
                .play
                .seed
                .unwrap_or(scenario.seed)
                .wrapping_add(number);
            let report = play(&arguments.play, scenario, seed)?;
            show(&arguments.play, &report, &replay(&arguments.play, &report))?;
            status = status.max(report.exit_status);
        }
    }
    Ok(status)
}

/// All files are read before the first is played: who mends one mends all.
fn read(files: &[PathBuf]) -> Result<Vec<Scenario>, Problem> {
    let mut problems = Vec::new();
    let mut scenarios = Vec::new();
    for file in files {
        match Scenario::load(file) {
            Ok(scenario) => scenarios.push(scenario),
            Err(problem) => problems.push(problem.to_string()),
        }
    }
    if problems.is_empty() {
        return Ok(scenarios);
    }
    let lines: Vec<&str> = problems.iter().flat_map(|text| text.lines()).collect();
    Err(lines.join("\nerror: ").into())
}

/// The one line that makes the run again.
fn replay(arguments: &PlayArguments, report: &Report) -> String {
    let mut line = format!("stopwright run {} --seed {}", report.file, report.seed);
    if let Some(place) = &arguments.controller {
        line += &format!(" --controller {place:?}");
    }
    line
}
