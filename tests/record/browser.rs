//! The page in a real browser. Needs `node` and Chromium; without them the test says that it was
//! skipped, unless `STOPWRIGHT_NEEDS_BROWSER` is set, as it is in continuous integration.

use crate::fixture;
use std::path::{Path, PathBuf};
use std::process::Command;
use stopwright::record::folder::{self, Contents, IfNotEmpty};

/// Exit status of the script when there is no browser.
const NO_BROWSER: i32 = 77;

#[test]
fn a_browser_opens_every_page_offline_without_complaint() {
    let pages = write_samples(Path::new(env!("CARGO_TARGET_TMPDIR")));
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("record/browser.mjs");
    let run = Command::new("node").arg(script).args(&pages).output();
    let output = match run {
        Ok(output) if output.status.code() != Some(NO_BROWSER) => output,
        Ok(output) => return skipped(&String::from_utf8_lossy(&output.stderr)),
        Err(error) => return skipped(&format!("node could not be started: {error}")),
    };
    let said = String::from_utf8_lossy(&output.stdout);
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}\n{complaint}");
    assert_eq!(
        said.lines().filter(|line| line.starts_with("ok ")).count(),
        pages.len(),
        "{said}"
    );
}

fn skipped(why: &str) {
    let is_needed = std::env::var_os("STOPWRIGHT_NEEDS_BROWSER").is_some();
    assert!(!is_needed, "STOPWRIGHT_NEEDS_BROWSER is set, but: {why}");
    eprintln!("SKIPPED: the page was not opened in a browser: {why}");
}

/// Left in place after the test, for whoever wants to look at them.
fn write_samples(place: &Path) -> Vec<PathBuf> {
    let samples = [
        ("passed", fixture::rehearsal()),
        ("failed", fixture::failed_rehearsal()),
        ("study", fixture::study()),
        ("hostile", fixture::hostile()),
    ];
    let write = |(name, record)| {
        let folder = place.join("record-samples").join(name);
        let traces = fixture::traces(&record, 2);
        let contents = Contents {
            record: &record,
            settings: Some("schema = 1\n"),
            traces: &traces,
        };
        folder::write(&folder, &contents, IfNotEmpty::Replace)
            .unwrap()
            .page
    };
    samples.into_iter().map(write).collect()
}
