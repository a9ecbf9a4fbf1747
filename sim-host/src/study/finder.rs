//! Every stop command of a recording: measured as a stop, told apart as a positioning move, or
//! left out with the reason.
//!
//! The steps for one command: speed and angle at the command from a curve through the samples
//! before it; the first place where a sliding fit says the crank has all but stopped; the brake
//! curve through everything from the command to there and a little beyond; the watch over the rest.

use super::brake_curve::{self, BrakeCurve, Known};
use super::codes::Coding;
use super::motion::{median, quantile, shortest};
use super::polynomial;
use super::recording::{Command, Recording, Warning, WarningKind};
use super::{Found, PositioningMove, RecordedStop, SignaturePoint, StopKind};

/// One stroke per minute in degrees per second.
const DEG_S_PER_SPM: f64 = 6.0;

/// Speed at the command is taken over this much travel, and this much time, before it.
const APPROACH_DEG: f64 = 30.0;
const APPROACH_MIN_S: f64 = 0.010;
const APPROACH_MAX_S: f64 = 0.080;
const APPROACH_SAMPLES: f64 = 7.0;
/// No part-revolution clutch brakes a crank within this time of the command (the fastest of presses
/// A to H takes 49 ms): a crank that does was not running.
const REACTION_MIN_S: f64 = 0.008;
/// A crank whose speed changes by its own amount within this time is still being started.
const STARTING_S: f64 = 0.1;
/// Samples between command and standstill below which nothing is measured.
const SAMPLES_MIN: usize = 5;
/// Rest must be watched at least this long, and for this many samples, to be believed.
const REST_MIN_S: f64 = 0.03;
const REST_SAMPLES: usize = 3;
/// Samples of the rest that take part in the fit.
const REST_FITTED_S: f64 = 0.15;
/// A crank still turning so long after the command is not stopping.
const STOP_MAX_S: f64 = 3.0;
/// A rest moved by more than this did not hold.
const DRIFT_MAX_DEG: f64 = 0.5;
/// A move from mid-stroke slower than this share of the recording's fastest stop is positioning.
const POSITIONING_SHARE: f64 = 0.6;
/// Standard deviations in a 95 % interval.
const COVERAGE: f64 = 2.0;
/// No brake follows the curve exactly: one sigma of what that does to the stopping time, as a share
/// of it (simulated stops of presses A to H, `tests/study`). The slide changes the inertia on the
/// way, so it grows once the stop takes a good part of a turn.
const SHAPE_SIGMA: f64 = 0.0008;

/// What counts as a stop at speed, and where the top is.
#[derive(Clone, Debug, PartialEq)]
pub struct FindOptions {
    /// How long the rest is watched; 0.3 s by default.
    pub hold_s: f64,
    /// Crank speed below which the crank stands; 0.5 strokes per minute by default.
    pub standstill_spm: f64,
    /// A rest this close to top dead centre is a top stop; 30 degrees by default.
    pub top_window_deg: f64,
    /// Slower commands are positioning moves; 0 by default.
    pub speed_min_spm: f64,
}

impl Default for FindOptions {
    fn default() -> Self {
        Self {
            hold_s: 0.3,
            standstill_spm: 0.5,
            top_window_deg: 30.0,
            speed_min_spm: 0.0,
        }
    }
}

/// Finds and measures every stop of a recording.
pub fn find_stops(recording: &Recording, options: &FindOptions) -> Found {
    let mut found = Found {
        stops: Vec::new(),
        positioning_moves: Vec::new(),
        warnings: Vec::new(),
    };
    let coding = Coding::of(recording);
    let given = |command: &&Command| command.on.is_some();
    for command in recording.commands.iter().filter(given) {
        let search = Search {
            recording,
            command,
            options,
            coding,
        };
        match search.judge() {
            Outcome::Stop(stop) => found.stops.push(*stop),
            Outcome::Move(moved) => found.positioning_moves.push(moved),
            Outcome::LeftOut(trouble) => found.warnings.push(search.warning(trouble)),
        }
    }
    set_slow_returns_apart(recording, options, &mut found);
    found
        .stops
        .iter_mut()
        .enumerate()
        .for_each(|(index, stop)| stop.index = index);
    add_warnings(recording, &mut found);
    found
}

