//! Names in the documents: modules on the map, terms of the glossary, numbers and where they stand.

use crate::files::{DOCUMENTS, hold, read, root, sources};
use std::fmt::Write;

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

/// The floors of one package, from the table at the head of its library and the openings of its
/// modules.
fn floors(package: &str) -> String {
    let library = read(&format!("{package}/src/lib.rs"));
    let mut table = "| floor | module | what it is |\n| --- | --- | --- |\n".to_owned();
    for row in library.lines().filter(|line| line.starts_with("//! | ")) {
        let floor = row.split('|').nth(1).unwrap_or("").trim();
        for module in quoted(row) {
            let source = read(&format!("{package}/src/{module}.rs"));
            let file = format!("../{package}/src/{module}.rs");
            let what = first_sentence(&source);
            writeln!(table, "| {floor} | [`{module}`]({file}) | {what} |").expect("text");
        }
    }
    table
}

/// The first sentence of a module's opening.
fn first_sentence(source: &str) -> String {
    let opening = source.lines().map_while(|line| line.strip_prefix("//!"));
    let paragraph: Vec<&str> = opening
        .map(str::trim)
        .take_while(|line| !line.is_empty())
        .collect();
    let text = paragraph.join(" ").replace(['[', ']'], "");
    let end = text.find(". ").map_or(text.len(), |at| at + 1);
    text[..end].to_owned()
}

#[test]
fn the_map_has_the_floors_and_openings_of_the_code() {
    let page = "docs/ARCHITECTURE.md";
    let mut map = read(page);
    for (title, package) in [
        ("## Floors of the core\n", "core"),
        ("## Floors of the host\n", "sim-host"),
    ] {
        let (before, rest) = map.split_once(title).expect("the part of the map");
        let (_, after) = rest.split_once("\n## ").expect("another part after it");
        map = format!("{before}{title}\n{}\n## {after}", floors(package));
    }
    hold(page, &map);
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
            // In the module itself, or in one inside it that it shows on.
            let place = format!("src/{}", module.replace("::", "/"));
            let is_there = code.iter().any(|(file, text)| {
                let file = file.with_extension("").to_string_lossy().replace('\\', "/");
                let is_inside = file.ends_with(&place) || file.contains(&format!("{place}/"));
                is_inside && declares(text, item)
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
