//! The judge: what must never happen, held against plant truth and the controller's outputs.
//!
//! It sees what the press really did, what people really did, what the controller was given and
//! what it said; it never looks inside. The settings it knows are those that the scenario put in
//! force. A rule is judged *always*; what a run *reached* is noted beside it, because a run that
//! never came to the hard case has shown nothing.
//!
//! Two things it cannot judge from outside: settings half-written by a power cut (settings are one
//! value here, checked as a whole before they are in force), and an impossible state that nobody
//! spoke of.

mod loads;
mod reached;
mod rules;

pub(super) use reached::WORDS as REACHED_WORDS;
pub use reached::{REACHED, Reached};
pub(super) use rules::WORDS as RULE_WORDS;
pub use rules::{RULES, Rule};

use super::limit_channels::Bank;
use crate::bench::Moment;
use crate::distance::{self, Responses, Site};
use crate::plant::Mark;
use crate::units;
use loads::{LoadJudge, Look};
use stopwright_core::contacts::{Levels, PairConfig, Reading};
use stopwright_core::controller::{Selector, ServiceReply};
use stopwright_core::fault::{FaultSet, Reaction, ResetRule};
use stopwright_core::fault_latch::Standing;
use stopwright_core::receiver::CrankPosition;
use stopwright_core::settings::{Guard, Schema, Settings};
use stopwright_core::stop_time::StopKind;
use stopwright_core::stroke::{Mode, Stroke};

/// What a person does takes the controller this long to act on at most, ms: debounce of a released
/// hand (5 ms at most by the rulings on settings), a tick, and a tick of doubt.
const ANSWER_MS: u32 = 8;
/// Degrees around top and bottom where closing and opening are not told apart.
const DEAD_CENTRE_DEG: f64 = 5.0;
/// Doubt about an angle: lash of the drive, the angle's own error, degrees.
const ANGLE_DOUBT_DEG: f64 = 1.5;
/// Motion at rest that the controller must not have caused, degrees: its own bound is 3.
const REST_DEG: f64 = 3.5;
/// One actuation turns the crank once, and past the top by an overrun at most, degrees.
const TURN_MOST_DEG: f64 = 360.0 + 30.0;
/// Both coils may carry current this long after the drive went off, s: output stage included.
const COIL_S: f64 = 0.060;
/// What was in the clutch when the drive went off may still set the crank in motion this long after,
/// s: pressure is up to its touch point late in a slow press, and takes its exhaust to go.
const RUN_OUT_S: f64 = 0.100;
/// A late stop must be latched this long after standstill, s: the controller confirms it first.
const TOLD_S: f64 = 0.200;
/// A stop counts as late when it is past its latch limit by this share and this much: what the
/// controller's own measurement may err by.
const LATE_SHARE: f64 = 1.03;
const LATE_MS: f64 = 10.0;
const LATE_DEG: f64 = 2.0;
/// A controller knows its speed as a mean over so many ticks, and so may the judge when a speed
/// decides an angle.
const SPEED_TICKS: usize = 32;
/// Crank speed that counts as turning, strokes per minute.
const TURNING_SPM: f64 = 0.5;

/// A rule that did not hold.
#[derive(Clone, Debug, PartialEq)]
pub struct Breach {
    /// Which.
    pub rule: Rule,
    /// When, s since power-up.
    pub at_s: f64,
    /// True crank angle there, degrees of the turn.
    pub angle_deg: f64,
    /// What was seen.
    pub seen: String,
}

/// One actuation: from the drive going on.
#[derive(Clone, Copy, Debug)]
struct Run {
    from_deg: f64,
    mode: Mode,
}

/// The release angle that ends a run: which one it is, is settled where it begins to count.
#[derive(Clone, Copy, Debug)]
struct Ahead {
    /// Where that was, degrees of travel.
    from_deg: f64,
    /// From there to the commissioned release angle, degrees; less than nothing where speed has
    /// moved the release past it.
    commissioned_deg: f64,
}