/// Stops that began from a rest in mid-stroke, end at the top and are slow beside the fastest stop
/// only bring the slide back.
fn set_slow_returns_apart(recording: &Recording, options: &FindOptions, found: &mut Found) {
    let fastest = found
        .stops
        .iter()
        .map(|stop| stop.speed_spm)
        .fold(0.0, f64::max);
    let began_at_top = |stop: &RecordedStop| {
        let rest = rest_before(recording, stop.command_time_s);
        rest.is_none_or(|deg| shortest(deg).abs() <= options.top_window_deg)
    };
    let is_return = |stop: &RecordedStop| {
        stop.kind == StopKind::TopStop
            && stop.speed_spm < POSITIONING_SHARE * fastest
            && !began_at_top(stop)
    };
    let (returns, stops) = std::mem::take(&mut found.stops)
        .into_iter()
        .partition(is_return);
    found.stops = stops;
    let returns: Vec<RecordedStop> = returns;
    found
        .positioning_moves
        .extend(returns.into_iter().map(|stop| PositioningMove {
            reason: format!(
                "slow return from mid-stroke: {:.1} of {fastest:.1} strokes per minute",
                stop.speed_spm
            ),
            recording: stop.recording,
            command_time_s: stop.command_time_s,
            command_deg: stop.command_deg,
            speed_spm: stop.speed_spm,
            rest_deg: stop.rest_deg,
        }));
    found
        .positioning_moves
        .sort_by(|a, b| a.command_time_s.total_cmp(&b.command_time_s));
}

/// Angle at the end of the command before the one at `time_s`, where the crank rested.
fn rest_before(recording: &Recording, time_s: f64) -> Option<f64> {
    let off = recording.commands.iter().filter_map(|command| command.off);
    let last = off.filter(|off| off.latest_s < time_s).last()?;
    let index = recording
        .time_s
        .partition_point(|&time| time <= last.earliest_s);
    recording.crank_deg.get(index.saturating_sub(1)).copied()
}

fn add_warnings(recording: &Recording, found: &mut Found) {
    let bounced = recording
        .commands
        .iter()
        .filter(|command| command.bounces > 0);
    let bounced: Vec<f64> = bounced
        .filter_map(|command| Some(command.on?.latest_s))
        .collect();
    let moved = found
        .stops
        .iter()
        .filter(|stop| stop.hold_drift_deg.abs() > DRIFT_MAX_DEG);
    let moved: Vec<f64> = moved.map(|stop| stop.command_time_s).collect();
    let mut add = |kind, times: &[f64], message: String| {
        found.warnings.push(Warning {
            recording: recording.name.clone(),
            kind,
            count: times.len().max(1),
            line: None,
            time_s: times.first().copied(),
            message,
        });
    };
    if !bounced.is_empty() {
        let message = "stop command with bounce; its first edge was taken".into();
        add(WarningKind::CommandBounced, &bounced, message);
    }
    if !moved.is_empty() {
        let message = format!("the crank moved more than {DRIFT_MAX_DEG} degrees after this stop");
        add(WarningKind::DoesNotHold, &moved, message);
    }
    if found.stops.is_empty() {
        let message = format!(
            "no stop at speed in it: {} spans of the stop command, {} positioning moves",
            recording.commands.len(),
            found.positioning_moves.len()
        );
        add(WarningKind::NoStop, &[], message);
    }
}

enum Outcome {
    Stop(Box<RecordedStop>),
    Move(PositioningMove),
    LeftOut(Trouble),
}

struct Trouble {
    kind: WarningKind,
    message: String,
}

impl Trouble {
    fn new(kind: WarningKind, message: String) -> Self {
        Self { kind, message }
    }
}

