//! `run` and `join` as somebody calls them.

use crate::run::Place;
use std::fs;
use std::path::PathBuf;

fn root(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("..")
        .join(name);
    path.display().to_string()
}

fn shipped(name: &str) -> String {
    root(&format!("sim-host/scenarios/{name}.toml"))
}

const HEAD: &str =
    "title = \"t\"\nlesson = \"l\"\npress = \"B\"\n[[step]]\nact = \"power-up\"\n[expect]\n";

#[test]
fn the_exit_status_is_the_verdict() {
    let place = Place::new();
    place.write("holds.toml", HEAD);
    place.write(
        "not-reached.toml",
        &format!("{HEAD}reached = [\"muted\"]\n"),
    );
    place.write("broken.toml", &format!("{HEAD}ends = \"barring\"\n"));
    for (name, status, word) in [
        ("holds", 0, "HOLDS"),
        ("not-reached", 3, "NOT REACHED"),
        ("broken", 4, "BROKEN"),
    ] {
        let said = place.call(&["run", &format!("{name}.toml")]);
        assert_eq!(said.is_sound().status, Some(status), "{said:?}");
        assert!(said.out.starts_with(word), "{said:?}");
        let replay = format!("stopwright run {name}.toml --seed 1");
        assert_eq!(said.out.contains(&replay), status != 0, "{said:?}");
    }
    // Of several, the worst.
    let all = ["run", "holds.toml", "broken.toml", "not-reached.toml"];
    assert_eq!(place.call(&all).status, Some(4));
}

#[test]
fn a_file_with_mistakes_is_told_with_line_and_column_and_nothing_is_played() {
    let place = Place::new();
    let broken = root("tests/scenarios/broken/mistakes.toml");
    let said = place.call(&["run", &shipped("first-stroke"), &broken]);
    said.is_refused(1, &["mistakes.toml:4:1: `sped`", ":15:22: ", "pres-both"]);
    assert_eq!(said.out, "");
    place
        .call(&["run", "nowhere.toml"])
        .is_refused(1, &["nowhere.toml"]);
    place.call(&["run"]).is_refused(2, &["FILES"]);
}

#[test]
fn what_is_there_is_never_overwritten() {
    let place = Place::new();
    place.write("holds.toml", HEAD);
    for (flag, name) in [
        ("--trace", "t.csv"),
        ("--trace", "t.vcd"),
        ("--plot", "t.svg"),
    ] {
        let call = ["run", "holds.toml", flag, name];
        assert_eq!(place.call(&call).status, Some(0));
        let before = fs::read(place.path(name)).expect("a file");
        assert!(before.len() > 100);
        place.call(&call).is_refused(1, &[name]);
        assert_eq!(fs::read(place.path(name)).expect("a file"), before);
    }
    let swarm = ["run", "--swarm", "3", "--out", "s.csv"];
    assert_eq!(place.call(&swarm).status, Some(0));
    place.call(&swarm).is_refused(1, &["s.csv"]);
    let svg = fs::read_to_string(place.path("t.svg")).expect("a plot");
    assert!(svg.starts_with("<svg") && svg.contains("crank_deg"));
}

#[test]
fn a_trace_is_of_one_run() {
    let place = Place::new();
    place.write("holds.toml", HEAD);
    let twice = ["run", "holds.toml", "--repeat", "2", "--trace", "t.csv"];
    place.call(&twice).is_refused(1, &["one run"]);
    assert!(!place.path("t.csv").exists());
    let swarm = ["run", "--swarm", "3", "--trace", "t.csv"];
    place.call(&swarm).is_refused(1, &["--only"]);
    let wrong = [
        "run",
        "holds.toml",
        "--trace",
        "t.csv",
        "--signals",
        "drive,nothing",
    ];
    place.call(&wrong).is_refused(1, &["nothing", "crank_deg"]);
}

