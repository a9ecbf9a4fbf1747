//! Source files as text, and the module names they use.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// The root of the workspace.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// All files below `folder` with this extension, in order.
pub(crate) fn files(folder: &Path, extension: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).expect("a folder") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.extend(files(&path, extension));
        } else if path.extension().is_some_and(|it| it == extension) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// A file without its comment lines.
pub(crate) fn code(file: &Path) -> String {
    let text = fs::read_to_string(file).expect("a source file");
    let lines = text
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"));
    lines.collect::<Vec<_>>().join("\n")
}

/// The modules at the root of the crate that this code names by `crate::`, in a `use` or inside an
/// expression.
pub(crate) fn used_modules(code: &str) -> BTreeSet<String> {
    names_after(code, "crate::")
}

/// The names that directly follow a path in this code.
pub(crate) fn names_after(code: &str, path: &str) -> BTreeSet<String> {
    code.split(path)
        .skip(1)
        .flat_map(|after| match after.strip_prefix('{') {
            Some(group) => names_of_group(group),
            None => vec![leading_name(after)],
        })
        .filter(|name| !name.is_empty())
        .collect()
}

fn leading_name(text: &str) -> String {
    text.chars()
        .take_while(|c| c.is_alphanumeric() || *c == '_')
        .collect()
}

/// `a, b::{c, d}}` names a and b.
fn names_of_group(group: &str) -> Vec<String> {
    let (mut depth, mut outer) = (1, String::new());
    for c in group.chars() {
        match c {
            '{' => depth += 1,
            '}' => depth -= 1,
            _ if depth == 1 => outer.push(c),
            _ => {}
        }
        if depth == 0 {
            break;
        }
    }
    outer
        .split(',')
        .map(|name| leading_name(name.trim()))
        .collect()
}

#[test]
fn every_form_of_naming_a_module_is_seen() {
    let code = "use crate::alpha;\nuse crate::{beta, gamma::{One, Two},\n    delta::*};\n\
                let x: crate::epsilon::X = crate::zeta(1);";
    let seen: Vec<String> = used_modules(code).into_iter().collect();
    assert_eq!(seen, ["alpha", "beta", "delta", "epsilon", "gamma", "zeta"]);
}
