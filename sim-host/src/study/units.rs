//! Units a recording may use, and what to take when its header names none.

use std::f64::consts::TAU;
use std::fmt;
use std::str::FromStr;

/// Unit of a time column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeUnit {
    /// Seconds.
    Seconds,
    /// Thousandths of a second.
    Milliseconds,
    /// Millionths of a second.
    Microseconds,
}

/// Unit of an angle column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum AngleUnit {
    /// 360 a turn.
    Degrees,
    /// 2π a turn.
    Radians,
    /// Whole turns.
    Turns,
    /// Codes of a converter or an encoder; the number a turn has, 0 where it is not known yet.
    Counts(f64),
}

/// A unit as a header names it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Unit {
    Time(TimeUnit),
    Angle(AngleUnit),
    /// Of a signal with two levels, or of a winding.
    Level,
    /// Of something a study does not use.
    Other,
}

/// What a turn can have when the header does not say: whole powers of two and of ten are
/// converters and encoders.
const COUNTS_PER_TURN: [f64; 24] = [
    256.0,
    360.0,
    500.0,
    512.0,
    1000.0,
    1024.0,
    2000.0,
    2048.0,
    2500.0,
    3600.0,
    4000.0,
    4096.0,
    5000.0,
    8192.0,
    10_000.0,
    16_384.0,
    32_768.0,
    36_000.0,
    65_536.0,
    131_072.0,
    262_144.0,
    1_048_576.0,
    16_777_216.0,
    4_294_967_296.0,
];

/// A press is recorded between these rates; slower resolves no stop, faster is not done.
const PLAUSIBLE_RATE_HZ: std::ops::RangeInclusive<f64> = 40.0..=40_000.0;

impl TimeUnit {
    /// Seconds in one of it.
    pub const fn seconds(self) -> f64 {
        match self {
            Self::Seconds => 1.0,
            Self::Milliseconds => 1e-3,
            Self::Microseconds => 1e-6,
        }
    }

    /// The largest unit that makes `period` that of a plausible sample rate; seconds when none does.
    pub(super) fn guess(period: f64) -> Self {
        let plausible =
            |unit: &Self| PLAUSIBLE_RATE_HZ.contains(&(1.0 / (period * unit.seconds())));
        let units = [Self::Seconds, Self::Milliseconds, Self::Microseconds];
        units.into_iter().find(plausible).unwrap_or(Self::Seconds)
    }
}

impl AngleUnit {
    /// How many make one turn.
    pub const fn per_turn(self) -> f64 {
        match self {
            Self::Degrees => 360.0,
            Self::Radians => TAU,
            Self::Turns => 1.0,
            Self::Counts(number) => number,
        }
    }

    /// From how the values of a column fall back at the end of a turn: `span` is their range, and
    /// `None` stands for a column that never falls back.
    pub(super) fn guess(span: f64, falls_back: bool) -> Option<Self> {
        if !falls_back {
            return None;
        }
        let fits = |per_turn: f64| span <= per_turn * 1.001 && span > per_turn * 0.95;
        let named = [Self::Turns, Self::Radians, Self::Degrees].into_iter();
        let counts = COUNTS_PER_TURN.into_iter().map(Self::Counts);
        named.chain(counts).find(|unit| fits(unit.per_turn()))
    }

    /// Counts per turn from the range of a column of codes.
    pub(super) fn guess_counts(span: f64) -> Option<Self> {
        let fits = |per_turn: &f64| span <= *per_turn && span > per_turn * 0.95;
        COUNTS_PER_TURN.into_iter().find(fits).map(Self::Counts)
    }
}

impl Unit {
    /// From one word of a header.
    pub(super) fn from_word(word: &str) -> Option<Self> {
        Some(match word.to_lowercase().as_str() {
            "s" | "sec" | "secs" | "second" | "seconds" | "sek" | "sekunden" => {
                Self::Time(TimeUnit::Seconds)
            }
            "ms" | "msec" | "millisecond" | "milliseconds" | "millisekunden" => {
                Self::Time(TimeUnit::Milliseconds)
            }
            // The micro sign, the Greek letter it folds to, and the letter people type for it.
            "us" | "\u{b5}s" | "\u{3bc}s" | "usec" | "microsecond" | "microseconds" => {
                Self::Time(TimeUnit::Microseconds)
            }
            "deg" | "degree" | "degrees" | "\u{b0}" | "grad" => Self::Angle(AngleUnit::Degrees),
            "rad" | "radian" | "radians" => Self::Angle(AngleUnit::Radians),
            "turn" | "turns" | "rev" | "revs" | "revolutions" | "umdrehungen" => {
                Self::Angle(AngleUnit::Turns)
            }
            "counts" | "cnt" | "code" | "codes" | "lsb" | "raw" | "adc" | "increments" => {
                Self::Angle(AngleUnit::Counts(0.0))
            }
            "v" | "volt" | "volts" | "bool" | "state" | "level" | "logic" => Self::Level,
            "mm" | "rpm" | "spm" | "bar" | "kpa" | "nm" | "kn" | "a" | "hz" | "mv" | "ma" => {
                Self::Other
            }
            _ => return None,
        })
    }
}

impl fmt::Display for TimeUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Seconds => "s",
            Self::Milliseconds => "ms",
            Self::Microseconds => "us",
        })
    }
}

impl fmt::Display for AngleUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Degrees => f.write_str("deg"),
            Self::Radians => f.write_str("rad"),
            Self::Turns => f.write_str("turns"),
            Self::Counts(number) => write!(f, "counts, {number} a turn"),
        }
    }
}

impl FromStr for TimeUnit {
    type Err = String;

    /// `s`, `ms` or `us`.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match Unit::from_word(text) {
            Some(Unit::Time(unit)) => Ok(unit),
            _ => Err(format!("`{text}` is no unit of time: s, ms or us")),
        }
    }
}

impl FromStr for AngleUnit {
    type Err = String;

    /// `deg`, `rad`, `turns`, or a number: counts per turn.
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        match (Unit::from_word(text), text.parse::<f64>()) {
            (Some(Unit::Angle(unit)), _) => Ok(unit),
            (_, Ok(number)) if number.is_finite() && number >= 1.0 => Ok(Self::Counts(number)),
            _ => Err(format!(
                "`{text}` is no unit of angle: deg, rad, turns, or the counts of one turn (1 or more)"
            )),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_without_a_unit_is_taken_as_a_plausible_sample_rate() {
        for (period, unit) in [
            (0.001, TimeUnit::Seconds),
            (0.01, TimeUnit::Seconds),
            (1.0, TimeUnit::Milliseconds),
            (0.1, TimeUnit::Milliseconds),
            (1000.0, TimeUnit::Microseconds),
        ] {
            assert_eq!(TimeUnit::guess(period), unit, "period {period}");
        }
    }

    #[test]
    fn a_saw_tooth_tells_its_unit_by_its_height() {
        for (span, unit) in [
            (0.999, AngleUnit::Turns),
            (6.27, AngleUnit::Radians),
            (359.9, AngleUnit::Degrees),
            (4095.0, AngleUnit::Counts(4096.0)),
            (65_530.0, AngleUnit::Counts(65_536.0)),
        ] {
            assert_eq!(AngleUnit::guess(span, true), Some(unit));
        }
        assert_eq!(
            AngleUnit::guess(359.9, false),
            None,
            "one turn without a fall back tells nothing"
        );
    }
}
