//! When something is due: by time, stroke, event, angle and chance, all of those that are named.

use crate::prng;
use rand::RngExt;
use serde::Deserialize;

/// What can happen in a millisecond, as a scenario may wait for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Happening {
    /// The controller's drive went on: a stroke or an inch began.
    DriveOn,
    /// The controller's drive went off.
    DriveOff,
    /// The crank began to turn.
    Motion,
    /// The crank came to rest.
    Standstill,
    /// The brake touched.
    BrakeTouch,
    /// The clutch took the crank up to the flywheel's speed.
    LockUp,
    /// A fault latched.
    Fault,
    /// Muting began.
    Muting,
}

/// Words for [`Happening`] in a file.
pub(super) const HAPPENINGS: &[&str] = &[
    "drive-on",
    "drive-off",
    "motion",
    "standstill",
    "brake-touch",
    "lock-up",
    "fault",
    "muting",
];

/// Conditions; those that are named must all hold.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
pub struct When {
    /// From this time on, s since power-up.
    pub time_s: Option<f64>,
    /// From the beginning of this stroke on, counted from 1.
    pub stroke: Option<u32>,
    /// Once this has happened, counted from when time and stroke hold.
    pub event: Option<Happening>,
    /// When the crank passes this angle, degrees, counted from when all of the above hold.
    pub angle_deg: Option<f64>,
    /// In each stroke with this chance, 0 to 1.
    pub chance: Option<f64>,
    /// So long after all of that, ms.
    pub after_ms: Option<f64>,
}

/// What a run has come to, as far as conditions ask.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Facts {
    pub(super) now_s: f64,
    /// Crank angle counted over turns, degrees, now and a tick ago.
    pub(super) angle_deg: f64,
    pub(super) angle_before_deg: f64,
    /// Strokes begun.
    pub(super) strokes: u32,
    happened: u16,
}

impl Facts {
    pub(super) fn next(&mut self, now_s: f64, angle_deg: f64) {
        self.now_s = now_s;
        self.angle_before_deg = self.angle_deg;
        self.angle_deg = angle_deg;
        self.happened = 0;
    }

    pub(super) fn note(&mut self, what: Happening) {
        self.happened |= 1 << what as u16;
    }

    pub(super) fn has(&self, what: Happening) -> bool {
        self.happened & 1 << what as u16 != 0
    }

    /// Whether the crank passed an angle of the turn, in normal travel, in the last tick.
    fn passed(&self, angle_deg: f64) -> bool {
        let turns = |deg: f64| ((deg - angle_deg) / 360.0).floor();
        turns(self.angle_deg) > turns(self.angle_before_deg)
    }
}

/// Waits for a [`When`].
#[derive(Clone, Debug)]
pub(super) struct Trigger {
    when: When,
    stream: prng::Stream,
    /// The stroke that the chance was last drawn for, and what came of it.
    drawn: Option<(u32, bool)>,
    event_seen: bool,
    met_s: Option<f64>,
}

impl Trigger {
    pub(super) fn new(when: &When, stream: prng::Stream) -> Self {
        Self {
            when: when.clone(),
            stream,
            drawn: None,
            event_seen: false,
            met_s: None,
        }
    }

    /// Waits anew.
    pub(super) fn rearm(&mut self) {
        (self.event_seen, self.met_s) = (false, None);
    }

    /// Whether it is due; asked once a tick.
    pub(super) fn is_due(&mut self, facts: &Facts) -> bool {
        if self.met_s.is_none() && self.is_met(facts) {
            self.met_s = Some(facts.now_s);
        }
        let after_s = self.when.after_ms.unwrap_or(0.0) / 1e3;
        self.met_s
            .is_some_and(|met| facts.now_s >= met + after_s - 1e-9)
    }

    fn is_met(&mut self, facts: &Facts) -> bool {
        let when = &self.when;
        if when.time_s.is_some_and(|time| facts.now_s < time - 1e-9)
            || when.stroke.is_some_and(|stroke| facts.strokes < stroke)
            || !self.is_drawn(facts.strokes)
        {
            return false;
        }
        let was_seen = self.event_seen;
        self.event_seen |= self.when.event.is_none_or(|event| facts.has(event));
        match self.when.angle_deg {
            None => self.event_seen,
            // An event of the same tick may have come after the angle.
            Some(angle) => (was_seen || self.when.event.is_none()) && facts.passed(angle),
        }
    }

    /// Whether this stroke is one of those that chance picks.
    fn is_drawn(&mut self, stroke: u32) -> bool {
        let Some(chance) = self.when.chance else {
            return true;
        };
        if stroke == 0 {
            return false;
        }
        match self.drawn {
            Some((drawn_for, hit)) if drawn_for == stroke => hit,
            _ => {
                let hit = self.stream.random::<f64>() < chance;
                self.drawn = Some((stroke, hit));
                hit
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trigger(when: When) -> Trigger {
        Trigger::new(&when, prng::stream(1, "test"))
    }

    fn facts(now_s: f64, before_deg: f64, angle_deg: f64, strokes: u32) -> Facts {
        Facts {
            now_s,
            angle_deg,
            angle_before_deg: before_deg,
            strokes,
            happened: 0,
        }
    }

    #[test]
    fn an_angle_counts_in_every_turn_and_only_when_it_is_passed() {
        let mut at = trigger(When {
            angle_deg: Some(90.0),
            stroke: Some(2),
            ..When::default()
        });
        assert!(!at.is_due(&facts(0.1, 89.9, 90.1, 1)), "the first stroke");
        assert!(!at.is_due(&facts(0.2, 449.0, 449.9, 2)), "not there yet");
        assert!(!at.is_due(&facts(0.2, 450.1, 449.9, 2)), "backwards");
        assert!(at.is_due(&facts(0.3, 449.9, 450.0, 2)));
    }

    #[test]
    fn a_delay_counts_from_when_the_rest_is_met() {
        let mut later = trigger(When {
            time_s: Some(1.0),
            after_ms: Some(50.0),
            ..When::default()
        });
        assert!(!later.is_due(&facts(1.0, 0.0, 0.0, 0)));
        assert!(!later.is_due(&facts(1.049, 0.0, 0.0, 0)));
        assert!(later.is_due(&facts(1.050, 0.0, 0.0, 0)));
    }

    #[test]
    fn chance_is_drawn_once_a_stroke() {
        let mut now_and_then = trigger(When {
            chance: Some(0.3),
            ..When::default()
        });
        let mut hits = 0;
        for stroke in 1..=2_000 {
            now_and_then.rearm();
            let first = now_and_then.is_due(&facts(0.0, 0.0, 0.0, stroke));
            assert_eq!(first, now_and_then.is_due(&facts(0.0, 0.0, 0.0, stroke)));
            hits += u32::from(first);
        }
        assert!((500..700).contains(&hits), "{hits}");
    }
}
