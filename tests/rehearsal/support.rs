//! Rehearsals, each made once and kept for all tests.

use std::sync::{Mutex, OnceLock};
use stopwright::press::{LETTERS, Press};
use stopwright::record::{Distance, Record};
use stopwright::rehearse::{Options, Rehearsed, Watch, rehearse};
use stopwright::resolver::ResolverSetup;
use stopwright_core::safety_distance::Rule;

/// What was told while a rehearsal went on, in order.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Told {
    Step(String),
    Caution(String, String),
}

/// A rehearsal and what it told.
pub(crate) struct Run {
    pub(crate) press: Press,
    pub(crate) done: Rehearsed,
    pub(crate) told: Vec<Told>,
}

impl Run {
    pub(crate) fn record(&self) -> &Record {
        &self.done.record
    }

    /// The distances of the presence sensing.
    pub(crate) fn presence(&self) -> impl Iterator<Item = &Distance> {
        let all = &self.record().distances;
        all.iter().filter(|it| it.device == "presence sensing")
    }
}

#[derive(Default)]
struct Log(Vec<Told>);

impl Watch for Log {
    fn step(&mut self, name: &str, parts: u32) {
        assert!(parts > 0, "{name}");
        self.0.push(Told::Step(name.to_owned()));
    }

    fn tick(&mut self) {}

    fn caution(&mut self, step: &str, text: &str) {
        self.0.push(Told::Caution(step.to_owned(), text.to_owned()));
    }
}

pub(crate) fn press(letter: &str) -> Press {
    Press::builtin(letter).expect("a built-in press")
}

/// The options the command uses when nothing but the press is named.
pub(crate) fn options(press: &Press) -> Options {
    Options {
        second_resolver: None,
        index_switch: None,
        press: press.clone(),
        press_file: press.name.clone(),
        seed: 1,
        stops: 25,
        resolver: ResolverSetup::of_press(press),
        rules: vec![Rule::UsStoppingTime, Rule::IsoOrthogonal2010],
        given: Vec::new(),
    }
}

pub(crate) fn run(options: &Options) -> Run {
    let mut log = Log::default();
    let done = rehearse(options, &mut log).expect("a rehearsal that goes through");
    Run {
        press: options.press.clone(),
        done,
        told: log.0,
    }
}

/// A press with the presence sensing moved.
pub(crate) fn moved(letter: &str, installed_mm: f64) -> Press {
    let mut press = press(letter);
    press.guarding.installed_distance_mm = installed_mm;
    press
}

/// Press C with its curtain at 420 mm.
pub(crate) fn c_at_420() -> &'static Run {
    static RUN: OnceLock<Run> = OnceLock::new();
    RUN.get_or_init(|| run(&options(&moved("C", 420.0))))
}

/// The rehearsal of every press at its defaults.
pub(crate) fn all() -> Vec<(&'static str, &'static Run)> {
    static RUNS: [OnceLock<Run>; LETTERS.len()] = [const { OnceLock::new() }; LETTERS.len()];
    // The longest first, so that two workers end together.
    let order = Mutex::new(vec!["A", "F", "B", "C", "D", "E", "G", "H"]);
    let place = |letter: &str| LETTERS.iter().position(|it| *it == letter);
    let work = || {
        while let Some(letter) = { order.lock().expect("no panic").pop() } {
            let place = place(letter).expect("a letter");
            RUNS[place].get_or_init(|| run(&options(&press(letter))));
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        scope.spawn(work);
    });
    let kept = LETTERS.iter().zip(&RUNS);
    kept.map(|(letter, run)| (*letter, run.get().expect("made above")))
        .collect()
}

pub(crate) fn of(letter: &str) -> &'static Run {
    let all = all();
    let found = all.into_iter().find(|(it, _)| *it == letter);
    found.expect("a letter").1
}

/// A difference of two angles, -180 up to 180 degrees.
pub(crate) fn signed_deg(difference: f64) -> f64 {
    (difference + 180.0).rem_euclid(360.0) - 180.0
}

/// Everything that is wrong, at once.
#[track_caller]
pub(crate) fn nothing_in(wrong: &[String]) {
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
