//! What stands against handing a press over, why, and the way out.

use super::Warmth;
use serde::Serialize;

/// A named reason with its numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "reason")]
pub enum Reason {
    /// The rests scatter so much that no release angle can meet the criterion.
    ScatterTooWide {
        /// Scatter measured, degrees, one sigma.
        deviation_deg: f64,
        /// Smallest scatter the stops leave possible, degrees, one sigma.
        deviation_least_deg: f64,
        /// Widest scatter that could meet it, degrees, one sigma.
        deviation_allowed_deg: f64,
        /// A slower speed at which the press is commissionable, strokes per minute.
        slower_spm: Option<f64>,
    },
    /// The rests are close together but off target.
    RestOffTarget {
        /// Mean past the target, degrees.
        offset_deg: f64,
    },
    /// The rests are close together cold and warm, but apart from each other.
    RestDrifts {
        /// Travel cold and warm apart, degrees.
        drift_deg: f64,
    },
    /// So few stops can't show that the rest criterion holds.
    RestNotShown {
        /// Stops judged.
        stops: usize,
        /// Stops that would show it.
        stops_needed: Option<usize>,
    },
    /// The installed distance does not even cover the stops as measured.
    DistanceTooShort {
        /// Distance in place, millimetres.
        installed_mm: f64,
        /// Worst mid-stroke stop, milliseconds.
        worst_mid_ms: f64,
        /// What the distance allows, milliseconds.
        allowed_mid_ms: f64,
        /// Distance for the limits with their full margin, millimetres.
        needed_mm: f64,
        /// The rule that decides.
        rule: &'static str,
    },
    /// The distance covers the stops as measured, but leaves no room for a latch limit above the
    /// advisory limit.
    NoRoomForLimits {
        /// Distance in place, millimetres.
        installed_mm: f64,
        /// Advisory limit, milliseconds.
        advisory_ms: f64,
        /// Highest latch limit the distance allows, milliseconds.
        allowed_ms: f64,
        /// Distance for the limits with their full margin, millimetres.
        needed_mm: f64,
        /// The rule that decides.
        rule: &'static str,
    },
    /// Ordinary travel already reaches the overrun limit.
    OverrunWithinScatter {
        /// Advisory limit in travel, degrees.
        advisory_deg: f64,
        /// Travel at which the overrun limit is reached, degrees.
        allowed_deg: f64,
    },
    /// Mid-stroke stops are much longer than top stops.
    MidStrokeMuchLonger {
        /// Ratio of the means.
        ratio: f64,
        /// Most allowed.
        ratio_most: f64,
    },
    /// Too few stops in a cell.
    TooFewStops {
        /// Brake cold or warm.
        warmth: Warmth,
        /// Whether the cell is of top stops.
        is_top: bool,
        /// Stops made.
        have: usize,
        /// Stops needed.
        need: usize,
    },
    /// No top stops at this speed.
    NoTopStops,
    /// A distance depends on mid-stroke stops, and there are none at this speed.
    NoMidStrokeStops,
    /// The brake was measured at one temperature only.
    OneTemperatureOnly,
    /// No safeguard by distance was named.
    NoSafeguard,
}

/// A reason, at a speed, in words.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// Speed it belongs to, strokes per minute; none for the whole press.
    pub speed_spm: Option<f64>,
    /// Whether the press may not be handed over like this.
    pub blocks: bool,
    /// The reason with its numbers.
    #[serde(flatten)]
    pub reason: Reason,
    /// What was found.
    pub sentence: String,
    /// What to do about it.
    pub way_out: String,
}

impl Finding {
    pub(super) fn new(speed_spm: Option<f64>, reason: Reason) -> Self {
        let place = speed_spm.map_or(String::new(), |speed| format!(" at {speed} SPM"));
        Self {
            speed_spm,
            blocks: reason.blocks(),
            sentence: reason.sentence(&place),
            way_out: reason.way_out(),
            reason,
        }
    }
}

impl Reason {
    /// Whether it stands against handing the press over.
    pub fn blocks(&self) -> bool {
        !matches!(self, Self::OneTemperatureOnly | Self::NoSafeguard)
    }

    /// Most telling first.
    pub(super) fn rank(&self) -> usize {
        match self {
            Self::ScatterTooWide { .. } => 0,
            Self::MidStrokeMuchLonger { .. } => 1,
            Self::DistanceTooShort { .. } => 2,
            Self::NoRoomForLimits { .. } => 3,
            Self::NoTopStops | Self::NoMidStrokeStops | Self::TooFewStops { .. } => 4,
            Self::RestOffTarget { .. } | Self::RestDrifts { .. } | Self::RestNotShown { .. } => 5,
            Self::OverrunWithinScatter { .. } => 6,
            Self::OneTemperatureOnly | Self::NoSafeguard => 7,
        }
    }

