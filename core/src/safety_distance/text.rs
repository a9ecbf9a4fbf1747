//! The rules in words: document, clause, what it asks, what it adds, and whether we read it.
//! The wording is ours; the document decides.

use super::Rule;

/// Where the wording of a rule stands with us.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Standing {
    /// The formula was read in a public copy or an official restatement.
    Read,
    /// The formula is from memory: check the document before relying on it.
    FromMemory,
}

/// A rule in words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RuleText {
    /// Short name for commands and files.
    pub name: &'static str,
    /// Document and edition.
    pub edition: &'static str,
    /// Clause.
    pub clause: &'static str,
    /// What it asks, in our words.
    pub asks: &'static str,
    /// The times it adds, in our words.
    pub adds: &'static str,
    /// Whether the formula was read.
    pub standing: Standing,
}

impl Rule {
    /// The rule in words.
    pub const fn text(self) -> &'static RuleText {
        match self {
            Self::UsStoppingTime => &US_STOPPING_TIME,
            Self::UsMonitored => &US_MONITORED,
            Self::UsDeviceInitiated => &US_DEVICE_INITIATED,
            Self::IsoOrthogonal2010 => &ISO_ORTHOGONAL_2010,
            Self::PressTable => &PRESS_TABLE,
            Self::IsoParallel2010 => &ISO_PARALLEL_2010,
            Self::IsoParallel2024 => &ISO_PARALLEL_2024,
            Self::TwoHand2010 => &TWO_HAND_2010,
            Self::TwoHand2010Covered => &TWO_HAND_2010_COVERED,
            Self::TwoHand2024 => &TWO_HAND_2024,
            Self::TwoHand2024Covered => &TWO_HAND_2024_COVERED,
            Self::JapanTaiwan => &JAPAN_TAIWAN,
        }
    }
}

const ONE_SUM: &str = "stopping time, control response and device response, once each";

const US_STOPPING_TIME: RuleText = RuleText {
    name: "us-stopping-time",
    edition: "29 CFR 1910.217",
    clause: "(c)(3)(iii)(e) and (c)(3)(vii)(c)",
    asks: "the distance is greater than 63 inches a second times the stopping time measured \
           about 90 degrees down the stroke; equal is not enough",
    adds: "stopping time; we add control and device response, which its text leaves open",
    standing: Standing::Read,
};

const US_MONITORED: RuleText = RuleText {
    name: "us-monitored",
    edition: "ANSI B11.19",
    clause: "safety distance, with penetration 3.4 (S - 6.875 mm) below 64 mm",
    asks: "the hand speed of 63 inches a second at least, times the sum of the times, plus how \
           deep an object goes into the field before it is seen",
    adds: "stopping time, control response, device response and the time the stopping-performance \
           monitor lets pass",
    standing: Standing::FromMemory,
};

const US_DEVICE_INITIATED: RuleText = RuleText {
    name: "us-device-initiated",
    edition: "29 CFR 1910.217, for information: no body has ever validated such an installation",
    clause: "(h)(9)(v)",
    asks: "63 inches a second times the sum of the times, plus the penetration of graph h-1; \
           equal is enough",
    adds: "longest mean stopping time of 45, 60 and 90 degrees, device and control response, and \
           twice the monitor's allowance at the top",
    standing: Standing::FromMemory,
};

const ISO_ORTHOGONAL_2010: RuleText = RuleText {
    name: "iso-orthogonal-2010",
    edition: "ISO 13855:2010",
    clause: "6.2.3",
    asks: "2000 mm/s times the time plus 8 (d - 14 mm), 100 mm at least; past 500 mm the same \
           with 1600 mm/s, 500 mm at least; coarser than 40 mm, 1600 mm/s and 850 mm",
    adds: ONE_SUM,
    standing: Standing::FromMemory,
};

const PRESS_TABLE: RuleText = RuleText {
    name: "press-table",
    edition: "DGUV Information 209-030, annex 7",
    clause: "tables 12 and 13, for presses built to European rules with a light curtain",
    asks: "as the international rule, but 0, 80, 130, 240 or 850 mm added for detection up to \
           14, 20, 30, 40 or 70 mm (two misprinted limits read as 20 to 30 and 30 to 40 mm)",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const ISO_PARALLEL_2010: RuleText = RuleText {
    name: "iso-parallel-2010",
    edition: "ISO 13855:2010",
    clause: "6.3",
    asks: "1600 mm/s times the time plus 1200 mm less 0.4 of the field's height, 850 mm at least; \
           height from 15 (d - 50 mm) to 1000 mm; above 300 mm look at reaching under",
    adds: ONE_SUM,
    standing: Standing::FromMemory,
};

const ISO_PARALLEL_2024: RuleText = RuleText {
    name: "iso-parallel-2024",
    edition: "ISO 13855:2024",
    clause: "parallel approach, from two published summaries",
    asks: "1600 mm/s times the time plus 1200 mm; height from 15 (d - 50 mm) to 1000 mm; above \
           200 mm look at reaching under",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const TWO_HAND_2010: RuleText = RuleText {
    name: "two-hand-2010",
    edition: "ISO 13855:2010",
    clause: "8",
    asks: "1600 mm/s times the time plus 250 mm",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const TWO_HAND_2010_COVERED: RuleText = RuleText {
    name: "two-hand-2010-covered",
    edition: "ISO 13855:2010",
    clause: "8",
    asks: "1600 mm/s times the time, 100 mm at least, where covers prevent encroachment",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const TWO_HAND_2024: RuleText = RuleText {
    name: "two-hand-2024",
    edition: "ISO 13855:2024",
    clause: "two-hand control, from two published summaries",
    asks: "1600 mm/s times the time plus 550 mm",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const TWO_HAND_2024_COVERED: RuleText = RuleText {
    name: "two-hand-2024-covered",
    edition: "ISO 13855:2024",
    clause: "two-hand control, from two published summaries",
    asks: "1600 mm/s times the time, 100 mm at least, where encroachment is eliminated",
    adds: ONE_SUM,
    standing: Standing::Read,
};

const JAPAN_TAIWAN: RuleText = RuleText {
    name: "japan-taiwan",
    edition: "press regulations of Japan and Taiwan",
    clause: "device-to-die distance",
    asks: "1.6 mm a millisecond times the sum of the times; a light curtain coarser than 30, 35 \
           or 45 mm (to 50 mm) adds 200, 300 or 400 mm",
    adds: "hand leaves or enters until the stopping begins (device and control response), and \
           from there until the slide stands",
    standing: Standing::FromMemory,
};