impl Ahead {
    /// The next release angle ahead of `from_deg`, with what the speed there adds to it.
    fn of(from_deg: f64, release_deg: f64, moved_deg: f64, doubt_deg: f64) -> Self {
        let ahead_deg = match (release_deg + moved_deg - from_deg).rem_euclid(360.0) {
            // Just at the release angle it may be this one or the next.
            ahead if ahead < doubt_deg => ahead + 360.0,
            ahead => ahead,
        };
        Self {
            from_deg,
            commissioned_deg: ahead_deg - moved_deg,
        }
    }
}

/// A request to stop for a hand's sake, while the slide closes.
#[derive(Clone, Copy, Debug)]
struct Request {
    at_s: f64,
    by_hands: bool,
}

/// The judge of one run.
#[derive(Clone, Debug)]
pub struct Oracle {
    schema: Schema,
    breaches: Vec<Breach>,
    reached: u32,
    run: Option<Run>,
    /// Crank speeds of the last ticks, strokes per minute.
    speeds_spm: [f64; SPEED_TICKS],
    ticks: usize,
    drive_on: bool,
    drive_off_s: f64,
    hands_up_ms: u32,
    hands_were_up: bool,
    stop_asked_ms: u32,
    presence_ms: u32,
    top_stop: Option<Ahead>,
    /// Where the crank rests with the drive off.
    rest_deg: Option<f64>,
    /// Where the speed of the crank was first zero, until it sets out again.
    standstill_deg: Option<f64>,
    is_new: bool,
    latched: FaultSet,
    /// Travel count when a fault of the top-stop class latched in a running press.
    top_latch_deg: Option<f64>,
    /// Highest speed since the drive went off, strokes per minute: the clutch may still carry the
    /// crank on.
    peak_spm: f64,
    /// A stop was late: when, and whether it has been told.
    late_s: Option<(f64, bool)>,
    request: Option<Request>,
    was_safe: bool,
    loads: Option<LoadJudge>,
    /// The limit channels were put in force since power-up.
    has_channels: bool,
}

impl Oracle {
    /// A judge who knows the settings and the limit channels that were put in force.
    pub fn new(settings: &Settings, bank: Option<&Bank>) -> Self {
        Self {
            schema: *settings.get(),
            breaches: Vec::new(),
            reached: 0,
            run: None,
            speeds_spm: [0.0; SPEED_TICKS],
            ticks: 0,
            drive_on: false,
            drive_off_s: f64::NEG_INFINITY,
            hands_up_ms: 0,
            hands_were_up: false,
            stop_asked_ms: 0,
            presence_ms: 0,
            top_stop: None,
            rest_deg: None,
            standstill_deg: None,
            is_new: true,
            latched: FaultSet::EMPTY,
            top_latch_deg: None,
            peak_spm: 0.0,
            late_s: None,
            request: None,
            was_safe: true,
            loads: bank.map(LoadJudge::new),
            has_channels: false,
        }
    }

    /// The rules that did not hold, each with the first time it did not.
    pub fn breaches(&self) -> &[Breach] {
        &self.breaches
    }

    /// Whether the run came to this.
    pub fn has_reached(&self, what: Reached) -> bool {
        self.reached & what.bit() != 0
    }

    /// Judges one millisecond.
    pub fn judge(&mut self, moment: &Moment<'_>) {
        let seen = Seen::of(moment);
        let starts = moment.outputs.valve.is_on && !self.drive_on;
        self.note_people(moment);
        self.speeds_spm[self.ticks % SPEED_TICKS] = seen.speed_spm;
        self.ticks += 1;
        if starts {
            self.judge_start(&seen);
        }
        self.judge_drive(&seen);
        self.judge_turning(&seen);
        self.judge_rest(&seen);
        self.note_standstill(&seen);
        self.judge_words(&seen);
        self.judge_stops(&seen);
        self.judge_hand(&seen);
        self.judge_channels(&seen);
        self.reached |= reached::of(moment, seen.turn_deg, seen.speed_spm);
        self.latched = moment.outputs.latched;
        if self.drive_on && !moment.outputs.valve.is_on {
            self.drive_off_s = moment.now_s;
            self.top_stop = None;
            self.top_latch_deg = None;
        }
        self.drive_on = moment.outputs.valve.is_on;
    }

