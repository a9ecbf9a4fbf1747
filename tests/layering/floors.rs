//! The tables of floors at the head of each crate, against the `crate::` paths in its files.

use crate::source::{code, files, names_after, root, used_modules};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

const CRATES: [&str; 2] = ["core", "sim-host"];

fn sources(of: &str) -> PathBuf {
    root().join(of).join("src")
}

/// Module and floor, as the table at the head of `lib.rs` prints them.
fn table(of: &str) -> Vec<(String, usize)> {
    let text = fs::read_to_string(sources(of).join("lib.rs")).expect("lib.rs");
    let mut modules = Vec::new();
    for line in text.lines().filter(|line| line.starts_with("//! | ")) {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let number = cells[1].split(' ').next().and_then(|it| it.parse().ok());
        let Some(floor) = number else { continue };
        let names = cells[2].split('`').skip(1).step_by(2);
        modules.extend(names.map(|name| (name.to_owned(), floor)));
    }
    modules
}

/// The module at the root of the crate that a file belongs to; none for the roots themselves.
fn module_of(file: &Path, of: &str) -> Option<String> {
    let inside = file.strip_prefix(sources(of)).expect("a file of the crate");
    let first = inside.components().next()?.as_os_str().to_str()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (!["lib", "main"].contains(&name)).then(|| name.to_owned())
}

#[test]
fn every_module_stands_on_exactly_one_floor() {
    for of in CRATES {
        let mut listed: Vec<String> = table(of).into_iter().map(|(name, _)| name).collect();
        listed.sort();
        let declared: BTreeSet<String> = code(&sources(of).join("lib.rs"))
            .lines()
            .filter_map(|line| line.strip_prefix("pub mod ").or(line.strip_prefix("mod ")))
            .map(|name| name.trim_end_matches(';').to_owned())
            .collect();
        assert_eq!(listed, declared.into_iter().collect::<Vec<_>>(), "{of}");
    }
}

#[test]
fn floors_are_numbered_from_the_ground_without_a_gap() {
    for of in CRATES {
        let mut floors: Vec<usize> = table(of).into_iter().map(|(_, floor)| floor).collect();
        floors.dedup();
        assert_eq!(floors, (0..floors.len()).collect::<Vec<_>>(), "{of}");
    }
}

#[test]
fn a_module_uses_lower_floors_only() {
    for of in CRATES {
        let floors: BTreeMap<String, usize> = table(of).into_iter().collect();
        let (mut wrong, mut seen) = (BTreeSet::new(), BTreeSet::new());
        for file in files(&sources(of), "rs") {
            let Some(module) = module_of(&file, of) else {
                continue;
            };
            for used in used_modules(&code(&file)) {
                if used == module {
                    continue;
                }
                let here = floors[&module];
                if floors.get(&used).is_none_or(|&there| there >= here) {
                    wrong.insert(format!("{module} (floor {here}) uses {used}"));
                }
                seen.insert((module.clone(), used));
            }
        }
        assert!(wrong.is_empty(), "{of}: {wrong:#?}");
        // A reader of files that reads nothing would find nothing wrong either.
        assert!(seen.len() > floors.len(), "{of}: only {seen:?}");
    }
}

/// `super` reaches other modules past the eyes of the test above: from a file at the root it is
/// the crate, and twice `super` may be.
#[test]
fn other_modules_are_named_by_their_whole_path() {
    for of in CRATES {
        for file in files(&sources(of), "rs") {
            let (code, name) = (code(&file), file.display());
            assert!(!code.contains("super::super"), "{name}");
            let is_at_root = file.parent() == Some(&sources(of));
            let by_super = code.lines().find(|line| {
                let line = line.trim_start_matches("pub ");
                line.starts_with("use super::")
            });
            assert!(!is_at_root || by_super.is_none(), "{name}: {by_super:?}");
        }
    }
}

/// Folders of modules below the roots of the crates.
fn folders(of: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(of).expect("a folder");
    let below = entries.map(|entry| entry.expect("an entry").path());
    below
        .filter(|path| path.is_dir())
        .flat_map(|path| [vec![path.clone()], folders(&path)].concat())
        .collect()
}

/// Every module of a folder with the modules beside it that it names: by `super` in its own file,
/// by the whole path from anywhere inside it.
fn named_beside(folder: &Path, of: &str) -> BTreeMap<String, BTreeSet<String>> {
    let inside = folder.strip_prefix(sources(of)).expect("a folder inside");
    let steps = inside.components();
    let path: String = steps
        .map(|step| format!("{}::", step.as_os_str().to_string_lossy()))
        .collect();
    let entries = fs::read_dir(folder).expect("a folder");
    let heads = entries.map(|entry| entry.expect("an entry").path());
    heads
        .filter(|head| head.extension().is_some_and(|it| it == "rs"))
        .map(|head| {
            let mut named = names_after(&code(&head), "super::");
            let below = head.with_extension("");
            let parts = if below.is_dir() {
                files(&below, "rs")
            } else {
                Vec::new()
            };
            for part in parts.iter().chain([&head]) {
                named.extend(names_after(&code(part), &format!("crate::{path}")));
            }
            let name = head.file_stem().expect("a name").to_string_lossy();
            (name.into_owned(), named)
        })
        .collect()
}

#[test]
fn no_two_modules_of_a_folder_name_each_other() {
    for of in CRATES {
        let (mut circles, mut pairs) = (Vec::new(), 0);
        for folder in folders(&sources(of)) {
            let named = named_beside(&folder, of);
            for (one, uses) in &named {
                for other in uses.iter().filter(|other| *other != one) {
                    let Some(back) = named.get(other) else {
                        continue;
                    };
                    pairs += 1;
                    if back.contains(one) {
                        circles.push(format!("{}: {one} and {other}", folder.display()));
                    }
                }
            }
        }
        assert!(circles.is_empty(), "{of}: {circles:#?}");
        // A reader that sees no module beside another would find no circle either.
        assert!(pairs > 0, "{of}: only {pairs}");
    }
}