    fn sentence(&self, place: &str) -> String {
        match *self {
            Self::ScatterTooWide {
                deviation_deg,
                deviation_least_deg,
                deviation_allowed_deg,
                ..
            } => format!(
                "rests{place} scatter by {deviation_deg:.1} degrees (one sigma, surely above \
                 {deviation_least_deg:.1}); whatever the release angle, at most \
                 {deviation_allowed_deg:.2} would meet the rest criterion"
            ),
            Self::RestOffTarget { offset_deg } => {
                format!(
                    "the crank rests{place} {offset_deg:+.1} degrees from the target on average"
                )
            }
            Self::RestDrifts { drift_deg } => {
                format!("the travel{place} drifts by {drift_deg:.1} degrees from cold to warm")
            }
            Self::RestNotShown { stops, .. } => {
                format!("{stops} top stops{place} do not show that the rest criterion holds")
            }
            Self::DistanceTooShort {
                installed_mm,
                worst_mid_ms,
                allowed_mid_ms,
                rule,
                ..
            } => {
                format!(
                    "{installed_mm} mm allow a mid-stroke stop of {allowed_mid_ms:.0} ms by \
                     {rule}, but it takes up to {worst_mid_ms:.0} ms{place}"
                )
            }
            Self::NoRoomForLimits {
                installed_mm,
                advisory_ms,
                allowed_ms,
                rule,
                ..
            } => format!(
                "{installed_mm} mm allow a latch limit of {allowed_ms:.0} ms by {rule}, which is \
                 not above the advisory limit of {advisory_ms:.0} ms{place}"
            ),
            Self::OverrunWithinScatter {
                advisory_deg,
                allowed_deg,
            } => format!(
                "ordinary travel{place} reaches {advisory_deg:.1} degrees, and the overrun limit \
                 is at {allowed_deg:.1}"
            ),
            Self::MidStrokeMuchLonger { ratio, ratio_most } => format!(
                "mid-stroke stops{place} take {ratio:.2} times as long as top stops, and at most \
                 {ratio_most:.2} is expected of a balanced slide"
            ),
            Self::TooFewStops {
                warmth,
                is_top,
                have,
                need,
            } => format!(
                "{have} {} stops{place} with the brake {} are too few: {need} are needed",
                if is_top { "top" } else { "mid-stroke" },
                if warmth == Warmth::Cold {
                    "cold"
                } else {
                    "warm"
                },
            ),
            Self::NoTopStops => format!("no top stops were made{place}"),
            Self::NoMidStrokeStops => format!("no stops in the closing stroke were made{place}"),
            Self::OneTemperatureOnly => {
                format!("the brake was measured{place} at one temperature only")
            }
            Self::NoSafeguard => "no safeguard by distance was named".to_owned(),
        }
    }

    fn way_out(&self) -> String {
        match *self {
            Self::ScatterTooWide {
                slower_spm: Some(slower),
                ..
            } => {
                format!("command top stops at {slower} SPM or slower, or repair the brake")
            }
            Self::ScatterTooWide {
                slower_spm: None, ..
            } => "repair the brake before commissioning".to_owned(),
            Self::RestOffTarget { offset_deg } => {
                format!(
                    "move the release angle by {:+.1} degrees and repeat",
                    -offset_deg
                )
            }
            Self::RestDrifts { .. } => {
                "let the release angle follow the brake's temperature, and measure again".to_owned()
            }
            Self::RestNotShown {
                stops_needed: Some(needed),
                ..
            } => {
                format!(
                    "make more top stops at the final release angle: about {needed} will show it if \
                     they scatter as these do"
                )
            }
            Self::RestNotShown {
                stops_needed: None, ..
            } => "the scatter is at the edge of the criterion: slow the press or repair the brake"
                .to_owned(),
            Self::DistanceTooShort { needed_mm, .. } | Self::NoRoomForLimits { needed_mm, .. } => {
                format!(
                    "move the device to at least {:.0} mm, or shorten the stop",
                    needed_mm.ceil()
                )
            }
            Self::OverrunWithinScatter { .. } => {
                "slow the press before the top stop, or repair the brake".to_owned()
            }
            Self::MidStrokeMuchLonger { .. } => {
                "set the counterbalance for slide and die, then measure again".to_owned()
            }
            Self::TooFewStops { need, .. } => format!("make at least {need}"),
            Self::NoTopStops => "measure top stops at this speed".to_owned(),
            Self::NoMidStrokeStops => {
                "measure stops commanded at 90 degrees at this speed".to_owned()
            }
            Self::OneTemperatureOnly => {
                "repeat the stops with the brake at its other temperature".to_owned()
            }
            Self::NoSafeguard => {
                "the limits rest on the stops alone: name the safeguard and its distance if hands \
                 reach the point of operation"
                    .to_owned()
            }
        }
    }
}
