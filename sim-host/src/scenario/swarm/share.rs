//! A share of a swarm: `3/64` is the third of 64 nearly equal parts.

use std::fmt;
use std::ops::Range;
use std::str::FromStr;

/// Which part of how many.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Share {
    part: u64,
    parts: u64,
}

/// Parts of a swarm at most.
const PARTS_MOST: u64 = 1_000_000;

impl Share {
    /// The whole.
    pub const WHOLE: Self = Self { part: 1, parts: 1 };

    /// The numbers of the runs that fall into it. All parts together are all runs, each once.
    pub fn of(self, runs: u64) -> Range<u64> {
        let edge =
            |part: u64| (u128::from(runs) * u128::from(part) / u128::from(self.parts)) as u64;
        edge(self.part - 1)..edge(self.part)
    }
}

impl FromStr for Share {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let numbers = text
            .split_once('/')
            .and_then(|(part, parts)| Some((part.parse().ok()?, parts.parse().ok()?)));
        match numbers {
            Some((part, parts)) if (1..=parts).contains(&part) && parts <= PARTS_MOST => {
                Ok(Self { part, parts })
            }
            _ => Err(format!(
                "{text:?}; allowed: part/parts such as 3/64, counted from 1, at most {PARTS_MOST} parts"
            )),
        }
    }
}

impl fmt::Display for Share {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.part, self.parts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_all_runs_each_once() {
        for (runs, parts) in [(2_000, 64), (7, 3), (3, 8), (0, 2), (u64::MAX, 5)] {
            let mut next = 0;
            for part in 1..=parts {
                let share: Share = format!("{part}/{parts}").parse().unwrap();
                let range = share.of(runs);
                assert_eq!(range.start, next);
                next = range.end;
            }
            assert_eq!(next, runs);
        }
    }

    #[test]
    fn a_share_that_is_none_is_refused() {
        for text in ["", "3", "0/4", "5/4", "1/0", "a/b", "-1/4", "1/9999999999"] {
            assert!(text.parse::<Share>().is_err(), "{text}");
        }
    }
}
