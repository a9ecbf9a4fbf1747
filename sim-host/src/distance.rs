//! Safety distance in millimetres and milliseconds, for reports and for `stopwright distance`.
//!
//! The formulas are in the core, in integers; this converts to them, always to the cautious side,
//! checks ranges, and says which clause gave which number. It never picks a rule for the reader.

use serde::Serialize;
use stopwright_core::safety_distance::{
    Approach, Distance, Refusal, ResponseTimes, Rule, RuleText, Standing,
};
use stopwright_core::time::Duration;
use thiserror::Error;

/// Longest time taken, milliseconds.
pub const TIME_MOST_MS: f64 = 60_000.0;
/// Longest distance taken, millimetres.
pub const DISTANCE_MOST_MM: f64 = 20_000.0;

/// What a rule has to know about the device; only the rules that need a value ask for it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Site {
    /// Smallest object surely detected, millimetres.
    pub detection_mm: Option<f64>,
    /// Height of a horizontal field above the floor, millimetres.
    pub field_height_mm: Option<f64>,
    /// Penetration from the graph of 1910.217(h), millimetres.
    pub penetration_mm: Option<f64>,
}

/// Response times, milliseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Responses {
    /// Coil off to standstill, worst of the closing stroke.
    pub stopping_ms: f64,
    /// Request to coil off.
    pub control_ms: f64,
    /// Hand in the field to request.
    pub device_ms: f64,
    /// What the monitor lets pass beyond `stopping_ms`; zero when that already holds the limit.
    pub monitor_allowance_ms: f64,
}

/// Why there is no distance.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum DistanceError {
    /// A number outside its range.
    #[error("{what} is {found} {unit}: allowed is 0 to {most} {unit}")]
    OutOfRange {
        /// Name of the number.
        what: &'static str,
        /// Value given.
        found: f64,
        /// Greatest value.
        most: f64,
        /// Unit of both.
        unit: &'static str,
    },
    /// The rule needs a value that was not given.
    #[error("rule {rule} needs {what}")]
    Missing {
        /// Name of the rule.
        rule: &'static str,
        /// What it needs.
        what: &'static str,
    },
    /// The device is outside what the rule covers.
    #[error("rule {rule} does not cover {what}: allowed is {least_mm} to {most_mm} mm")]
    NotCovered {
        /// Name of the rule.
        rule: &'static str,
        /// What is outside.
        what: &'static str,
        /// Smallest value covered, millimetres.
        least_mm: f64,
        /// Greatest value covered, millimetres.
        most_mm: f64,
    },
    /// No such rule.
    #[error("no rule is called {found:?}: known are {known}")]
    UnknownRule {
        /// Name given.
        found: String,
        /// All names.
        known: String,
    },
    /// Nothing was asked.
    #[error("give a stopping time for a distance, an installed distance for a time, or both")]
    NothingAsked,
}

/// What `stopwright distance` was asked.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Question {
    /// Rules to apply, each by itself.
    pub rules: Vec<Rule>,
    /// The device.
    pub site: Site,
    /// Stopping time, milliseconds, when the distance is wanted.
    pub stopping_ms: Option<f64>,
    /// Request to coil off, milliseconds.
    pub control_ms: f64,
    /// Hand in the field to request, milliseconds.
    pub device_ms: f64,
    /// What the monitor lets pass beyond the stopping time, milliseconds.
    pub monitor_allowance_ms: f64,
    /// Distance in place, millimetres, when the longest stopping time is wanted.
    pub installed_mm: Option<f64>,
}