    fn breach(&mut self, rule: Rule, seen: &Seen<'_>, what: impl Into<String>) {
        if self.breaches.iter().any(|breach| breach.rule == rule) {
            return;
        }
        self.breaches.push(Breach {
            rule,
            at_s: seen.moment.now_s,
            angle_deg: seen.turn_deg,
            seen: what.into(),
        });
    }

    /// How long people have been asking for what.
    fn note_people(&mut self, moment: &Moment<'_>) {
        let panel = moment.panel;
        let count = |holds: bool, ms: u32| if holds { ms.saturating_add(1) } else { 0 };
        let hand_up = !(panel.left_pressed && panel.right_pressed);
        self.hands_up_ms = count(hand_up, self.hands_up_ms);
        self.hands_were_up |= !panel.left_pressed && !panel.right_pressed;
        let asked = panel.emergency_operated || panel.stop_operated || panel.guard_open;
        self.stop_asked_ms = count(asked, self.stop_asked_ms);
        self.presence_ms = count(panel.presence_blocked, self.presence_ms);
    }

    fn judge_start(&mut self, seen: &Seen<'_>) {
        if !self.hands_were_up {
            self.breach(
                Rule::StartsOnActuation,
                seen,
                "started without the hands having been up",
            );
        }
        if self.hands_up_ms > ANSWER_MS {
            self.breach(Rule::StartsOnActuation, seen, "started without both hands");
        }
        if matches!(seen.mode, Mode::Off | Mode::Barring) {
            self.breach(
                Rule::StartsOnActuation,
                seen,
                "started in a mode without strokes",
            );
        }
        if !seen.moment.outputs.latched.is_empty() {
            self.breach(
                Rule::NoDriveUnderLatch,
                seen,
                "started with a fault latched",
            );
        }
        if self.late_s.is_some() {
            self.breach(
                Rule::LateStopHolds,
                seen,
                "started after a stop past its latch limit, without recommissioning",
            );
        }
        self.hands_were_up = false;
        self.rest_deg = None;
        self.run = Some(Run {
            from_deg: seen.angle_deg,
            mode: seen.mode,
        });
    }

    /// While the drive is on.
    fn judge_drive(&mut self, seen: &Seen<'_>) {
        if !seen.moment.outputs.valve.is_on {
            return;
        }
        let latched = seen.moment.outputs.latched;
        if latched.reaction() >= Some(Reaction::ImmediateStop) {
            self.breach(
                Rule::NoDriveUnderLatch,
                seen,
                "driven with a fault latched that stops at once",
            );
        }
        self.judge_permit(seen);
        let closing = seen.is_closing();
        let hands_needed = match self.run.map(|run| run.mode) {
            Some(Mode::Inch | Mode::Test) => true,
            Some(Mode::Single) => closing,
            Some(Mode::Continuous) => closing && self.turned(seen) < 170.0,
            _ => false,
        };
        if hands_needed && self.hands_up_ms > ANSWER_MS {
            self.breach(
                Rule::HandsHoldTheSlide,
                seen,
                "driven with a hand off its button",
            );
        }
        self.judge_release(seen);
        self.judge_top_latch(seen);
    }

    fn judge_permit(&mut self, seen: &Seen<'_>) {
        let inputs = seen.moment.inputs;
        let contacts = self.schema.contacts;
        let is_on = |levels: Levels, pair: &PairConfig| levels.read(pair.kind) == Reading::On;
        let missing = [
            (inputs.supply_ok, "supply"),
            (
                is_on(inputs.emergency_chain, &contacts.emergency),
                "emergency chain",
            ),
            (inputs.stop_control_closed, "stop control"),
            (is_on(inputs.guards, &contacts.guards), "guards"),
            (inputs.clutch_air_ok, "clutch air"),
            (inputs.counterbalance_air_ok, "counterbalance air"),
            (
                self.stop_asked_ms <= ANSWER_MS,
                "the person who asked for a stop",
            ),
        ];
        if let Some((_, what)) = missing.into_iter().find(|(is_there, _)| !is_there) {
            self.breach(
                Rule::NoDriveWithoutPermit,
                seen,
                format!("driven against: {what}"),
            );
        }
        let production = matches!(seen.mode, Mode::Single | Mode::Continuous);
        let seen_blocked =
            !is_on(inputs.presence, &contacts.presence) || self.presence_ms > ANSWER_MS;
        if production && seen.is_closing() && seen_blocked {
            self.breach(
                Rule::NoDriveWithoutPermit,
                seen,
                "driven down with the presence sensing blocked",
            );
        }
    }

