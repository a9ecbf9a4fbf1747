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
