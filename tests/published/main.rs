//! Our functions against published values, against the tables of the invented presses, and
//! against the facts of the trade. Each value stands in a CSV beside its source.

mod compute;
mod documents;
mod press_tables;
mod presses;
mod proposals;
mod rest_criterion;
mod row;
mod trade;

use row::{Closeness, Row};

/// Fewer rows than this would mean that the file has been cut.
const ROWS_LEAST: usize = 250;

#[test]
fn every_published_row_is_computed_to_its_printed_digits() {
    let rows = row::read(include_str!("check_values.csv"));
    let failures: Vec<String> = rows.iter().filter_map(failure).collect();
    assert!(
        failures.is_empty(),
        "{} of {}:\n{}",
        failures.len(),
        rows.len(),
        failures.join("\n")
    );
    assert!(rows.len() >= ROWS_LEAST, "only {} rows", rows.len());
}

#[test]
fn every_row_names_its_source_and_whether_it_was_read() {
    let rows = row::read(include_str!("check_values.csv"));
    for row in &rows {
        assert!(!row.source.is_empty(), "{}", row.id);
        let known = [
            "read",
            "from memory",
            "computed",
            "computed from a formula that was read",
            "computed from a formula from memory",
        ];
        assert!(
            known.contains(&row.flag.as_str()),
            "{}: {}",
            row.id,
            row.flag
        );
        assert_eq!(
            rows.iter().filter(|other| other.id == row.id).count(),
            1,
            "{}",
            row.id
        );
    }
}

#[test]
fn a_row_that_is_wrong_or_that_nobody_computes_fails() {
    let wrong = "id,quantity,inputs,value,unit,source,flag\n\
                 X-1,tolerance-factor,n=10; content=0.95; confidence=0.95,2.91097,1,none,computed\n\
                 X-2,distance,rule=two-hand-2010; stopping_s=0.2,570.1,mm,none,computed\n\
                 X-3,phase-of-the-moon,,1,1,none,computed\n";
    for row in row::read(wrong) {
        assert!(failure(&row).is_some(), "{}", row.id);
    }
}

/// What is wrong with a row, if anything.
fn failure(row: &Row) -> Option<String> {
    let Some((found, closeness)) = compute::compute(row) else {
        return Some(format!("{}: nobody computes {:?}", row.id, row.quantity));
    };
    let (below, above) = match closeness {
        Closeness::PrintedDigits => (row.half_digit(), row.half_digit()),
        Closeness::RoundedUp { most } => (row.half_digit(), row.half_digit() + most),
        Closeness::Within(reach) => (reach, reach),
    };
    let expected = row.value();
    // The last bits of a double are no digit.
    let slack = 1e-12 * expected.abs().max(1.0);
    let fits = (expected - below - slack..=expected + above + slack).contains(&found);
    (!fits).then(|| format!("{}: {} {}: found {found}", row.id, row.quantity, row.value))
}
