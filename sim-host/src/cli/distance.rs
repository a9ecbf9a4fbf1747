//! `stopwright distance`.

use super::{Problem, quantity, say};
use crate::distance::{Question, Site, answer, rule_named, to_text};
use stopwright_core::safety_distance::Rule;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Stopping time, coil off to standstill, with its unit: asks for the distance.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms)]
    stopping: Option<f64>,
    /// Installed distance, with its unit: asks for the longest stopping time.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm)]
    installed: Option<f64>,
    /// From request to coil off, with its unit.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms, default_value = "0ms")]
    control: f64,
    /// From the hand in the field to the request, with its unit.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms, default_value = "0ms")]
    device: f64,
    /// What the stopping-performance monitor lets pass beyond the stopping time.
    #[arg(long, value_name = "TIME", value_parser = quantity::time_ms, default_value = "0ms")]
    allowance: f64,
    /// Detection capability, with its unit.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm)]
    detection: Option<f64>,
    /// Height of a horizontal field above the floor, with its unit.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm)]
    height: Option<f64>,
    /// Penetration read from the graph of 1910.217(h), with its unit.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm)]
    penetration: Option<f64>,
    /// Rule, by name; may be given more than once.
    #[arg(long = "rule", value_name = "NAME", value_parser = rule_named)]
    rules: Vec<Rule>,
    /// List the rules and what their clauses ask.
    #[arg(long)]
    list: bool,
    /// Print the answers as JSON.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    if arguments.list {
        for rule in Rule::ALL {
            let text = rule.text();
            say(&format!(
                "{:<22} {}, {}: {}\n",
                text.name, text.edition, text.clause, text.asks
            ))?;
        }
        return Ok(0);
    }
    let mut rules = arguments.rules.clone();
    if rules.is_empty() {
        rules.extend(super::RULES);
    }
    let question = Question {
        rules,
        site: Site {
            detection_mm: arguments.detection,
            field_height_mm: arguments.height,
            penetration_mm: arguments.penetration,
        },
        stopping_ms: arguments.stopping,
        control_ms: arguments.control,
        device_ms: arguments.device,
        monitor_allowance_ms: arguments.allowance,
        installed_mm: arguments.installed,
    };
    let answers = answer(&question).map_err(|problems| {
        problems
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join("\nerror: ")
    })?;
    if arguments.json {
        say(&(serde_json::to_string_pretty(&answers)? + "\n"))?;
    } else {
        say(&(to_text(&answers) + "\n"))?;
    }
    Ok(0)
}
