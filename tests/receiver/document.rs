//! docs/RECEIVER.md says what the tests find.

use crate::presses::Press;
use stopwright_core::receiver::{Config, Settings};

const DOCUMENT: &str = include_str!("../../docs/RECEIVER.md");

#[track_caller]
pub(crate) fn holds(rows: &[String]) {
    let lacks = |row: &&String| !DOCUMENT.contains(row.as_str());
    let missing: Vec<&String> = rows.iter().filter(lacks).collect();
    assert!(missing.is_empty(), "docs/RECEIVER.md lacks: {missing:#?}");
}

/// The row of one press: its settings, its gate, its errors.
pub(crate) fn row(press: &Press, settings: Settings, at_rest: f64, always: f64) -> String {
    let config = Config::try_new(settings).expect("settings that hold together");
    let degrees = |counts: u32| f64::from(counts) / 4_294_967_296.0 * 360.0;
    let gate = degrees(config.disagreement(0));
    let predicted = degrees(config.disagreement(50)) - gate;
    format!(
        "| {} | {:.0} | {} | {gate:.2} | {predicted:.2} | {at_rest:.2} | {always:.2} |",
        press.name,
        press.engagement_deg_s2(),
        settings.bandwidth_hz,
    )
}
