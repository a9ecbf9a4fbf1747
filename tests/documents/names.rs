//! Names in the documents: modules on the map, terms of the glossary, numbers and where they stand.

use crate::files::{DOCUMENTS, read, root, sources};
use std::collections::BTreeSet;

/// The words between backticks, outside of quoted blocks.
fn quoted(text: &str) -> Vec<String> {
    let mut is_block = false;
    let mut words = Vec::new();
    for line in text.lines() {
        is_block ^= line.starts_with("```");
        if !is_block {
            words.extend(line.split('`').skip(1).step_by(2).map(str::to_owned));
        }
    }
    words
}

/// Modules that a library makes public.
fn modules(lib: &str) -> BTreeSet<String> {
    let declared = lib.lines().filter_map(|line| line.strip_prefix("pub mod "));
    declared
        .map(|name| name.trim_end_matches(';').to_owned())
        .collect()
}

/// Modules named in the floors of one part of the map.
fn floors(map: &str, title: &str) -> BTreeSet<String> {
    let (_, part) = map.split_once(title).expect("the part of the map");
    let part = part.split("\n## ").next().unwrap_or(part);
    let rows = part.lines().filter(|line| line.starts_with("| "));
    rows.flat_map(|row| quoted(row.split('|').nth(2).unwrap_or("")))
        .collect()
}

#[test]
fn every_module_is_on_the_map_and_no_other() {
    let map = read("docs/ARCHITECTURE.md");
    for (title, library) in [
        ("## Floors of the core", "core/src/lib.rs"),
        ("## Floors of the host", "sim-host/src/lib.rs"),
    ] {
        assert_eq!(floors(&map, title), modules(&read(library)), "{library}");
    }
}

#[test]
fn every_file_that_is_named_exists() {
    for name in DOCUMENTS {
        for word in quoted(&read(name)) {
            let is_file = ["core/", "sim-host/", "tests/", "docs/", ".ci/"]
                .iter()
                .any(|start| word.starts_with(start));
            if is_file && !word.contains(['*', '<', ' ']) {
                assert!(root().join(&word).exists(), "{name} names {word}");
            }
        }
    }
}

#[test]
fn every_term_of_the_glossary_has_a_type_that_exists() {
    let glossary = read("docs/GLOSSARY.md");
    let mut code = sources("core/src");
    code.extend(sources("sim-host/src"));
    let mut terms = 0;
    for row in glossary.lines().filter(|line| line.starts_with("| ")) {
        for path in quoted(row.split('|').nth(3).unwrap_or("")) {
            let (module, item) = path.rsplit_once("::").unwrap_or((&path, ""));
            let is_there = code.iter().any(|(file, text)| {
                let file = file.with_extension("").to_string_lossy().replace('\\', "/");
                file.ends_with(&format!("src/{}", module.replace("::", "/")))
                    && declares(text, item)
            });
            assert!(is_there, "{path} does not exist: {row}");
            terms += 1;
        }
    }
    assert!(terms > 30, "only {terms} names were seen");
}

fn declares(text: &str, item: &str) -> bool {
    let kinds = ["struct", "enum", "fn", "const fn", "const", "trait", "type"];
    let ends = |rest: &str| !rest.starts_with(|next: char| next.is_alphanumeric() || next == '_');
    item.is_empty()
        || kinds.iter().any(|kind| {
            let declaration = format!("pub {kind} {item}");
            text.match_indices(&declaration)
                .any(|(at, _)| ends(&text[at + declaration.len()..]))
        })
        // A variant, such as a fault or a rule.
        || text.lines().any(|line| {
            line.trim()
                .strip_prefix(item)
                .is_some_and(|rest| rest.starts_with([',', ' ', '{', '(']))
        })
}

#[test]
fn every_number_stands_where_the_documents_say() {
    let mut numbers = 0;
    for name in ["docs/DESIGN.md", "docs/LIMITS.md"] {
        let text = read(name);
        let Some((_, table)) = text.split_once("## Where the numbers stand") else {
            panic!("{name} does not say where its numbers stand");
        };
        for row in table.lines().filter(|line| line.starts_with("| ")).skip(2) {
            let words = quoted(row);
            let [file, written] = words.as_slice() else {
                panic!("{name}: a file and what it says, please: {row}");
            };
            assert!(read(file).contains(written.as_str()), "{name}: {row}");
            numbers += 1;
        }
    }
    assert!(numbers >= 10, "only {numbers} numbers were seen");
}
