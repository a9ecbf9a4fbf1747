//! The files of the project, as text.

use std::fs;
use std::path::{Path, PathBuf};

/// Documents whose every word this test answers for.
pub(crate) const DOCUMENTS: [&str; 11] = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "docs/ARCHITECTURE.md",
    "docs/DESIGN.md",
    "docs/FAULTS.md",
    "docs/GLOSSARY.md",
    "docs/INTEGRATION.md",
    "docs/LIMITS.md",
    "docs/PROTOCOL.md",
    "docs/SCENARIOS.md",
];

pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

#[track_caller]
pub(crate) fn read(name: &str) -> String {
    fs::read_to_string(root().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// True when the documents are to be written anew instead of being compared.
pub(crate) fn is_blessing() -> bool {
    std::env::var_os("STOPWRIGHT_BLESS").is_some_and(|value| value == "1")
}

/// Holds a document against what it should be, or writes it.
#[track_caller]
pub(crate) fn hold(name: &str, wanted: &str) {
    if is_blessing() {
        fs::write(root().join(name), wanted).expect("a document that can be written");
    } else if read(name) != wanted {
        panic!("{name} is out of date; STOPWRIGHT_BLESS=1 writes it anew. It should be:\n{wanted}");
    }
}

/// All Rust sources below a folder.
pub(crate) fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    gather(&root().join(folder), &mut found);
    found
}

fn gather(folder: &Path, found: &mut Vec<(PathBuf, String)>) {
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            gather(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            let text = fs::read_to_string(&path).expect("a source");
            found.push((path, text));
        }
    }
}
