//! Links between the documents.

use crate::files::{DOCUMENTS, read, root};

/// Targets of the links of a document: what stands between `](` and `)`.
fn links(text: &str) -> impl Iterator<Item = &str> {
    let opened = text.split("](").skip(1);
    opened.filter_map(|rest| rest.split_once(')').map(|(target, _)| target))
}

#[test]
fn every_link_leads_somewhere() {
    let mut followed = 0;
    for name in DOCUMENTS {
        let folder = root().join(name);
        let folder = folder.parent().expect("a folder");
        let text = read(name);
        for link in links(&text).filter(|link| !link.contains("://")) {
            let (file, place) = link.split_once('#').unwrap_or((link, ""));
            let target = if file.is_empty() {
                root().join(name)
            } else {
                folder.join(file)
            };
            assert!(target.exists(), "{name} links to {link}");
            if !place.is_empty() {
                let text = std::fs::read_to_string(&target).expect("a document");
                assert!(has_heading(&text, place), "{name} links to {link}");
            }
            followed += 1;
        }
    }
    assert!(followed > 20, "only {followed} links were seen");
}

#[test]
fn no_document_and_no_folder_of_tests_is_left_out() {
    let (readme, map) = (read("README.md"), read("docs/ARCHITECTURE.md"));
    let names = |folder: &str| -> Vec<String> {
        let entries = std::fs::read_dir(root().join(folder)).expect("a folder");
        let paths = entries.map(|entry| entry.expect("an entry").path());
        let wanted = paths.filter(|path| match folder {
            "docs" => path.extension().is_some_and(|extension| extension == "md"),
            _ => path.is_dir(),
        });
        let named = wanted.filter_map(|path| Some(path.file_name()?.to_str()?.to_owned()));
        named.map(|name| format!("{folder}/{name}")).collect()
    };
    for document in names("docs") {
        assert!(readme.contains(&format!("]({document})")), "{document}");
    }
    // A folder that begins with a dot or an underscore is a tool's, not ours.
    let is_ours = |name: &String| !name.contains("/.") && !name.contains("/_");
    for folder in names("tests").into_iter().filter(is_ours) {
        assert!(map.contains(&format!("`{folder}`")), "{folder}");
    }
}

fn has_heading(text: &str, place: &str) -> bool {
    let headings = text.lines().filter(|line| line.starts_with('#'));
    headings
        .map(|line| line.trim_start_matches('#').trim())
        .any(|title| anchor(title) == place)
}

/// The anchor that a heading is given.
fn anchor(title: &str) -> String {
    let kept = title.to_lowercase();
    let kept = kept
        .chars()
        .filter(|letter| letter.is_alphanumeric() || " -_".contains(*letter));
    kept.map(|letter| if letter == ' ' { '-' } else { letter })
        .collect()
}
