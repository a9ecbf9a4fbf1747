//! The plots of the record, as SVG text that needs nothing from outside.
//!
//! Drawn by hand rather than by a plotting library: a figure here carries its own name and
//! description for a reader who cannot see it, a legend outside the data, and a dash or a shape
//! for every colour; and equal records give equal text.

mod axis;
mod convergence;
mod distance;
mod ink;
mod matrix;
mod panel;
mod signature;
mod stop_curve;
pub mod trace;

use super::model::Record;
use maud::Markup;

/// A plot with what is said around it.
#[derive(Clone, Debug)]
pub struct Figure {
    /// Unique in the page.
    pub id: String,
    /// What it shows, in one line.
    pub title: String,
    /// How to read it.
    pub caption: String,
    /// The drawing.
    pub svg: Markup,
}

/// Stops over time, one figure per signature whose stop is known.
pub fn stop_signatures(record: &Record) -> Vec<Figure> {
    let draw = |(index, drawn)| signature::figure(record, index, drawn);
    record
        .stop_signatures
        .iter()
        .enumerate()
        .filter_map(draw)
        .collect()
}

/// Stopping times of all cells side by side; none without cells.
pub fn stop_matrix(record: &Record) -> Option<Figure> {
    (!record.stop_matrix.cells.is_empty()).then(|| matrix::figure(record))
}

/// Travel over speed; none without a curve.
pub fn stop_curve(record: &Record) -> Option<Figure> {
    record.stop_curve.as_ref().map(stop_curve::figure)
}

/// How the release angle was found and held, one figure per speed and mode.
pub fn convergence(record: &Record) -> Vec<Figure> {
    record
        .top_stops
        .iter()
        .enumerate()
        .filter_map(|(i, t)| convergence::figure(i, t))
        .collect()
}

/// Required distance over the latch limit, one figure per speed.
pub fn distances(record: &Record) -> Vec<Figure> {
    distance::figures(record)
}
