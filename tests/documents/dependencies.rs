//! Dependencies: each one used, each one with its reason in `docs/DESIGN.md`.

use crate::files::{read, root, sources};

/// Names of the dependencies of the workspace, without our own packages.
fn dependencies() -> Vec<String> {
    let manifest: toml::Table = read("Cargo.toml").parse().expect("a manifest");
    let table = &manifest["workspace"]["dependencies"];
    let table = table.as_table().expect("a table");
    let names = table.keys().filter(|name| !name.starts_with("stopwright"));
    names.cloned().collect()
}

#[test]
fn every_dependency_has_its_reason() {
    let design = read("docs/DESIGN.md");
    let rows: Vec<&str> = design
        .lines()
        .filter(|line| line.starts_with("| `"))
        .collect();
    for name in dependencies() {
        let start = format!("| `{name}` |");
        let row = rows.iter().find(|row| row.starts_with(&start));
        let row = row.unwrap_or_else(|| panic!("docs/DESIGN.md gives no reason for {name}"));
        let has_reason = row
            .split('|')
            .all(|cell| !cell.trim().is_empty() || cell.is_empty());
        assert!(has_reason, "{row}");
    }
}

#[test]
fn every_package_uses_what_it_depends_on() {
    for (package, places) in [
        ("core", vec!["core/src"]),
        (
            "sim-host",
            vec!["sim-host/src", "tests/documents", "tests/command"],
        ),
        ("tests", vec!["tests"]),
    ] {
        let manifest: toml::Table = read(&format!("{package}/Cargo.toml"))
            .parse()
            .expect("a manifest");
        let mut sources: Vec<_> = places.iter().flat_map(|place| sources(place)).collect();
        if package == "tests" {
            // These belong to the command's package.
            let of_command = ["tests/documents", "tests/command"].map(|place| root().join(place));
            sources.retain(|(path, _)| !of_command.iter().any(|place| path.starts_with(place)));
        }
        for kind in ["dependencies", "dev-dependencies"] {
            let table = manifest.get(kind).and_then(toml::Value::as_table);
            for name in table.into_iter().flat_map(toml::Table::keys) {
                let word = name.replace('-', "_");
                let is_used = |text: &str| {
                    text.contains(&format!("{word}::")) || text.contains(&format!("use {word};"))
                };
                let used = sources.iter().any(|(_, text)| is_used(text));
                assert!(used, "{package} does not use {name}");
            }
        }
    }
}
