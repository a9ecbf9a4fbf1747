//! `stopwright run`: scenarios played and judged, with traces; or a swarm of drawn ones.

use super::{Problem, say, swarm};
use crate::scenario::expect::Finding;
use crate::scenario::remote::{Remote, RemoteError};
use crate::scenario::run::{HOLDS, Observer};
use crate::scenario::trace::{self, Plot, Recorder, Sink};
use crate::scenario::{self, Options, Report, Scenario};
use std::cell::RefCell;
use std::fs::File;
use std::io::Error;
use std::path::PathBuf;
use std::rc::Rc;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Scenario files.
    #[arg(required_unless_present = "swarm", conflicts_with = "swarm")]
    files: Vec<PathBuf>,
    /// Every random draw follows from it; without it each file's own, and 1 for a swarm.
    #[arg(long)]
    pub(super) seed: Option<u64>,
    /// Runs of each file, with this seed and the ones after it.
    #[arg(long, default_value_t = 1, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=100_000))]
    repeat: u32,
    /// Print every line of the verdicts, not only those that say something is wrong.
    #[arg(long)]
    verbose: bool,
    /// Print the reports as JSON, one a line.
    #[arg(long)]
    pub(super) json: bool,
    /// Write a trace of the run: .csv, .vcd, or .parquet when built with that feature.
    #[arg(long, value_name = "FILE", help_heading = "Traces")]
    trace: Vec<PathBuf>,
    /// Draw the signals as an SVG file.
    #[arg(long, value_name = "FILE", help_heading = "Traces")]
    plot: Option<PathBuf>,
    /// Signals of traces and plot, joined by commas, or all.
    #[arg(
        long,
        value_name = "LIST",
        help_heading = "Traces",
        default_value = "crank_deg,crank_spm,clutch_bar,drive,coil_1,coil_2,muted,state,first_fault"
    )]
    signals: String,
    /// Milliseconds from one row to the next.
    #[arg(long, value_name = "MS", help_heading = "Traces", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=60_000))]
    every: u32,
    /// Controller to play against: a command that speaks the protocol on its standard input and
    /// output, or tcp:127.0.0.1:PORT.
    #[arg(
        long,
        value_name = "COMMAND",
        help_heading = "Controller",
        conflicts_with = "swarm"
    )]
    controller: Option<String>,
    /// Draw this many runs from the seed and play them on all cores.
    #[arg(long, value_name = "N", help_heading = "Swarm", value_parser = clap::value_parser!(u64).range(1..=1_000_000_000))]
    pub(super) swarm: Option<u64>,
    /// Part of the swarm, such as 3/64.
    #[arg(
        long,
        value_name = "PART/PARTS",
        help_heading = "Swarm",
        requires = "swarm"
    )]
    pub(super) share: Option<scenario::swarm::Share>,
    /// File for the results, as CSV.
    #[arg(long, value_name = "FILE", help_heading = "Swarm", requires = "swarm")]
    pub(super) out: Option<PathBuf>,
    /// Threads; without it one a core.
    #[arg(long, value_name = "N", help_heading = "Swarm", requires = "swarm", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(super) threads: Option<u16>,
    /// Only the run of this number, with its verdict.
    #[arg(long, value_name = "RUN", help_heading = "Swarm", requires = "swarm", conflicts_with_all = ["share", "out"])]
    pub(super) only: Option<u64>,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    let is_traced = !arguments.trace.is_empty() || arguments.plot.is_some();
    if let Some(runs) = arguments.swarm {
        if is_traced && arguments.only.is_none() {
            return Err("a trace is of one run: name it with --only".into());
        }
        return swarm::run(arguments, runs);
    }
    let scenarios = read(&arguments.files)?;
    let runs = scenarios.len() as u64 * u64::from(arguments.repeat);
    if is_traced && runs != 1 {
        return Err(format!("a trace is of one run; here are {runs}").into());
    }
    let mut status = HOLDS;
    for scenario in &scenarios {
        for number in 0..u64::from(arguments.repeat) {
            let seed = arguments.seed.unwrap_or(scenario.seed).wrapping_add(number);
            let report = play(arguments, scenario, seed)?;
            show(arguments, &report, &replay(arguments, &report))?;
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

pub(super) fn play(
    arguments: &Arguments,
    scenario: &Scenario,
    seed: u64,
) -> Result<Report, Problem> {
    let trouble = Rc::new(RefCell::new(None));
    let observer = observer(arguments, scenario, &trouble)?;
    let options = Options { seed };
    let report = match &arguments.controller {
        None => {
            let none = stopwright_core::fault::FaultSet::EMPTY;
            let core = stopwright_core::controller::Controller::new(scenario.settings, none);
            scenario::run(scenario, &options, core, observer)
        }
        Some(place) => {
            let remote: Result<Remote, RemoteError> = Remote::open(place);
            scenario::run(scenario, &options, remote?, observer)
        }
    };
    match trouble.take() {
        Some(error) => Err(format!("the trace could not be written: {error}").into()),
        None => Ok(report),
    }
}

type Trouble = Rc<RefCell<Option<Error>>>;

fn observer(
    arguments: &Arguments,
    scenario: &Scenario,
    trouble: &Trouble,
) -> Result<Option<Box<dyn Observer>>, Problem> {
    let signals = trace::signals_named(&arguments.signals)?;
    let mut sinks: Vec<Box<dyn Sink>> = Vec::new();
    for path in &arguments.trace {
        sinks.push(trace::open(path, &signals)?);
    }
    if let Some(path) = &arguments.plot {
        let file =
            File::create_new(path).map_err(|error| format!("{}: {error}", path.display()))?;
        sinks.push(Box::new(Plot::new(file, &scenario.title, &signals)));
    }
    if sinks.is_empty() {
        return Ok(None);
    }
    let recorder = Recorder::new(signals, arguments.every, sinks, Rc::clone(trouble));
    Ok(Some(Box::new(recorder)))
}

/// The one line that makes the run again.
fn replay(arguments: &Arguments, report: &Report) -> String {
    let mut line = format!("stopwright run {} --seed {}", report.file, report.seed);
    if let Some(place) = &arguments.controller {
        line += &format!(" --controller {place:?}");
    }
    line
}

pub(super) fn show(arguments: &Arguments, report: &Report, replay: &str) -> Result<(), Problem> {
    if arguments.json {
        return say(&format!("{}\n", serde_json::to_string(report)?));
    }
    say(&in_words(report, arguments.verbose, replay))
}

/// The verdict on a run, for people.
fn in_words(report: &Report, verbose: bool, replay: &str) -> String {
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
        text += &format!("  replay      {replay}\n");
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
