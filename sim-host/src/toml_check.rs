//! Checking a TOML file against a table of keys before it becomes a value.
//!
//! A file is described by a [`Key`] table: names, kinds, ranges. [`read`] goes through the whole
//! file and collects every problem it finds, each with file, line, column, key, what was found and
//! what is allowed, so that a person mends a file once and not ten times. Only a file without
//! problems is turned into a value. Rules between keys belong to the caller, who gets the
//! [`Places`] of all keys to point at.
//!
//! It never panics, whatever the text is.

use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// One key that a table may hold.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// Its name, with the unit at its end.
    pub name: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// Whether the file must have it.
    pub required: bool,
}

/// What a key holds, and the range allowed. All ends of ranges are included.
#[derive(Clone, Copy, Debug)]
pub enum Kind {
    /// A number, whole or not.
    Number(f64, f64),
    /// A whole number.
    Integer(i64, i64),
    /// `true` or `false`.
    Flag,
    /// Text of at most this many characters, not empty.
    Text(usize),
    /// One of these words.
    OneOf(&'static [&'static str]),
    /// A list of numbers: fewest, most, lowest, highest.
    Numbers(usize, usize, f64, f64),
    /// A list of words, each one of these.
    Words(&'static [&'static str]),
    /// A table with these keys.
    Table(&'static [Key]),
    /// A table with any of these keys; none of them has to be there, at any depth.
    Part(&'static [Key]),
    /// At most this many tables, each with these keys.
    Tables(usize, &'static [Key]),
}

impl Key {
    /// A key that the file must have.
    pub const fn required(name: &'static str, kind: Kind) -> Self {
        Self {
            name,
            kind,
            required: true,
        }
    }

    /// A key that may be left out.
    pub const fn optional(name: &'static str, kind: Kind) -> Self {
        Self {
            name,
            kind,
            required: false,
        }
    }

    /// A number that the file must have, ends of the range included.
    pub const fn number(name: &'static str, min: f64, max: f64) -> Self {
        Self::required(name, Kind::Number(min, max))
    }

    /// A table that the file must have.
    pub const fn table(name: &'static str, keys: &'static [Key]) -> Self {
        Self::required(name, Kind::Table(keys))
    }
}

/// One thing wrong with a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file, as the caller named it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key with the tables above it, joined by dots; empty for the file as a whole.
    pub key: String,
    /// What was found.
    pub found: String,
    /// What is allowed.
    pub allowed: String,
}

/// Everything wrong with a file; never empty when returned as an error.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

/// Where each key of a checked file stands, for problems between keys.
#[derive(Clone, Debug, Default)]
pub struct Places {
    file: String,
    places: BTreeMap<String, (usize, usize)>,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: ", self.file, self.line, self.column)?;
        if !self.key.is_empty() {
            write!(f, "`{}`: ", self.key)?;
        }
        write!(f, "found {}; allowed: {}", self.found, self.allowed)
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

impl Places {
    /// A problem at the place of `key`, or at the start of the file if the key is not in it.
    pub fn problem(
        &self,
        key: &str,
        found: impl fmt::Display,
        allowed: impl fmt::Display,
    ) -> Problem {
        let (line, column) = self.places.get(key).copied().unwrap_or((1, 1));
        Problem {
            file: self.file.clone(),
            line,
            column,
            key: key.to_owned(),
            found: found.to_string(),
            allowed: allowed.to_string(),
        }
    }

    /// Line and column of a key, counted from 1.
    pub fn place(&self, key: &str) -> Option<(usize, usize)> {
        self.places.get(key).copied()
    }

    /// Whether the file has the key (dotted).
    pub fn has(&self, key: &str) -> bool {
        self.places.contains_key(key)
    }
}

/// Checks `text` against `keys` and turns it into a value. `file` is the name used in problems.
///
/// # Errors
/// Every problem found: bad syntax, and each key that is unknown, missing, of the wrong type or
/// out of range.
pub fn read<T: DeserializeOwned>(
    file: &str,
    text: &str,
    keys: &'static [Key],
) -> Result<(T, Places), Problems> {
    let mut check = Check::new(file, text);
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        check.report(
            error.span().unwrap_or(0..0),
            "",
            error.message(),
            "TOML syntax",
        );
    }
    // After a syntax error a key may be missing only because its line could not be read.
    check.judge_missing = errors.is_empty();
    let unread: Vec<_> = check.problems.0.iter().map(|p| p.line).collect();
    check.table("", root.get_ref(), 0..0, keys);
    // What stands on a line that could not be read says nothing more about it.
    check
        .problems
        .0
        .retain(|p| p.key.is_empty() || !unread.contains(&p.line));
    if !check.problems.0.is_empty() {
        check.problems.0.sort_by_key(|p| (p.line, p.column));
        return Err(check.problems);
    }
    match toml::from_str(text) {
        Ok(value) => Ok((value, check.places)),
        Err(error) => {
            check.report(
                error.span().unwrap_or(0..0),
                "",
                error.message(),
                "a value of the form this file is read as",
            );
            Err(check.problems)
        }
    }
}

struct Check<'t> {
    text: &'t str,
    judge_missing: bool,
    places: Places,
    problems: Problems,
}

