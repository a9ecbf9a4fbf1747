//! The shipped scenarios: each does what its file says, and together they are a library.

use crate::{complaints, files, load, played};
use std::collections::BTreeSet;
use stopwright::press::{LETTERS, Press};
use stopwright::scenario::Scenario;
use stopwright::scenario::expect::Finding;

const FOLDER: &str = "sim-host/scenarios";

fn all() -> Vec<Scenario> {
    files(FOLDER).iter().map(|file| load(file)).collect()
}

#[test]
fn every_shipped_scenario_does_what_its_file_says() {
    for scenario in all() {
        let report = played(&scenario);
        let said = complaints(&report);
        assert_eq!(report.verdict, Finding::Holds, "{}\n{said}", scenario.file);
    }
}

#[test]
fn there_are_many_and_each_is_a_lesson_of_its_own() {
    let all = all();
    assert!(all.len() >= 25, "{}", all.len());
    let titles: BTreeSet<_> = all.iter().map(|it| &it.title).collect();
    let lessons: BTreeSet<_> = all.iter().map(|it| &it.lesson).collect();
    assert_eq!((titles.len(), lessons.len()), (all.len(), all.len()));
    for scenario in &all {
        assert!(scenario.lesson.len() > 60, "{}", scenario.file);
        // A run without an expectation of its own would hold whatever happens.
        let expect = &scenario.expect;
        let asks = expect.reached.len() + expect.faults.len() + expect.ranges.len();
        assert!(asks > 0 || expect.ends.is_some(), "{}", scenario.file);
    }
}

#[test]
fn every_press_has_a_part() {
    let used: BTreeSet<String> = all().into_iter().map(|it| it.press.name).collect();
    for letter in LETTERS {
        let name = Press::builtin(letter).expect("a press").name;
        assert!(used.contains(&name), "{name}");
    }
}

/// Where chance and scatter decide, a scenario that only holds with its own seed teaches luck.
#[test]
fn the_shipped_scenarios_hold_with_other_seeds() {
    for scenario in all() {
        for seed in [2, 3] {
            let options = stopwright::scenario::Options { seed };
            let report = stopwright::scenario::run_core(&scenario, &options);
            let said = complaints(&report);
            assert_eq!(
                report.verdict,
                Finding::Holds,
                "{}, seed {seed}\n{said}",
                scenario.file
            );
        }
    }
}

#[test]
fn equal_seeds_give_equal_runs_and_other_seeds_do_not() {
    let scenario = crate::shipped("first-stroke");
    let digest = |seed| {
        let options = stopwright::scenario::Options { seed };
        stopwright::scenario::run_core(&scenario, &options).digest
    };
    assert_eq!(digest(7), digest(7));
    assert_ne!(digest(7), digest(8));
}

/// The settings shipped with a press are what its rehearsal releases: nearly, for they are stored,
/// and a better rehearsal does not make them wrong. With `STOPWRIGHT_BLESS=1` they are written anew.
#[test]
fn the_shipped_settings_are_what_the_rehearsal_releases() {
    let is_blessing = std::env::var_os("STOPWRIGHT_BLESS").is_some();
    // One press stands for all: a rehearsal takes seconds.
    let letters: &[&str] = if is_blessing { &LETTERS } else { &["B"] };
    for letter in letters {
        let Some(released) = released(letter) else {
            assert_eq!(*letter, "F", "only press F cannot be commissioned");
            continue;
        };
        let file = format!("sim-host/settings/{}.toml", letter.to_lowercase());
        let path = crate::root().join(&file);
        if is_blessing {
            let head = format!(
                "# Released by `stopwright rehearse {letter}`, seed 1. Invented, like the press.\n"
            );
            std::fs::write(&path, head + &released).expect("written");
        }
        let shipped = std::fs::read_to_string(&path).expect("a file");
        let table = |text: &str| toml::Value::Table(text.parse().expect("TOML"));
        near(&file, &table(&shipped), &table(&released));
    }
}

fn near(place: &str, shipped: &toml::Value, released: &toml::Value) {
    use toml::Value as V;
    match (shipped, released) {
        (V::Table(shipped), V::Table(released)) => {
            assert!(shipped.keys().eq(released.keys()), "{place}");
            for (key, value) in shipped {
                near(&format!("{place}.{key}"), value, &released[key]);
            }
        }
        (V::Array(shipped), V::Array(released)) => {
            assert_eq!(shipped.len(), released.len(), "{place}");
            for (value, other) in shipped.iter().zip(released) {
                near(place, value, other);
            }
        }
        (V::Float(shipped), V::Float(released)) => {
            let allowed = 0.1 + 0.02 * released.abs();
            assert!(
                (shipped - released).abs() <= allowed,
                "{place}: {shipped} {released}"
            );
        }
        _ => assert_eq!(shipped, released, "{place}"),
    }
}

fn released(letter: &str) -> Option<String> {
    use stopwright::rehearse::{Watch, rehearse};
    struct Quiet;
    impl Watch for Quiet {
        fn step(&mut self, _: &str, _: u32) {}
        fn tick(&mut self) {}
        fn caution(&mut self, _: &str, _: &str) {}
    }
    rehearse(&options(letter), &mut Quiet)
        .expect("a rehearsal")
        .settings
}

/// What the command does when nothing but the press is named.
fn options(letter: &str) -> stopwright::rehearse::Options {
    use stopwright_core::safety_distance::Rule;
    let press = Press::builtin(letter).expect("a press");
    stopwright::rehearse::Options {
        resolver: stopwright::resolver::ResolverSetup::of_press(&press),
        second_resolver: None,
        index_switch: None,
        press,
        press_file: letter.to_owned(),
        seed: 1,
        stops: 25,
        rules: vec![Rule::UsStoppingTime, Rule::IsoOrthogonal2010],
        given: Vec::new(),
    }
}

/// What a lesson says may latch beside its own fault, does with some seed: a number that never comes
/// would hide it on the day it comes by mistake.
#[test]
fn whatever_may_latch_does_with_some_seed() {
    const SEEDS_MOST: u64 = 200;
    for scenario in all() {
        let mut waited_for: BTreeSet<u8> = scenario
            .expect
            .may_latch
            .iter()
            .map(|code| code.number())
            .collect();
        for seed in 1..=SEEDS_MOST {
            if waited_for.is_empty() {
                break;
            }
            let options = stopwright::scenario::Options { seed };
            let report = stopwright::scenario::run_core(&scenario, &options);
            waited_for.retain(|number| !report.faults.contains(number));
        }
        assert!(waited_for.is_empty(), "{}: {waited_for:?}", scenario.file);
    }
}
