//! What lines and marks look like. No two meanings differ by colour alone: each has its own dash
//! or its own shape, so that a photocopy still tells them apart.

use maud::{Markup, html};

pub(super) const BLACK: &str = "#1c1c1c";
pub(super) const GREY: &str = "#6b6b6b";
pub(super) const PALE: &str = "#e2e2e2";
pub(super) const BLUE: &str = "#1f5a92";
pub(super) const AMBER: &str = "#9a5b00";
pub(super) const RED: &str = "#a11d21";
pub(super) const GREEN: &str = "#23694b";
pub(super) const WINDOW: &str = "#dfe9e2";

/// A line.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ink {
    pub(super) colour: &'static str,
    pub(super) width: &'static str,
    /// As SVG has it; empty is a full line.
    pub(super) dash: &'static str,
}

impl Ink {
    const fn new(colour: &'static str, width: &'static str, dash: &'static str) -> Self {
        Self {
            colour,
            width,
            dash,
        }
    }
}

pub(super) const MEASURED: Ink = Ink::new(BLUE, "2", "");
pub(super) const MEAN: Ink = Ink::new(BLACK, "1.8", "");
pub(super) const ROW_RULE: Ink = Ink::new(PALE, "1", "");
pub(super) const CONNECT: Ink = Ink::new(BLUE, "1", "");
pub(super) const FITTED: Ink = Ink::new(BLUE, "1.5", "7 3");
pub(super) const COIL_OFF: Ink = Ink::new(BLACK, "1.2", "");
pub(super) const REACTION: Ink = Ink::new(GREEN, "1.2", "2 3");
pub(super) const STANDSTILL: Ink = Ink::new(BLUE, "1.2", "1 2 6 2");
pub(super) const ADVISORY: Ink = Ink::new(AMBER, "1.8", "6 4");
pub(super) const LATCH: Ink = Ink::new(RED, "2", "12 3 3 3");
pub(super) const HABIT: Ink = Ink::new(GREY, "1.8", "2 4");
pub(super) const TARGET: Ink = Ink::new(BLACK, "1.2", "4 3");
pub(super) const BOUND: Ink = Ink::new(RED, "1.5", "9 4");
pub(super) const INSTALLED: Ink = Ink::new(BLACK, "2.4", "");

/// One look per rule of distance; more rules than looks start over with another mark.
pub(super) const RULES: [Ink; 4] = [
    Ink::new(BLUE, "2", ""),
    Ink::new(GREEN, "2", "8 3"),
    Ink::new(AMBER, "2", "3 3"),
    Ink::new(GREY, "2", "10 3 2 3"),
];

/// Shape of a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Shape {
    Dot,
    Ring,
    Square,
    Triangle,
    Diamond,
    Cross,
    Bar,
    Bracket,
}

pub(super) const SHAPES: [Shape; 5] = [
    Shape::Ring,
    Shape::Square,
    Shape::Triangle,
    Shape::Diamond,
    Shape::Cross,
];

impl Shape {
    /// The shape around a point.
    pub(super) fn at(self, (x, y): (f64, f64), colour: &str) -> Markup {
        let filled = |path: &str| html! { path d=(path) fill=(colour) {} };
        let open = |path: &str| {
            html! { path d=(path) fill="none" stroke=(colour) stroke-width="1.8" {} }
        };
        let m = |dx: f64, dy: f64| format!("{} {}", px(x + dx), px(y + dy));
        match self {
            Self::Dot => {
                html! { circle cx=(px(x)) cy=(px(y)) r="2.2" fill=(colour) fill-opacity="0.7" {} }
            }
            Self::Ring => html! {
                circle cx=(px(x)) cy=(px(y)) r="3.4" fill="#fff" stroke=(colour) stroke-width="1.6" {}
            },
            Self::Square => filled(&format!("M{} h7 v7 h-7 z", m(-3.5, -3.5))),
            Self::Triangle => filled(&format!(
                "M{} L{} L{} z",
                m(0.0, -4.5),
                m(4.5, 3.5),
                m(-4.5, 3.5)
            )),
            Self::Diamond => filled(&format!(
                "M{} L{} L{} L{} z",
                m(0.0, -5.0),
                m(5.0, 0.0),
                m(0.0, 5.0),
                m(-5.0, 0.0)
            )),
            Self::Cross => open(&format!("M{} l8 8 M{} l8 -8", m(-4.0, -4.0), m(-4.0, 4.0))),
            Self::Bar => open(&format!("M{} v16", m(0.0, -8.0))),
            Self::Bracket => open(&format!("M{} h4 v16 h-4", m(-4.0, -8.0))),
        }
    }
}

/// A pixel position: one decimal is finer than any print.
pub(super) fn px(value: f64) -> String {
    crate::record::numbers::plain(value, 1)
}
