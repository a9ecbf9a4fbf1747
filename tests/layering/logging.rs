//! Every public type of the core can be logged: the feature `defmt` derives it, or writes it out.

use crate::source::{code, files, root};

/// The types that this code declares for others to see, and whether each can be logged.
fn public_types(code: &str) -> Vec<(String, bool)> {
    let mut types = Vec::new();
    let mut is_derived = false;
    for line in code.lines().map(str::trim) {
        if line.starts_with("#[") {
            is_derived |= line.contains("feature = \"defmt\", derive(defmt::Format)");
            continue;
        }
        let declared = ["pub struct ", "pub enum ", "pub union "]
            .iter()
            .find_map(|kind| line.strip_prefix(kind));
        if let Some(rest) = declared {
            let ends = |c: char| !c.is_alphanumeric() && c != '_';
            let name = rest.split(ends).next().unwrap_or_default().to_owned();
            let is_written = code.lines().any(|line| {
                line.split_once("defmt::Format for ")
                    .is_some_and(|(_, of)| of.split(ends).next() == Some(&name))
            });
            types.push((name, is_derived || is_written));
        }
        is_derived = false;
    }
    types
}

#[test]
fn every_public_type_of_the_core_can_be_logged() {
    let (mut seen, mut silent) = (0, Vec::new());
    for file in files(&root().join("core/src"), "rs") {
        for (name, is_logged) in public_types(&code(&file)) {
            seen += 1;
            if !is_logged {
                silent.push(format!("{}: {name}", file.display()));
            }
        }
    }
    assert!(silent.is_empty(), "{silent:#?}");
    // A reader that sees no type would find none silent.
    assert!(seen > 100, "only {seen}");
}

#[test]
fn a_type_that_can_not_be_logged_is_seen() {
    let code = "#[derive(Debug)]\n#[cfg_attr(feature = \"defmt\", derive(defmt::Format))]\n\
                pub struct Told(u8);\n#[derive(Debug)]\npub enum Silent {\n    A,\n}\n\
                pub struct Written<T>(T);\nimpl<T> defmt::Format for Written<T> {}\n\
                pub struct Writ;\npub(crate) struct Inner;";
    let seen = public_types(code);
    let seen: Vec<(&str, bool)> = seen.iter().map(|(name, told)| (&name[..], *told)).collect();
    let expected = [
        ("Told", true),
        ("Silent", false),
        ("Written", true),
        ("Writ", false),
    ];
    assert_eq!(seen, expected);
}