/// One command of one recording; times within are seconds after the command.
struct Search<'a> {
    recording: &'a Recording,
    command: &'a Command,
    options: &'a FindOptions,
    coding: Coding,
}

/// The crank at the command.
#[derive(Clone, Copy)]
struct Approach {
    /// +1 in normal travel, −1 against it.
    sense: f64,
    deg: f64,
    deg_sigma: f64,
    /// Along `sense`, so never negative.
    speed_deg_s: f64,
    speed_sigma: f64,
    is_starting: bool,
}

/// Where a sliding fit says the crank has all but stopped.
#[derive(Clone, Copy)]
struct Arrival {
    standstill_s: f64,
    braking_s: f64,
    rest_deg: f64,
}

/// The rest as it was watched.
struct Hold {
    watched_s: f64,
    drift_deg: f64,
    /// Speed in each half, degrees per second.
    speeds: [f64; 2],
}

impl Search<'_> {
    fn judge(&self) -> Outcome {
        self.measure().unwrap_or_else(Outcome::LeftOut)
    }

    fn measure(&self) -> Result<Outcome, Trouble> {
        let approach = self.approach()?;
        let samples = self.travel_from(&approach);
        let arrival = self.arrive(&samples, &approach)?;
        if let Some(reason) = self.positioning_reason(&approach, &arrival) {
            return Ok(Outcome::Move(self.positioning(&approach, &arrival, reason)));
        }
        let moving = samples
            .iter()
            .filter(|sample| sample.0 < arrival.standstill_s)
            .count();
        if moving < SAMPLES_MIN {
            return Err(Trouble::new(
                WarningKind::SampleRateTooLow,
                format!(
                    "{moving} samples between command and standstill, {SAMPLES_MIN} are the least \
                     that resolve a stop: record faster than every {:.1} ms",
                    self.recording.sample_period_s * 1e3
                ),
            ));
        }
        let curve = self.brake_curve(&samples, &approach, &arrival)?;
        let hold = self.hold(&samples, &curve);
        self.require_standstill(&hold)?;
        Ok(Outcome::Stop(Box::new(
            self.stop(&samples, &approach, &curve, &hold),
        )))
    }

    /// Middle of the two samples between which the command changed.
    fn command_s(&self) -> f64 {
        self.command.on.map_or(0.0, |on| on.middle_s())
    }

    fn command_sigma_s(&self) -> f64 {
        self.command.on.map_or(0.0, |on| on.sigma_s())
    }

    /// How long after the command the recording and the command last.
    fn end_s(&self) -> f64 {
        let last = self.recording.time_s.last().copied().unwrap_or(0.0);
        self.command.off.map_or(last, |off| off.earliest_s) - self.command_s()
    }

    fn warning(&self, trouble: Trouble) -> Warning {
        Warning {
            recording: self.recording.name.clone(),
            kind: trouble.kind,
            count: 1,
            line: None,
            time_s: Some(self.command_s()),
            message: trouble.message,
        }
    }

    fn approach(&self) -> Result<Approach, Trouble> {
        let long = self.approach_over(APPROACH_MAX_S);
        let at_rest = || {
            let message = "stop command given while the crank stood still".into();
            Trouble::new(WarningKind::CommandAtStandstill, message)
        };
        let first = long.ok_or_else(at_rest)?;
        let span = APPROACH_DEG / first.speed_deg_s.max(1e-3);
        let approach = self
            .approach_over(span.clamp(APPROACH_MIN_S, APPROACH_MAX_S))
            .ok_or_else(at_rest)?;
        let still = f64::max(
            self.options.standstill_spm * DEG_S_PER_SPM,
            3.0 * approach.speed_sigma,
        );
        if approach.speed_deg_s < still {
            Err(at_rest())
        } else {
            Ok(approach)
        }
    }

    fn approach_over(&self, span_s: f64) -> Option<Approach> {
        let span = span_s.max(APPROACH_SAMPLES * self.recording.sample_period_s);
        let samples = self.relative(-span, 0.0);
        let parabola = polynomial::fit(&samples, 2, self.recording.noise_deg)?;
        let speed = parabola.coefficient(1);
        let (bend, bend_sigma) = (2.0 * parabola.coefficient(2).abs(), 2.0 * parabola.sigma(2));
        Some(Approach {
            sense: speed.signum(),
            deg: parabola.coefficient(0),
            deg_sigma: parabola.sigma(0),
            speed_deg_s: speed.abs(),
            speed_sigma: parabola.sigma(1),
            is_starting: (bend - 4.0 * bend_sigma) * STARTING_S > speed.abs(),
        })
    }

    /// Samples with their time after the command.
    fn relative(&self, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        let command = self.command_s();
        let samples = self.recording.samples(command + from_s, command + to_s);
        samples
            .into_iter()
            .map(|(time, deg)| (time - command, deg))
            .collect()
    }

    /// Samples from the command on, as travel since it, along the sense of motion.
    fn travel_from(&self, approach: &Approach) -> Vec<(f64, f64)> {
        let along = |(time, deg): (f64, f64)| (time, approach.sense * (deg - approach.deg));
        self.relative(0.0, self.end_s())
            .into_iter()
            .map(along)
            .collect()
    }

    fn arrive(&self, samples: &[(f64, f64)], approach: &Approach) -> Result<Arrival, Trouble> {
        let period = self.recording.sample_period_s;
        let window = Window::new(period, self.recording.noise_deg, approach.speed_deg_s);
        let smooth = middle_of_three(samples);
        let slow = window.limit(approach.speed_deg_s);
        let slopes: Vec<(f64, f64)> = smooth
            .windows(window.samples)
            .map(|part| (middle_time(part), polynomial::slope(part)))
            .collect();
        let stays = |from: f64| {
            let reach = travel_at(&smooth, from + 0.04) - travel_at(&smooth, from);
            reach.abs() <= slow * 0.04 + DRIFT_MAX_DEG
        };
        let arrived = slopes
            .iter()
            .position(|&(time, slope)| slope <= slow && stays(time))
            .and_then(|at| Some((at, slopes.get(at)?.0)));
        let Some((at, standstill_s)) = arrived else {
            return Err(self.no_arrival(slopes.last().map_or(approach.speed_deg_s, |last| last.1)));
        };
        self.require_rest(samples, standstill_s)?;
        let fast = slopes
            .iter()
            .take(at)
            .rev()
            .find(|slope| slope.1 > approach.speed_deg_s / 2.0);
        let half_s = fast.map_or(0.0, |slope| slope.0);
        let rest = samples
            .iter()
            .filter(|sample| sample.0 > standstill_s + period)
            .take(40);
        let rest: Vec<f64> = rest.map(|sample| sample.1).collect();
        Ok(Arrival {
            standstill_s,
            braking_s: (2.0 * (standstill_s - half_s)).max(period / 2.0),
            rest_deg: median(&rest).unwrap_or_else(|| travel_at(&smooth, standstill_s)),
        })
    }

    fn no_arrival(&self, speed_deg_s: f64) -> Trouble {
        let (watched, spm) = (self.end_s(), speed_deg_s / DEG_S_PER_SPM);
        let seen = format!(
            "{:.0} ms after the command the crank still made {spm:.1} strokes per minute",
            watched * 1e3
        );
        match self.command.off {
            _ if watched > STOP_MAX_S => Trouble::new(
                WarningKind::NeverStops,
                format!("never came to a standstill: {seen}"),
            ),
            Some(_) => Trouble::new(
                WarningKind::CommandWithdrawn,
                format!("stop command withdrawn before standstill: {seen}"),
            ),
            None => Trouble::new(
                WarningKind::EndsTooSoon,
                format!("the recording ends before standstill: {seen}"),
            ),
        }
    }

    fn require_rest(&self, samples: &[(f64, f64)], standstill_s: f64) -> Result<(), Trouble> {
        let resting = samples
            .iter()
            .filter(|sample| sample.0 > standstill_s)
            .count();
        if self.end_s() - standstill_s >= REST_MIN_S && resting >= REST_SAMPLES {
            return Ok(());
        }
        let kind = match self.command.off {
            Some(_) => WarningKind::CommandWithdrawn,
            None => WarningKind::EndsTooSoon,
        };
        let watched = (self.end_s() - standstill_s).max(0.0) * 1e3;
        Err(Trouble::new(
            kind,
            format!("only {watched:.0} ms of rest to be seen: standstill is not confirmed"),
        ))
    }

    fn positioning_reason(&self, approach: &Approach, arrival: &Arrival) -> Option<String> {
        let spm = approach.speed_deg_s / DEG_S_PER_SPM;
        let shortest_run = approach.speed_deg_s * (REACTION_MIN_S + self.recording.sample_period_s);
        if approach.sense < 0.0 {
            return Some("against the direction of travel".into());
        }
        if spm < self.options.speed_min_spm {
            return Some(format!(
                "slower than {} strokes per minute",
                self.options.speed_min_spm
            ));
        }
        if arrival.rest_deg < shortest_run {
            return Some("no travel after the command: the crank was not running freely".into());
        }
        approach
            .is_starting
            .then(|| "the crank was still being started".into())
    }

    fn positioning(
        &self,
        approach: &Approach,
        arrival: &Arrival,
        reason: String,
    ) -> PositioningMove {
        PositioningMove {
            recording: self.recording.name.clone(),
            command_time_s: self.command_s(),
            command_deg: approach.deg.rem_euclid(360.0),
            speed_spm: approach.sense * approach.speed_deg_s / DEG_S_PER_SPM,
            rest_deg: (approach.deg + approach.sense * arrival.rest_deg).rem_euclid(360.0),
            reason,
        }
    }

    fn known(&self, approach: &Approach, arrival: &Arrival) -> Known {
        Known {
            speed_deg_s: approach.speed_deg_s,
            speed_sigma: approach.speed_sigma,
            standstill_s: arrival.standstill_s,
            braking_s: arrival.braking_s,
            rest_deg: arrival.rest_deg,
        }
    }

    fn brake_curve(
        &self,
        samples: &[(f64, f64)],
        approach: &Approach,
        arrival: &Arrival,
    ) -> Result<BrakeCurve, Trouble> {
        let end = arrival.standstill_s + REST_FITTED_S;
        let part: Vec<_> = samples
            .iter()
            .copied()
            .filter(|sample| sample.0 <= end)
            .collect();
        let points = self.coding.points(&part, arrival.standstill_s);
        let failed = || {
            let message = "no brake curve fits the samples from command to standstill".into();
            Trouble::new(WarningKind::FitFailed, message)
        };
        let curve = brake_curve::fit(&points, &self.known(approach, arrival)).ok_or_else(failed)?;
        let is_near = (curve.standstill_s - arrival.standstill_s).abs()
            < 0.5 * arrival.braking_s + 4.0 * self.recording.sample_period_s + 0.02;
        if is_near { Ok(curve) } else { Err(failed()) }
    }

    fn hold(&self, samples: &[(f64, f64)], curve: &BrakeCurve) -> Hold {
        let watched_s = (self.end_s() - curve.standstill_s).min(self.options.hold_s);
        let part = |from: f64, to: f64| -> Vec<(f64, f64)> {
            let range = curve.standstill_s + from * watched_s..=curve.standstill_s + to * watched_s;
            samples
                .iter()
                .copied()
                .filter(|sample| range.contains(&sample.0))
                .collect()
        };
        let level = |part: &[(f64, f64)]| median(&part.iter().map(|s| s.1).collect::<Vec<_>>());
        let last = level(&part(0.8, 1.0)).unwrap_or(curve.rest_deg);
        let speed = |part: &[(f64, f64)]| match polynomial::fit(part, 1, self.recording.noise_deg) {
            Some(line) if line.coefficient(1).abs() > 4.0 * line.sigma(1) => line.coefficient(1),
            _ => 0.0,
        };
        Hold {
            watched_s,
            drift_deg: last - curve.rest_deg,
            speeds: [speed(&part(0.0, 0.5)), speed(&part(0.5, 1.0))],
        }
    }

    fn require_standstill(&self, hold: &Hold) -> Result<(), Trouble> {
        let limit = self.options.standstill_spm * DEG_S_PER_SPM;
        let creeps = hold.speeds.iter().all(|speed| speed.abs() > limit);
        let same_way = hold.speeds[0] * hold.speeds[1] > 0.0;
        if creeps && same_way && hold.watched_s > 0.1 {
            let spm = hold.speeds[1] / DEG_S_PER_SPM;
            let message =
                format!("never came to a standstill: creeps on at {spm:.2} strokes per minute");
            return Err(Trouble::new(WarningKind::NeverStops, message));
        }
        Ok(())
    }

    fn stop(
        &self,
        samples: &[(f64, f64)],
        approach: &Approach,
        curve: &BrakeCurve,
        hold: &Hold,
    ) -> RecordedStop {
        let rest = approach.deg + curve.rest_deg;
        let overrun_deg = shortest(rest);
        let braking_s = (approach.speed_deg_s / curve.deceleration_deg_s2).min(curve.standstill_s);
        let time_sigma = [
            self.command_sigma_s(),
            curve.standstill_sigma,
            SHAPE_SIGMA * curve.standstill_s * (1.0 + (curve.rest_deg / 180.0).powi(2)),
        ];
        let travel_sigma = [
            approach.speed_deg_s * self.command_sigma_s(),
            approach.deg_sigma,
            curve.rest_sigma,
        ];
        RecordedStop {
            recording: self.recording.name.clone(),
            index: 0,
            command_time_s: self.command_s(),
            command_deg: approach.deg.rem_euclid(360.0),
            speed_spm: approach.speed_deg_s / DEG_S_PER_SPM,
            time_ms: curve.standstill_s * 1e3,
            time_uncertainty_ms: COVERAGE * root_of_squares(&time_sigma) * 1e3,
            travel_deg: curve.rest_deg,
            travel_uncertainty_deg: COVERAGE * root_of_squares(&travel_sigma),
            rest_deg: rest.rem_euclid(360.0),
            overrun_deg,
            reaction_ms: (curve.standstill_s - braking_s) * 1e3,
            braking_ms: braking_s * 1e3,
            deceleration_deg_s2: curve.deceleration_deg_s2,
            kind: if overrun_deg.abs() <= self.options.top_window_deg {
                StopKind::TopStop
            } else {
                StopKind::MidStroke
            },
            hold_ms: hold.watched_s * 1e3,
            hold_drift_deg: hold.drift_deg,
            samples: samples
                .iter()
                .filter(|sample| sample.0 <= curve.standstill_s)
                .count(),
            remarks: self.remarks(curve, hold),
            signature: self.signature(approach, curve),
        }
    }

    fn remarks(&self, curve: &BrakeCurve, hold: &Hold) -> Vec<String> {
        let mut remarks = Vec::new();
        let command = self.command_s();
        let (from, to) = (
            command - APPROACH_MAX_S,
            command + curve.standstill_s + 0.05,
        );
        if self.command.bounces > 0 {
            remarks.push(format!(
                "stop command bounced for {:.1} ms",
                self.command.bounce_s * 1e3
            ));
        }
        if let Some(gap_s) = self.longest_gap_s(from, to) {
            remarks.push(format!("{:.1} ms without a sample", gap_s * 1e3));
        }
        if self
            .recording
            .jumps
            .iter()
            .any(|jump| (from..to).contains(&jump.time_s))
        {
            remarks.push("the angle steps during the stop".into());
        }
        if curve.left_out > 0 {
            remarks.push(format!("{} samples left out of the fit", curve.left_out));
        }
        if curve.is_unquiet {
            remarks.push("the crank swings after standstill".into());
        }
        if hold.watched_s + self.recording.sample_period_s < self.options.hold_s {
            remarks.push(format!(
                "rest watched for {:.0} ms only",
                hold.watched_s * 1e3
            ));
        }
        if hold.drift_deg.abs() > DRIFT_MAX_DEG {
            remarks.push(format!("did not hold: moved {:.2} degrees", hold.drift_deg));
        }
        remarks
    }

    fn longest_gap_s(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let samples = self.recording.samples(from_s, to_s);
        let gap = |pair: &[(f64, f64)]| pair[1].0 - pair[0].0;
        let longest = samples.windows(2).map(gap).fold(0.0, f64::max);
        (longest > 2.5 * self.recording.sample_period_s).then_some(longest)
    }

    fn signature(&self, approach: &Approach, curve: &BrakeCurve) -> Vec<SignaturePoint> {
        const POINTS: usize = 300;
        let samples = self.relative(-0.03, curve.standstill_s + 0.06);
        let reach = ((0.003 / self.recording.sample_period_s).round() as usize).clamp(1, 400);
        let stride = samples.len().div_ceil(POINTS).max(1);
        let point = |at: usize| {
            let part =
                samples.get(at.saturating_sub(reach)..(at + reach + 1).min(samples.len()))?;
            let speed = if part.len() < 2 {
                0.0
            } else {
                polynomial::slope(part)
            };
            let &(time, deg) = samples.get(at)?;
            Some(SignaturePoint {
                t_ms: time * 1e3,
                travel_deg: deg - approach.deg,
                speed_spm: speed / DEG_S_PER_SPM,
            })
        };
        (0..samples.len())
            .step_by(stride)
            .filter_map(point)
            .collect()
    }
}

