//! One row of a table of values: what it is, its inputs, the printed value, source and flag.

use std::collections::BTreeMap;

/// How close a computed value has to be, besides half a unit of the last printed digit.
pub(crate) enum Closeness {
    /// Not further than that.
    PrintedDigits,
    /// The function rounds up by design: so much further above, in the unit of the row.
    RoundedUp { most: f64 },
    /// The function has a resolution of its own: within it, in the unit of the row.
    Within(f64),
}

pub(crate) struct Row {
    pub(crate) id: String,
    pub(crate) quantity: String,
    pub(crate) value: String,
    pub(crate) unit: String,
    pub(crate) source: String,
    pub(crate) flag: String,
    inputs: BTreeMap<String, String>,
}

/// All rows of a table.
pub(crate) fn read(table: &str) -> Vec<Row> {
    let mut reader = csv::Reader::from_reader(table.as_bytes());
    let rows = reader.records().map(|record| {
        let record = record.expect("a row of the table");
        let field = |index: usize| record.get(index).expect("seven columns").to_owned();
        Row {
            id: field(0),
            quantity: field(1),
            inputs: parse_inputs(&field(2)),
            value: field(3),
            unit: field(4),
            source: field(5),
            flag: field(6),
        }
    });
    rows.collect()
}

impl Row {
    pub(crate) fn value(&self) -> f64 {
        match self.value.strip_prefix("0x") {
            Some(hex) => u32::from_str_radix(hex, 16)
                .expect("a hexadecimal value")
                .into(),
            None => self.value.parse().expect("a number"),
        }
    }

    /// Half a unit of the last printed digit.
    pub(crate) fn half_digit(&self) -> f64 {
        let decimals = self
            .value
            .split_once('.')
            .map_or(0, |(_, decimals)| decimals.len());
        0.5 * 10_f64.powi(-i32::try_from(decimals).expect("a printed number"))
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.inputs.contains_key(key)
    }

    pub(crate) fn text(&self, key: &str) -> &str {
        self.inputs
            .get(key)
            .unwrap_or_else(|| panic!("{} lacks {key}", self.id))
    }

    pub(crate) fn number(&self, key: &str) -> f64 {
        self.text(key)
            .parse()
            .unwrap_or_else(|_| panic!("{}: {key} is no number", self.id))
    }

    pub(crate) fn number_or_zero(&self, key: &str) -> f64 {
        if self.has(key) { self.number(key) } else { 0.0 }
    }

    pub(crate) fn count(&self, key: &str) -> usize {
        self.text(key)
            .parse()
            .unwrap_or_else(|_| panic!("{}: {key} is no count", self.id))
    }

    pub(crate) fn numbers(&self, key: &str) -> Vec<f64> {
        self.text(key)
            .split(' ')
            .map(|part| part.parse().expect("a number"))
            .collect()
    }
}

fn parse_inputs(text: &str) -> BTreeMap<String, String> {
    let parts = text.split("; ").filter_map(|part| part.split_once('='));
    parts
        .map(|(key, value)| (key.to_owned(), value.to_owned()))
        .collect()
}
