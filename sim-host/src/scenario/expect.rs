//! What a scenario says must hold, and the verdict on a run.

use super::disturb::Disturbances;
use super::measure::{self, MEASURES, Measures};
use super::oracle::{Oracle, RULES, Reached, Rule};
use crate::toml_check::{Key, Kind, Problem};
use serde::{Deserialize, Serialize};
use stopwright_core::fault::FaultCode;
use stopwright_core::stroke::Stroke;

/// Where a run may end, as words.
const ENDS: &[&str] = &[
    "power-up",
    "off",
    "barring",
    "wait-release",
    "ready",
    "ready-away-from-top",
    "running",
    "stopping",
    "interrupted",
    "armed",
    "emergency-stopped",
    "fault-latched",
];

pub(super) const KEYS: &[Key] = &[
    Key::optional("broken", Kind::Words(super::oracle::RULE_WORDS)),
    Key::optional("may_break", Kind::Words(super::oracle::RULE_WORDS)),
    Key::optional("reached", Kind::Words(super::oracle::REACHED_WORDS)),
    Key::optional("ends", Kind::OneOf(ENDS)),
    Key::optional("controller_lost", Kind::Flag),
    Key::optional("may_latch", Kind::Numbers(0, 40, 1.0, 127.0)),
    Key::optional(
        "fault",
        Kind::Tables(
            20,
            &[
                Key::required("number", Kind::Integer(1, 127)),
                Key::optional("after", Kind::Text(80)),
                Key::optional("within_ms", Kind::Number(0.0, 3_600_000.0)),
            ],
        ),
    ),
    Key::optional(
        "measure",
        Kind::Tables(
            40,
            &[
                Key::required("what", Kind::OneOf(MEASURES)),
                Key::optional("of", Kind::OneOf(&["first", "last", "least", "most"])),
                Key::optional("after", Kind::Text(80)),
                Key::optional("least", Kind::Number(-1e9, 1e9)),
                Key::optional("most", Kind::Number(-1e9, 1e9)),
            ],
        ),
    ),
];

/// Expectations as a file has them.
#[derive(Debug, Deserialize)]
pub(super) struct Entry {
    #[serde(default)]
    broken: Vec<String>,
    #[serde(default)]
    may_break: Vec<String>,
    #[serde(default)]
    reached: Vec<String>,
    ends: Option<String>,
    #[serde(default)]
    controller_lost: bool,
    #[serde(default)]
    may_latch: Vec<f64>,
    #[serde(default)]
    pub(super) fault: Vec<FaultEntry>,
    #[serde(default)]
    pub(super) measure: Vec<MeasureEntry>,
}

#[derive(Debug, Deserialize)]
pub(super) struct FaultEntry {
    number: i64,
    pub(super) after: Option<String>,
    within_ms: Option<f64>,
}

#[derive(Debug, Deserialize)]
pub(super) struct MeasureEntry {
    what: String,
    of: Option<Of>,
    pub(super) after: Option<String>,
    least: Option<f64>,
    most: Option<f64>,
}

/// Which value of a quantity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Of {
    /// The first.
    First,
    /// The last.
    #[default]
    Last,
    /// The least.
    Least,
    /// The most.
    Most,
}

/// A fault that must latch.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultDue {
    /// Which.
    pub code: FaultCode,
    /// Counted from when this disturbance struck, or from power-up.
    pub after: Option<String>,
    /// Within this time, ms.
    pub within_ms: Option<f64>,
}

/// A range for a measured quantity.
#[derive(Clone, Debug, PartialEq)]
pub struct Range {
    /// Which quantity.
    pub what: String,
    /// Which of its values.
    pub of: Of,
    /// Counted from when this disturbance struck, or from power-up.
    pub after: Option<String>,
    /// At least.
    pub least: f64,
    /// At most.
    pub most: f64,
}