/// A sliding window long enough that noise does not hide the last few per cent of speed.
struct Window {
    samples: usize,
    slope_sigma: f64,
}

impl Window {
    fn new(period_s: f64, noise_deg: f64, speed_deg_s: f64) -> Self {
        // Slope of a line through samples over a time w: sigma = noise · √(12 · period) / w^1.5.
        let wanted =
            (noise_deg * (12.0 * period_s).sqrt() / (0.0125 * speed_deg_s)).powf(2.0 / 3.0);
        let span = wanted.clamp(0.005, 0.06);
        let samples = ((span / period_s).round() as usize).clamp(3, 100_000);
        let span = period_s * samples as f64;
        Self {
            samples,
            slope_sigma: noise_deg * (12.0 * period_s).sqrt() / span.powf(1.5),
        }
    }

    fn limit(&self, speed_deg_s: f64) -> f64 {
        f64::max(0.03 * speed_deg_s, 3.0 * self.slope_sigma).min(0.3 * speed_deg_s)
    }
}

fn root_of_squares(parts: &[f64]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}

fn middle_time(part: &[(f64, f64)]) -> f64 {
    part.iter().map(|sample| sample.0).sum::<f64>() / part.len().max(1) as f64
}

/// Each sample by the middle one of itself and its neighbours: takes single bad samples away and
/// leaves a rising curve as it is.
fn middle_of_three(samples: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let middle = |at: usize| {
        let near = samples.get(at.saturating_sub(1)..(at + 2).min(samples.len()))?;
        let mut degs: Vec<f64> = near.iter().map(|sample| sample.1).collect();
        degs.sort_by(f64::total_cmp);
        let deg = if degs.len() < 3 {
            samples.get(at)?.1
        } else {
            quantile(&degs, 0.5)?
        };
        Some((samples.get(at)?.0, deg))
    };
    (0..samples.len()).filter_map(middle).collect()
}

/// Travel at a time, by the last sample not after it; the ends hold beyond the samples.
fn travel_at(samples: &[(f64, f64)], time: f64) -> f64 {
    let after = samples.partition_point(|sample| sample.0 <= time);
    samples
        .get(after.saturating_sub(1))
        .map_or(0.0, |sample| sample.1)
}