    fn turned(&self, seen: &Seen<'_>) -> f64 {
        self.run.map_or(0.0, |run| seen.angle_deg - run.from_deg)
    }

    /// The stop command comes at the release angle, within the late bound.
    fn judge_release(&mut self, seen: &Seen<'_>) {
        let Some(run) = self.run else { return };
        // A run ends at the next release angle ahead of where it began, and a continuous one at the
        // next ahead of where the top stop was asked for. A later change of speed moves that angle;
        // it makes no other angle of it.
        let is_continuous = run.mode == Mode::Continuous;
        let is_asked = seen.moment.panel.top_stop_pressed || self.top_stop.is_some();
        if is_continuous && !is_asked {
            return;
        }
        let release_deg = units::angle_deg(self.schema.top_stop.release);
        let (moved_deg, doubt_deg) = (self.release_moved_deg(), doubt_deg(seen));
        let ahead = if is_continuous {
            let asked = || Ahead::of(seen.angle_deg, release_deg, moved_deg, doubt_deg);
            *self.top_stop.get_or_insert_with(asked)
        } else {
            Ahead::of(run.from_deg, release_deg, 0.0, doubt_deg)
        };
        let latest_deg = ahead.commissioned_deg + moved_deg + self.late_deg(seen);
        if seen.angle_deg - ahead.from_deg > latest_deg {
            self.breach(
                Rule::ReleaseInTime,
                seen,
                "driven past the late bound of the release angle",
            );
        }
    }

    /// How far past a release angle the stop command may be seen, degrees.
    fn late_deg(&self, seen: &Seen<'_>) -> f64 {
        units::travel_deg(self.schema.top_stop.late_bound) + doubt_deg(seen)
    }

    /// What the speed adds to the release angle or takes from it, degrees.
    fn release_moved_deg(&self) -> f64 {
        let top = &self.schema.top_stop;
        let mean_spm = self.speeds_spm.iter().sum::<f64>() / SPEED_TICKS as f64;
        let moved = top.release_at(units::speed(mean_spm));
        units::travel_deg(moved.offset_from(top.release))
    }

    /// A fault of the top-stop class leaves the drive on to the next release angle at most.
    fn judge_top_latch(&mut self, seen: &Seen<'_>) {
        if seen.moment.outputs.latched.is_empty() {
            return;
        }
        let from = *self.top_latch_deg.get_or_insert(seen.angle_deg);
        if seen.angle_deg - from > 360.0 + self.late_deg(seen) {
            self.breach(
                Rule::NoDriveUnderLatch,
                seen,
                "driven for more than a turn with a fault latched",
            );
        }
    }

    fn judge_turning(&mut self, seen: &Seen<'_>) {
        let is_continuous = self.run.is_some_and(|run| run.mode == Mode::Continuous);
        if self.run.is_some() && !is_continuous && self.turned(seen) > TURN_MOST_DEG {
            self.breach(
                Rule::OneStroke,
                seen,
                "the crank turned on past the top on one actuation",
            );
        }
        let drive_off_s = seen.moment.now_s - self.drive_off_s;
        let coils_on = seen.moment.plant.coil(0) && seen.moment.plant.coil(1);
        if !self.drive_on && !seen.moment.outputs.valve.is_on && coils_on && drive_off_s > COIL_S {
            self.breach(
                Rule::OffMeansOff,
                seen,
                "both coils carry current with the drive off",
            );
        }
    }