/// What must hold beside the rules.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Expectations {
    /// Rules that this scenario is meant to break; all others hold.
    pub broken: Vec<Rule>,
    /// Rules that chance may break or not.
    pub may_break: Vec<Rule>,
    /// Steps may come to nothing and any fault may latch: of a run that is drawn, not written.
    pub is_wild: bool,
    /// Cases the run must come to.
    pub reached: Vec<Reached>,
    /// The state it ends in.
    pub ends: Option<String>,
    /// The controller is lost on the way.
    pub controller_lost: bool,
    /// Faults that may latch beside those that must.
    pub may_latch: Vec<FaultCode>,
    /// Faults that must latch.
    pub faults: Vec<FaultDue>,
    /// Ranges.
    pub ranges: Vec<Range>,
}

type Place<'a> = dyn Fn(&str, String, String) -> Problem + 'a;

impl Entry {
    /// # Errors
    /// Every expectation that cannot be one, at its place.
    pub(super) fn checked(&self, place: &Place<'_>) -> Result<Expectations, Vec<Problem>> {
        let mut problems = Vec::new();
        let mut fault = |key: String, number: i64| {
            let found = u8::try_from(number).ok().and_then(FaultCode::from_number);
            if found.is_none() {
                let allowed = "a fault number; `stopwright explain` lists them";
                problems.push(place(
                    &key,
                    format!("the number {number}"),
                    allowed.to_owned(),
                ));
            }
            found
        };
        let numbered = self.fault.iter().enumerate().filter_map(|(index, it)| {
            Some(FaultDue {
                code: fault(format!("fault[{index}].number"), it.number)?,
                after: it.after.clone(),
                within_ms: it.within_ms,
            })
        });
        let faults = numbered.collect();
        let may = self.may_latch.iter().enumerate();
        let may_latch =
            may.filter_map(|(index, number)| fault(format!("may_latch[{index}]"), *number as i64));
        let may_latch = may_latch.collect();
        for (index, it) in self.measure.iter().enumerate() {
            let key = |name: &str| format!("measure[{index}].{name}");
            if it.least.is_none() && it.most.is_none() {
                problems.push(place(
                    &key("what"),
                    "no range".to_owned(),
                    "`least`, `most` or both".to_owned(),
                ));
            }
            if it.after.is_some() && !measure::is_since(&it.what) {
                let found = format!("a beginning for {:?}", it.what);
                let allowed = "drive-off-ms or travel-deg with it".to_owned();
                problems.push(place(&key("after"), found, allowed));
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        Ok(Expectations {
            broken: self
                .broken
                .iter()
                .filter_map(|it| Rule::named(it))
                .collect(),
            may_break: self
                .may_break
                .iter()
                .filter_map(|it| Rule::named(it))
                .collect(),
            is_wild: false,
            reached: self
                .reached
                .iter()
                .filter_map(|it| Reached::named(it))
                .collect(),
            ends: self.ends.clone(),
            controller_lost: self.controller_lost,
            may_latch,
            faults,
            ranges: self.measure.iter().map(MeasureEntry::range).collect(),
        })
    }
}

impl MeasureEntry {
    fn range(&self) -> Range {
        Range {
            what: self.what.clone(),
            of: self.of.unwrap_or_default(),
            after: self.after.clone(),
            least: self.least.unwrap_or(f64::NEG_INFINITY),
            most: self.most.unwrap_or(f64::INFINITY),
        }
    }
}

/// What became of one expectation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finding {
    /// It holds.
    Holds,
    /// Nothing is wrong, but the run did not come to what it set out to show.
    NotReached,
    /// It does not hold.
    Broken,
}

/// One line of a verdict.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// What became of it.
    pub finding: Finding,
    /// What it is about.
    pub about: String,
    /// What was seen.
    pub seen: String,
}

/// What a run showed, for the verdict.
pub(super) struct Shown<'a> {
    pub(super) oracle: &'a Oracle,
    pub(super) measures: &'a Measures,
    pub(super) disturbances: &'a Disturbances,
    pub(super) names: &'a [String],
    pub(super) end: Option<Stroke>,
    pub(super) lost: Option<String>,
}

