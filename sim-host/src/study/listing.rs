//! Stops as a table of text.

use super::{RecordedStop, StopKind};

const HEADER: [&str; 14] = [
    "recording",
    "stop",
    "kind",
    "command s",
    "command deg",
    "speed SPM",
    "time ms",
    "+- ms",
    "travel deg",
    "rest deg",
    "overrun deg",
    "reaction ms",
    "braking ms",
    "remarks",
];

/// The stops as aligned columns, one line a stop under a line of headings with units. `+- ms` is
/// the half width of the 95 % interval of the time.
pub fn stop_table(stops: &[RecordedStop]) -> String {
    let mut rows = vec![HEADER.map(String::from)];
    rows.extend(stops.iter().map(row));
    let widths: [usize; HEADER.len()] = std::array::from_fn(|column| {
        rows.iter()
            .map(|row| row[column].chars().count())
            .max()
            .unwrap_or(0)
    });
    rows.iter().map(|row| line(row, &widths)).collect()
}

fn row(stop: &RecordedStop) -> [String; HEADER.len()] {
    [
        stop.recording.clone(),
        stop.index.to_string(),
        match stop.kind {
            StopKind::TopStop => "top stop".into(),
            StopKind::MidStroke => "mid-stroke".into(),
        },
        format!("{:.4}", stop.command_time_s),
        format!("{:.2}", stop.command_deg),
        format!("{:.2}", stop.speed_spm),
        format!("{:.1}", stop.time_ms),
        format!("{:.1}", stop.time_uncertainty_ms),
        format!("{:.2}", stop.travel_deg),
        format!("{:.2}", stop.rest_deg),
        format!("{:+.2}", stop.overrun_deg),
        format!("{:.1}", stop.reaction_ms),
        format!("{:.1}", stop.braking_ms),
        stop.remarks.join("; "),
    ]
}

fn line(row: &[String; HEADER.len()], widths: &[usize; HEADER.len()]) -> String {
    let is_text = |column: usize| matches!(column, 0 | 2 | 13);
    let cell = |(column, (cell, &width)): (usize, (&String, &usize))| {
        if is_text(column) {
            format!("{cell:<width$}")
        } else {
            format!("{cell:>width$}")
        }
    };
    let cells: Vec<String> = row.iter().zip(widths).enumerate().map(cell).collect();
    format!("{}\n", cells.join("  ").trim_end())
}
