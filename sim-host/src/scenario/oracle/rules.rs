//! The rules, each with its word and what it says.

/// What must hold in every millisecond of every run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// No drive with a fault latched.
    NoDriveUnderLatch,
    /// No drive without what a drive needs.
    NoDriveWithoutPermit,
    /// No drive with a hand off its button where both are needed.
    HandsHoldTheSlide,
    /// A start needs both hands, and the hands up before.
    StartsOnActuation,
    /// One stroke on one actuation.
    OneStroke,
    /// The slide stands unless it is driven.
    StandsUnlessDriven,
    /// The stop command comes within the late bound.
    ReleaseInTime,
    /// Muting in the opening stroke only.
    MutesInOpeningOnly,
    /// A late stop is told and holds the press.
    LateStopHolds,
    /// A latch goes by reset only.
    LatchHolds,
    /// The compensation stays within its bounds.
    CompensationBounded,
    /// Settings change at rest only.
    SettingsAtRest,
    /// A hand comes later than the slide's rest.
    HandComesLater,
    /// Drive off is coils off.
    OffMeansOff,
    /// Loads of limit channels keep to their windows.
    LoadInWindow,
    /// No limit channel without an angle.
    ChannelNeedsAngle,
}

/// All rules.
pub const RULES: [Rule; 16] = [
    Rule::NoDriveUnderLatch,
    Rule::NoDriveWithoutPermit,
    Rule::HandsHoldTheSlide,
    Rule::StartsOnActuation,
    Rule::OneStroke,
    Rule::StandsUnlessDriven,
    Rule::ReleaseInTime,
    Rule::MutesInOpeningOnly,
    Rule::LateStopHolds,
    Rule::LatchHolds,
    Rule::CompensationBounded,
    Rule::SettingsAtRest,
    Rule::HandComesLater,
    Rule::OffMeansOff,
    Rule::LoadInWindow,
    Rule::ChannelNeedsAngle,
];

/// Words of [`RULES`], in their order, for a file.
pub(in crate::scenario) const WORDS: &[&str] = &[
    "no-drive-under-latch",
    "no-drive-without-permit",
    "hands-hold-the-slide",
    "starts-on-actuation",
    "one-stroke",
    "stands-unless-driven",
    "release-in-time",
    "mutes-in-opening-only",
    "late-stop-holds",
    "latch-holds",
    "compensation-bounded",
    "settings-at-rest",
    "hand-comes-later",
    "off-means-off",
    "load-in-window",
    "channel-needs-angle",
];

impl Rule {
    /// Its word.
    pub const fn word(self) -> &'static str {
        WORDS[self as usize]
    }

    /// The rule of a word.
    pub fn named(word: &str) -> Option<Self> {
        RULES.into_iter().find(|rule| rule.word() == word)
    }

    /// What it says.
    pub const fn says(self) -> &'static str {
        match self {
            Self::NoDriveUnderLatch => {
                "with a fault latched nothing starts; one that stops at once leaves no drive, one that stops at the top leaves it to the next release angle"
            }
            Self::NoDriveWithoutPermit => {
                "no drive without supply, emergency chain, stop control, guards and air; none downward in production with the presence sensing blocked"
            }
            Self::HandsHoldTheSlide => {
                "inching, testing and closing need both hands on their buttons"
            }
            Self::StartsOnActuation => {
                "a start needs both hands, and both hands up since the start before"
            }
            Self::OneStroke => "outside continuous the crank turns once on one actuation",
            Self::StandsUnlessDriven => {
                "with the drive off and the slide at rest, it stays at rest"
            }
            Self::ReleaseInTime => {
                "the stop command comes no later than the late bound of the commissioned release angle"
            }
            Self::MutesInOpeningOnly => {
                "presence sensing is muted from bottom dead centre to the mute end, in normal travel, on a trusted angle"
            }
            Self::LateStopHolds => {
                "a stop past its latch limit is latched, and no stroke follows without recommissioning"
            }
            Self::LatchHolds => {
                "a latch is cleared by a reset of the standing it asks for, by nothing else"
            }
            Self::CompensationBounded => "the compensation stays within its commissioned bounds",
            Self::SettingsAtRest => "settings are put in force with the crank at rest",
            Self::HandComesLater => {
                "a hand that lets go or reaches in while the slide closes finds it at rest, by the distance as installed"
            }
            Self::OffMeansOff => "with the drive off both coils never carry current",
            Self::LoadInWindow => {
                "the load of a limit channel is on inside its windows of true crank angle and off outside"
            }
            Self::ChannelNeedsAngle => {
                "no limit channel is on without supply or without an angle to trust"
            }
        }
    }
}