    fn judge_rest(&mut self, seen: &Seen<'_>) {
        let has_stopped = |mark: Mark| {
            let events = seen.moment.events;
            events.iter().any(|event| event.mark == mark)
        };
        let is_first = std::mem::take(&mut self.is_new);
        if is_first && seen.speed_spm.abs() < TURNING_SPM {
            self.rest_deg = Some(seen.angle_deg);
        }
        if seen.mode == Mode::Barring {
            self.rest_deg = None;
        } else if !seen.moment.outputs.valve.is_on && has_stopped(Mark::Standstill) {
            self.rest_deg = self.rest_deg.or(Some(seen.angle_deg));
        }
        let drive_off_s = seen.moment.now_s - self.drive_off_s;
        if drive_off_s < RUN_OUT_S && seen.speed_spm > TURNING_SPM {
            self.rest_deg = None;
        }
        let moved = self.rest_deg.map(|rest| (seen.angle_deg - rest).abs());
        if moved.is_some_and(|moved| moved > REST_DEG) {
            self.breach(Rule::StandsUnlessDriven, seen, "the slide moved by itself");
        }
    }

    fn note_standstill(&mut self, seen: &Seen<'_>) {
        for event in seen.moment.events {
            match event.mark {
                Mark::Standstill => self.standstill_deg = Some(event.angle_deg),
                Mark::StartOfMotion => self.standstill_deg = None,
                _ => {}
            }
        }
    }

    /// Standstill is the first zero of crank speed, and whoever stays inside the doubt about an angle
    /// from there on stands. A gear train that rings then has a speed and makes no way: the swing is
    /// no motion of the slide, it can lie wholly in the lash of the resolver's drive, and no
    /// controller sees it there.
    fn stands(&self, seen: &Seen<'_>) -> bool {
        let away_deg = self.standstill_deg.map(|at| (seen.angle_deg - at).abs());
        seen.speed_spm.abs() <= TURNING_SPM || away_deg.is_some_and(|it| it <= ANGLE_DOUBT_DEG)
    }

    /// What the controller says: muting, latches, compensation, settings.
    fn judge_words(&mut self, seen: &Seen<'_>) {
        let said = seen.moment.outputs;
        let mute_end_deg = units::angle_deg(self.schema.angles.mute_end);
        if said.is_muted {
            let opening = (180.0 - ANGLE_DOUBT_DEG..=mute_end_deg + ANGLE_DOUBT_DEG + 1.0)
                .contains(&seen.turn_deg);
            if !opening || seen.speed_spm < -TURNING_SPM {
                self.breach(
                    Rule::MutesInOpeningOnly,
                    seen,
                    "muted outside the opening stroke",
                );
            }
            if has_lost_angle(said.position) {
                self.breach(
                    Rule::MutesInOpeningOnly,
                    seen,
                    "muted without an angle to trust",
                );
            }
        }
        for code in self
            .latched
            .iter()
            .filter(|code| !said.latched.contains(*code))
        {
            let standing = seen.moment.inputs.reset;
            if !standing.is_some_and(|standing| may_reset(standing, code.reset_rule())) {
                let what = format!("fault {} went away unreset", code.number());
                self.breach(Rule::LatchHolds, seen, what);
            }
        }
        let top = &self.schema.top_stop;
        let offset = units::travel_deg(said.compensation);
        let bounds =
            -units::travel_deg(top.early_bound) - 1e-6..=units::travel_deg(top.late_bound) + 1e-6;
        if !bounds.contains(&offset) {
            self.breach(
                Rule::CompensationBounded,
                seen,
                format!("compensation by {offset:.2} degrees"),
            );
        }
        if said.reply == ServiceReply::Adopted && !self.stands(seen) {
            self.breach(
                Rule::SettingsAtRest,
                seen,
                "settings put in force while the crank turned",
            );
        }
    }

