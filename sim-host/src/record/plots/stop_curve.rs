//! Stopping travel over speed, with the curve fitted to it.

use super::Figure;
use super::axis::Axis;
use super::ink::{BLUE, FITTED, Shape};
use super::panel::{Key, Panel, figure as draw};
use crate::record::model::StopCurve;
use crate::record::numbers::near;
use maud::html;

/// Points along the fitted curve.
const POINTS: u32 = 40;

pub(super) fn figure(curve: &StopCurve) -> Figure {
    let speeds = Axis::covering(curve.points.iter().map(|p| p.speed_spm).chain([0.0]));
    let fitted = |n: f64| (n, curve.a_deg_per_spm * n + curve.b_deg_per_spm2 * n * n);
    let high = speeds.high;
    let line = || (0..=POINTS).map(|i| fitted(high * f64::from(i) / f64::from(POINTS)));
    let measured = || curve.points.iter().map(|p| (p.speed_spm, p.travel_deg));
    let travels = Axis::covering(line().chain(measured()).map(|p| p.1));
    let panel = Panel::new(speeds, travels, 12.0, 220.0);
    let drawing = html! {
        (panel.vertical_axis("stopping travel (deg)"))
        (panel.horizontal_axis("crank speed N (SPM)"))
        (panel.line(line(), FITTED))
        (panel.marks(measured(), Shape::Square, BLUE))
        (panel.border())
    };
    let formula = format!(
        "a N + b N², a = {}, b = {}",
        near(curve.a_deg_per_spm, 4),
        near(curve.b_deg_per_spm2, 6)
    );
    let keys = [
        Key::mark(Shape::Square, BLUE, "mean of one speed"),
        Key::line(FITTED, format!("fit: {formula}")),
    ];
    let id = "stop-curve".to_owned();
    let title = "Stopping travel over speed".to_owned();
    let description = format!("Travel grows with speed as {formula}.");
    let svg = draw(&id, &title, &description, &drawing, 282.0, &keys);
    let caption = format!(
        "The linear part is reaction ({} ms), the quadratic part braking; the points lie within \
         {} deg of the curve.",
        near(curve.reaction_ms, 1),
        near(curve.residual_worst_deg, 2)
    );
    Figure {
        id,
        title,
        caption,
        svg,
    }
}
