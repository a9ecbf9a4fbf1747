//! `record.html`: the record for people.
//!
//! One file that needs nothing else: style and drawings stand in it, there is no script, and a
//! content security policy forbids the browser to fetch anything, should a name from a press file
//! try. It reads from the answer to the evidence: verdict and cautions first, then what was
//! measured, then what was decided, then what is left open. On paper it is black on white, with
//! table heads repeated and figures kept whole.
//!
//! A part that a study cannot have keeps its heading and says that it is missing.

mod back;
mod decisions;
mod front;
mod part;
mod proof;
mod sensor;
mod stops;

use super::model::{Record, Source};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("html/record.css");
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; \
                      base-uri 'none'; form-action 'none'";

/// The whole page. `data_sha256` is the digest of `record.json`, printed so that a signature on
/// paper is tied to the data.
pub fn page(record: &Record, data_sha256: &str) -> String {
    let title = format!("{}: {}", kind(record), record.press.name);
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light";
                title { (title) }
                link rel="icon" href="data:,";
                style { (PreEscaped(STYLE)) (PreEscaped(page_foot(record, data_sha256))) }
            }
            body { (body(record, data_sha256)) }
        }
    };
    page.into_string()
}

fn kind(record: &Record) -> &'static str {
    match record.source {
        Source::Rehearsal { .. } => "Commissioning record",
        Source::Study { .. } => "Study of recorded stops",
    }
}

fn body(record: &Record, data_sha256: &str) -> Markup {
    let sections = sections(record, data_sha256);
    html! {
        (front::heading(record, kind(record)))
        main {
            @for (index, section) in sections.iter().enumerate() {
                section id=(section.id) aria-labelledby=(format!("{}-heading", section.id)) {
                    h2 id=(format!("{}-heading", section.id)) {
                        span class="number" { (index + 1) } " " (section.title)
                    }
                    (section.body)
                }
                // After the answer, because that is what people open the page for.
                @if index == 0 { (contents(&sections)) }
            }
        }
        footer { (back::footer(record)) }
    }
}

fn contents(sections: &[Section]) -> Markup {
    html! {
        nav aria-label="Contents" {
            ol {
                @for section in sections {
                    li { a href=(format!("#{}", section.id)) { (section.title) } }
                }
            }
        }
    }
}

struct Section {
    id: &'static str,
    title: &'static str,
    body: Markup,
}

fn sections(record: &Record, data_sha256: &str) -> Vec<Section> {
    let section = |id, title, body| Section { id, title, body };
    vec![
        section("verdict", "Verdict", front::verdict(record)),
        section("cautions", "Cautions", front::cautions(record)),
        section("press", "Press and source", front::press(record)),
        section("sensor", "Sensor", sensor::signal(record)),
        section(
            "zero",
            "Zero and direction",
            sensor::zero_and_direction(record),
        ),
        section("stops", "Stops", stops::stops(record)),
        section("limits", "Limits", decisions::limits(record)),
        section("top-stop", "Top stop", decisions::top_stop(record)),
        section(
            "distances",
            "Safety distances",
            decisions::distances(record),
        ),
        section(
            "drills",
            "Drills and function checks",
            proof::drills_and_checks(record),
        ),
        section("open", "Open points", back::open_points(record)),
        section("files", "Files", back::files(record, data_sha256)),
        section("sign-off", "Signatures", back::sign_off(record)),
        section("every-stop", "Every stop", stops::every_stop(record)),
    ]
}

/// On paper each page says which record it belongs to.
fn page_foot(record: &Record, data_sha256: &str) -> String {
    let plain = |c: &char| c.is_alphanumeric() || " -.,".contains(*c);
    let name: String = record.press.name.chars().filter(plain).take(40).collect();
    let digest: String = data_sha256
        .chars()
        .filter(char::is_ascii_hexdigit)
        .take(12)
        .collect();
    format!("@page{{@bottom-left{{font:8pt sans-serif;content:\"{name} · record {digest}\"}}}}")
}