    /// Limit channels and their loads.
    fn judge_channels(&mut self, seen: &Seen<'_>) {
        let moment = seen.moment;
        let has_lost_angle = has_lost_angle(moment.outputs.position);
        let is_on = !moment.outputs.limit_channels.is_empty();
        if is_on && (has_lost_angle || moment.is_unpowered) {
            let what = "a limit channel is on without an angle to trust";
            self.breach(Rule::ChannelNeedsAngle, seen, what);
        }
        let Some(judge) = &mut self.loads else { return };
        let said = moment.outputs;
        self.has_channels |= said.reply == ServiceReply::Adopted;
        self.has_channels &= !moment.is_unpowered;
        // Where a controller somewhere else has them from is its own business.
        let is_elsewhere = matches!(said.position, CrankPosition::Untrusted { last: None, .. });
        let has_channels = self.has_channels || is_elsewhere && !moment.is_unpowered;
        let wrong = judge.judge(&Look {
            now_s: moment.now_s,
            angle_deg: seen.angle_deg,
            speed_spm: seen.speed_spm,
            loads: moment.loads,
            may_know: has_channels && said.stroke != Stroke::PowerUp && !has_lost_angle,
        });
        if let Some(what) = wrong {
            self.breach(Rule::LoadInWindow, seen, what);
        }
    }

    /// Late stops are latched, and hold.
    fn judge_stops(&mut self, seen: &Seen<'_>) {
        self.peak_spm = match seen.moment.outputs.valve.is_on {
            true => 0.0,
            false => self.peak_spm.max(seen.speed_spm),
        };
        if let Some(stop) = seen.moment.stops.iter().find(|stop| self.is_late(stop)) {
            self.late_s = self.late_s.or(Some((stop.standstill_s, false)));
        }
        if seen.moment.inputs.reset == Some(Standing::Recommissioned) {
            self.late_s = None;
        }
        let Some((since_s, told)) = &mut self.late_s else {
            return;
        };
        *told |= !seen.moment.outputs.latched.is_empty();
        if !*told && seen.moment.now_s - *since_s > TOLD_S && !seen.moment.is_unpowered {
            self.breach(
                Rule::LateStopHolds,
                seen,
                "a stop past its latch limit was passed over",
            );
        }
    }

    fn is_late(&self, stop: &crate::plant::StopTruth) -> bool {
        let speed = units::speed(stop.speed_spm.abs().max(self.peak_spm));
        let stops = &self.schema.stop;
        [StopKind::Top, StopKind::MidStroke]
            .into_iter()
            .all(|kind| {
                let limits = stops.limits(kind).at_speed(stops.curve, speed);
                let time_ms = LATE_SHARE * units::duration_ms(limits.time_latch) + LATE_MS;
                let travel_deg = LATE_SHARE * units::travel_deg(limits.travel_latch) + LATE_DEG;
                stop.stop_time_ms > time_ms || stop.travel_deg > travel_deg
            })
    }

    /// A hand that lets go or reaches in while the slide closes must not get there first.
    fn judge_hand(&mut self, seen: &Seen<'_>) {
        let panel = seen.moment.panel;
        let is_safe = panel.left_pressed && panel.right_pressed && !panel.presence_blocked;
        let turns_down = seen.turn_deg < 180.0 && seen.speed_spm > TURNING_SPM;
        let in_production = matches!(seen.mode, Mode::Single | Mode::Continuous);
        let hands_free =
            self.run.is_some_and(|run| run.mode == Mode::Continuous) && self.turned(seen) > 180.0;
        if self.was_safe && !is_safe && turns_down && in_production && self.request.is_none() {
            let by_hands = !panel.presence_blocked;
            if !(by_hands && hands_free) {
                self.request = Some(Request {
                    at_s: seen.moment.now_s - 1e-3,
                    by_hands,
                });
            }
        }
        // Hands that are free may rest where they like; the next reach counts anew.
        self.was_safe = is_safe || hands_free && !panel.presence_blocked;
        let Some(request) = self.request else { return };
        if turns_down {
            return;
        }
        self.request = None;
        let stop_ms = 1e3 * (seen.moment.now_s - request.at_s);
        let guards: Vec<Guard> = self.schema.guards.iter().flatten().copied().collect();
        for guard in guards
            .iter()
            .filter(|guard| is_two_hand(guard) == request.by_hands)
        {
            self.judge_distance(seen, guard, stop_ms);
        }
    }

