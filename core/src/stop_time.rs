//! Stopping-performance monitoring: every stop is timed from coil off to standstill, judged while
//! it runs, and kept with its evidence.
//!
//! The clock starts only when the valve outputs go from on to off, and nothing restarts it. Past
//! the latch limit a stop that still moves is a fault at once; at standstill the exact figures are
//! judged again. Standstill is the first zero of a fitted speed: while the crank slows evenly, the
//! root of the travel still to go falls on a straight line, and where that line meets zero is the
//! instant of rest. "The last change of the angle" would end 2 to 16 ms too early, a speed window
//! too late; a parabola with a height of its own, with the rest angle known, scatters three times
//! as much on a slow press. Gears and shaft are wound up by then; the crank swings back and rings for
//! a while, which is no part of the stop: where it turned back its speed was first zero, and no swing
//! after that goes further.
//!
//! The split follows from three measured numbers, speed n, stopping time t and travel s: a crank
//! that keeps its speed for the reaction and then loses it evenly has braking = 2 (t - s/n).

mod fit;

use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::stop_curve::StopCurve;
use crate::time::{Duration, Instant};
use fit::{Fit, Trace};

/// Travel in the trace is kept in units of 2⁻²⁸ turn, so that eight turns fit.
const TRACE_SHIFT: u32 = 4;
const fn trace_units(millidegrees: i32) -> i32 {
    (CrankTravel::from_millidegrees(millidegrees).as_counts() >> TRACE_SHIFT) as i32
}

/// The two data sets that are never mixed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum StopKind {
    /// The stop that ends a stroke at the top.
    Top,
    /// Any other stop.
    MidStroke,
}

/// Limits of one data set, with the speed they belong to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopLimits {
    /// The speed at which the limits were set.
    pub speed: CrankSpeed,
    /// Stopping time above which the controller warns.
    pub time_advisory: Duration,
    /// Stopping time above which the controller latches.
    pub time_latch: Duration,
    /// Stopping travel above which the controller warns.
    pub travel_advisory: CrankTravel,
    /// Stopping travel above which the controller latches.
    pub travel_latch: CrankTravel,
}

/// Settings of the supervision.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Limits of top stops.
    pub top: StopLimits,
    /// Limits of mid-stroke stops.
    pub mid_stroke: StopLimits,
    /// Growth with speed, for both.
    pub curve: StopCurve,
    /// A crank that stays within this travel either way counts as standing.
    pub standstill_band: CrankTravel,
    /// For how long it must do so.
    pub standstill_hold: Duration,
    /// Travel past the instant of the limit that proves the crank was still turning then.
    pub motion_proof: CrankTravel,
}

/// Band, hold and proof that suit sensor noise of 0.1 degree and the ringing of a geared drive.
pub const STANDSTILL_BAND: CrankTravel = CrankTravel::from_millidegrees(300);
/// See [`STANDSTILL_BAND`].
pub const STANDSTILL_HOLD: Duration = Duration::from_millis(80);
/// See [`STANDSTILL_BAND`].
pub const MOTION_PROOF: CrankTravel = CrankTravel::from_millidegrees(300);

/// A finished stop. There is one only of a crank that then stood: it has stayed within
/// [`Config::standstill_band`] for [`Config::standstill_hold`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopRecord {
    /// Its data set.
    pub kind: StopKind,
    /// When the stop was asked for.
    pub requested_at: Instant,
    /// When the outputs were written.
    pub commanded_at: Instant,
    /// Crank angle at that instant.
    pub command_angle: CrankAngle,
    /// When the first coil lost its current.
    pub coil_off_at: Instant,
    /// When the last spool of the valve had shifted off; none when the feedback has not shown it.
    pub valve_off_at: Option<Instant>,
    /// Crank speed at coil off.
    pub speed: CrankSpeed,
    /// Highest speed during the stop; the limits are taken at it.
    pub speed_peak: CrankSpeed,
    /// From coil off to standstill.
    pub stopping_time: Duration,
    /// From coil off to standstill.
    pub stopping_travel: CrankTravel,
    /// Where the crank came to rest, once it had done ringing.
    pub rest_angle: CrankAngle,
    /// The part of the stopping time at full speed.
    pub reaction: Duration,
    /// The part of the stopping time in which the brake slows the crank.
    pub braking: Duration,
}

