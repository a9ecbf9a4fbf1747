//! Calls of the built command.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use tempfile::TempDir;

/// What a call left behind.
#[derive(Debug)]
pub(crate) struct Said {
    pub(crate) status: Option<i32>,
    pub(crate) out: String,
    pub(crate) err: String,
}

impl Said {
    /// The call ended by itself, with a status of the documents, and without a panic.
    #[track_caller]
    pub(crate) fn is_sound(&self) -> &Self {
        assert!(matches!(self.status, Some(0..=4)), "{self:?}");
        assert!(!self.err.contains("panicked"), "{self:?}");
        self
    }

    /// This status, and each of these words in what was printed as an error.
    #[track_caller]
    pub(crate) fn is_refused(&self, status: i32, words: &[&str]) {
        self.is_sound();
        assert_eq!(self.status, Some(status), "{self:?}");
        for word in words {
            assert!(self.err.contains(word), "{word:?} is not in\n{}", self.err);
        }
    }
}

/// A folder to work in, gone afterwards.
pub(crate) struct Place(TempDir);

impl Place {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().expect("a folder"))
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("a folder");
        std::fs::write(path, text).expect("a file");
    }

    /// Calls the command in this folder.
    pub(crate) fn call<A: AsRef<OsStr>>(&self, arguments: &[A]) -> Said {
        let output = Command::new(env!("CARGO_BIN_EXE_stopwright"))
            .current_dir(self.0.path())
            .args(arguments)
            .stdin(Stdio::null())
            .output()
            .expect("the command starts");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        Said {
            status: output.status.code(),
            out: text(&output.stdout),
            err: text(&output.stderr),
        }
    }
}

/// All files below a folder with their bytes, in order.
pub(crate) fn files(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            let bytes = std::fs::read(&path).expect("a file");
            found.push((path, bytes));
        }
    }
    found.sort();
    found
}
