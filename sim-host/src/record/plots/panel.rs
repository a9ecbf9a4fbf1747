//! One pair of axes with what is drawn between them, and the whole figure around the panels.

use super::axis::Axis;
use super::ink::{BLACK, GREY, Ink, PALE, Shape, px};
use crate::record::numbers::near;
use maud::{Markup, html};

/// Width of every figure, in its own pixels; it scales with the page. Narrow, so that a phone
/// does not have to scroll and letters stay large beside the lines.
pub(super) const WIDTH: f64 = 520.0;
const RIGHT: f64 = 14.0;
const FONT: &str = "13";

const LEFT: f64 = 62.0;

/// Axes in a box.
pub(super) struct Panel {
    pub(super) x: Axis,
    pub(super) y: Axis,
    left: f64,
    top: f64,
    height: f64,
}

impl Panel {
    pub(super) fn new(x: Axis, y: Axis, top: f64, height: f64) -> Self {
        Self {
            x,
            y,
            left: LEFT,
            top,
            height,
        }
    }

    /// With more room for words on the left.
    pub(super) fn indented(self, left: f64) -> Self {
        Self { left, ..self }
    }

    fn right(&self) -> f64 {
        WIDTH - RIGHT
    }

    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    pub(super) fn x(&self, value: f64) -> f64 {
        self.left + self.x.share(value) * (self.right() - self.left)
    }

    pub(super) fn y(&self, value: f64) -> f64 {
        self.bottom() - self.y.share(value) * self.height
    }

    pub(super) fn point(&self, (x, y): (f64, f64)) -> (f64, f64) {
        (self.x(x), self.y(y))
    }

    /// Grid, border, tick labels of the vertical axis and its title.
    pub(super) fn vertical_axis(&self, title: &str) -> Markup {
        html! {
            @for tick in &self.y.ticks {
                (rule((self.left, self.y(*tick)), (self.right(), self.y(*tick)), PALE))
                (text((self.left - 7.0, self.y(*tick) + 4.5), "end", &label(*tick, &self.y)))
            }
            (upright_text((15.0, self.top + self.height / 2.0), title))
        }
    }

    /// Grid of the horizontal axis alone, for a panel that shares the axis of the one below.
    pub(super) fn horizontal_grid(&self) -> Markup {
        html! {
            @for tick in &self.x.ticks {
                (rule((self.x(*tick), self.top), (self.x(*tick), self.bottom()), PALE))
            }
        }
    }

    /// Grid and tick labels of the horizontal axis.
    pub(super) fn horizontal_ticks(&self) -> Markup {
        html! {
            (self.horizontal_grid())
            @for tick in &self.x.ticks {
                (text((self.x(*tick), self.bottom() + 18.0), "middle", &label(*tick, &self.x)))
            }
        }
    }

    /// Grid, tick labels and title of the horizontal axis.
    pub(super) fn horizontal_axis(&self, title: &str) -> Markup {
        html! { (self.horizontal_ticks()) (self.horizontal_title(title, 38.0)) }
    }

    /// Title of the horizontal axis, so far below the panel.
    pub(super) fn horizontal_title(&self, title: &str, below: f64) -> Markup {
        let middle = (self.left + self.right()) / 2.0;
        html! { (text((middle, self.bottom() + below), "middle", title)) }
    }

    /// The border, drawn last so that grid and lines end under it.
    pub(super) fn border(&self) -> Markup {
        html! {
            rect x=(px(self.left)) y=(px(self.top)) width=(px(self.right() - self.left))
                height=(px(self.height)) fill="none" stroke=(GREY) {}
        }
    }

    pub(super) fn line(&self, points: impl IntoIterator<Item = (f64, f64)>, ink: Ink) -> Markup {
        let points: Vec<String> = points
            .into_iter()
            .map(|p| self.point(p))
            .map(|(x, y)| format!("{},{}", px(x), px(y)))
            .collect();
        html! {
            polyline points=(points.join(" ")) fill="none" stroke=(ink.colour)
                stroke-width=(ink.width) stroke-dasharray=[dash(ink)] stroke-linejoin="round" {}
        }
    }

    pub(super) fn marks(
        &self,
        points: impl IntoIterator<Item = (f64, f64)>,
        shape: Shape,
        colour: &str,
    ) -> Markup {
        html! { @for point in points { (shape.at(self.point(point), colour)) } }
    }

    /// A line across the whole height at a value of the horizontal axis.
    pub(super) fn at_x(&self, value: f64, ink: Ink) -> Markup {
        let x = self.x(value);
        stroke((x, self.top), (x, self.bottom()), ink)
    }

    /// A line across the whole width at a value of the vertical axis.
    pub(super) fn at_y(&self, value: f64, ink: Ink) -> Markup {
        let y = self.y(value);
        stroke((self.left, y), (self.right(), y), ink)
    }

    /// A shaded strip between two values of the vertical axis.
    pub(super) fn band(&self, low: f64, high: f64, colour: &str) -> Markup {
        html! {
            rect x=(px(self.left)) y=(px(self.y(high))) width=(px(self.right() - self.left))
                height=(px((self.y(low) - self.y(high)).max(0.0))) fill=(colour) {}
        }
    }
}

