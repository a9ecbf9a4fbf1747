//! The documents about limits and standards against the code they speak of.

use std::fs;
use std::path::{Path, PathBuf};
use stopwright::limits::habit::{shop_habit, torque_left};
use stopwright::limits::release::overrun_by_delay_ms;
use stopwright::statistics::rest::{RestCriterion, RestVerdict};
use stopwright::statistics::{Demand, tolerance};
use stopwright_core::safety_distance::{Rule, Standing};

const STANDARDS: &str = include_str!("../../docs/STANDARDS.md");
const LIMITS: &str = include_str!("../../docs/LIMITS-FROM-EVIDENCE.md");

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The words between backticks.
fn quoted(text: &str) -> impl Iterator<Item = &str> {
    text.split('`').skip(1).step_by(2)
}

#[test]
fn every_rule_has_its_row_with_document_clause_and_standing() {
    for rule in Rule::ALL {
        let text = rule.text();
        let start = format!("| `{}` |", text.name);
        let row = STANDARDS.lines().find(|line| line.starts_with(&start));
        let row = row.unwrap_or_else(|| panic!("{} has no row", text.name));
        let cells: Vec<&str> = row.split('|').map(str::trim).collect();
        assert!(text.edition.starts_with(cells[2]), "{row}");
        assert!(text.clause.starts_with(cells[3]), "{row}");
        let standing = match text.standing {
            Standing::Read => "read",
            Standing::FromMemory => "memory",
        };
        assert_eq!(cells[4], standing, "{row}");
    }
}

#[test]
fn every_test_and_file_the_documents_name_exists() {
    let mut sources = String::new();
    for folder in ["core/src", "sim-host/src", "tests/published"] {
        gather(&root().join(folder), &mut sources);
    }
    for document in [STANDARDS, LIMITS] {
        for word in quoted(document) {
            if word.contains('/') {
                assert!(root().join(word).exists(), "{word}");
            } else if word.contains('_') {
                assert!(sources.contains(&format!("fn {word}()")), "{word}");
            }
        }
    }
}

fn gather(folder: &Path, sources: &mut String) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            gather(&path, sources);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            sources.push_str(&fs::read_to_string(&path).expect("a source"));
        }
    }
}

#[test]
fn the_table_of_factors_is_what_the_code_computes() {
    for stops in [10_usize, 25, 50, 100] {
        let factor = |demand| tolerance::one_sided_factor(stops, demand).expect("a factor");
        let covered = tolerance::content_covered(stops, 3.0, 0.95).expect("a share");
        let longest = tolerance::coverage_of_largest(stops, 0.95).expect("a share");
        let judged = RestCriterion::default().judge(&vec![0.0; stops]);
        let row = format!(
            "| {stops} | {:.3} | {:.3} | {:.1} % | {:.1} % | {:.2} |",
            factor(Demand::LIMITS),
            factor(Demand::REST),
            100.0 * covered,
            100.0 * longest,
            judged.expect("a judgement").rms_allowed_deg,
        );
        assert!(LIMITS.contains(&row), "{row}");
    }
}

#[test]
fn the_numbers_in_the_text_are_what_the_code_computes() {
    let criterion = RestCriterion::default();
    let mut says = vec![
        format!("above {:.2} degrees", criterion.deviation_allowed_deg()),
        format!(
            "{:.0} ms of delay on press A",
            overrun_by_delay_ms(15.0, 600.0)
        ),
        format!(
            "{:.0} ms on press C",
            overrun_by_delay_ms(15.0, 40.0).ceil()
        ),
    ];
    let habit = shop_habit(253.0, 60.0, 0.0, None);
    says.push(format!("gets {} and {}", habit.advisory_ms, habit.latch_ms));
    let left = |extra| 100.0 * torque_left(84.0, extra, 90.0 / 2100.0);
    says.push(format!(
        "{:.0} % are left at 50 ms more and {:.0} % at 100",
        left(50.0),
        left(100.0)
    ));
    for sentence in says {
        assert!(LIMITS.contains(&sentence), "{sentence}");
    }
}

#[test]
fn about_140_stops_show_what_25_cannot() {
    // 25 rests with a deviation of 1.75 degrees about the target.
    let rests: Vec<f64> = (0..25).map(|index| f64::from(index - 12)).collect();
    let scale = 1.75 / (rests.iter().map(|rest| rest * rest).sum::<f64>() / 24.0).sqrt();
    let rests: Vec<f64> = rests.iter().map(|rest| rest * scale).collect();
    let judged = RestCriterion::default().judge(&rests).expect("a judgement");
    let RestVerdict::NotShown {
        stops_needed: Some(needed),
    } = judged.verdict
    else {
        panic!("{judged:?}")
    };
    assert!((135..=145).contains(&needed), "{needed}");
    assert!(LIMITS.contains("99.6 % within 5 degrees, and it takes about 140 stops"));
    assert!((100.0 * judged.share_within - 99.6).abs() < 0.05);
}
