//! Playing one scenario and saying how it went, with the traces and the controller that were asked
//! for.

use super::{Problem, say};
use crate::scenario::expect::Finding;
use crate::scenario::remote::{Remote, RemoteError};
use crate::scenario::run::Observer;
use crate::scenario::trace::{self, Plot, Recorder, Sink};
use crate::scenario::{self, Options, Report, Scenario};
use std::cell::RefCell;
use std::fs::File;
use std::io::Error;
use std::path::PathBuf;
use std::rc::Rc;

#[derive(clap::Args)]
pub(super) struct PlayArguments {
    /// Every random draw follows from it; without it each file's own, and 1 for a swarm.
    #[arg(long)]
    pub(super) seed: Option<u64>,
    /// Print every line of the verdicts, not only those that say something is wrong.
    #[arg(long)]
    pub(super) verbose: bool,
    /// Print the reports as JSON, one a line.
    #[arg(long)]
    pub(super) json: bool,
    /// Write a trace of the run: .csv, .vcd, or .parquet when built with that feature.
    #[arg(long, value_name = "FILE", help_heading = "Traces")]
    pub(super) trace: Vec<PathBuf>,
    /// Draw the signals as an SVG file.
    #[arg(long, value_name = "FILE", help_heading = "Traces")]
    pub(super) plot: Option<PathBuf>,
    /// Signals of traces and plot, joined by commas, or all.
    #[arg(
        long,
        value_name = "LIST",
        help_heading = "Traces",
        default_value = "crank_deg,crank_spm,clutch_bar,drive,coil_1,coil_2,muted,state,first_fault"
    )]
    pub(super) signals: String,
    /// Milliseconds from one row to the next.
    #[arg(long, value_name = "MS", help_heading = "Traces", default_value_t = 1, value_parser = clap::value_parser!(u32).range(1..=60_000))]
    pub(super) every: u32,
    /// Controller to play against: a command that speaks the protocol on its standard input and
    /// output, tcp:127.0.0.1:PORT, or serial:PATH,BAUD.
    #[arg(
        long,
        value_name = "COMMAND",
        help_heading = "Controller",
        conflicts_with = "swarm"
    )]
    pub(super) controller: Option<String>,
}

impl PlayArguments {
    pub(super) fn is_traced(&self) -> bool {
        !self.trace.is_empty() || self.plot.is_some()
    }
}

pub(super) fn play(
    arguments: &PlayArguments,
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
    arguments: &PlayArguments,
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

pub(super) fn show(
    arguments: &PlayArguments,
    report: &Report,
    replay: &str,
) -> Result<(), Problem> {
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
