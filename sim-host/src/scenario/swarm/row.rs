//! What is kept of one run of a swarm, and what is kept of all.

use super::{Scenario, Swarm};
use crate::scenario::Report;
use crate::scenario::expect::Finding;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// One run, as a row of the results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Seed of the swarm.
    pub swarm_seed: u64,
    /// Runs of the whole swarm.
    pub runs: u64,
    /// Number of this run, from 0.
    pub run: u64,
    /// The press.
    pub press: String,
    /// What the operator set out to do.
    pub story: String,
    /// What broke, in words joined by blanks.
    pub broke: String,
    /// 0 it holds, 4 a rule is broken.
    pub exit_status: u8,
    /// Rules that did not hold, excused or not.
    pub breaches: String,
    /// Rules that nothing excuses.
    pub unexcused: String,
    /// Faults that latched.
    pub faults: String,
    /// Cases that were reached.
    pub reached: String,
    /// State at the end.
    pub ended: String,
    /// Strokes and inches begun.
    pub strokes: u64,
    /// Simulated time, s.
    pub lasted_s: f64,
    /// Digest of the run.
    pub digest: String,
}

impl Row {
    pub(super) fn new(swarm: &Swarm, run: u64, scenario: &Scenario, report: &Report) -> Self {
        let joined = |words: &[&str]| words.join(" ");
        let broken = report
            .lines
            .iter()
            .filter(|line| line.finding == Finding::Broken);
        let unexcused: Vec<&str> = broken
            .map(|line| line.about.strip_prefix("rule ").unwrap_or(&line.about))
            .collect();
        let strokes = report.measured.iter().find(|it| it.what == "strokes");
        let strokes = strokes.map_or(0.0, |it| it.last);
        let numbers: Vec<String> = report.faults.iter().map(u8::to_string).collect();
        let broke: Vec<&str> = scenario
            .disturbances
            .iter()
            .map(|it| it.kind.word)
            .collect();
        Self {
            swarm_seed: swarm.seed,
            runs: swarm.runs,
            run,
            press: scenario.press.name.clone(),
            story: scenario.title.clone(),
            broke: joined(&broke),
            exit_status: report.exit_status,
            breaches: joined(&report.breaches),
            unexcused: joined(&unexcused),
            faults: numbers.join(" "),
            reached: joined(&report.reached),
            ended: report.ended.to_owned(),
            strokes: strokes as u64,
            lasted_s: report.lasted_s,
            digest: report.digest.clone(),
        }
    }
}

/// What many rows come to; small, however many they are.
#[derive(Clone, Debug, Default)]
pub struct Total {
    /// Rows.
    pub runs: u64,
    /// Of these, with a rule broken that nothing excuses.
    pub broken: u64,
    /// Strokes and inches begun.
    pub strokes: u64,
    /// Simulated time, s.
    pub lasted_s: f64,
    /// Runs by the rule that nothing excused.
    pub unexcused: BTreeMap<String, u64>,
    /// Runs by fault latched.
    pub faults: BTreeMap<u8, u64>,
    /// Runs by case reached.
    pub reached: BTreeMap<String, u64>,
    hash: Sha256,
}

impl Total {
    /// Takes in the next row; their order counts.
    pub fn add(&mut self, row: &Row) {
        self.runs += 1;
        self.broken += u64::from(row.exit_status != 0);
        self.strokes += row.strokes;
        self.lasted_s += row.lasted_s;
        self.hash.update(row.run.to_le_bytes());
        self.hash.update(row.digest.as_bytes());
        let words =
            |text: &str| -> Vec<String> { text.split_whitespace().map(str::to_owned).collect() };
        for word in words(&row.unexcused) {
            *self.unexcused.entry(word).or_default() += 1;
        }
        for word in words(&row.reached) {
            *self.reached.entry(word).or_default() += 1;
        }
        for number in words(&row.faults)
            .iter()
            .filter_map(|word| word.parse().ok())
        {
            *self.faults.entry(number).or_default() += 1;
        }
    }

    /// One digest of all rows, in their order.
    pub fn digest(&self) -> String {
        let bytes = self.hash.clone().finalize();
        bytes.iter().map(|byte| format!("{byte:02x}")).collect()
    }
}
