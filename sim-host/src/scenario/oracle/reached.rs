//! What a run came to: the hard cases it must have met to prove anything.

use crate::bench::Moment;
use crate::plant::Mark;
use stopwright_core::stroke::{Mode, Stroke};

/// A case a run can come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reached {
    /// The crank turned.
    Turned,
    /// The slide came to rest at the top, within 15 degrees.
    RestAtTop,
    /// The slide came to rest on its way down.
    RestWhileClosing,
    /// The slide came to rest on its way up.
    RestWhileOpening,
    /// The drive was on in continuous past the first bottom.
    Continuous,
    /// Presence sensing was muted.
    Muted,
    /// Presence sensing was blocked while muted, and the stroke went on.
    ReachedWhileMuted,
    /// A fault was latched.
    Latched,
    /// Advice was given.
    Advised,
    /// The second means was used.
    SecondMeans,
    /// The compensation moved the release angle.
    Compensated,
    /// The angle was not trusted while the crank turned.
    AngleLost,
    /// The angle was bridged by prediction.
    Bridged,
    /// The controller had no supply while the crank turned.
    UnpoweredTurning,
    /// The clutch slipped after it had taken hold.
    Slipped,
}

/// All of them.
pub const REACHED: [Reached; 15] = [
    Reached::Turned,
    Reached::RestAtTop,
    Reached::RestWhileClosing,
    Reached::RestWhileOpening,
    Reached::Continuous,
    Reached::Muted,
    Reached::ReachedWhileMuted,
    Reached::Latched,
    Reached::Advised,
    Reached::SecondMeans,
    Reached::Compensated,
    Reached::AngleLost,
    Reached::Bridged,
    Reached::UnpoweredTurning,
    Reached::Slipped,
];

/// Their words, in their order, for a file.
pub(in crate::scenario) const WORDS: &[&str] = &[
    "turned",
    "rest-at-top",
    "rest-while-closing",
    "rest-while-opening",
    "continuous",
    "muted",
    "reached-while-muted",
    "latched",
    "advised",
    "second-means",
    "compensated",
    "angle-lost",
    "bridged",
    "unpowered-turning",
    "slipped",
];

impl Reached {
    /// Its word.
    pub const fn word(self) -> &'static str {
        WORDS[self as usize]
    }

    /// The case of a word.
    pub fn named(word: &str) -> Option<Self> {
        REACHED.into_iter().find(|it| it.word() == word)
    }

    pub(super) const fn bit(self) -> u32 {
        1 << self as u32
    }
}

/// What this moment came to.
pub(super) fn of(moment: &Moment<'_>, turn_deg: f64, speed_spm: f64) -> u32 {
    let said = moment.outputs;
    let turns = speed_spm.abs() > 1.0;
    let rests = moment.events.iter().any(|it| it.mark == Mark::Standstill);
    let slips = moment.events.iter().any(|it| it.mark == Mark::Slip);
    let at_top = !(15.0..345.0).contains(&turn_deg);
    let closing = turn_deg < 180.0;
    let driven = said.valve.is_on;
    let trusted = said.position.trusted();
    let continuous =
        matches!(said.stroke, Stroke::ContinuousRunning) && said.mode == Mode::Continuous;
    let cases = [
        (Reached::Turned, turns),
        (Reached::RestAtTop, rests && at_top),
        (Reached::RestWhileClosing, rests && !at_top && closing),
        (Reached::RestWhileOpening, rests && !at_top && !closing),
        (Reached::Continuous, continuous && driven),
        (Reached::Muted, said.is_muted),
        (
            Reached::ReachedWhileMuted,
            said.is_muted && driven && moment.panel.presence_blocked,
        ),
        (Reached::Latched, !said.latched.is_empty()),
        (Reached::Advised, !said.advice.is_empty()),
        (Reached::SecondMeans, said.second_means),
        (Reached::Compensated, said.compensation.as_counts() != 0),
        (Reached::AngleLost, turns && trusted.is_none()),
        (
            Reached::Bridged,
            trusted.is_some_and(|reading| reading.is_predicted()),
        ),
        (Reached::UnpoweredTurning, turns && moment.is_unpowered),
        (Reached::Slipped, slips && driven),
    ];
    cases
        .into_iter()
        .filter(|(_, holds)| *holds)
        .fold(0, |bits, (case, _)| bits | case.bit())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_case_has_its_own_word_and_bit() {
        assert_eq!(WORDS.len(), REACHED.len());
        for (index, case) in REACHED.into_iter().enumerate() {
            assert_eq!(case as usize, index);
            assert_eq!(Reached::named(WORDS[index]), Some(case));
        }
    }
}