#[test]
fn shares_joined_are_the_swarm() {
    let place = Place::new();
    let digest = |out: &str| {
        let line = out
            .lines()
            .find(|line| line.contains("digest"))
            .expect("a digest");
        line.to_owned()
    };
    let whole = place.call(&["run", "--swarm", "12", "--seed", "4"]);
    for part in ["1/2", "2/2"] {
        let out = format!("{}.csv", &part[..1]);
        let said = place.call(&[
            "run", "--swarm", "12", "--seed", "4", "--share", part, "--out", &out,
        ]);
        said.is_sound();
    }
    let joined = place.call(&["join", "2.csv", "1.csv", "--out", "all.csv"]);
    assert_eq!(digest(&joined.out), digest(&whole.out));
    place
        .call(&["join", "2.csv"])
        .is_refused(1, &["run 0 is missing"]);
    place
        .call(&["run", "--swarm", "12", "--share", "3/2"])
        .is_refused(2, &["3/64"]);
    // One run again is the run of the swarm.
    let only = place.call(&[
        "run", "--swarm", "12", "--seed", "4", "--only", "7", "--json",
    ]);
    let rows = fs::read_to_string(place.path("all.csv")).expect("rows");
    let row = rows.lines().nth(8).expect("a row").to_owned();
    let report: serde_json::Value = serde_json::from_str(&only.out).expect("JSON");
    assert!(
        row.contains(report["digest"].as_str().expect("a digest")),
        "{row}"
    );
}

/// What a swarm holds must not grow with it: 100,000 strokes stay within 300 MB.
#[cfg(target_os = "linux")]
#[test]
fn the_memory_of_a_swarm_is_flat() {
    const STROKES: f64 = 100_000.0;
    const MOST_KIB: f64 = 300.0 * 1024.0;
    let (few, few_kib) = flown("150");
    let (many, many_kib) = flown("1500");
    assert!(many > 5.0 * few, "{many} strokes, {few} before");
    let per_stroke_kib = (many_kib - few_kib).max(0.0) / (many - few);
    let at_last_kib = many_kib + per_stroke_kib * (STROKES - many);
    assert!(
        at_last_kib < MOST_KIB,
        "{few_kib} KiB for {few} strokes, {many_kib} KiB for {many}"
    );
}

/// Strokes of a swarm of so many runs, and the peak of its memory, KiB.
#[cfg(target_os = "linux")]
fn flown(runs: &str) -> (f64, f64) {
    use std::process::{Command, Stdio};
    let mut child = Command::new(env!("CARGO_BIN_EXE_stopwright"))
        .args(["run", "--swarm", runs, "--threads", "2", "--json"])
        .stdout(Stdio::piped())
        .spawn()
        .expect("the command");
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kib = None;
    while child.try_wait().expect("a child").is_none() {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|it| it.strip_prefix("VmHWM:"));
        let kib = line.and_then(|it| it.trim().strip_suffix(" kB")?.parse().ok());
        peak_kib = kib.or(peak_kib);
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let said = child.wait_with_output().expect("an answer").stdout;
    let said: serde_json::Value = serde_json::from_slice(&said).expect("JSON");
    let strokes = said["strokes"].as_f64().expect("strokes");
    (strokes, peak_kib.expect("a peak"))
}

/// Without the feature a file of that ending is refused before anything is played.
#[cfg(not(feature = "parquet"))]
#[test]
fn results_as_parquet_need_the_feature() {
    let place = Place::new();
    let out = ["run", "--swarm", "9", "--out", "s.parquet"];
    let words = ["s.parquet", ".csv", "built with that feature"];
    place.call(&out).is_refused(1, &words);
    assert!(!place.path("s.parquet").exists());
    place.call(&["join", "s.parquet"]).is_refused(1, &words);
    let trace = ["run", "holds.toml", "--trace", "t.parquet"];
    place.write("holds.toml", HEAD);
    place
        .call(&trace)
        .is_refused(1, &["t.parquet", "built with that feature"]);
}