impl Expectations {
    /// Judges a run, line by line.
    pub(super) fn judge(&self, shown: &Shown<'_>) -> Vec<Line> {
        let mut lines = self.rules(shown);
        lines.extend(self.controller(shown));
        lines.extend(self.reached(shown));
        lines.extend(self.faults.iter().map(|due| due.judge(shown)));
        lines.extend(self.unexpected_faults(shown));
        lines.extend(self.ranges.iter().map(|range| range.judge(shown)));
        lines.extend(self.end(shown));
        lines
    }

    fn rules(&self, shown: &Shown<'_>) -> Vec<Line> {
        let mut lines = Vec::new();
        for rule in RULES {
            let breach = shown.oracle.breaches().iter().find(|it| it.rule == rule);
            let seen = breach.map_or("holds".to_owned(), |breach| {
                format!(
                    "{:.3} s, {:.1} deg: {}",
                    breach.at_s, breach.angle_deg, breach.seen
                )
            });
            let (finding, seen) = match (self.broken.contains(&rule), breach.is_some()) {
                (false, false) => (Finding::Holds, seen),
                (false, true) if self.may_break.contains(&rule) => {
                    (Finding::Holds, format!("is broken, as may be: {seen}"))
                }
                (false, true) => (Finding::Broken, seen),
                (true, true) => (Finding::Holds, format!("is broken, as meant: {seen}")),
                (true, false) => (
                    Finding::NotReached,
                    "was meant to be broken, and holds".to_owned(),
                ),
            };
            lines.push(line(finding, format!("rule {}", rule.word()), seen));
        }
        lines
    }

    fn controller(&self, shown: &Shown<'_>) -> Option<Line> {
        let (finding, seen) = match (&shown.lost, self.controller_lost) {
            (None, false) => return None,
            (None, true) => (
                Finding::NotReached,
                "the controller answered to the end".to_owned(),
            ),
            (Some(why), true) => (Finding::Holds, format!("lost, as meant: {why}")),
            (Some(why), false) => (Finding::Broken, format!("controller lost: {why}")),
        };
        Some(line(finding, "controller".to_owned(), seen))
    }

    fn reached(&self, shown: &Shown<'_>) -> Vec<Line> {
        let cases = self.reached.iter().map(|case| {
            let is_reached = shown.oracle.has_reached(*case);
            let (finding, seen) = match is_reached {
                true => (Finding::Holds, "the run came to it"),
                false => (Finding::NotReached, "the run never came to it"),
            };
            line(finding, format!("reached {}", case.word()), seen.to_owned())
        });
        let missed = shown.disturbances.missed().map(|name| {
            line(
                Finding::NotReached,
                format!("disturbance {name:?}"),
                "never struck".to_owned(),
            )
        });
        cases.chain(missed).collect()
    }

    fn unexpected_faults(&self, shown: &Shown<'_>) -> Vec<Line> {
        if self.is_wild {
            return Vec::new();
        }
        let is_expected = |code: &FaultCode| {
            self.may_latch.contains(code) || self.faults.iter().any(|due| due.code == *code)
        };
        let others = shown.measures.ever.iter().filter(|code| !is_expected(code));
        others
            .map(|code| {
                let at_s = shown.measures.latched_s(code.number()).unwrap_or_default();
                line(
                    Finding::Broken,
                    format!("fault {}", code.number()),
                    format!(
                        "{} latched at {at_s:.3} s, which nothing here expects",
                        code.row().name
                    ),
                )
            })
            .collect()
    }

    fn end(&self, shown: &Shown<'_>) -> Option<Line> {
        let wanted = self.ends.as_deref()?;
        let end = shown.end.map_or("power-up", end_word);
        let finding = if end == wanted {
            Finding::Holds
        } else {
            Finding::Broken
        };
        Some(line(
            finding,
            "end".to_owned(),
            format!("{end}; {wanted} is asked for"),
        ))
    }
}

