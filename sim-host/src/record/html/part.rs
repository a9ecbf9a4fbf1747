//! Small parts of the page: tables, figures, marks, numbers.

use crate::record::numbers::{near, plain};
use crate::record::plots::Figure;
use maud::{Markup, html};

/// Head of a column.
#[derive(Clone, Copy)]
pub(super) struct Column {
    name: &'static str,
    is_number: bool,
}

/// A column of words.
pub(super) const fn words(name: &'static str) -> Column {
    Column {
        name,
        is_number: false,
    }
}

/// A column of numbers, set to the right.
pub(super) const fn numbers(name: &'static str) -> Column {
    Column {
        name,
        is_number: true,
    }
}

/// A table with a caption; wider than a phone, it scrolls by itself. The first column names the
/// row.
pub(super) fn table(caption: &str, columns: &[Column], rows: &[Vec<Markup>]) -> Markup {
    html! {
        div class=(shape(columns, rows)) {
            table {
                caption { (caption) }
                thead { tr {
                    @for (index, column) in columns.iter().enumerate() {
                        th scope="col" class=[class(*column).filter(|_| index > 0)] { (column.name) }
                    }
                } }
                tbody { @for row in rows { (table_row(columns, row)) } }
            }
        }
    }
}

/// Many columns scroll on a phone; few rows stay together on paper.
fn shape(columns: &[Column], rows: &[Vec<Markup>]) -> &'static str {
    match (columns.len() > 5, rows.len() <= 8) {
        (true, true) => "table many whole",
        (true, false) => "table many",
        (false, true) => "table whole",
        (false, false) => "table",
    }
}

fn table_row(columns: &[Column], row: &[Markup]) -> Markup {
    html! {
        tr {
            @for (index, (column, cell)) in columns.iter().zip(row).enumerate() {
                @if index == 0 {
                    th scope="row" { (cell) }
                } @else {
                    td class=[class(*column)] { (cell) }
                }
            }
        }
    }
}

fn class(column: Column) -> Option<&'static str> {
    column.is_number.then_some("number")
}

/// A drawing with its caption.
pub(super) fn figure(figure: &Figure) -> Markup {
    html! {
        figure id=(figure.id) {
            (figure.svg)
            figcaption { strong { (figure.title) "." } " " (figure.caption) }
        }
    }
}

/// Passed or not, in words first.
pub(super) fn mark(pass: bool) -> Markup {
    if pass {
        html! { span class="pass" { "pass" } }
    } else {
        html! { strong class="fail" { "FAIL" } }
    }
}

/// What a study does not have, or a rehearsal left out.
pub(super) fn absent(what: &str) -> Markup {
    html! { p class="absent" { "Not in this record: " (what) "." } }
}

/// A list, or nothing.
pub(super) fn list(items: &[String]) -> Markup {
    html! { @if !items.is_empty() { ul { @for item in items { li { (item) } } } } }
}

/// A number made by [`crate::record::numbers`], with a proper minus sign.
pub(super) fn number(text: String) -> Markup {
    html! { (text.replace('-', "\u{2212}")) }
}

/// To the nearest.
pub(super) fn about(value: f64, decimals: usize) -> Markup {
    number(near(value, decimals))
}

/// A number that may be unknown.
pub(super) fn known(value: Option<f64>, show: impl Fn(f64) -> String) -> Markup {
    value.map_or_else(
        || html! { span class="unknown" { "–" } },
        |v| number(show(v)),
    )
}

/// A share as per cent.
pub(super) fn percent(ratio: f64, decimals: usize) -> String {
    format!("{} %", plain(ratio * 100.0, decimals))
}

/// A short name that must not be broken at its hyphens.
pub(super) fn name(text: &str) -> Markup {
    html! { span class="name" { (text) } }
}

/// A text as a cell.
pub(super) fn cell(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}
