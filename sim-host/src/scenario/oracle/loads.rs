//! Limit channels as they must be seen from outside: loads by the true crank angle, outputs by what
//! the controller may know.
//!
//! A load is surely due well inside its window and surely not well outside; on the edges nobody is
//! held to anything. How wide an edge is follows from what no controller can do better: its angle,
//! its tick, and a speed that changes between command and action.

use crate::scenario::limit_channels::{Bank, Plan, Span};
use stopwright_core::limit_channels::ChannelSet;

/// Doubt about an angle: lash of the drive, the angle's own error, degrees.
const ANGLE_DOUBT_DEG: f64 = 1.5;
/// Ticks by which an edge is seen early or late: the tick of the change and that of the look.
const EDGE_TICKS: f64 = 2.0;
/// Doubt about a time that was counted in ticks, s.
const TIME_DOUBT_S: f64 = 0.003;
/// A controller knows its speed as a mean over so long a time, s.
const SPEED_MEAN_S: f64 = 0.040;
/// After power-up, and after the angle was lost, a controller has this long to come back, s.
const SETTLE_S: f64 = 0.100;
/// One tick, s.
const TICK_S: f64 = 1e-3;

/// One millisecond as it concerns the loads.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub(super) now_s: f64,
    /// True crank angle, degrees of travel.
    pub(super) angle_deg: f64,
    pub(super) speed_spm: f64,
    pub(super) loads: ChannelSet,
    /// The controller is up and has an angle, or never tells one.
    pub(super) may_know: bool,
}

/// What a load must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Due {
    On,
    Off,
    Either,
}

/// Judges all loads of a bank.
#[derive(Clone, Debug)]
pub(super) struct LoadJudge {
    speeds: Spread,
    slowest_s: f64,
    known_since_s: Option<f64>,
    watches: Vec<Watch>,
}

impl LoadJudge {
    pub(super) fn new(bank: &Bank) -> Self {
        let slowest_s = bank.plans.iter().map(|plan| plan.slowest_s);
        let slowest_s = slowest_s.fold(0.0, f64::max);
        Self {
            speeds: Spread::new(slowest_s + SPEED_MEAN_S),
            slowest_s,
            known_since_s: None,
            watches: bank.plans.iter().map(Watch::new).collect(),
        }
    }

    /// What is wrong with a load, if one is.
    pub(super) fn judge(&mut self, look: &Look) -> Option<String> {
        self.speeds.note(look.speed_spm);
        self.known_since_s = look
            .may_know
            .then(|| self.known_since_s.unwrap_or(look.now_s));
        let is_known = self
            .known_since_s
            .is_some_and(|since_s| look.now_s - since_s > SETTLE_S + self.slowest_s);
        let spread_spm = self.speeds.spread_spm();
        let wrong = self
            .watches
            .iter_mut()
            .filter_map(|watch| watch.judge(look, spread_spm, is_known));
        // All of them take the look; the first that is wrong is told.
        wrong.fold(None, |first, next| first.or(Some(next)))
    }
}

/// One load.
#[derive(Clone, Debug)]
struct Watch {
    plan: Plan,
    on_since_s: Option<f64>,
    /// It came on where it was not due to be off.
    began_well: bool,
    before_deg: Option<f64>,
    /// When and where the crank last passed each beginning in normal travel.
    passed: Vec<Option<Passed>>,
}

#[derive(Clone, Copy, Debug)]
struct Passed {
    at_s: f64,
    angle_deg: f64,
    /// How wide the edge was, as time.
    doubt_s: f64,
    /// Passed again and again: it cannot be told which one counts.
    is_unclear: bool,
}

impl Watch {
    fn new(plan: &Plan) -> Self {
        Self {
            plan: plan.clone(),
            on_since_s: None,
            began_well: false,
            before_deg: None,
            passed: vec![None; plan.windows.len()],
        }
    }

    fn judge(&mut self, look: &Look, spread_spm: f64, is_known: bool) -> Option<String> {
        let is_on = look.loads.contains(self.plan.channel);
        let was_on = self.on_since_s.is_some();
        self.on_since_s = is_on.then(|| self.on_since_s.unwrap_or(look.now_s));
        let doubt_deg = self.doubt_deg(look.speed_spm, spread_spm);
        self.pass(look, doubt_deg);
        let due = self.due(look, doubt_deg);
        if is_on && !was_on {
            self.began_well = due != Due::Off;
        }
        if !is_known {
            return None;
        }
        let wrong = match (due, is_on) {
            (Due::On, false) => "off inside its window",
            (Due::Off, true) if !self.is_held(look) => "on outside its window",
            _ => return None,
        };
        let number = self.plan.channel + 1;
        Some(format!("the load of channel {number} is {wrong}"))
    }