impl FaultDue {
    fn judge(&self, shown: &Shown<'_>) -> Line {
        let number = self.code.number();
        let about = format!("fault {number}");
        let from_s = match &self.after {
            None => Some(0.0),
            Some(name) => shown.disturbances.struck_s(name),
        };
        let Some(latched_s) = shown.measures.latched_s(number) else {
            return line(
                Finding::Broken,
                about,
                format!("{} did not latch", self.code.row().name),
            );
        };
        let took_ms = 1e3 * (latched_s - from_s.unwrap_or(0.0));
        let from = self
            .after
            .as_ref()
            .map_or("power-up".to_owned(), |name| format!("{name:?}"));
        let seen = format!(
            "{} latched {took_ms:.0} ms after {from}",
            self.code.row().name
        );
        // A tick is the finest that a latch can be seen.
        let in_time =
            self.within_ms.is_none_or(|within| took_ms <= within + 1e-6) && took_ms >= 0.0;
        match (in_time, self.within_ms) {
            (false, Some(within)) => line(
                Finding::Broken,
                about,
                format!("{seen}; {within} ms are allowed"),
            ),
            (false, None) => line(Finding::Broken, about, format!("{seen}: before its cause")),
            (true, _) => line(Finding::Holds, about, seen),
        }
    }
}

impl Range {
    fn judge(&self, shown: &Shown<'_>) -> Line {
        let of = format!("{:?}", self.of).to_lowercase();
        let (about, value) = if measure::is_since(&self.what) {
            let index = self.after.as_ref().map_or(Some(0), |name| {
                shown
                    .names
                    .iter()
                    .position(|it| it == name)
                    .map(|it| it + 1)
            });
            let value = index.and_then(|index| shown.measures.since(&self.what, index));
            let from = self
                .after
                .as_ref()
                .map_or("power-up".to_owned(), |name| format!("{name:?}"));
            (format!("{} after {from}", self.what), value)
        } else {
            let tally = shown.measures.tally(&self.what);
            let value = tally.map(|tally| match self.of {
                Of::First => tally.first,
                Of::Last => tally.last,
                Of::Least => tally.least,
                Of::Most => tally.most,
            });
            (format!("{of} {}", self.what), value)
        };
        let Some(value) = value else {
            return line(Finding::NotReached, about, "was never measured".to_owned());
        };
        let seen = format!("{value:.2}; allowed: {}", self.in_words());
        let holds = (self.least..=self.most).contains(&value);
        line(
            if holds {
                Finding::Holds
            } else {
                Finding::Broken
            },
            about,
            seen,
        )
    }

    fn in_words(&self) -> String {
        match (self.least.is_finite(), self.most.is_finite()) {
            (true, true) => format!("{} to {}", self.least, self.most),
            (true, false) => format!("{} and more", self.least),
            _ => format!("up to {}", self.most),
        }
    }
}

pub(super) fn line(finding: Finding, about: String, seen: String) -> Line {
    Line {
        finding,
        about,
        seen,
    }
}

/// The word for a state at the end of a run.
pub(super) fn end_word(stroke: Stroke) -> &'static str {
    match stroke {
        Stroke::PowerUp => "power-up",
        Stroke::Off => "off",
        Stroke::Barring => "barring",
        Stroke::WaitRelease => "wait-release",
        Stroke::Ready => "ready",
        Stroke::ReadyAwayFromTop => "ready-away-from-top",
        Stroke::Inching
        | Stroke::Closing
        | Stroke::Opening
        | Stroke::ContinuousClosing { .. }
        | Stroke::ContinuousRunning
        | Stroke::ContinuousTopStop
        | Stroke::TestStroke => "running",
        Stroke::TopStopping { .. } | Stroke::ImmediateStopping { .. } => "stopping",
        Stroke::Interrupted { .. } => "interrupted",
        Stroke::Armed => "armed",
        Stroke::EmergencyStopped => "emergency-stopped",
        Stroke::FaultLatched => "fault-latched",
    }
}
