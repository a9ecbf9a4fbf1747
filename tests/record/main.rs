//! The record's files: what is promised about them, held on records made by hand.

mod browser;
mod consistency;
mod document;
mod fixture;
mod folder;
mod page;

use stopwright::record::{json, text};

#[test]
fn equal_records_give_equal_bytes() {
    let files = || {
        let record = fixture::rehearsal();
        (
            json::write(&record).unwrap(),
            stopwright::record::html::page(&record, "ab"),
        )
    };
    assert_eq!(files(), files());
}

#[test]
fn a_record_reads_back_as_it_was_written() {
    for record in [
        fixture::rehearsal(),
        fixture::failed_rehearsal(),
        fixture::study(),
    ] {
        let written = json::write(&record).unwrap();
        let read = json::read(&written).unwrap();
        assert_eq!(json::write(&read).unwrap(), written);
    }
}

#[test]
fn a_file_with_an_unknown_key_is_not_a_record() {
    let written = json::write(&fixture::study()).unwrap();
    let altered = written.replacen("\"schema\"", "\"scheme\"", 1);
    assert!(
        json::read(&altered)
            .unwrap_err()
            .to_string()
            .contains("scheme")
    );
}

#[test]
fn the_summary_says_verdict_reason_way_out_limits_distances_and_place() {
    let summary = text::summary(&fixture::failed_rehearsal(), Some("out/record.html"));
    for part in [
        "NOT COMMISSIONABLE",
        "Rests scatter by 6.3°",
        "Repair the brake",
        "at 70 SPM: mean 157.2 ms, advisory none can be given",
        "no release angle found",
        "margin -92 mm",
        "out/record.html",
    ] {
        assert!(summary.contains(part), "{part} is missing in\n{summary}");
    }
    assert!(
        summary.lines().all(|line| line.chars().count() < 160),
        "{summary}"
    );
}

#[test]
fn the_summary_rounds_required_up_and_limits_down() {
    let mut record = fixture::rehearsal();
    record.distances[0].required_mm = 332.01;
    record.limits[0].latch_ms = Some(146.99);
    let summary = text::summary(&record, None);
    assert!(summary.contains("333 mm required"), "{summary}");
    assert!(summary.contains("latch 146.9 ms"), "{summary}");
}
