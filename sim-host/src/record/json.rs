//! `record.json`: the record for programs.
//!
//! Keys stand in the order of the model, numbers carry the decimals of their unit
//! ([`numbers::DECIMALS`]), and nothing else enters: equal records give equal bytes.
//! A number that is not finite is refused with its place. JSON has no word for it, and `null`
//! would make a failed computation look like a value nobody measured.

use super::model::Record;
use super::numbers;
use ciborium::Value;
use thiserror::Error;

/// Why a record could not be written as JSON, or read from it.
#[derive(Debug, Error)]
pub enum JsonError {
    /// A number is infinite or not a number.
    #[error("{place} in the record is {value}, not a finite number")]
    NotFinite {
        /// Where, as keys joined by dots.
        place: String,
        /// What stands there.
        value: f64,
    },
    /// The record would not turn into a tree of values.
    #[error("the record could not be laid out as a tree of values: {0}")]
    Layout(String),
    /// The text is not a record of this schema.
    #[error("not a record of this schema: {0}")]
    Text(#[from] serde_json::Error),
}

/// The record as indented JSON, with a newline at the end.
pub fn write(record: &Record) -> Result<String, JsonError> {
    // Not serde_json's own tree: that one has turned a NaN into null before it can be seen.
    let mut tree = Value::serialized(record).map_err(|e| JsonError::Layout(e.to_string()))?;
    tidy(&mut tree, "", "")?;
    Ok(serde_json::to_string_pretty(&tree)? + "\n")
}

/// A record from its JSON.
pub fn read(text: &str) -> Result<Record, JsonError> {
    Ok(serde_json::from_str(text)?)
}

fn tidy(value: &mut Value, place: &str, key: &str) -> Result<(), JsonError> {
    match value {
        Value::Float(number) if !number.is_finite() => Err(JsonError::NotFinite {
            place: place.to_owned(),
            value: *number,
        }),
        Value::Float(number) => {
            *number = numbers::rounded(*number, numbers::decimals(key));
            Ok(())
        }
        Value::Array(items) => items
            .iter_mut()
            .enumerate()
            .try_for_each(|(index, item)| tidy(item, &format!("{place}[{index}]"), key)),
        Value::Map(entries) => entries.iter_mut().try_for_each(|(name, item)| {
            let name = name.as_text().unwrap_or_default();
            tidy(item, &join(place, name), name)
        }),
        _ => Ok(()),
    }
}

fn join(place: &str, name: &str) -> String {
    if place.is_empty() {
        name.to_owned()
    } else {
        format!("{place}.{name}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{LimitSet, Stop};

    fn with_one_stop(time_ms: f64) -> Record {
        let mut record = Record::default();
        record.stop_matrix.stops.push(Stop {
            time_ms,
            ..Stop::default()
        });
        record
    }

    #[test]
    fn numbers_keep_the_decimals_of_their_unit() {
        let text = write(&with_one_stop(138.123_456)).unwrap();
        assert!(text.contains("\"time_ms\": 138.123,"), "{text}");
    }

    #[test]
    fn a_number_that_is_not_finite_is_refused_with_its_place() {
        let error = write(&with_one_stop(f64::NAN)).unwrap_err();
        assert!(
            error.to_string().contains("stop_matrix.stops[0].time_ms"),
            "{error}"
        );
    }

    #[test]
    fn an_optional_number_that_is_not_finite_is_not_passed_off_as_missing() {
        let limits = LimitSet {
            latch_ms: Some(f64::INFINITY),
            ..LimitSet::default()
        };
        let record = Record {
            limits: vec![limits],
            ..Record::default()
        };
        let error = write(&record).unwrap_err();
        assert!(error.to_string().contains("limits[0].latch_ms"), "{error}");
    }

    #[test]
    fn what_was_written_reads_back() {
        let record = with_one_stop(138.125);
        assert_eq!(read(&write(&record).unwrap()).unwrap(), record);
    }
}
