//! What is wrong with a file, as errors with their place and as counted warnings.

use std::fmt;

use serde::Serialize;

use super::recording::{Warning, WarningKind};

/// Problems told one by one; more are counted.
const PROBLEMS_TOLD: usize = 12;

/// One thing wrong with a file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// Line of the file, from 1, when it is about a line.
    pub line: Option<u64>,
    /// Column within the line, from 1, when it is about a cell.
    pub column: Option<usize>,
    /// What was found and what is allowed.
    pub message: String,
}

/// A file that cannot be studied, with every problem found in the step that failed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
pub struct ReadError {
    /// The file as it was named.
    pub file: String,
    /// At least one.
    pub problems: Vec<Problem>,
    /// Further problems of the same step that are not listed.
    pub more: usize,
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.problems.iter().enumerate() {
            let line = problem
                .line
                .map_or(String::new(), |line| format!(":{line}"));
            let column = problem
                .column
                .map_or(String::new(), |column| format!(":{column}"));
            let end = if index + 1 < self.problems.len() {
                "\n"
            } else {
                ""
            };
            write!(f, "{}{line}{column}: {}{end}", self.file, problem.message)?;
        }
        if self.more > 0 {
            write!(f, "\n{}: and {} more", self.file, self.more)
        } else {
            Ok(())
        }
    }
}

/// Problems of one step, before the file's name is put to them.
#[derive(Debug, Default)]
pub(super) struct Problems {
    told: Vec<Problem>,
    more: usize,
}

impl Problems {
    pub(super) fn one(line: Option<u64>, message: impl fmt::Display) -> Self {
        let problem = Problem {
            line,
            column: None,
            message: message.to_string(),
        };
        Self {
            told: vec![problem],
            more: 0,
        }
    }

    pub(super) fn add(
        &mut self,
        line: Option<u64>,
        column: Option<usize>,
        message: impl fmt::Display,
    ) {
        if self.told.len() < PROBLEMS_TOLD {
            self.told.push(Problem {
                line,
                column,
                message: message.to_string(),
            });
        } else {
            self.more += 1;
        }
    }

    pub(super) fn none_or_err(self) -> Result<(), Self> {
        if self.told.is_empty() {
            Ok(())
        } else {
            Err(self)
        }
    }

    pub(super) fn named(self, file: &str) -> ReadError {
        ReadError {
            file: file.into(),
            problems: self.told,
            more: self.more,
        }
    }
}

/// Warnings of one file, one a kind, counted.
pub(super) struct Warnings {
    pub(super) recording: String,
    pub(super) list: Vec<Warning>,
}

impl Warnings {
    pub(super) fn add(
        &mut self,
        kind: WarningKind,
        line: Option<u64>,
        time_s: Option<f64>,
        message: impl fmt::Display,
    ) {
        match self.list.iter_mut().find(|warning| warning.kind == kind) {
            Some(warning) => warning.count += 1,
            None => self.list.push(Warning {
                recording: self.recording.clone(),
                kind,
                count: 1,
                line,
                time_s,
                message: message.to_string(),
            }),
        }
    }

    pub(super) fn count(&self, kind: WarningKind) -> usize {
        self.list
            .iter()
            .filter(|warning| warning.kind == kind)
            .map(|warning| warning.count)
            .sum()
    }
}
