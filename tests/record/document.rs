//! `docs/RECORD.md` against what is really written: no key without its row, no row without its
//! key, and unit, kind and "null" of each row true.

use crate::fixture;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use stopwright::record::folder::{self, Contents, IfNotEmpty};
use stopwright::record::{Record, csv, json, numbers};

const DOCUMENT: &str = include_str!("../../docs/RECORD.md");

struct Row {
    key: String,
    kind: String,
    may_be_null: bool,
    meaning: String,
}

/// The rows of all tables of keys: four columns, the first in backquotes.
fn rows() -> Vec<Row> {
    let keys = DOCUMENT.split("## Keys of `record.json`").nth(1).unwrap();
    let row = |line: &str| {
        let cells: Vec<&str> = line
            .strip_prefix("| `")?
            .strip_suffix(" |")?
            .split(" | ")
            .collect();
        let [key, kind, null, meaning] = cells[..] else {
            return None;
        };
        Some(Row {
            key: key.trim_end_matches('`').to_owned(),
            kind: kind.to_owned(),
            may_be_null: null.trim() == "yes",
            meaning: meaning.to_owned(),
        })
    };
    let rows: Vec<Row> = keys.lines().filter_map(row).collect();
    assert!(
        rows.len() > 200,
        "the tables could not be read: {} rows",
        rows.len()
    );
    rows
}

/// `record.json` of three folders, as written.
fn records() -> Vec<Value> {
    let read = |record: Record| {
        let place = tempfile::tempdir().unwrap();
        let traces = fixture::traces(&record, 1);
        let contents = Contents {
            record: &record,
            settings: Some("schema = 1\n"),
            traces: &traces,
        };
        let written = folder::write(place.path(), &contents, IfNotEmpty::Refuse).unwrap();
        serde_json::from_str(&std::fs::read_to_string(written.data).unwrap()).unwrap()
    };
    [
        fixture::rehearsal(),
        fixture::failed_rehearsal(),
        fixture::study(),
    ]
    .map(read)
    .into()
}

/// Every value of the records under its key, list items as `[]`.
fn values() -> BTreeMap<String, Vec<Value>> {
    let mut found = BTreeMap::new();
    records()
        .iter()
        .for_each(|record| collect(record, "", &mut found));
    found
}

fn collect(value: &Value, key: &str, found: &mut BTreeMap<String, Vec<Value>>) {
    if !key.is_empty() && !key.ends_with("[]") {
        found.entry(key.to_owned()).or_default().push(value.clone());
    }
    let joined = |name: &str| {
        if key.is_empty() {
            name.to_owned()
        } else {
            format!("{key}.{name}")
        }
    };
    match value {
        Value::Object(map) => map
            .iter()
            .for_each(|(name, v)| collect(v, &joined(name), found)),
        Value::Array(items) => items
            .iter()
            .for_each(|v| collect(v, &format!("{key}[]"), found)),
        _ => {}
    }
}

#[test]
fn every_key_has_its_row_and_every_row_its_key() {
    let documented: BTreeSet<String> = rows().into_iter().map(|row| row.key).collect();
    let written: BTreeSet<String> = values().into_keys().collect();
    assert_eq!(documented.len(), rows().len(), "a key has two rows");
    let only =
        |a: &BTreeSet<String>, b: &BTreeSet<String>| a.difference(b).cloned().collect::<Vec<_>>();
    assert_eq!(
        only(&written, &documented),
        Vec::<String>::new(),
        "without a row"
    );
    assert_eq!(
        only(&documented, &written),
        Vec::<String>::new(),
        "without a key"
    );
}