    fn doubt_deg(&self, speed_spm: f64, spread_spm: f64) -> f64 {
        let ticks_deg = 6.0 * speed_spm.abs() * TICK_S * EDGE_TICKS;
        let spread_deg = 6.0 * spread_spm * self.plan.slowest_s;
        ANGLE_DOUBT_DEG + self.plan.hysteresis_deg + ticks_deg + spread_deg
    }

    /// Notes the beginnings that were passed since the last look.
    fn pass(&mut self, look: &Look, doubt_deg: f64) {
        let before_deg = self.before_deg.replace(look.angle_deg);
        let Some(made_deg) = before_deg.map(|before| look.angle_deg - before) else {
            return;
        };
        let per_s = 6.0 * look.speed_spm.abs();
        for (window, passed) in self.plan.windows.iter().zip(&mut self.passed) {
            let past_deg = (look.angle_deg - window.from_deg).rem_euclid(360.0);
            if made_deg <= 0.0 || past_deg >= made_deg {
                continue;
            }
            let is_again = |it: Passed| look.angle_deg - it.angle_deg < 180.0;
            *passed = Some(Passed {
                at_s: look.now_s,
                angle_deg: look.angle_deg,
                doubt_s: TIME_DOUBT_S + doubt_deg / per_s.max(1e-3),
                is_unclear: passed.is_some_and(is_again),
            });
        }
    }

    fn due(&self, look: &Look, doubt_deg: f64) -> Due {
        let windows = self.plan.windows.iter().zip(&self.passed);
        let mut all = Due::Off;
        for (window, passed) in windows {
            let past_deg = (look.angle_deg - window.from_deg).rem_euclid(360.0);
            let due = match window.span {
                Span::Deg(width_deg) => by_angle(past_deg, width_deg, doubt_deg),
                Span::Seconds(on_s) => {
                    let on_s = on_s + self.plan.stretched_s;
                    by_time(past_deg, on_s, doubt_deg, *passed, look.now_s)
                }
            };
            match due {
                Due::On => return Due::On,
                Due::Either => all = Due::Either,
                Due::Off => {}
            }
        }
        all
    }

    /// It has not been on for its minimum on-time yet, or not for the time of a window that it began
    /// well: a crank that comes to rest just short of the window has been led into it, and the time
    /// runs out all the same.
    fn is_held(&self, look: &Look) -> bool {
        let timed_s = match self.began_well {
            true => self.longest_timed_s(),
            false => 0.0,
        };
        let least_s = self.plan.least_on_s.max(timed_s) + TIME_DOUBT_S;
        self.on_since_s
            .is_some_and(|since_s| look.now_s - since_s <= least_s)
    }

    fn longest_timed_s(&self) -> f64 {
        let spans = self.plan.windows.iter().map(|window| match window.span {
            Span::Seconds(on_s) => on_s + self.plan.stretched_s,
            Span::Deg(_) => 0.0,
        });
        spans.fold(0.0, f64::max)
    }
}

fn by_angle(past_deg: f64, width_deg: f64, doubt_deg: f64) -> Due {
    if past_deg > doubt_deg && past_deg < width_deg - doubt_deg {
        Due::On
    } else if past_deg > width_deg + doubt_deg && past_deg < 360.0 - doubt_deg {
        Due::Off
    } else {
        Due::Either
    }
}

fn by_time(past_deg: f64, on_s: f64, doubt_deg: f64, passed: Option<Passed>, now_s: f64) -> Due {
    if past_deg > 360.0 - doubt_deg {
        return Due::Either;
    }
    let Some(passed) = passed else {
        // Just past the beginning the controller may have seen the crank pass it.
        return if past_deg < doubt_deg {
            Due::Either
        } else {
            Due::Off
        };
    };
    let since_s = now_s - passed.at_s;
    if since_s > on_s + passed.doubt_s {
        Due::Off
    } else if since_s > passed.doubt_s && since_s < on_s - passed.doubt_s && !passed.is_unclear {
        Due::On
    } else {
        Due::Either
    }
}

/// Lowest and highest of a speed over a time past: over one to two spans of it.
#[derive(Clone, Debug)]
struct Spread {
    span_ticks: u32,
    ticks: u32,
    before: (f64, f64),
    now: (f64, f64),
}

impl Spread {
    const NONE: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

    fn new(span_s: f64) -> Self {
        Self {
            span_ticks: (span_s / TICK_S).ceil() as u32,
            ticks: 0,
            before: Self::NONE,
            now: Self::NONE,
        }
    }

    fn note(&mut self, value: f64) {
        if self.ticks >= self.span_ticks {
            (self.before, self.now, self.ticks) = (self.now, Self::NONE, 0);
        }
        self.ticks += 1;
        self.now = (self.now.0.min(value), self.now.1.max(value));
    }

    fn spread_spm(&self) -> f64 {
        self.now.1.max(self.before.1) - self.now.0.min(self.before.0)
    }
}