/// What one rule answers.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// Name of the rule.
    pub rule: &'static str,
    /// Document and edition.
    pub edition: &'static str,
    /// Clause.
    pub clause: &'static str,
    /// What the clause asks, in our words.
    pub asks: &'static str,
    /// The times it adds.
    pub adds: &'static str,
    /// Whether the formula is from memory and has to be checked against the document.
    pub from_memory: bool,
    /// The time multiplied by the hand speed, milliseconds.
    pub total_ms: Option<f64>,
    /// Smallest distance for the stopping time, millimetres.
    pub required_mm: Option<f64>,
    /// Distance in place, millimetres.
    pub installed_mm: Option<f64>,
    /// Longest stopping time for it, milliseconds; none when no stop is short enough.
    pub longest_stopping_ms: Option<f64>,
    /// Whether the distance in place is enough for the stopping time.
    pub is_enough: Option<bool>,
}

/// The rule of that name.
///
/// # Errors
/// [`DistanceError::UnknownRule`], which lists the names.
pub fn rule_named(name: &str) -> Result<Rule, DistanceError> {
    let found = Rule::ALL.into_iter().find(|rule| rule.text().name == name);
    found.ok_or_else(|| DistanceError::UnknownRule {
        found: name.to_owned(),
        known: Rule::ALL.map(|rule| rule.text().name).join(", "),
    })
}

/// Smallest distance that satisfies `rule`, millimetres, rounded up to a micrometre.
///
/// # Errors
/// A value missing or out of range.
pub fn required_mm(rule: Rule, site: &Site, responses: &Responses) -> Result<f64, DistanceError> {
    let required = rule.distance(approach(site)?, response_times(responses)?);
    Ok(millimetres(
        required.map_err(|refusal| refused(rule, refusal))?,
    ))
}

/// Longest stopping time that `installed_mm` allows once the other responses are taken off,
/// milliseconds, rounded down to a microsecond; none when nothing is left.
///
/// # Errors
/// A value missing or out of range.
pub fn longest_stopping_ms(
    rule: Rule,
    site: &Site,
    installed_mm: f64,
    others: &Responses,
) -> Result<Option<f64>, DistanceError> {
    let installed = micrometres("the installed distance", installed_mm, f64::floor)?;
    let longest = rule.longest_stopping(approach(site)?, installed, response_times(others)?);
    let longest = longest.map_err(|refusal| refused(rule, refusal))?;
    Ok(longest.map(|time| f64::from(time.as_micros()) / 1_000.0))
}

/// Answers for each rule, or every problem found.
///
/// # Errors
/// All problems at once.
pub fn answer(question: &Question) -> Result<Vec<Answer>, Vec<DistanceError>> {
    if question.stopping_ms.is_none() && question.installed_mm.is_none() {
        return Err(vec![DistanceError::NothingAsked]);
    }
    let mut answers = Vec::new();
    let mut problems: Vec<DistanceError> = Vec::new();
    for rule in &question.rules {
        match answer_one(*rule, question) {
            Ok(found) => answers.push(found),
            // By text, because a number that is none is not equal to itself.
            Err(problem)
                if problems
                    .iter()
                    .any(|p| p.to_string() == problem.to_string()) => {}
            Err(problem) => problems.push(problem),
        }
    }
    if problems.is_empty() {
        Ok(answers)
    } else {
        Err(problems)
    }
}

/// The answers as text for a reader.
pub fn to_text(answers: &[Answer]) -> String {
    answers
        .iter()
        .map(answer_text)
        .collect::<Vec<_>>()
        .join("\n")
}

fn answer_one(rule: Rule, question: &Question) -> Result<Answer, DistanceError> {
    let responses = Responses {
        stopping_ms: question.stopping_ms.unwrap_or(0.0),
        control_ms: question.control_ms,
        device_ms: question.device_ms,
        monitor_allowance_ms: question.monitor_allowance_ms,
    };
    let required = required_mm(rule, &question.site, &responses)?;
    let required_mm = question.stopping_ms.map(|_| required);
    let longest = match question.installed_mm {
        Some(installed) => longest_stopping_ms(rule, &question.site, installed, &responses)?,
        None => None,
    };
    let total = rule.total_time(response_times(&responses)?);
    let RuleText {
        name,
        edition,
        clause,
        asks,
        adds,
        standing,
    } = *rule.text();
    Ok(Answer {
        rule: name,
        edition,
        clause,
        asks,
        adds,
        from_memory: standing == Standing::FromMemory,
        total_ms: question
            .stopping_ms
            .map(|_| f64::from(total.as_micros()) / 1_000.0),
        required_mm,
        installed_mm: question.installed_mm,
        longest_stopping_ms: longest,
        is_enough: required_mm
            .zip(question.installed_mm)
            .map(|(needed, there)| there >= needed),
    })
}

