//! Quoted sessions. A block marked `console` holds commands after `$` and what they print:
//!
//! - standard output is quoted whole, or its head and tail with one `…` between them;
//! - lines that begin with `CAUTION` or `warning:` stand for some of the error output;
//! - `$ echo $?` asks for the exit status of the command before it.
//!
//! The commands are run, in an order and a folder of their own for each document.

use crate::files::{DOCUMENTS, hold, read, root};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const PROGRAM: &str = "cargo run --release -p stopwright --";
const OMITTED: &str = "…";

/// What a command said and how it ended.
struct Answer {
    out: Vec<String>,
    err: Vec<String>,
    status: Option<i32>,
}

#[test]
fn commands_print_what_the_documents_quote() {
    let mut quoted = 0;
    for name in DOCUMENTS {
        let text = read(name);
        if text.contains("```console") {
            hold(name, &replayed(&text, &mut quoted));
        }
    }
    assert!(quoted >= 6, "only {quoted} commands are quoted");
}

/// The document with every quoted output as it really is.
fn replayed(text: &str, quoted: &mut usize) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    copy_files(folder.path());
    let mut replayed = String::new();
    let mut lines = text.lines().peekable();
    let mut is_console = false;
    let mut last: Option<Answer> = None;
    while let Some(line) = lines.next() {
        replayed.push_str(line);
        replayed.push('\n');
        is_console = match line {
            "```console" => true,
            "```" => false,
            _ => is_console,
        };
        let Some(command) = line.strip_prefix("$ ").filter(|_| is_console) else {
            continue;
        };
        let mut expected = Vec::new();
        while let Some(line) = lines.next_if(|line| !line.starts_with("$ ") && *line != "```") {
            expected.push(line);
        }
        let actual = if command == "echo $?" {
            let status = last.take().and_then(|answer| answer.status);
            vec![status.expect("an exit status to ask for").to_string()]
        } else {
            let answer = run(command, folder.path());
            *quoted += 1;
            let shown = trimmed(&answer, &expected);
            last = Some(answer);
            shown
        };
        for line in actual {
            replayed.push_str(&line);
            replayed.push('\n');
        }
    }
    replayed
}

/// The answer, quoted in the way `expected` quotes it.
fn trimmed(answer: &Answer, expected: &[&str]) -> Vec<String> {
    let is_error = |line: &&str| line.starts_with("CAUTION") || line.starts_with("warning:");
    let complaints = expected.iter().copied().filter(is_error);
    let mut shown: Vec<String> = complaints
        .map(|line| match answer.err.iter().any(|said| said == line) {
            true => line.to_owned(),
            false => format!("(not said any more) {line}"),
        })
        .collect();
    let rest: Vec<&str> = expected
        .iter()
        .copied()
        .filter(|line| !is_error(line))
        .collect();
    match rest.iter().position(|line| *line == OMITTED) {
        None => shown.extend(answer.out.iter().cloned()),
        Some(head) => {
            let tail = answer.out.len().saturating_sub(rest.len() - head - 1);
            shown.extend(answer.out.iter().take(head).cloned());
            shown.push(OMITTED.to_owned());
            shown.extend(answer.out.iter().skip(tail.max(head)).cloned());
        }
    }
    shown
}

fn run(command: &str, folder: &Path) -> Answer {
    let arguments = command
        .strip_prefix(PROGRAM)
        .unwrap_or_else(|| panic!("cannot be run here: {command}"));
    let arguments = arguments
        .split_whitespace()
        .flat_map(|word| expanded(word, folder));
    let output = Command::new(env!("CARGO_BIN_EXE_stopwright"))
        .args(arguments)
        .current_dir(folder)
        .output()
        .expect("the command runs");
    let lines = |bytes: &[u8]| -> Vec<String> {
        let text = String::from_utf8_lossy(bytes);
        let lines = text.trim_end().lines();
        lines.map(|line| line.trim_end().to_owned()).collect()
    };
    Answer {
        out: lines(&output.stdout),
        err: lines(&output.stderr),
        status: output.status.code(),
    }
}

/// A word with `*` in its last part becomes the files it stands for, as in a shell.
fn expanded(word: &str, folder: &Path) -> Vec<String> {
    let Some((place, (head, tail))) = word
        .rsplit_once('/')
        .and_then(|(place, name)| Some((place, name.split_once('*')?)))
    else {
        return vec![word.to_owned()];
    };
    let mut found: Vec<String> = files_in(&folder.join(place))
        .iter()
        .filter_map(|path| path.file_name()?.to_str())
        .filter(|name| name.starts_with(head) && name.ends_with(tail))
        .map(|name| format!("{place}/{name}"))
        .collect();
    found.sort();
    found
}

fn copy_files(folder: &Path) {
    for place in ["tests/data/recordings", "sim-host/scenarios"] {
        fs::create_dir_all(folder.join(place)).expect("a folder");
        for path in files_in(&root().join(place)) {
            let name = path.file_name().expect("a name");
            fs::copy(&path, folder.join(place).join(name)).expect("a copy");
        }
    }
}

fn files_in(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("a folder");
    entries
        .map(|entry| entry.expect("an entry").path())
        .collect()
}

#[test]
fn a_changed_line_does_not_pass() {
    let answer = Answer {
        out: ["a", "b", "c", "d"].map(str::to_owned).to_vec(),
        err: vec!["CAUTION x".to_owned()],
        status: Some(0),
    };
    let holds = |expected: &[&str]| trimmed(&answer, expected) == expected;
    assert!(holds(&["a", "b", "c", "d"]));
    assert!(holds(&["CAUTION x", "a", OMITTED, "d"]));
    assert!(!holds(&["a", "b", "c"]));
    assert!(!holds(&["a", OMITTED, "c"]));
    assert!(!holds(&["b", OMITTED, "d"]));
    assert!(!holds(&["CAUTION y", "a", "b", "c", "d"]));
}
