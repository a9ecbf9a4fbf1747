//! The recordings in `tests/data/recordings` against what the integration that made them knew.

use std::path::PathBuf;

use stopwright::study::{FindOptions, Found, ReadOptions, find_stops, read};

/// Folder of the recordings.
pub(crate) fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data/recordings")
}

/// One row of `truth.csv`.
#[derive(Clone, Debug)]
pub(crate) struct Truth {
    pub(crate) recording: String,
    pub(crate) is_stop: bool,
    pub(crate) command_time_s: f64,
    pub(crate) command_deg: f64,
    pub(crate) speed_spm: f64,
    pub(crate) time_ms: f64,
    pub(crate) travel_deg: f64,
    pub(crate) rest_deg: f64,
}

/// All rows.
pub(crate) fn truth() -> Vec<Truth> {
    let mut reader = csv::Reader::from_path(folder().join("truth.csv")).expect("truth.csv");
    let rows = reader.records().map(|row| row.expect("a row"));
    rows.map(|row| {
        let number = |column: usize| row[column].parse().expect("a number");
        Truth {
            recording: row[0].into(),
            is_stop: &row[1] != "-1",
            command_time_s: number(2),
            command_deg: number(3),
            speed_spm: number(4),
            time_ms: number(5),
            travel_deg: number(6),
            rest_deg: number(7),
        }
    })
    .collect()
}

/// Names of the recordings, in the order of `truth.csv`.
pub(crate) fn names() -> Vec<String> {
    let mut names: Vec<String> = truth().into_iter().map(|row| row.recording).collect();
    names.dedup();
    names
}

/// What is found in one of them as it is.
pub(crate) fn found(name: &str) -> Found {
    let file = folder().join(format!("{name}.csv"));
    let recording = read(&file, &ReadOptions::default()).expect("a recording");
    find_stops(&recording, &FindOptions::default())
}

#[test]
fn show() {
    for name in names() {
        let found = found(&name);
        println!("{}", stopwright::study::stop_table(&found.stops));
        let rows: Vec<_> = truth()
            .into_iter()
            .filter(|r| r.recording == name && r.is_stop)
            .collect();
        for (stop, row) in found.stops.iter().zip(&rows) {
            println!(
                "dt {:+.3} u {:.2} dcmd {:+.3} dspd {:+.3} dtravel {:+.3} u {:.2} drest {:+.3}",
                stop.time_ms - row.time_ms,
                stop.time_uncertainty_ms,
                stop.command_deg - row.command_deg,
                stop.speed_spm - row.speed_spm,
                stop.travel_deg - row.travel_deg,
                stop.travel_uncertainty_deg,
                stop.rest_deg - row.rest_deg
            );
        }
        for m in &found.positioning_moves {
            println!("{m:?}");
        }
        for m in &found.warnings {
            println!("{m}");
        }
    }
}
