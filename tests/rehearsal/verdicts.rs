//! `docs/VERDICTS.md` is what the rehearsals say. `STOPWRIGHT_BLESS=1` writes its table anew.

use crate::support::{Run, all, c_at_420, moved, nothing_in, of, options, run};
use stopwright::outcome::{COMMISSIONABLE, NOT_COMMISSIONABLE, RESTRICTED};
use stopwright::record::{Outcome, text};

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/VERDICTS.md");
const BEGIN: &str = "<!-- table of verdicts: begin -->\n";
const END: &str = "<!-- table of verdicts: end -->";

fn document() -> String {
    std::fs::read_to_string(FILE).expect("docs/VERDICTS.md")
}

fn row(letter: &str, run: &Run) -> String {
    let verdict = &run.record().verdict;
    let first = |texts: &[String]| texts.first().cloned().unwrap_or("–".to_owned());
    let held_to = match verdict.restricted_to.as_slice() {
        [] => "–".to_owned(),
        limits => limits.join(", "),
    };
    let cells = [
        letter.to_owned(),
        format!("{} mm", run.press.guarding.installed_distance_mm),
        text::outcome(verdict.outcome).to_owned(),
        verdict.exit_status.to_string(),
        held_to,
        first(&verdict.reasons),
        first(&verdict.ways_out),
    ];
    format!("| {} |\n", cells.join(" | "))
}

fn table() -> String {
    let mut rows: Vec<String> = all().iter().map(|(letter, run)| row(letter, run)).collect();
    rows.insert(3, row("C", c_at_420()));
    let head = "| press | curtain at | verdict | exit status | held to | first reason | first way \
                out |\n| --- | --- | --- | --- | --- | --- | --- |\n";
    head.to_owned() + &rows.concat()
}

#[test]
fn the_document_shows_the_verdicts_of_a_to_h() {
    let (table, text) = (table(), document());
    let (before, rest) = text.split_once(BEGIN).expect("the mark before the table");
    let (shown, after) = rest.split_once(END).expect("the mark after the table");
    if std::env::var_os("STOPWRIGHT_BLESS").is_some() {
        let blessed = format!("{before}{BEGIN}{table}{END}{after}");
        std::fs::write(FILE, blessed).expect("docs/VERDICTS.md can be written");
    } else {
        assert_eq!(shown, table, "STOPWRIGHT_BLESS=1 writes the table anew");
    }
}

#[test]
fn the_document_says_what_each_exit_status_means() {
    let text = document();
    let verdicts = [
        (COMMISSIONABLE, Outcome::Commissionable),
        (RESTRICTED, Outcome::Restricted),
        (NOT_COMMISSIONABLE, Outcome::NotCommissionable),
    ];
    for (status, outcome) in verdicts {
        let start = format!("| {status} | {}", text::outcome(outcome));
        assert!(text.lines().any(|line| line.starts_with(&start)), "{start}");
    }
    for status in [1, 2] {
        let start = format!("| {status} | ");
        assert!(text.lines().any(|line| line.starts_with(&start)), "{start}");
    }
}

#[test]
fn exit_status_and_outcome_go_together() {
    for (letter, run) in all() {
        let verdict = &run.record().verdict;
        let status = match verdict.outcome {
            Outcome::Commissionable => 0,
            Outcome::Restricted => 3,
            _ => 4,
        };
        assert_eq!(verdict.exit_status, status, "{letter}");
        let says_why = verdict.outcome == Outcome::Commissionable || !verdict.reasons.is_empty();
        let is_held = !verdict.restricted_to.is_empty();
        assert!(says_why, "{letter}");
        assert_eq!(is_held, verdict.outcome == Outcome::Restricted, "{letter}");
    }
}

/// What two of the presses were invented for: the worn brake of F rests anywhere, and A at speed
/// would have to release a single stroke before the bottom. The other six are sound.
#[test]
fn a_press_gets_the_verdict_it_was_invented_for() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        let verdict = &run.record().verdict;
        let expected = match letter {
            "F" => Outcome::NotCommissionable,
            "A" => Outcome::Restricted,
            _ => Outcome::Commissionable,
        };
        if verdict.outcome != expected {
            wrong.push(format!("{letter}: {verdict:?}"));
        }
    }
    nothing_in(&wrong);
}

#[test]
fn press_f_is_told_to_have_its_brake_repaired_first() {
    let run = of("F");
    let verdict = &run.record().verdict;
    assert_eq!(verdict.outcome, Outcome::NotCommissionable);
    assert_eq!(verdict.ways_out[0], "repair the brake before commissioning");
    let top = &run.record().top_stops[0];
    let rest = top.rest_criterion.as_ref().expect("judged");
    assert!(!rest.pass, "{rest:?}");
    let reason = &verdict.reasons[0];
    let names_the_cause = reason.contains("scatter") && reason.contains("100 SPM");
    assert!(names_the_cause, "{reason}");
}

#[test]
fn press_c_at_420_mm_is_told_the_distance_that_would_do() {
    let run_at = |mm: f64| run(&options(&moved("C", mm)));
    let verdict = &c_at_420().record().verdict;
    assert_eq!(verdict.outcome, Outcome::NotCommissionable);
    let reason = &verdict.reasons[0];
    assert!(reason.contains("420 mm"), "{reason}");
    assert!(reason.contains("iso-orthogonal-2010"), "{reason}");
    let way_out = &verdict.ways_out[0];
    let word = way_out
        .split(' ')
        .find_map(|word| word.parse::<f64>().ok())
        .expect("a distance");
    assert!(way_out.contains("at least"), "{way_out}");
    let there = run_at(word);
    let verdict = &there.record().verdict;
    assert_eq!(verdict.outcome, Outcome::Commissionable, "{verdict:?}");
    // And the distance is not merely a large one: a tenth less does not do.
    let verdict = run_at(0.9 * word).done.record.verdict;
    assert_eq!(verdict.outcome, Outcome::NotCommissionable, "{verdict:?}");
}
