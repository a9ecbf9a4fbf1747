//! One thing, one word: terms that stand for something which has another name here.

use crate::source::{files, root};
use std::fs;

/// What is not said, and what is said instead.
const NOT_SAID: [(&str, &str); 4] = [
    ("cam output", "limit channel"),
    ("limit output", "limit channel"),
    ("warning threshold", "advisory limit"),
    ("fault threshold", "latch limit"),
];

#[test]
fn code_and_documents_use_one_word_for_one_thing() {
    let root = root();
    let mut read = 0;
    for (folder, extension) in [
        ("core/src", "rs"),
        ("sim-host/src", "rs"),
        ("sim-host/presses", "toml"),
        ("docs", "md"),
    ] {
        for file in files(&root.join(folder), extension) {
            let text = fs::read_to_string(&file).expect("text").to_lowercase();
            // A term may be broken over two lines of a comment.
            let words: Vec<&str> = text
                .split_whitespace()
                .filter(|word| !["//", "///", "//!"].contains(word))
                .collect();
            let text = words.join(" ").replace(['_', '-'], " ");
            for (term, instead) in NOT_SAID {
                assert!(
                    !text.contains(term),
                    "{}: {term:?}, say {instead:?}",
                    file.display()
                );
            }
            read += 1;
        }
    }
    assert!(read > 50, "only {read} files read");
}
