//! Parquet files of the command, read by itself and by a reader that is not ours.

use crate::run::Place;
use std::fs;
use std::path::Path;
use std::process::Command;

/// Rows of a file of CSV, the names of its columns first.
fn records(path: &Path) -> Vec<csv::StringRecord> {
    let mut reader = csv::ReaderBuilder::new();
    let reader = reader.has_headers(false).from_path(path).expect("a file");
    let records = reader.into_records().map(|it| it.expect("a record"));
    records.collect()
}

#[test]
fn shares_in_either_format_are_joined_to_either() {
    let place = Place::new();
    let share = |part: &str, out: &str| {
        let swarm = ["run", "--swarm", "9", "--seed", "4"];
        let call = [&swarm[..], &["--share", part, "--out", out]].concat();
        assert_eq!(place.call(&call).status, Some(0));
    };
    share("1/2", "1.parquet");
    share("2/2", "2.csv");
    share("1/1", "whole.csv");
    share("1/1", "whole.parquet");
    let bytes = |name: &str| fs::read(place.path(name)).expect("a file");
    for (out, whole) in [("all.csv", "whole.csv"), ("all.parquet", "whole.parquet")] {
        let call = ["join", "2.csv", "1.parquet", "--out", out];
        assert_eq!(place.call(&call).status, Some(0));
        assert_eq!(bytes(out), bytes(whole));
        // What is there is left alone.
        place.call(&call).is_refused(1, &[out]);
    }
    place.write("text.parquet", "swarm_seed,runs,run\n");
    let text = ["join", "text.parquet"];
    place.call(&text).is_refused(1, &["text.parquet"]);
}

/// Reads Parquet and writes CSV with DuckDB, whose reader shares nothing with the writer here; none
/// where it is not installed: then the test says so, unless it has been told that it must be there.
fn read_by_duckdb(place: &Place, name: &str) -> Option<Vec<csv::StringRecord>> {
    let python = |script: &str| {
        let mut python = Command::new("python3");
        python.args(["-c", script, name, "read.csv"]);
        python.current_dir(place.path(".")).output()
    };
    if !python("import duckdb").is_ok_and(|it| it.status.success()) {
        let needed = std::env::var_os("STOPWRIGHT_NEEDS_DUCKDB").is_some();
        assert!(!needed, "python3 has no duckdb");
        eprintln!("no duckdb for python3: {name} was not read by it");
        return None;
    }
    let script = "import duckdb, sys; duckdb.read_parquet(sys.argv[1]).write_csv(sys.argv[2])";
    let read = python(script).expect("python3");
    assert!(read.status.success(), "{read:?}");
    let records = records(&place.path("read.csv"));
    fs::remove_file(place.path("read.csv")).expect("a file");
    Some(records)
}

#[test]
fn a_reader_that_is_not_ours_sees_the_trace_that_the_csv_has() {
    let place = Place::new();
    let scenario = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/scenarios/sine-winding-opens.toml"
    );
    let traces = ["--trace", "t.csv", "--trace", "t.parquet"];
    let call = [&["run", scenario, "--signals", "all"], &traces[..]].concat();
    assert_eq!(place.call(&call).status, Some(0));
    let Some(read) = read_by_duckdb(&place, "t.parquet") else {
        return;
    };
    let ours = records(&place.path("t.csv"));
    assert!(ours.len() > 1_000);
    assert_eq!(read.len(), ours.len());
    assert_eq!(read[0], ours[0]);
    let (mut known, mut unknown) = (0, 0);
    for (read, ours) in read.iter().zip(&ours).skip(1) {
        for (read, ours) in read.iter().zip(ours) {
            match (read.parse::<f64>(), ours.parse::<f64>()) {
                // The CSV has four decimals.
                (Ok(read), Ok(ours)) => {
                    assert!((read - ours).abs() <= 0.000_051, "{read} {ours}");
                    known += 1;
                }
                _ => {
                    assert_eq!((read, ours), ("", ""));
                    unknown += 1;
                }
            }
        }
    }
    // The angle is not known from power-up on, nor after the winding has opened.
    assert!(known > 10_000 && unknown > 100, "{known} {unknown}");
}

#[test]
fn a_reader_that_is_not_ours_sees_the_swarm_that_the_csv_has() {
    let place = Place::new();
    for out in ["s.csv", "s.parquet"] {
        let call = ["run", "--swarm", "40", "--seed", "2", "--out", out];
        assert_eq!(place.call(&call).status, Some(0));
    }
    let Some(read) = read_by_duckdb(&place, "s.parquet") else {
        return;
    };
    let ours = records(&place.path("s.csv"));
    assert_eq!((read.len(), ours.len()), (41, 41));
    for (read, ours) in read.iter().zip(&ours) {
        assert_eq!(read.len(), ours.len());
        for (read, ours) in read.iter().zip(ours) {
            let number = |text: &str| text.parse::<f64>().ok();
            let is_equal = read == ours || number(read).is_some() && number(read) == number(ours);
            assert!(is_equal, "{read} {ours}");
        }
    }
}
