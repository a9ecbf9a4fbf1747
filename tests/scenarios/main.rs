//! Scenarios: the shipped ones hold, mistakes are told with their place, the judge judges, limit
//! channels and their loads are driven and read back, contacts lie, traces can be read by readers
//! that are not ours, a swarm is the same on any number of threads, and any controller can be put
//! under them.

mod course;
mod document;
mod elastic;
mod inputs;
mod limit_channels;
mod mistakes;
mod oracle;
mod references;
mod remote;
mod settings;
mod shipped;
mod swarm;
mod tampered;
mod traces;

use std::path::{Path, PathBuf};
use stopwright::scenario::{Options, Report, Scenario, run_core};

/// The root of the workspace.
fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// All scenario files of a folder, in order.
fn files(folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(root().join(folder)).expect("a folder");
    let mut found: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.extension().is_some_and(|it| it == "toml"))
        .collect();
    found.sort();
    found
}

fn load(path: &Path) -> Scenario {
    Scenario::load(path).unwrap_or_else(|problem| panic!("{problem}"))
}

/// A scenario written in a test.
fn written(text: &str) -> Scenario {
    let head = "title = \"t\"\nlesson = \"l\"\n";
    let text = format!("{head}{text}");
    Scenario::from_toml("written", &text, Path::new(".")).unwrap_or_else(|it| panic!("{it}"))
}

/// A scenario written in a test is refused, at this place and with these words.
#[track_caller]
fn refused(text: &str, place: &str, words: &str) {
    let text = format!("title = \"t\"\nlesson = \"l\"\n{text}");
    let problems = Scenario::from_toml("x.toml", &text, Path::new(".")).expect_err("a mistake");
    let told = problems.to_string();
    assert!(told.contains(place) && told.contains(words), "{told}");
}

/// One of the shipped scenarios.
fn shipped(name: &str) -> Scenario {
    load(&root().join(format!("sim-host/scenarios/{name}.toml")))
}

fn played(scenario: &Scenario) -> Report {
    run_core(
        scenario,
        &Options {
            seed: scenario.seed,
        },
    )
}

/// What a run measured of a quantity: first, last, least, most.
fn measured(report: &Report, what: &str) -> [f64; 4] {
    let found = report.measured.iter().find(|it| it.what == what);
    let found = found.unwrap_or_else(|| panic!("{what} was not measured"));
    [found.first, found.last, found.least, found.most]
}

/// The lines that do not hold, for a message.
fn complaints(report: &Report) -> String {
    let lines = report
        .lines
        .iter()
        .filter(|line| line.finding != stopwright::scenario::expect::Finding::Holds);
    lines
        .map(|line| format!("{}: {}\n", line.about, line.seen))
        .collect()
}
