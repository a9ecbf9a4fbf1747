//! Every state, every event and every circumstance of the stroke logic.

use stopwright_core::stroke::{Circumstances, Event, Mode, Purpose, Rest, StopReasons, Stroke};

/// In the order in which events of one tick are taken.
pub(crate) const EVENTS: [Event; 24] = Event::ALL;

pub(crate) const MODES: [Mode; 6] = [
    Mode::Off,
    Mode::Barring,
    Mode::Inch,
    Mode::Single,
    Mode::Continuous,
    Mode::Test,
];

pub(crate) const RESTS: [Rest; 4] = [Rest::Short, Rest::InWindow, Rest::Late, Rest::Overrun];

pub(crate) const PURPOSES: [Purpose; 3] = [Purpose::Production, Purpose::Inch, Purpose::Test];

pub(crate) const REASONS: [StopReasons; 6] = [
    StopReasons::EMERGENCY,
    StopReasons::FAULT,
    StopReasons::INTERRUPTED,
    StopReasons::MODE,
    StopReasons::LET_GO,
    StopReasons::TEST_ANGLE,
];

/// States without data of their own.
pub(crate) const PLAIN: [Stroke; 15] = [
    Stroke::PowerUp,
    Stroke::Off,
    Stroke::Barring,
    Stroke::WaitRelease,
    Stroke::Ready,
    Stroke::ReadyAwayFromTop,
    Stroke::Inching,
    Stroke::Closing,
    Stroke::Opening,
    Stroke::Armed,
    Stroke::ContinuousRunning,
    Stroke::ContinuousTopStop,
    Stroke::TestStroke,
    Stroke::EmergencyStopped,
    Stroke::FaultLatched,
];

/// Every set of reasons.
fn reason_sets() -> impl Iterator<Item = StopReasons> {
    (0..1u32 << REASONS.len()).map(|bits| {
        let chosen = REASONS
            .iter()
            .enumerate()
            .filter(|(bit, _)| bits >> bit & 1 != 0);
        chosen.fold(StopReasons::NONE, |set, (_, &reason)| set.and(reason))
    })
}

/// Every state, with every set of data it can carry.
pub(crate) fn states() -> Vec<Stroke> {
    let mut states = PLAIN.to_vec();
    for flag in [false, true] {
        states.push(Stroke::Interrupted { release_seen: flag });
        states.push(Stroke::ContinuousClosing {
            top_stop_pending: flag,
        });
    }
    for reasons in reason_sets() {
        states.push(Stroke::ImmediateStopping { reasons });
        let top = |purpose| Stroke::TopStopping { purpose, reasons };
        states.extend(PURPOSES.map(top));
    }
    states
}

/// How many circumstances there are.
pub(crate) const CIRCUMSTANCES: u32 = (MODES.len() as u32 * RESTS.len() as u32) << 11;

/// The circumstances of a number below [`CIRCUMSTANCES`].
pub(crate) fn circumstances(number: u32) -> Circumstances {
    let bit = |place: u32| number >> place & 1 != 0;
    let choice = number as usize >> 11;
    Circumstances {
        mode: MODES[choice % MODES.len()],
        rest: RESTS[choice / MODES.len()],
        may_start: bit(0),
        may_bar: bit(1),
        is_latched: bit(2),
        is_emergency: bit(3),
        hands_released: bit(4),
        is_in_top_window: bit(5),
        is_closing: bit(6),
        presence_clear: bit(7),
        is_muted: bit(8),
        is_two_hand_setup: bit(9),
        is_past_latch_limit: bit(10),
    }
}

/// Something that circumstances answer: where in their number the answer stands.
pub(crate) struct Question {
    pub(crate) text: &'static str,
    /// What the answer is counted in, and how many answers there are.
    unit: u32,
    answers: u32,
}

impl Question {
    const fn yes_or_no(text: &'static str, place: u32) -> Self {
        Self {
            text,
            unit: 1 << place,
            answers: 2,
        }
    }

    /// The number of the same circumstances with the next answer to this question.
    pub(crate) const fn other_answer(&self, number: u32) -> u32 {
        let answer = number / self.unit % self.answers;
        let other = (answer + 1) % self.answers;
        number - answer * self.unit + other * self.unit
    }
}

/// Every question.
pub(crate) const QUESTIONS: [Question; 13] = [
    Question {
        text: "mode",
        unit: 1 << 11,
        answers: MODES.len() as u32,
    },
    Question::yes_or_no("start permitted", 0),
    Question::yes_or_no("barring permitted", 1),
    Question::yes_or_no("a fault latched", 2),
    Question::yes_or_no("emergency stop operated", 3),
    Question::yes_or_no("all hands off", 4),
    Question::yes_or_no("in the top window", 5),
    Question::yes_or_no("closing", 6),
    Question::yes_or_no("field clear", 7),
    Question::yes_or_no("muted", 8),
    Question::yes_or_no("two-hand set-up", 9),
    Question::yes_or_no("past its latch limit", 10),
    Question {
        text: "where it rests",
        unit: (MODES.len() as u32) << 11,
        answers: RESTS.len() as u32,
    },
];