fn answer_text(answer: &Answer) -> String {
    let mut text = format!("{}  ({}, {})\n", answer.rule, answer.edition, answer.clause);
    text += &format!("  asks: {}\n  adds: {}\n", answer.asks, answer.adds);
    if answer.from_memory {
        text += "  this formula is from memory: check it against the document\n";
    }
    if let (Some(total), Some(required)) = (answer.total_ms, answer.required_mm) {
        text += &format!("  total time {total:.3} ms: at least {required:.3} mm\n");
    }
    text + &installed_text(answer)
}

fn installed_text(answer: &Answer) -> String {
    let Some(installed) = answer.installed_mm else {
        return String::new();
    };
    let longest = match answer.longest_stopping_ms {
        Some(longest) => format!("allows a stopping time of at most {longest:.3} ms"),
        None => "allows no stopping time at all".to_owned(),
    };
    let verdict = match answer.is_enough {
        Some(true) => "; it is enough",
        Some(false) => "; it is NOT enough",
        None => "",
    };
    format!("  {installed} mm installed {longest}{verdict}\n")
}

fn approach(site: &Site) -> Result<Approach, DistanceError> {
    let optional = |what, value: Option<f64>, rounding: fn(f64) -> f64| {
        value
            .map(|value| micrometres(what, value, rounding))
            .transpose()
    };
    Ok(Approach {
        detection: optional("the detection capability", site.detection_mm, f64::ceil)?,
        // A higher field asks for less distance, so a height is rounded down.
        field_height: optional("the field height", site.field_height_mm, f64::floor)?,
        penetration: optional("the penetration", site.penetration_mm, f64::ceil)?,
    })
}

fn response_times(responses: &Responses) -> Result<ResponseTimes, DistanceError> {
    Ok(ResponseTimes {
        stopping: duration("the stopping time", responses.stopping_ms)?,
        control: duration("the control response", responses.control_ms)?,
        device: duration("the device response", responses.device_ms)?,
        monitor_allowance: duration("the monitor allowance", responses.monitor_allowance_ms)?,
    })
}

fn duration(what: &'static str, time_ms: f64) -> Result<Duration, DistanceError> {
    if !(0.0..=TIME_MOST_MS).contains(&time_ms) {
        return Err(DistanceError::OutOfRange {
            what,
            found: time_ms,
            most: TIME_MOST_MS,
            unit: "ms",
        });
    }
    Ok(Duration::from_micros(thousandths(time_ms, f64::ceil)))
}

fn micrometres(
    what: &'static str,
    distance_mm: f64,
    rounding: fn(f64) -> f64,
) -> Result<Distance, DistanceError> {
    if !(0.0..=DISTANCE_MOST_MM).contains(&distance_mm) {
        let found = distance_mm;
        return Err(DistanceError::OutOfRange {
            what,
            found,
            most: DISTANCE_MOST_MM,
            unit: "mm",
        });
    }
    Ok(Distance::from_micrometres(thousandths(
        distance_mm,
        rounding,
    )))
}

/// Rounds a number of thousandths, but takes what is within a billionth of a whole number as that
/// number: 0.147 s written in binary must not become 147 001 µs.
fn thousandths(value: f64, rounding: fn(f64) -> f64) -> u32 {
    let scaled = value * 1_000.0;
    let whole = scaled.round();
    let rounded = if (scaled - whole).abs() < 1e-6 {
        whole
    } else {
        rounding(scaled)
    };
    rounded as u32
}