impl<'t> Check<'t> {
    fn new(file: &str, text: &'t str) -> Self {
        Self {
            text,
            judge_missing: true,
            places: Places {
                file: file.to_owned(),
                places: BTreeMap::new(),
            },
            problems: Problems::default(),
        }
    }

    fn place(&self, offset: usize) -> (usize, usize) {
        let before = self.text.get(..offset).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |end| end + 1);
        let line = before.matches('\n').count() + 1;
        (line, before[line_start..].chars().count() + 1)
    }

    fn report(
        &mut self,
        span: Range<usize>,
        key: &str,
        found: impl fmt::Display,
        allowed: impl fmt::Display,
    ) {
        let (line, column) = self.place(span.start);
        self.problems.0.push(Problem {
            file: self.places.file.clone(),
            line,
            column,
            key: key.to_owned(),
            found: found.to_string(),
            allowed: allowed.to_string(),
        });
    }

    fn table(&mut self, path: &str, table: &DeTable<'_>, span: Range<usize>, keys: &[Key]) {
        for (name, value) in table {
            let full = join(path, name.get_ref());
            match keys.iter().find(|key| key.name == name.get_ref().as_ref()) {
                Some(key) => {
                    let place = self.place(name.span().start);
                    self.places.places.insert(full.clone(), place);
                    self.value(&full, value, &key.kind);
                }
                None => self.report(name.span(), &full, "a key that is not known", list(keys)),
            }
        }
        for key in keys.iter().filter(|key| key.required) {
            let present = table.keys().any(|name| name.get_ref().as_ref() == key.name);
            if !present && self.judge_missing {
                let full = join(path, key.name);
                self.report(span.clone(), &full, "nothing: the key is missing", key.kind);
            }
        }
    }

    fn value(&mut self, path: &str, value: &Spanned<DeValue<'_>>, kind: &Kind) {
        let (found, span) = (value.get_ref(), value.span());
        match (kind, found) {
            (Kind::Table(keys), DeValue::Table(table)) => self.table(path, table, span, keys),
            (Kind::Part(keys), DeValue::Table(table)) => {
                let was = std::mem::replace(&mut self.judge_missing, false);
                self.table(path, table, span, keys);
                self.judge_missing = was;
            }
            (Kind::Tables(most, keys), DeValue::Array(items)) if items.len() <= *most => {
                for (index, item) in items.iter().enumerate() {
                    let path = format!("{path}[{index}]");
                    self.value(&path, item, &Kind::Table(keys));
                }
            }
            (Kind::Numbers(fewest, most, min, max), DeValue::Array(items))
                if (*fewest..=*most).contains(&items.len()) =>
            {
                for (index, item) in items.iter().enumerate() {
                    self.value(&format!("{path}[{index}]"), item, &Kind::Number(*min, *max));
                }
            }
            (Kind::Words(words), DeValue::Array(items)) => {
                for (index, item) in items.iter().enumerate() {
                    self.value(&format!("{path}[{index}]"), item, &Kind::OneOf(words));
                }
            }
            _ if kind.allows(found) => {}
            _ => self.report(span, path, describe(found), kind),
        }
    }
}

impl Kind {
    /// Whether a value without parts of its own is allowed.
    fn allows(&self, value: &DeValue<'_>) -> bool {
        match (self, value) {
            (Self::Number(min, max), _) => {
                number(value).is_some_and(|number| (*min..=*max).contains(&number))
            }
            (Self::Integer(min, max), _) => {
                integer(value).is_some_and(|number| (*min..=*max).contains(&number))
            }
            (Self::Flag, DeValue::Boolean(_)) => true,
            (Self::Text(longest), DeValue::String(text)) => {
                !text.trim().is_empty() && text.chars().count() <= *longest
            }
            (Self::OneOf(words), DeValue::String(text)) => words.contains(&text.as_ref()),
            _ => false,
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(min, max) => write!(f, "a number from {min} to {max}"),
            Self::Integer(min, max) => write!(f, "a whole number from {min} to {max}"),
            Self::Flag => write!(f, "true or false"),
            Self::Text(longest) => write!(f, "text of 1 to {longest} characters"),
            Self::OneOf(words) => write!(f, "one of \"{}\"", words.join("\", \"")),
            Self::Numbers(fewest, most, min, max) => {
                write!(
                    f,
                    "a list of {fewest} to {most} numbers from {min} to {max}"
                )
            }
            Self::Words(words) => write!(f, "a list of words out of \"{}\"", words.join("\", \"")),
            Self::Table(keys) => write!(f, "a table with {}", list(keys)),
            Self::Part(keys) => write!(f, "a table with any of {}", list(keys)),
            Self::Tables(most, keys) => write!(f, "at most {most} tables with {}", list(keys)),
        }
    }
}

