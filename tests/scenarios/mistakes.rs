//! Files with mistakes: every one told at once, with line and column.

use crate::root;
use proptest::prelude::*;
use std::path::Path;
use stopwright::scenario::Scenario;

fn told(name: &str) -> Vec<String> {
    let path = format!("tests/scenarios/broken/{name}.toml");
    let text = std::fs::read_to_string(root().join(&path)).expect("a file");
    let problems = Scenario::from_toml(&path, &text, Path::new(".")).expect_err("mistakes");
    let in_order = problems.0.is_sorted_by_key(|it| (it.line, it.column));
    assert!(in_order, "{problems}");
    problems.0.iter().map(ToString::to_string).collect()
}

/// Each begins with file, line and column and says what is meant.
fn hold(name: &str, expected: &[(&str, &str)]) {
    let told = told(name);
    assert_eq!(told.len(), expected.len(), "{told:#?}");
    for (line, (place, word)) in told.iter().zip(expected) {
        let start = format!("tests/scenarios/broken/{name}.toml:{place}: ");
        assert!(
            line.starts_with(&start) && line.contains(word),
            "{line}\n{start}{word}"
        );
    }
}

#[test]
fn mistakes_of_spelling_and_range_are_told_with_their_places() {
    hold(
        "mistakes",
        &[
            ("4:1", "`sped`"),
            ("7:7", "pres-both"),
            ("15:22", "the number 400; allowed: a number from 0 to 360"),
            ("23:11", "one-strike"),
            ("26:10", "the number 250"),
        ],
    );
}

#[test]
fn contradictions_between_keys_are_told_with_their_places() {
    hold(
        "contradictions",
        &[
            ("4:1", "gain=200%"),
            ("6:2", "AdvisoryNotBelowLatch"),
            ("10:1", "\"select\" without `mode`"),
            ("14:1", "without its size; allowed: `percent` from 0 to 200"),
            ("15:1", "`percent`"),
            ("19:1", "a name of its own"),
            ("20:1", "`which` from 1 to 2"),
            ("21:1", "`ms` from 0 to 1000"),
            ("24:1", "one of the two"),
            ("29:1", "the number 30"),
            ("30:1", "\"water\""),
            ("33:1", "`least`, `most` or both"),
            ("34:1", "drive-off-ms or travel-deg"),
        ],
    );
}

#[test]
fn a_press_that_is_none_and_a_press_without_settings_are_refused() {
    let text = |press: &str| {
        format!(
            "title = \"t\"\nlesson = \"l\"\npress = \"{press}\"\n[[step]]\nact = \"wait\"\n[expect]\n"
        )
    };
    for (press, word) in [("Z", "a press file"), ("F", "provisional")] {
        let problems = Scenario::from_toml("x.toml", &text(press), Path::new("nowhere"));
        let told = problems.expect_err("refused").to_string();
        assert!(
            told.starts_with("x.toml:3:1: ") && told.contains(word),
            "{told}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// A shipped file with a few bytes changed is read or refused, and never makes a panic.
    #[test]
    fn a_spoilt_file_never_panics(cuts in proptest::collection::vec((0.0..1.0_f64, any::<char>()), 1..6)) {
        let text = std::fs::read_to_string(root().join("sim-host/scenarios/who-may-reset.toml"));
        let mut text: Vec<char> = text.expect("a file").chars().collect();
        for (at, letter) in cuts {
            let at = (at * text.len() as f64) as usize;
            text[at] = letter;
        }
        let text: String = text.into_iter().collect();
        if let Err(problems) = Scenario::from_toml("spoilt", &text, Path::new("nowhere")) {
            prop_assert!(problems.0.iter().all(|it| it.line > 0 && it.column > 0));
        }
    }
}
