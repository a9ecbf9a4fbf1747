//! `docs/INTEGRATION.md` has each input and output of the controller exactly once.

use crate::files::read;

const PAGE: &str = "docs/INTEGRATION.md";

/// Names of the public fields of a structure, in their order.
fn fields(file: &str, structure: &str) -> Vec<String> {
    let source = read(file);
    let opening = format!("pub struct {structure}");
    let (_, rest) = source.split_once(&opening).expect("the structure");
    let (body, _) = rest.split_once("\n}").expect("its end");
    let named = body
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pub "));
    let names = named.filter_map(|field| field.split_once(':'));
    names.map(|(name, _)| name.to_owned()).collect()
}

/// First cells of the table under a heading.
fn rows(page: &str, heading: &str) -> Vec<String> {
    let opening = format!("\n## {heading}\n");
    let (_, rest) = page.split_once(&opening).expect("the heading");
    let part = rest.split("\n## ").next().unwrap_or("");
    let rows = part.lines().filter_map(|line| line.strip_prefix("| `"));
    let names = rows.filter_map(|row| row.split_once('`'));
    names.map(|(name, _)| name.to_owned()).collect()
}

#[test]
fn every_input_and_output_of_the_controller_has_its_row() {
    let page = read(PAGE);
    for (heading, file, structure, least) in [
        ("Inputs", "core/src/controller/inputs.rs", "Inputs<'a>", 20),
        ("Outputs", "core/src/controller/outputs.rs", "Outputs", 15),
    ] {
        let fields = fields(file, structure);
        assert!(
            fields.len() >= least,
            "{structure}: only {fields:?} were seen"
        );
        assert_eq!(rows(&page, heading), fields, "{PAGE}, {heading}");
    }
}

#[test]
fn every_row_says_what_its_columns_ask_for() {
    for row in read(PAGE).lines().filter(|line| line.starts_with("| `")) {
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        assert!(matches!(cells.len(), 2 | 5), "{row}");
        assert!(cells.iter().all(|cell| !cell.is_empty()), "{row}");
    }
}
