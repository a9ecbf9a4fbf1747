//! `docs/STROKE.md`: the diagram and the tables are drawn by walking the core's own transition
//! function, so that the page can not say anything else than the code.

mod drawn;
mod words;

use std::fmt::Write;
use std::fs;
use std::path::Path;

/// What stands before the drawn part.
const OPENING: &str = include_str!("page/opening.md");
/// What stands after it.
const CLOSING: &str = include_str!("page/closing.md");

#[test]
fn the_stroke_page_is_drawn_from_the_transition_function() {
    let mut page = OPENING.to_owned();
    let mut part = |title: &str, text: String| {
        write!(page, "\n## {title}\n\n{text}").expect("text");
    };
    part("The states", words::legend());
    part("The diagram", drawn::diagram());
    part("State and event", drawn::tables());
    part("What decides", drawn::deciders());
    part("At rest", drawn::rests());
    page.push('\n');
    page.push_str(CLOSING);
    hold("docs/STROKE.md", &page);
}

/// Holds a document against what it should be; with `STOPWRIGHT_BLESS=1`, writes it.
fn hold(name: &str, wanted: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name);
    if std::env::var_os("STOPWRIGHT_BLESS").is_some_and(|value| value == "1") {
        fs::write(path, wanted).expect("a document that can be written");
    } else {
        let present = fs::read_to_string(path).unwrap_or_default();
        assert!(
            present == wanted,
            "{name} is out of date; STOPWRIGHT_BLESS=1 writes it anew"
        );
    }
}