    fn judge_distance(&mut self, seen: &Seen<'_>, guard: &Guard, stop_ms: f64) {
        let micrometres =
            |it: stopwright_core::safety_distance::Distance| f64::from(it.as_micrometres()) / 1e3;
        let site = Site {
            detection_mm: guard.approach.detection.map(micrometres),
            ..Site::default()
        };
        let responses = Responses {
            stopping_ms: stop_ms,
            control_ms: 0.0,
            device_ms: units::duration_ms(guard.device),
            monitor_allowance_ms: 0.0,
        };
        let installed_mm = micrometres(guard.installed);
        let Ok(required_mm) = distance::required_mm(guard.rule, &site, &responses) else {
            return;
        };
        if required_mm > installed_mm {
            let rule = guard.rule.text().name;
            let what = format!(
                "{stop_ms:.0} ms from request to rest ask for {required_mm:.0} mm by {rule}; {installed_mm:.0} mm are there"
            );
            self.breach(Rule::HandComesLater, seen, what);
        }
    }
}

/// A moment with what is asked of it again and again.
struct Seen<'a> {
    moment: &'a Moment<'a>,
    angle_deg: f64,
    turn_deg: f64,
    speed_spm: f64,
    /// What the selector shows; what its knob says where it shows no mode or two.
    mode: Mode,
}

impl<'a> Seen<'a> {
    fn of(moment: &'a Moment<'a>) -> Self {
        let state = moment.plant.state();
        let angle_deg = state.angle_rad.to_degrees();
        Self {
            moment,
            angle_deg,
            turn_deg: angle_deg.rem_euclid(360.0),
            speed_spm: state.speed_rad_s * 30.0 / std::f64::consts::PI,
            mode: shown(moment.inputs.selector).unwrap_or(moment.panel.mode),
        }
    }

    /// Surely on the way down.
    fn is_closing(&self) -> bool {
        (DEAD_CENTRE_DEG..180.0 - DEAD_CENTRE_DEG).contains(&self.turn_deg)
    }
}

/// The mode of the one contact that is closed. Rules that hang on the mode hang on this: that a knob
/// has slipped on its shaft no control can know.
fn shown(selector: Selector) -> Option<Mode> {
    let contacts = selector.contacts();
    let position = contacts.trailing_zeros() as u8;
    Mode::of_position(position).filter(|_| contacts.count_ones() == 1)
}

/// Doubt about the angle at which an output changed, degrees: a tick is as near as an output that is
/// on or off can be read.
fn doubt_deg(seen: &Seen<'_>) -> f64 {
    ANGLE_DOUBT_DEG + 6.0 * seen.speed_spm.abs() * 1e-3
}

/// It once had an angle and has none now. A controller that never told one is judged by the truth
/// alone.
const fn has_lost_angle(position: CrankPosition) -> bool {
    matches!(position, CrankPosition::Untrusted { last: Some(_), .. })
}

fn is_two_hand(guard: &Guard) -> bool {
    guard.rule.text().name.contains("two-hand")
}

fn may_reset(standing: Standing, rule: ResetRule) -> bool {
    match rule {
        ResetRule::ByItself | ResetRule::Operator => true,
        ResetRule::KeyHolder => standing >= Standing::KeyHolder,
        ResetRule::Recommissioning => standing == Standing::Recommissioned,
    }
}

#[cfg(test)]
mod tests {
    use super::Ahead;

    const DOUBT_DEG: f64 = 2.0;

    /// Asked for a degree past the release angle of the moment: the next one ends the run, and stays
    /// the next one when the crank slows down and its release angle moves past where that was.
    #[test]
    fn a_slower_crank_makes_no_other_release_angle_of_the_next_one() {
        let asked = Ahead::of(327.0, 315.0, 11.0, DOUBT_DEG);
        let due_deg = |moved_deg: f64| asked.from_deg + asked.commissioned_deg + moved_deg;
        assert_eq!(due_deg(11.0), 326.0 + 360.0);
        assert_eq!(due_deg(18.0), 333.0 + 360.0);
        // Asked for before it, this one ends the run, at any speed.
        let asked = Ahead::of(300.0, 315.0, 11.0, DOUBT_DEG);
        let due_deg = |moved_deg: f64| asked.from_deg + asked.commissioned_deg + moved_deg;
        assert_eq!(due_deg(11.0), 326.0);
        assert_eq!(due_deg(-20.0), 295.0);
    }
}