/// What one tick of supervision found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Progress {
    /// No stop is running.
    Idle,
    /// The stop runs, or the crank stands and the figures of the stop are being worked out.
    Running,
    /// Standstill, with the finished record.
    Standstill(StopRecord),
    /// Standstill without a record: the crank stands but was out of sight for a while, or it still
    /// is and would be at rest by now if the brake is sound.
    AssumedStandstill,
    /// The crank still turns long after it should have stopped.
    Overdue,
}

impl Progress {
    /// The record of a stop that ended in this tick.
    pub const fn record(&self) -> Option<StopRecord> {
        match self {
            Self::Standstill(record) => Some(*record),
            _ => None,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Running {
    kind: StopKind,
    requested_at: Instant,
    commanded_at: Instant,
    command_angle: CrankAngle,
    coil_off: Option<CoilOff>,
    valve_off_at: Option<Instant>,
    /// Travel since the command at the last sample, trace units.
    travel: i32,
    last: CrankAngle,
    last_sample_at: Instant,
    anchor: i32,
    anchored_for: Duration,
    /// The furthest travel when the limit in time ran out.
    furthest_at_limit: Option<i32>,
    /// The crank could not be seen all the time.
    has_gap: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct CoilOff {
    at: Instant,
    /// Travel since the command, trace units.
    travel: i32,
    speed: CrankSpeed,
    /// The highest speed since: a clutch still filling goes on pushing for a while.
    peak: CrankSpeed,
    /// The limits at that speed, worked out only when it rises.
    limits: StopLimits,
}

/// Times one stop after another.
#[derive(Clone, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopWatch {
    stop: Option<Stop>,
    trace: Trace,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Stop {
    /// The crank is on its way to rest.
    Running(Running),
    /// It stands. The figures are worked out over the ticks that follow.
    Standing {
        run: Running,
        off: CoilOff,
        fit: Fit,
    },
}

impl StopLimits {
    /// Below this the limits no longer shrink: a quarter of their own speed. What the crank makes in
    /// a slower stop is play, noise and the push of a clutch that was still filling, and no distance
    /// hangs on it.
    const fn slowest(&self) -> CrankSpeed {
        CrankSpeed::from_counts_per_ms(self.speed.as_counts_per_ms() / 4)
    }

    /// Three quarters of the speed of these limits.
    const fn three_quarters(&self) -> CrankSpeed {
        let speed = self.speed.as_counts_per_ms();
        CrankSpeed::from_counts_per_ms(speed.saturating_sub(speed / 4))
    }

    /// The limits at another speed: times shift by the expected difference, travels scale with the
    /// expected travel. Below a quarter of their own speed they stay what they are there.
    pub fn at_speed(&self, curve: StopCurve, speed: CrankSpeed) -> Self {
        let speed = speed.max(self.slowest());
        let (time_here, here) = curve.at(speed);
        let (time_there, there) = curve.at(self.speed);
        let shift = |limit: Duration| limit.saturating_add(time_here).saturating_sub(time_there);
        let share = share(here, there);
        let scale = |limit: CrankTravel| match share {
            Some(share) => {
                let scaled = limit.as_counts().saturating_mul(share);
                CrankTravel::from_counts(scaled >> SHARE_SHIFT)
            }
            None => limit,
        };
        Self {
            speed,
            time_advisory: shift(self.time_advisory),
            time_latch: shift(self.time_latch),
            travel_advisory: scale(self.travel_advisory),
            travel_latch: scale(self.travel_latch),
        }
    }
}

/// A ratio of travels is kept in 2⁻²⁴: of a turn it loses 2⁸ counts, 0.000 02 degrees, to the
/// smaller side.
const SHARE_SHIFT: u32 = 24;

/// `here` as a share of `there`, rounded down; none when `there` is nothing.
fn share(here: CrankTravel, there: CrankTravel) -> Option<i64> {
    let here = here.as_counts().saturating_mul(1 << SHARE_SHIFT);
    here.checked_div(there.as_counts())
}

impl StopRecord {
    /// When the crank began to slow down, by the fit.
    pub fn first_deceleration_at(&self) -> Instant {
        self.coil_off_at.saturating_add(self.reaction)
    }

    /// When it stood, by the fit.
    pub fn standstill_at(&self) -> Instant {
        self.coil_off_at.saturating_add(self.stopping_time)
    }

    /// Faults this finished stop gives rise to, by the limits at its highest speed.
    fn judge(&self, limits: &StopLimits) -> FaultSet {
        let past_time = self.stopping_time > limits.time_latch;
        let past_travel = self.stopping_travel > limits.travel_latch;
        let warn = self.stopping_time > limits.time_advisory
            || self.stopping_travel > limits.travel_advisory;
        FaultSet::EMPTY
            .with_if(FaultCode::StopTimeExceeded, past_time)
            .with_if(FaultCode::StopTravelExceeded, past_travel)
            .with_if(FaultCode::StopTimeAdvisory, warn)
    }
}

impl Config {
    /// Both data sets alike, with the band, hold and proof that suit the invented presses.
    pub const fn with_limits(limits: StopLimits, curve: StopCurve) -> Self {
        Self {
            top: limits,
            mid_stroke: limits,
            curve,
            standstill_band: STANDSTILL_BAND,
            standstill_hold: STANDSTILL_HOLD,
            motion_proof: MOTION_PROOF,
        }
    }

    /// The limits of one data set.
    pub const fn limits(&self, kind: StopKind) -> &StopLimits {
        match kind {
            StopKind::Top => &self.top,
            StopKind::MidStroke => &self.mid_stroke,
        }
    }
}

impl Default for StopWatch {
    fn default() -> Self {
        Self::new()
    }
}

impl StopWatch {
    /// No stop running.
    pub const fn new() -> Self {
        Self {
            stop: None,
            trace: Trace::new(),
        }
    }

    /// Whether a stop is being timed.
    pub const fn is_running(&self) -> bool {
        self.stop.is_some()
    }

    /// Whether the crank has come to rest, and the figures of its stop are being worked out.
    pub const fn stands(&self) -> bool {
        matches!(self.stop, Some(Stop::Standing { .. }))
    }

    /// When the latch limit in time of the running stop runs out, once its coil is off.
    pub fn limit_ends_at(&self) -> Option<Instant> {
        let Some(Stop::Running(run)) = &self.stop else {
            return None;
        };
        let off = run.coil_off.as_ref()?;
        Some(off.at.saturating_add(off.limits.time_latch))
    }

    /// Starts the clock. Ignored while it runs: a second command never restarts it.
    pub fn command(
        &mut self,
        kind: StopKind,
        requested_at: Instant,
        commanded_at: Instant,
        command_angle: CrankAngle,
    ) {
        if self.stop.is_some() {
            return;
        }
        self.trace.clear();
        self.stop = Some(Stop::Running(Running {
            kind,
            requested_at,
            commanded_at,
            command_angle,
            coil_off: None,
            valve_off_at: None,
            travel: 0,
            last: command_angle,
            last_sample_at: commanded_at,
            anchor: 0,
            anchored_for: Duration::ZERO,
            furthest_at_limit: None,
            has_gap: false,
        }));
    }

    /// One tick: the crank as it is seen, if it is, with its mean speed, and when the coil went
    /// off and the valve had shifted, if they have.
    pub fn step(
        &mut self,
        config: &Config,
        seen: Option<(&CrankReading, CrankSpeed)>,
        coil_off_at: Option<Instant>,
        valve_off_at: Option<Instant>,
        now: Instant,
        tick: Duration,
    ) -> (Progress, FaultSet) {
        let run = match &mut self.stop {
            None => return (Progress::Idle, FaultSet::EMPTY),
            Some(Stop::Standing { .. }) => return self.work_out(config),
            Some(Stop::Running(run)) => run,
        };
        run.valve_off_at = run.valve_off_at.or(valve_off_at);
        if let Some((reading, speed)) = seen {
            run.follow(reading, tick, config);
            run.note_coil_off(config, reading, speed, coil_off_at);
            self.trace.push(run.travel);
        } else {
            run.has_gap = true;
        }
        let speed = seen.map(|(_, speed)| speed);
        let faults = run.judge_live(config, speed, self.trace.furthest(), now);
        (self.progress(config, seen.is_some(), now), faults)
    }

    fn progress(&mut self, config: &Config, is_seen: bool, now: Instant) -> Progress {
        let Some(Stop::Running(run)) = &self.stop else {
            return Progress::Idle;
        };
        let standing = run.anchored_for >= config.standstill_hold;
        if let (true, Some(off), true) = (standing, run.coil_off, is_seen) {
            // When it came to rest is not known of a crank that was out of sight.
            if run.has_gap {
                self.stop = None;
                return Progress::AssumedStandstill;
            }
            let (run, fit) = (*run, Fit::new(&self.trace, &off));
            self.stop = Some(Stop::Standing { run, off, fit });
            return Progress::Running;
        }
        // A faster crank may take longer; a slower one is given as long as any.
        let set = config.limits(run.kind).time_latch;
        let latch = run
            .coil_off
            .map_or(set, |off| set.max(off.limits.time_latch));
        let patience = latch
            .saturating_add(latch)
            .saturating_add(config.standstill_hold);
        if now.saturating_since(run.commanded_at) <= patience {
            return Progress::Running;
        }
        // Moving, or standing with a coil that never went off: either way not a stop.
        if is_seen {
            return Progress::Overdue;
        }
        self.stop = None;
        Progress::AssumedStandstill
    }

    /// The crank stands: one tick's work on the figures of its stop, and what they give rise to.
    fn work_out(&mut self, config: &Config) -> (Progress, FaultSet) {
        let Some(Stop::Standing { run, off, fit }) = &mut self.stop else {
            return (Progress::Idle, FaultSet::EMPTY);
        };
        let Some(since_rest) = fit.step(&self.trace, off) else {
            return (Progress::Running, FaultSet::EMPTY);
        };
        let record = run.record(config, off, fit, since_rest);
        let faults = record.judge(&off.limits);
        self.stop = None;
        (Progress::Standstill(record), faults)
    }
}

impl Running {
    fn follow(&mut self, reading: &CrankReading, tick: Duration, config: &Config) {
        let moved = reading.measured().offset_from(self.last);
        self.travel = self.travel.saturating_add(narrow(moved));
        self.last = reading.measured();
        self.last_sample_at = reading.measured_at();
        let away = widen(self.travel.saturating_sub(self.anchor)).saturating_abs();
        if away > config.standstill_band {
            self.anchor = self.travel;
            self.anchored_for = Duration::ZERO;
        } else {
            self.anchored_for = self.anchored_for.saturating_add(tick);
        }
    }

    /// The limit is judged while the stop runs: travel at once, time by travel made past it, further
    /// than the crank had come by then: one that rings swings to and fro, and no further. A
    /// crank that is past a limit and still has its speed is not braking at all. Its speed is the mean
    /// over a window, as it was half the window ago: one that slows counts as a little faster than it
    /// is, and the second means come rather too early than too late.
    fn judge_live(
        &mut self,
        config: &Config,
        speed: Option<CrankSpeed>,
        furthest: i32,
        now: Instant,
    ) -> FaultSet {
        let Some(off) = &self.coil_off else {
            return FaultSet::EMPTY;
        };
        let limits = &off.limits;
        let travelled = widen(self.travel.saturating_sub(off.travel));
        let past_time = now.saturating_since(off.at) > limits.time_latch;
        // Travel made unseen may have been made before the limit.
        if past_time && speed.is_some() && self.furthest_at_limit.is_none() {
            self.furthest_at_limit = Some(furthest);
        }
        let at_limit = self.furthest_at_limit.unwrap_or(furthest);
        let past_limit = furthest.saturating_sub(at_limit);
        let too_far = travelled > limits.travel_latch;
        let too_long = widen(past_limit) > config.motion_proof;
        let has_speed = speed.is_some_and(|speed| speed > limits.three_quarters());
        FaultSet::EMPTY
            .with_if(FaultCode::StopTravelExceeded, too_far)
            .with_if(FaultCode::StopTimeExceeded, too_long)
            .with_if(FaultCode::StopNotEnding, (too_far || too_long) && has_speed)
    }

    /// The record of a stop whose speed was first zero `since_rest` before its last sample.
    fn record(
        &self,
        config: &Config,
        off: &CoilOff,
        fit: &Fit,
        since_rest: Duration,
    ) -> StopRecord {
        let travel = widen(fit.end().saturating_sub(off.travel));
        let until_rest = self
            .last_sample_at
            .saturating_sub(since_rest)
            .saturating_since(off.at);
        // A crank that never moved has stopped in no time, however long it was watched.
        let time = match travel.saturating_abs() <= config.standstill_band {
            true => Duration::ZERO,
            false => until_rest,
        };
        let braking = braking_part(time, travel, off.speed);
        StopRecord {
            kind: self.kind,
            requested_at: self.requested_at,
            commanded_at: self.commanded_at,
            command_angle: self.command_angle,
            coil_off_at: off.at,
            valve_off_at: self.valve_off_at,
            speed: off.speed,
            speed_peak: off.peak,
            stopping_time: time,
            stopping_travel: travel,
            rest_angle: self.command_angle.wrapping_add(widen(fit.rest())),
            reaction: time.saturating_sub(braking),
            braking,
        }
    }

    fn note_coil_off(
        &mut self,
        config: &Config,
        reading: &CrankReading,
        speed: CrankSpeed,
        coil_off_at: Option<Instant>,
    ) {
        let limits_at = |speed| config.limits(self.kind).at_speed(config.curve, speed);
        if let Some(off) = self.coil_off.as_mut() {
            if speed > off.peak {
                (off.peak, off.limits) = (speed, limits_at(speed));
            }
            return;
        }
        let Some(at) = coil_off_at else {
            return;
        };
        let since = speed.travel_in(reading.measured_at().saturating_since(at));
        let travel = self.travel.saturating_sub(narrow(since));
        self.coil_off = Some(CoilOff {
            at,
            travel,
            speed,
            peak: speed,
            limits: limits_at(speed),
        });
        self.anchored_for = Duration::ZERO;
    }
}

fn narrow(travel: CrankTravel) -> i32 {
    let units = travel.as_counts() >> TRACE_SHIFT;
    i32::try_from(units).unwrap_or(if units < 0 { i32::MIN } else { i32::MAX })
}

fn widen(units: i32) -> CrankTravel {
    CrankTravel::from_counts(i64::from(units).wrapping_shl(TRACE_SHIFT))
}

/// Braking = 2 (time - travel / speed), kept inside the stop.
fn braking_part(time: Duration, travel: CrankTravel, speed: CrankSpeed) -> Duration {
    let at_speed = travel
        .as_counts()
        .saturating_mul(1_000)
        .checked_div(i64::from(speed.as_counts_per_ms()))
        .unwrap_or(0);
    let twice = i64::from(time.as_micros())
        .saturating_sub(at_speed)
        .saturating_mul(2);
    let micros = twice.clamp(0, i64::from(time.as_micros()));
    Duration::from_micros(u32::try_from(micros).unwrap_or(0))
}
