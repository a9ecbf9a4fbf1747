//! Traces: CSV by a CSV reader, VCD by a parser, both against each other.

use crate::{load, root, shipped};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::Path;
use std::rc::Rc;
use stopwright::scenario::trace::{Recorder, open, signals_named};
use stopwright::scenario::{Options, Scenario, run};
use stopwright_core::controller::Controller;
use stopwright_core::fault::FaultSet;

/// Plays a scenario with traces of these signals in these files.
fn traced(scenario: &Scenario, signals: &str, every_ms: u32, files: &[&Path]) {
    let signals = signals_named(signals).expect("signals");
    let sinks = files
        .iter()
        .map(|file| open(file, &signals).expect("a file"))
        .collect();
    let trouble = Rc::new(RefCell::new(None));
    let recorder = Recorder::new(signals, every_ms, sinks, Rc::clone(&trouble));
    let controller = Controller::new(scenario.settings, FaultSet::EMPTY);
    let options = Options {
        seed: scenario.seed,
    };
    run(scenario, &options, controller, Some(Box::new(recorder)));
    assert!(trouble.take().is_none());
}

/// Rows of a trace of a scenario file, without the time; what is not known is not a number.
pub(crate) fn rows_of(file: &str, signals: &str) -> Vec<Vec<f64>> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("trace.csv");
    let file = Path::new(file);
    let file = match file.is_absolute() {
        true => file.to_owned(),
        false => root().join(file),
    };
    traced(&load(&file), signals, 1, &[&path]);
    let mut reader = csv::Reader::from_path(&path).expect("a trace");
    let rows = reader.records().map(|row| {
        let row = row.expect("a row");
        let values = row.iter().skip(1).map(|it| it.parse().unwrap_or(f64::NAN));
        values.collect()
    });
    rows.collect()
}

#[test]
fn a_vcd_and_a_csv_of_one_run_tell_the_same() {
    let folder = tempfile::tempdir().expect("a folder");
    let (csv, vcd) = (folder.path().join("t.csv"), folder.path().join("t.vcd"));
    let scenario = shipped("sine-winding-opens");
    traced(&scenario, "all", 1, &[&csv, &vcd]);
    let mut changes = read_vcd(&vcd);
    let mut reader = csv::Reader::from_path(&csv).expect("a trace");
    let names: Vec<String> = reader
        .headers()
        .expect("names")
        .iter()
        .map(str::to_owned)
        .collect();
    assert_eq!(names.len(), stopwright::scenario::trace::SIGNALS.len() + 1);
    let (mut rows, mut compared) = (0, 0);
    for row in reader.records() {
        let row = row.expect("a row");
        rows += 1;
        let time_us = (row[0].parse::<f64>().expect("a time") * 1e6).round() as u64;
        for (name, text) in names.iter().zip(row.iter()).skip(1) {
            let Ok(value) = text.parse::<f64>() else {
                continue;
            };
            let seen = changes.get_mut(name).expect("a variable").at(time_us);
            assert!(
                (seen - value).abs() < 1e-3,
                "{name} at {time_us}: {seen} {value}"
            );
            compared += 1;
        }
    }
    assert!(rows > 1_000 && compared > 25 * rows, "{rows} {compared}");
}

/// Changes of one variable.
struct Changes {
    list: Vec<(u64, f64)>,
    next: usize,
}

impl Changes {
    /// The value at a time; asked for in order.
    fn at(&mut self, time_us: u64) -> f64 {
        while self.list.get(self.next).is_some_and(|it| it.0 <= time_us) {
            self.next += 1;
        }
        self.list[self.next - 1].1
    }
}

/// A value change dump as the parser of the crate `vcd` reads it.
fn read_vcd(path: &Path) -> BTreeMap<String, Changes> {
    let file = std::io::BufReader::new(std::fs::File::open(path).expect("a file"));
    let mut parser = vcd::Parser::new(file);
    let header = parser.parse_header().expect("a header");
    assert_eq!(header.timescale, Some((1, vcd::TimescaleUnit::US)));
    let scope = header.find_scope(&["press"]).expect("the press");
    let mut names = BTreeMap::new();
    for item in &scope.items {
        let vcd::ScopeItem::Var(variable) = item else {
            continue;
        };
        names.insert(variable.code, variable.reference.clone());
    }
    let mut changes: BTreeMap<String, Changes> = BTreeMap::new();
    let mut time_us = 0;
    for command in parser {
        let (code, value) = match command.expect("a change") {
            vcd::Command::Timestamp(time) => {
                assert!(time > time_us, "time goes on");
                time_us = time;
                continue;
            }
            vcd::Command::ChangeReal(code, value) => (code, value),
            vcd::Command::ChangeScalar(code, value) => (code, f64::from(value == vcd::Value::V1)),
            vcd::Command::ChangeVector(code, bits) => {
                let word = bits
                    .iter()
                    .fold(0, |word, bit| word * 2 + u32::from(bit == vcd::Value::V1));
                (code, f64::from(word))
            }
            _ => continue,
        };
        let list = changes.entry(names[&code].clone()).or_insert(Changes {
            list: Vec::new(),
            next: 0,
        });
        list.list.push((time_us, value));
    }
    changes
}

#[test]
fn a_rate_thins_the_rows_and_a_file_that_is_there_is_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("t.csv");
    let scenario = shipped("first-stroke");
    traced(&scenario, "crank_deg,drive", 50, &[&path]);
    let rows = csv::Reader::from_path(&path)
        .expect("a trace")
        .into_records()
        .count();
    let all = rows_of("sim-host/scenarios/first-stroke.toml", "drive").len();
    assert_eq!(rows, all.div_ceil(50));
    let before = std::fs::read(&path).expect("a file");
    assert!(open(&path, &signals_named("drive").expect("a signal")).is_err());
    assert_eq!(std::fs::read(&path).expect("a file"), before);
}

#[test]
fn unknown_signals_and_kinds_are_refused_with_what_there_is() {
    let problem = signals_named("drive,anlge")
        .expect_err("no such signal")
        .to_string();
    assert!(problem.contains("anlge") && problem.contains("crank_deg"));
    let signals = signals_named("drive").expect("a signal");
    let Err(problem) = open(Path::new("nowhere.xlsx"), &signals) else {
        panic!("a kind that is not written");
    };
    assert!(problem.to_string().contains(".vcd"));
    assert!(!Path::new("nowhere.xlsx").exists());
}
