//! The last pages: what is open, the files, the lines to sign.

use super::part::{cell, list, table, words};
use crate::record::model::Record;
use maud::{Markup, html};

pub(super) fn open_points(record: &Record) -> Markup {
    html! {
        @if record.open_points.is_empty() {
            p { "None was noted. That is not the same as none." }
        } @else {
            (list(&record.open_points))
        }
    }
}

pub(super) fn files(record: &Record, data_sha256: &str) -> Markup {
    let row = |file: &str, sha256: &str| {
        vec![
            html! { code { (file) } },
            html! { code class="digest" { (sha256) } },
        ]
    };
    let rows: Vec<_> = [row("record.json", data_sha256)]
        .into_iter()
        .chain(record.files.iter().map(|f| row(&f.file, &f.sha256)))
        .collect();
    html! {
        p {
            "The digests tie this page to the data. Change one sample of one trace and they no \
            longer fit: " code { "sha256sum -c SHA256SUMS" } " in the folder of the record says \
            which file differs. The digest of " code { "traces" } " is that of its lines in the list."
        }
        (table("Digests", &[words("File"), words("SHA-256")], &rows))
    }
}

pub(super) fn sign_off(record: &Record) -> Markup {
    let blank = || cell("");
    let rows: Vec<_> = record
        .sign_off
        .iter()
        .map(|line| {
            let role = html! { b { (line.role) } br; (line.statement) };
            vec![role, blank(), blank(), blank(), blank()]
        })
        .collect();
    let columns = [
        words("Role"),
        words("Name"),
        words("Date"),
        words("Licence or card no."),
        words("Signature"),
    ];
    html! {
        p { "To be filled in by hand, on paper. Without signatures this is a draft." }
        div class="sign-off" { (table("Signatures", &columns, &rows)) }
    }
}

pub(super) fn footer(record: &Record) -> Markup {
    html! {
        p {
            "Written by " (record.tool.name) " " (record.tool.version) ", layout "
            (record.schema) " of the record."
        }
    }
}
