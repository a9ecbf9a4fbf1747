//! The numbers of `docs/PLANT.md` are those the plant gives.

use crate::bench::*;
use stopwright::plant::{STEP_S, StopTruth};
use stopwright::press::{LETTERS, Press};

const DOCUMENT: &str = include_str!("../../docs/PLANT.md");

#[track_caller]
fn document_says(row: &str) {
    assert!(
        DOCUMENT.lines().any(|line| line == row),
        "docs/PLANT.md lacks:\n{row}"
    );
}

fn cell(stop: &StopTruth) -> String {
    format!("{:.1}, {:.2}", stop.stop_time_ms, stop.travel_deg)
}

#[test]
fn the_table_of_nominal_stops_is_that_of_the_plant() {
    for letter in LETTERS {
        let press = press(letter);
        for spm in &press.speed.verify_spm {
            let (real, simple) = (setup(&press, *spm), released_at_coil_off(&press, *spm));
            let row = format!(
                "| {letter} | {spm} | {} | {} | {} | {} |",
                cell(&stop_at_top(&press, &real)),
                cell(&stop_at(&press, &real, 90.0)),
                cell(&stop_at_top(&press, &simple)),
                cell(&stop_at(&press, &simple, 90.0)),
            );
            document_says(&row);
        }
    }
}

#[test]
fn the_table_of_lost_counterbalance_is_that_of_the_plant() {
    for letter in LETTERS {
        let press = press(letter);
        let set = setup(&press, press.speed.nominal_spm);
        let mut lost = set.clone();
        lost.faults.counterbalance_lost = true;
        let release_deg = stop_at_top(&press, &set).coil_off_deg;
        let times = [release_deg, 45.0, 60.0, 90.0, 270.0]
            .map(|deg| format!("{:.0}", stop_at(&press, &lost, deg).stop_time_ms));
        document_says(&format!(
            "| {letter} | {} | {} |",
            press.speed.nominal_spm,
            times.join(" | ")
        ));
    }
}

#[test]
fn step_and_accuracy_are_those_of_code_and_tests() {
    assert!(DOCUMENT.contains(&format!("{} µs", STEP_S * 1e6)));
    assert!(DOCUMENT.contains(&format!(
        "{} ms and {}°",
        crate::reference::STOP_TIME_MS,
        crate::reference::TRAVEL_DEG
    )));
}

#[test]
fn the_installed_distances_are_those_of_the_files() {
    for letter in LETTERS {
        let guarding = Press::builtin(letter).unwrap().guarding;
        document_says(&format!(
            "| {letter} | {} | {} | {} |",
            guarding.installed_distance_mm, guarding.detection_mm, guarding.device_response_ms
        ));
    }
}

#[test]
fn every_resolver_word_of_the_page_is_read() {
    use stopwright::resolver::ResolverSetup;
    let words = DOCUMENT
        .lines()
        .find(|line| line.starts_with("Words for `--resolver`"))
        .unwrap();
    let (_, words) = words.split_once("commas: ").unwrap();
    let mut count = 0;
    for group in words.trim_end_matches('.').split("; ") {
        let (names, unit) = group.rsplit_once(" (").unwrap();
        let unit = unit.trim_end_matches(')').replace("plain numbers", "");
        for name in names.split(", ") {
            // Allowed for every one of them.
            let value = if name == "bits" || name == "teeth" {
                12
            } else {
                1
            };
            let option = format!("{name}={value}{unit}");
            option
                .parse::<ResolverSetup>()
                .unwrap_or_else(|e| panic!("{e}"));
            count += 1;
        }
    }
    assert_eq!(count, 22);
}
