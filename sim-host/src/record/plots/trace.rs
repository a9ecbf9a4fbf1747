//! Signals of a run over time, one panel under the other.

use super::axis::Axis;
use super::ink::MEASURED;
use super::panel::{Panel, figure as draw};
use maud::html;

const PANEL: f64 = 70.0;
const GAP: f64 = 16.0;
const TOP: f64 = 12.0;
const AXIS: f64 = 46.0;

/// One signal.
#[derive(Clone, Debug)]
pub struct Curve {
    /// Its name, with its unit.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// Time, s, and value; what is not finite is a gap.
    pub points: Vec<(f64, f64)>,
}

/// The picture as a whole SVG file.
pub fn svg(title: &str, curves: &[Curve]) -> String {
    let time = Axis::ending_with(curves.iter().flat_map(|it| it.points.iter().map(|p| p.0)));
    let panels: Vec<(Panel, &Curve)> = curves
        .iter()
        .enumerate()
        .map(|(index, curve)| {
            let values = Axis::covering(curve.points.iter().map(|point| point.1));
            let top = TOP + index as f64 * (PANEL + GAP);
            (Panel::new(time.clone(), values, top, PANEL), curve)
        })
        .collect();
    let drawing = html! {
        @for (index, (panel, curve)) in panels.iter().enumerate() {
            (panel.vertical_axis(curve.name))
            @if index + 1 == panels.len() { (panel.horizontal_axis("time since power-up (s)")) }
            @else { (panel.horizontal_grid()) }
            @for part in parts(&curve.points) { (panel.line(part.iter().copied(), MEASURED)) }
            (panel.border())
        }
    };
    let names: Vec<String> = curves
        .iter()
        .map(|it| format!("{}: {}", it.name, it.what))
        .collect();
    let depth = TOP + curves.len() as f64 * (PANEL + GAP) + AXIS;
    let markup = draw("trace", title, &names.join("; "), &drawing, depth, &[]);
    format!("{}\n", markup.into_string())
}

/// The stretches between gaps.
fn parts(points: &[(f64, f64)]) -> Vec<&[(f64, f64)]> {
    points
        .split(|point| !point.1.is_finite())
        .filter(|part| !part.is_empty())
        .collect()
}