fn join(path: &str, name: &str) -> String {
    if path.is_empty() {
        name.to_owned()
    } else {
        format!("{path}.{name}")
    }
}

fn list(keys: &[Key]) -> String {
    let names: Vec<_> = keys.iter().map(|key| format!("`{}`", key.name)).collect();
    names.join(", ")
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let number = value.as_integer()?;
    i64::from_str_radix(&number.as_str().replace('_', ""), number.radix()).ok()
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value.as_float() {
        Some(float) => float.as_str().replace('_', "").parse().ok(),
        None => integer(value).map(|number| number as f64),
    }
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text {text:?}"),
        DeValue::Integer(number) => format!("the number {}", number.as_str()),
        DeValue::Float(number) => format!("the number {}", number.as_str()),
        DeValue::Boolean(flag) => format!("{flag}"),
        DeValue::Datetime(time) => format!("the date or time {time}"),
        DeValue::Array(items) => format!("a list of {}", items.len()),
        DeValue::Table(_) => "a table".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    const KEYS: &[Key] = &[
        Key::required("name", Kind::Text(8)),
        Key::optional("colour", Kind::OneOf(&["red", "blue"])),
        Key::table(
            "brake",
            &[
                Key::number("touch_bar", 0.5, 10.0),
                Key::optional("stops", Kind::Integer(1, 9)),
                Key::optional("points", Kind::Numbers(2, 3, 0.0, 1.0)),
            ],
        ),
        Key::optional("step", Kind::Tables(2, &[Key::number("at_s", 0.0, 9.0)])),
    ];

    #[derive(Debug, Deserialize)]
    struct File {
        brake: Brake,
    }
    #[derive(Debug, Deserialize)]
    struct Brake {
        touch_bar: f64,
    }

    fn problems(text: &str) -> Vec<String> {
        match read::<File>("x.toml", text, KEYS) {
            Ok(_) => Vec::new(),
            Err(problems) => problems.0.iter().map(ToString::to_string).collect(),
        }
    }

    #[test]
    fn a_good_file_becomes_a_value_and_knows_its_places() {
        let text = "name = \"x\"\n[brake]\n  touch_bar = 1_0\n[[step]]\nat_s = 1\n";
        let (file, places) = read::<File>("x.toml", text, KEYS).unwrap();
        assert_eq!(file.brake.touch_bar, 10.0);
        let problem = places.problem("brake.touch_bar", 10, "less than supply");
        assert_eq!((problem.line, problem.column), (3, 3));
        assert!(places.has("step[0].at_s") && !places.has("colour"));
    }

    #[test]
    fn every_problem_is_told_at_once_with_its_place_and_what_is_allowed() {
        let text = "name = 3\ncolour = \"green\"\nwidth = 1\n[brake]\nstops = 0\npoints = [0.5, 2]\n[[step]]\nat_s = true\n";
        let found = problems(text);
        let expected = [
            "x.toml:1:8: `name`: found the number 3; allowed: text of 1 to 8 characters",
            "x.toml:2:10: `colour`: found the text \"green\"; allowed: one of \"red\", \"blue\"",
            "x.toml:3:1: `width`: found a key that is not known; allowed: `name`, `colour`, `brake`, `step`",
            "x.toml:4:1: `brake.touch_bar`: found nothing: the key is missing; allowed: a number from 0.5 to 10",
            "x.toml:5:9: `brake.stops`: found the number 0; allowed: a whole number from 1 to 9",
            "x.toml:6:16: `brake.points[1]`: found the number 2; allowed: a number from 0 to 1",
            "x.toml:8:8: `step[0].at_s`: found true; allowed: a number from 0 to 9",
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn a_syntax_error_does_not_hide_what_else_is_wrong() {
        let found = problems("name = \"x\"\ncolour = \n[brake]\ntouch_bar = 99\n");
        assert_eq!(found.len(), 2, "{found:?}");
        assert!(found[0].starts_with("x.toml:2:"), "{found:?}");
        assert!(
            found[1].starts_with("x.toml:4:13: `brake.touch_bar`"),
            "{found:?}"
        );
    }

    #[test]
    fn numbers_that_are_no_numbers_are_out_of_range() {
        for text in [
            "nan",
            "inf",
            "-inf",
            "99999999999999999999999",
            "0xffffffffffffffffff",
        ] {
            let found = problems(&format!("name = \"x\"\n[brake]\ntouch_bar = {text}\n"));
            assert_eq!(found.len(), 1, "{text}: {found:?}");
        }
    }

    #[test]
    fn no_text_makes_it_panic() {
        for text in [
            "",
            "\0",
            "é = é",
            "[",
            "[[",
            "=",
            "a.b.c = 1",
            "\u{feff}name = 1",
            "[brake]\r\n",
        ] {
            assert!(!problems(text).is_empty(), "{text:?}");
        }
    }
}
