//! How the release angle was found, and how it was held: up to three panels above each other.

use super::Figure;
use super::axis::Axis;
use super::ink::{BLUE, BOUND, CONNECT, MEASURED, Shape, TARGET, WINDOW};
use super::panel::{Key, Panel, figure as draw, text};
use crate::record::model::{CompensationHold, SearchStep, TopStop};
use crate::record::numbers::{near, plain};
use maud::{Markup, html};

const SEARCH_TOP: f64 = 12.0;
const SEARCH_HEIGHT: f64 = 120.0;
const SEARCH_DEPTH: f64 = SEARCH_TOP + SEARCH_HEIGHT + 70.0;
const HOLD_HEIGHT: f64 = 92.0;
const HOLD_GAP: f64 = 24.0;
const HOLD_DEPTH: f64 = 2.0 * HOLD_HEIGHT + HOLD_GAP + 52.0;

pub(super) fn figure(index: usize, stop: &TopStop) -> Option<Figure> {
    if stop.search.is_empty() && stop.hold.is_none() {
        return None;
    }
    let hold = stop.hold.as_ref().filter(|hold| !hold.strokes.is_empty());
    let depth = if hold.is_some() {
        SEARCH_DEPTH + HOLD_DEPTH
    } else {
        SEARCH_DEPTH
    };
    let drawing = html! {
        (search(stop))
        @if let Some(hold) = hold { (held(stop, hold)) }
    };
    let id = format!("release-angle-{}", index + 1);
    let speed = plain(stop.speed_spm, 1);
    let title = format!("Release angle found and held: {} at {speed} SPM", stop.mode);
    let svg = draw(
        &id,
        &title,
        &describe(stop),
        &drawing,
        depth,
        &keys(hold.is_some()),
    );
    let caption = match hold {
        Some(hold) => format!(
            "Above, the supervised search: each point is a mean of several stops. Below, single \
             strokes under the running compensation, which used at most {} % of its authority.",
            near(hold.authority_used_ratio * 100.0, 0)
        ),
        None => "The supervised search: each point is a mean of several stops.".to_owned(),
    };
    Some(Figure {
        id,
        title,
        caption,
        svg,
    })
}

/// Mean rest over correction; the angle tried stands under each number.
fn search(stop: &TopStop) -> Markup {
    let last = stop
        .search
        .iter()
        .map(|step| step.correction)
        .max()
        .unwrap_or(0);
    let spread = |s: &SearchStep| s.rest_sd_deg.unwrap_or(0.0);
    let ends = |s: &SearchStep| [s.rest_mean_deg - spread(s), s.rest_mean_deg + spread(s)];
    let rests = Axis::covering(stop.search.iter().flat_map(ends).chain(window(stop)));
    let panel = Panel::new(Axis::of_categories(last), rests, SEARCH_TOP, SEARCH_HEIGHT);
    let means = || {
        stop.search
            .iter()
            .map(|s| (f64::from(s.correction), s.rest_mean_deg))
    };
    html! {
        (window_and_target(&panel, stop))
        (panel.vertical_axis("mean rest (deg)"))
        (panel.horizontal_ticks())
        (panel.horizontal_title("correction made, and below it the release angle tried (deg)", 54.0))
        @for step in &stop.search {
            @let x = f64::from(step.correction);
            (panel.line(ends(step).map(|y| (x, y)), MEASURED))
            (text((panel.x(x), SEARCH_TOP + SEARCH_HEIGHT + 34.0), "middle", &format!("{}°", near(step.release_deg, 1))))
        }
        (panel.line(means(), CONNECT))
        (panel.marks(means(), Shape::Square, BLUE))
        (panel.border())
    }
}

/// Rest and release angle of each stroke.
fn held(stop: &TopStop, hold: &CompensationHold) -> Markup {
    let bounds = stop.release_deg.map(|deg| {
        [
            deg - hold.authority_early_deg,
            deg + hold.authority_late_deg,
        ]
    });
    let stroke = |part: fn(&crate::record::model::HoldStroke) -> f64| {
        hold.strokes
            .iter()
            .map(move |s| (f64::from(s.stroke), part(s)))
    };
    let strokes = Axis::ending_with(stroke(|s| s.rest_deg).map(|p| p.0 + 1.0).chain([0.0]));
    let rests = Axis::covering(stroke(|s| s.rest_deg).map(|p| p.1).chain(window(stop)));
    let releases = stroke(|s| s.release_deg).map(|p| p.1);
    let releases = Axis::covering(releases.chain(bounds.into_iter().flatten()));
    let top = SEARCH_DEPTH;
    let rest = Panel::new(strokes.clone(), rests, top, HOLD_HEIGHT);
    let release = Panel::new(strokes, releases, top + HOLD_HEIGHT + HOLD_GAP, HOLD_HEIGHT);
    html! {
        (window_and_target(&rest, stop))
        (rest.vertical_axis("rest (deg)")) (rest.horizontal_grid())
        (rest.marks(stroke(|s| s.rest_deg), Shape::Ring, BLUE))
        (rest.border())
        (release.vertical_axis("release (deg)"))
        (release.horizontal_axis("stroke under the running compensation"))
        @for bound in bounds.into_iter().flatten() { (release.at_y(bound, BOUND)) }
        (release.line(stroke(|s| s.release_deg), MEASURED))
        (release.border())
    }
}

fn window(stop: &TopStop) -> [f64; 3] {
    [
        -stop.window.short_deg,
        stop.window.past_deg,
        stop.target_deg,
    ]
}

fn window_and_target(panel: &Panel, stop: &TopStop) -> Markup {
    html! {
        (panel.band(-stop.window.short_deg, stop.window.past_deg, WINDOW))
        (panel.at_y(stop.target_deg, TARGET))
    }
}

fn keys(is_held: bool) -> Vec<Key> {
    let mut keys = vec![
        Key::line_and_mark(MEASURED, Shape::Square, "mean rest ± 1 std. dev."),
        Key::line(TARGET, "rest aimed at"),
        Key::band(WINDOW, "counts as the top"),
    ];
    if is_held {
        keys.push(Key::mark(Shape::Ring, BLUE, "rest of one stroke"));
        keys.push(Key::line(MEASURED, "release angle in force"));
        keys.push(Key::line(BOUND, "bounds of compensation"));
    }
    keys
}

fn describe(stop: &TopStop) -> String {
    let steps: Vec<String> = stop
        .search
        .iter()
        .map(|s| {
            format!(
                "released at {} deg, mean rest {} deg",
                near(s.release_deg, 1),
                near(s.rest_mean_deg, 1)
            )
        })
        .collect();
    format!(
        "Rest of the crank, positive past the top. {}.",
        steps.join("; then ")
    )
}