fn millimetres(distance: Distance) -> f64 {
    f64::from(distance.as_micrometres()) / 1_000.0
}

fn refused(rule: Rule, refusal: Refusal) -> DistanceError {
    let rule = rule.text().name;
    let missing = |what| DistanceError::Missing { rule, what };
    let not_covered = |what, least, most| DistanceError::NotCovered {
        rule,
        what,
        least_mm: millimetres(least),
        most_mm: millimetres(most),
    };
    match refusal {
        Refusal::DetectionMissing => missing("the detection capability"),
        Refusal::HeightMissing => missing("the height of the field"),
        Refusal::PenetrationMissing => missing("the penetration from graph h-1"),
        Refusal::DetectionTooCoarse { most } => {
            not_covered("this detection capability", Distance::ZERO, most)
        }
        Refusal::HeightOutOfRange { least, most } => {
            not_covered("a field of this height", least, most)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn question() -> Question {
        Question {
            rules: vec![Rule::UsStoppingTime, Rule::IsoOrthogonal2010],
            site: Site {
                detection_mm: Some(14.0),
                ..Site::default()
            },
            stopping_ms: Some(138.0),
            control_ms: 8.0,
            device_ms: 20.0,
            monitor_allowance_ms: 0.0,
            installed_mm: Some(330.0),
        }
    }

    #[test]
    fn one_question_is_answered_by_each_rule_with_its_clause() {
        let answers = answer(&question()).unwrap();
        assert_eq!(answers[0].required_mm, Some(265.634));
        assert_eq!(answers[0].is_enough, Some(true));
        assert_eq!(answers[1].required_mm, Some(332.0));
        assert_eq!(answers[1].is_enough, Some(false));
        assert_eq!(answers[1].longest_stopping_ms, Some(137.0));
        let text = to_text(&answers);
        assert!(
            text.contains("1910.217") && text.contains("NOT enough"),
            "{text}"
        );
    }

    #[test]
    fn every_problem_is_named_with_the_allowed_range() {
        let mut wrong = question();
        wrong.site.detection_mm = Some(80.0);
        wrong.rules.push(Rule::UsDeviceInitiated);
        let problems = answer(&wrong).unwrap_err();
        let texts: Vec<String> = problems.iter().map(ToString::to_string).collect();
        assert_eq!(texts.len(), 2, "{texts:?}");
        assert!(texts[0].contains("iso-orthogonal-2010") && texts[0].contains("0 to 70 mm"));
        wrong.stopping_ms = Some(f64::NAN);
        let problems = answer(&wrong).unwrap_err();
        assert_eq!(problems.len(), 1);
        assert!(problems[0].to_string().contains("0 to 60000 ms"));
    }

    #[test]
    fn names_lead_to_rules_and_back() {
        for rule in Rule::ALL {
            assert_eq!(rule_named(rule.text().name), Ok(rule));
        }
        let problem = rule_named("iso").unwrap_err().to_string();
        assert!(problem.contains("iso-orthogonal-2010"), "{problem}");
    }

    #[test]
    fn rounding_goes_to_the_cautious_side() {
        let site = Site {
            detection_mm: Some(14.0),
            ..Site::default()
        };
        let stop = |stopping_ms| Responses {
            stopping_ms,
            ..Responses::default()
        };
        let rule = Rule::IsoOrthogonal2010;
        assert_eq!(required_mm(rule, &site, &stop(147.0)), Ok(294.0));
        assert_eq!(required_mm(rule, &site, &stop(147.000_1)), Ok(294.002));
        let longest = longest_stopping_ms(rule, &site, 299.999_9, &stop(0.0));
        assert_eq!(longest, Ok(Some(149.999)));
    }
}