#[test]
fn units_and_kinds_are_those_of_the_values() {
    let values = values();
    for row in rows() {
        let unit = unit(&row.key);
        for value in values[&row.key].iter().filter(|value| !value.is_null()) {
            let is_true = match (&*row.kind, value) {
                ("group", Value::Object(_)) | ("true or false", Value::Bool(_)) => true,
                ("text", Value::String(_)) => true,
                ("word", Value::String(word)) => row.meaning.contains(&format!("`{word}`")),
                ("whole number", Value::Number(n)) => n.is_u64(),
                ("number", Value::Number(n)) => n.is_f64() && unit.is_none(),
                ("list", Value::Array(items)) => items.iter().all(Value::is_object),
                ("list of text", Value::Array(items)) => items.iter().all(Value::is_string),
                (kind, Value::Array(items)) => {
                    kind.strip_prefix("list, ") == unit && items.iter().all(Value::is_f64)
                }
                (kind, Value::Number(n)) => Some(kind) == unit && n.is_f64(),
                _ => false,
            };
            assert!(
                is_true,
                "{} is said to be {:?}, but is {value:.80}",
                row.key, row.kind
            );
        }
    }
}

#[test]
fn null_is_allowed_exactly_where_the_document_says_so() {
    let records = records();
    for row in rows() {
        let mut record = records
            .iter()
            .find_map(|record| {
                let mut record = record.clone();
                *place(&mut record, &row.key)? = Value::Null;
                Some(record)
            })
            .unwrap_or_else(|| panic!("{} stands in no record of the fixtures", row.key));
        let is_read = json::read(&record.take().to_string()).is_ok();
        assert_eq!(is_read, row.may_be_null, "{}", row.key);
    }
}

/// The first value under a documented key.
fn place<'a>(record: &'a mut Value, key: &str) -> Option<&'a mut Value> {
    key.split('.')
        .try_fold(record, |value, part| match part.strip_suffix("[]") {
            Some(list) => value.get_mut(list)?.get_mut(0),
            None => value.get_mut(part),
        })
}

/// Key ending, unit and decimals, as the document has them.
fn decimals() -> Vec<(String, String, usize)> {
    let row = |line: &str| {
        let cells: Vec<&str> = line
            .strip_prefix("| `_")?
            .strip_suffix(" |")?
            .split(" | ")
            .collect();
        let [ending, unit, decimals] = cells[..] else {
            return None;
        };
        let ending = format!("_{}", ending.trim_end_matches('`'));
        Some((ending, unit.to_owned(), decimals.parse().unwrap()))
    };
    DOCUMENT.lines().filter_map(row).collect()
}

fn unit(key: &str) -> Option<&'static str> {
    static UNITS: std::sync::OnceLock<Vec<(String, String, usize)>> = std::sync::OnceLock::new();
    let units = UNITS.get_or_init(decimals);
    units
        .iter()
        .find(|(ending, ..)| key.ends_with(ending))
        .map(|(_, unit, _)| unit.as_str())
}

#[test]
fn the_decimals_are_those_the_files_keep() {
    let documented: Vec<(String, usize)> = decimals().into_iter().map(|(e, _, n)| (e, n)).collect();
    let kept: Vec<(String, usize)> = numbers::DECIMALS
        .iter()
        .map(|(ending, n)| ((*ending).to_owned(), *n))
        .collect();
    assert_eq!(documented, kept);
    assert!(DOCUMENT.contains(&format!(
        "| anything else | | {} |",
        numbers::DECIMALS_OTHERWISE
    )));
}

#[test]
fn numbers_have_no_more_decimals_than_promised() {
    for (key, values) in values() {
        let most = numbers::decimals(&key);
        for text in values.iter().filter(|v| v.is_f64()).map(Value::to_string) {
            let decimals = text.split_once('.').map_or(0, |(_, after)| after.len());
            assert!(decimals <= most.max(1), "{key}: {text}");
        }
    }
}

#[test]
fn the_columns_of_the_tables_are_the_documented_ones() {
    let record = fixture::rehearsal();
    let stops = csv::stops(&record).unwrap();
    let trace = csv::trace(&fixture::traces(&record, 1)[0]).unwrap();
    for table in [stops, trace] {
        let columns: Vec<String> = table
            .lines()
            .next()
            .unwrap()
            .split(',')
            .map(|c| format!("`{c}`"))
            .collect();
        assert!(
            DOCUMENT.contains(&columns.join(", ")),
            "{}",
            columns.join(", ")
        );
    }
}