/// What a line, mark or strip means.
pub(super) struct Key {
    swatch: Swatch,
    text: String,
}

enum Swatch {
    Line(Ink),
    Mark(Shape, &'static str),
    LineAndMark(Ink, Shape),
    Band(&'static str),
}

impl Key {
    pub(super) fn line(ink: Ink, text: impl Into<String>) -> Self {
        Self {
            swatch: Swatch::Line(ink),
            text: text.into(),
        }
    }

    pub(super) fn mark(shape: Shape, colour: &'static str, text: impl Into<String>) -> Self {
        Self {
            swatch: Swatch::Mark(shape, colour),
            text: text.into(),
        }
    }

    pub(super) fn line_and_mark(ink: Ink, shape: Shape, text: impl Into<String>) -> Self {
        Self {
            swatch: Swatch::LineAndMark(ink, shape),
            text: text.into(),
        }
    }

    pub(super) fn band(colour: &'static str, text: impl Into<String>) -> Self {
        Self {
            swatch: Swatch::Band(colour),
            text: text.into(),
        }
    }

    fn draw(&self, x: f64, y: f64) -> Markup {
        let line = |ink: Ink| stroke((x, y), (x + 30.0, y), ink);
        html! {
            @match self.swatch {
                Swatch::Line(ink) => { (line(ink)) }
                Swatch::Mark(shape, colour) => { (shape.at((x + 15.0, y), colour)) }
                Swatch::LineAndMark(ink, shape) => { (line(ink)) (shape.at((x + 15.0, y), ink.colour)) }
                Swatch::Band(colour) => {
                    rect x=(px(x)) y=(px(y - 7.0)) width="30" height="14" fill=(colour) stroke=(GREY) stroke-width="0.5" {}
                }
            }
            (text((x + 38.0, y + 4.5), "start", &shorten(&self.text)))
        }
    }
}

/// Longest legend line that surely fits, in letters.
const KEY_MOST: usize = 62;
/// Longest that fits in half the width.
const KEY_HALF: usize = 27;
const KEY_ROW: f64 = 21.0;

/// A figure as SVG: its name and description for those who cannot see it, the panels, the legend.
pub(super) fn figure(
    id: &str,
    title: &str,
    description: &str,
    drawing: &Markup,
    depth: f64,
    keys: &[Key],
) -> Markup {
    let columns = if keys.iter().all(|k| k.text.chars().count() <= KEY_HALF) {
        2
    } else {
        1
    };
    let rows = keys.len().div_ceil(columns);
    let height = depth + 12.0 + KEY_ROW * rows as f64;
    let place = |index: usize| {
        let (column, row) = (index / rows.max(1), index % rows.max(1));
        (
            16.0 + column as f64 * WIDTH / 2.0,
            depth + 10.0 + KEY_ROW * row as f64,
        )
    };
    html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox=(format!("0 0 {WIDTH} {}", px(height)))
            role="img" aria-labelledby=(format!("{id}-title {id}-desc")) font-size=(FONT)
            font-family="sans-serif" {
            title id=(format!("{id}-title")) { (title) }
            desc id=(format!("{id}-desc")) { (description) }
            (drawing)
            g class="legend" {
                @for (index, key) in keys.iter().enumerate() {
                    @let (x, y) = place(index);
                    (key.draw(x, y))
                }
            }
        }
    }
}

fn shorten(text: &str) -> String {
    if text.chars().count() <= KEY_MOST {
        return text.to_owned();
    }
    text.chars().take(KEY_MOST - 1).chain(['…']).collect()
}

fn label(tick: f64, axis: &Axis) -> String {
    near(tick, axis.decimals).replace('-', "\u{2212}")
}

fn dash(ink: Ink) -> Option<&'static str> {
    (!ink.dash.is_empty()).then_some(ink.dash)
}

pub(super) fn stroke((x1, y1): (f64, f64), (x2, y2): (f64, f64), ink: Ink) -> Markup {
    html! {
        line x1=(px(x1)) y1=(px(y1)) x2=(px(x2)) y2=(px(y2)) stroke=(ink.colour)
            stroke-width=(ink.width) stroke-dasharray=[dash(ink)] {}
    }
}

fn rule((x1, y1): (f64, f64), (x2, y2): (f64, f64), colour: &str) -> Markup {
    html! { line x1=(px(x1)) y1=(px(y1)) x2=(px(x2)) y2=(px(y2)) stroke=(colour) {} }
}

pub(super) fn text((x, y): (f64, f64), anchor: &str, text: &str) -> Markup {
    html! { text x=(px(x)) y=(px(y)) text-anchor=(anchor) fill=(BLACK) { (text) } }
}

fn upright_text((x, y): (f64, f64), text: &str) -> Markup {
    html! {
        text x=(px(x)) y=(px(y)) text-anchor="middle" fill=(BLACK)
            transform=(format!("rotate(-90 {} {})", px(x), px(y))) { (text) }
    }
}
