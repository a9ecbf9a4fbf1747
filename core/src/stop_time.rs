//! Stopping-performance monitoring: every stop is timed from coil off to standstill, judged while
//! it runs, and kept with its evidence.
//!
//! The clock starts only when the valve outputs go from on to off, and nothing restarts it. Past
//! the latch limit a stop that still moves is a fault at once; at standstill the exact figures are
//! judged again. Standstill is the first zero of a fitted speed: while the crank slows evenly, the
//! root of the travel still to go falls on a straight line, and where that line meets zero is the
//! instant of rest. "The last change of the angle" would end 2 to 16 ms too early, a speed window
//! too late; a parabola with a height of its own, with the rest angle known, scatters three times
//! as much on a slow press.
//!
//! The split follows from three measured numbers, speed n, stopping time t and travel s: a crank
//! that keeps its speed for the reaction and then loses it evenly has braking = 2 (t - s/n).

use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::stop_curve::StopCurve;
use crate::time::{Duration, Instant};

/// Samples of the travel kept for the fit, one a tick: the last half second of a stop.
const TRACE_LEN: usize = 512;
/// Travel in the trace is kept in units of 2⁻²⁸ turn, so that eight turns fit.
const TRACE_SHIFT: u32 = 4;
/// Samples averaged for the rest angle.
const REST_SAMPLES: usize = 16;
/// Fewest samples a line is fitted through.
const FIT_SAMPLES_MIN: usize = 5;
/// Travel before rest below which noise outweighs motion, 0.1 degree in trace units.
const FIT_TRAVEL_MIN: i64 = trace_units(100);

const fn trace_units(millidegrees: i32) -> i64 {
    CrankTravel::from_millidegrees(millidegrees).as_counts() >> TRACE_SHIFT
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

/// A finished stop.
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
    /// Crank speed then.
    pub speed: CrankSpeed,
    /// Highest speed during the stop; the limits are taken at it.
    pub speed_peak: CrankSpeed,
    /// From coil off to standstill.
    pub stopping_time: Duration,
    /// From coil off to standstill.
    pub stopping_travel: CrankTravel,
    /// Where the crank came to rest.
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
    /// The stop runs.
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
    /// Travel since the command at the last sample, trace units.
    travel: i32,
    last: CrankAngle,
    last_sample_at: Instant,
    anchor: i32,
    anchored_for: Duration,
    travel_at_limit: Option<i32>,
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
    running: Option<Running>,
    trace: [i32; TRACE_LEN],
    samples: usize,
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
        let shift = |limit: Duration| {
            limit
                .saturating_add(curve.time_at(speed))
                .saturating_sub(curve.time_at(self.speed))
        };
        let here = i128::from(curve.travel_at(speed).as_counts());
        let there = i128::from(curve.travel_at(self.speed).as_counts());
        let scale = |limit: CrankTravel| {
            let scaled = i128::from(limit.as_counts())
                .saturating_mul(here)
                .checked_div(there);
            let counts = scaled.and_then(|counts| i64::try_from(counts).ok());
            counts.map_or(limit, CrankTravel::from_counts)
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

impl StopRecord {
    /// Faults this finished stop gives rise to.
    pub fn judge(&self, config: &Config) -> FaultSet {
        let limits = config
            .limits(self.kind)
            .at_speed(config.curve, self.speed_peak);
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
            running: None,
            trace: [0; TRACE_LEN],
            samples: 0,
        }
    }

    /// Whether a stop is being timed.
    pub const fn is_running(&self) -> bool {
        self.running.is_some()
    }

    /// When the latch limit in time of the running stop runs out, once its coil is off.
    pub fn limit_ends_at(&self) -> Option<Instant> {
        let off = self.running?.coil_off?;
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
        if self.running.is_some() {
            return;
        }
        self.samples = 0;
        self.running = Some(Running {
            kind,
            requested_at,
            commanded_at,
            command_angle,
            coil_off: None,
            travel: 0,
            last: command_angle,
            last_sample_at: commanded_at,
            anchor: 0,
            anchored_for: Duration::ZERO,
            travel_at_limit: None,
            has_gap: false,
        });
    }

    /// One tick: the crank as it is seen, if it is, with its mean speed, and when the coil went
    /// off, if it has.
    pub fn step(
        &mut self,
        config: &Config,
        seen: Option<(&CrankReading, CrankSpeed)>,
        coil_off_at: Option<Instant>,
        now: Instant,
        tick: Duration,
    ) -> (Progress, FaultSet) {
        let Some(mut run) = self.running else {
            return (Progress::Idle, FaultSet::EMPTY);
        };
        if let Some((reading, speed)) = seen {
            run.follow(reading, tick, config);
            run.note_coil_off(config, reading, speed, coil_off_at);
            if let Some(slot) = self.trace.get_mut(self.samples.wrapping_rem(TRACE_LEN)) {
                *slot = run.travel;
            }
            self.samples = self.samples.saturating_add(1);
        } else {
            run.has_gap = true;
        }
        self.running = Some(run);
        let faults = self.judge_live(config, seen.map(|(_, speed)| speed), now);
        (self.progress(config, seen.is_some(), now), faults)
    }

    /// The limit is judged while the stop runs: travel at once, time by travel made past it. A
    /// crank that is past a limit and still has its speed is not braking at all.
    fn judge_live(&mut self, config: &Config, speed: Option<CrankSpeed>, now: Instant) -> FaultSet {
        let Some(run) = self.running.as_mut() else {
            return FaultSet::EMPTY;
        };
        let Some(off) = run.coil_off else {
            return FaultSet::EMPTY;
        };
        let limits = off.limits;
        let travelled = widen(run.travel.saturating_sub(off.travel));
        let past_time = now.saturating_since(off.at) > limits.time_latch;
        // Travel made unseen may have been made before the limit.
        if past_time && speed.is_some() && run.travel_at_limit.is_none() {
            run.travel_at_limit = Some(run.travel);
        }
        let past_limit = run
            .travel
            .saturating_sub(run.travel_at_limit.unwrap_or(run.travel));
        let too_far = travelled > limits.travel_latch;
        let too_long = widen(past_limit) > config.motion_proof;
        let has_speed = speed.is_some_and(|speed| speed > limits.three_quarters());
        FaultSet::EMPTY
            .with_if(FaultCode::StopTravelExceeded, too_far)
            .with_if(FaultCode::StopTimeExceeded, too_long)
            .with_if(FaultCode::StopNotEnding, (too_far || too_long) && has_speed)
    }

    fn progress(&mut self, config: &Config, is_seen: bool, now: Instant) -> Progress {
        let Some(run) = self.running else {
            return Progress::Idle;
        };
        let standing = run.anchored_for >= config.standstill_hold;
        if let (true, Some(off), true) = (standing, run.coil_off, is_seen) {
            self.running = None;
            // When it came to rest is not known of a crank that was out of sight.
            return match run.has_gap {
                true => Progress::AssumedStandstill,
                false => Progress::Standstill(self.finish(config, run, off)),
            };
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
        self.running = None;
        Progress::AssumedStandstill
    }

    fn finish(&self, config: &Config, run: Running, off: CoilOff) -> StopRecord {
        let fit = Fit {
            trace: &self.trace,
            samples: self.samples,
        };
        let rest = fit.rest();
        let travel = widen(rest.saturating_sub(off.travel));
        let since_last = fit.rest_before_last(rest, off).unwrap_or(Duration::ZERO);
        let until_rest = run
            .last_sample_at
            .saturating_sub(since_last)
            .saturating_since(off.at);
        // A crank that never moved has stopped in no time, however long it was watched.
        let time = match travel.saturating_abs() <= config.standstill_band {
            true => Duration::ZERO,
            false => until_rest,
        };
        let braking = braking_part(time, travel, off.speed);
        StopRecord {
            kind: run.kind,
            requested_at: run.requested_at,
            commanded_at: run.commanded_at,
            command_angle: run.command_angle,
            coil_off_at: off.at,
            speed: off.speed,
            speed_peak: off.peak,
            stopping_time: time,
            stopping_travel: travel,
            rest_angle: run.command_angle.wrapping_add(widen(rest)),
            reaction: time.saturating_sub(braking),
            braking,
        }
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
    let counts = i128::from(travel.as_counts()).saturating_mul(1_000);
    let at_speed = counts
        .checked_div(i128::from(speed.as_counts_per_ms()))
        .unwrap_or(0);
    let twice = i128::from(time.as_micros())
        .saturating_sub(at_speed)
        .saturating_mul(2);
    let micros = twice.clamp(0, i128::from(time.as_micros()));
    Duration::from_micros(u32::try_from(micros).unwrap_or(0))
}

/// The fit through the kept trace; time runs in samples, one a tick of a millisecond.
struct Fit<'a> {
    trace: &'a [i32; TRACE_LEN],
    samples: usize,
}

impl Fit<'_> {
    /// Travel `back` samples before the last one, if it is still in the trace.
    fn back(&self, back: usize) -> Option<i32> {
        if back >= self.samples.min(TRACE_LEN) {
            return None;
        }
        let index = self.samples.wrapping_sub(1).wrapping_sub(back);
        self.trace.get(index.wrapping_rem(TRACE_LEN)).copied()
    }

    /// Mean travel of the last samples.
    fn rest(&self) -> i32 {
        let (sum, count) = (0..REST_SAMPLES)
            .map_while(|back| self.back(back))
            .fold((0i64, 0i64), |(sum, count), x| {
                (sum.saturating_add(i64::from(x)), count.saturating_add(1))
            });
        let mean = sum.checked_div(count).unwrap_or(0);
        i32::try_from(mean).unwrap_or(0)
    }

    /// How long before the last sample the crank came to rest.
    fn rest_before_last(&self, rest: i32, off: CoilOff) -> Option<Duration> {
        let total = i64::from(rest.saturating_sub(off.travel));
        let rough = self.zero(rest, FIT_TRAVEL_MIN, total / 4)?;
        // Travel still to go in the last 8 and 65 % of the braking time goes with its square:
        // 0.6 and 42 % of the braking travel. Between them the brake torque is steady.
        let braking = self.braking_travel(rest, off, rough);
        let low = (braking.saturating_mul(64) / 10_000).max(FIT_TRAVEL_MIN);
        let high = braking.saturating_mul(42) / 100;
        let micros = self.zero(rest, low, high).unwrap_or(rough);
        u32::try_from(micros).ok().map(Duration::from_micros)
    }

    /// Travel of the braking part, for a stop that ended `rough` µs before the last sample.
    fn braking_travel(&self, rest: i32, off: CoilOff, rough: i64) -> i64 {
        let total = rest.saturating_sub(off.travel);
        let last = i64::try_from(self.samples)
            .unwrap_or(0)
            .saturating_mul(1_000);
        let time = u32::try_from(last.saturating_sub(rough)).unwrap_or(0);
        let braking = braking_part(Duration::from_micros(time), widen(total), off.speed);
        let half = Duration::from_micros(braking.as_micros() / 2);
        let travel = i64::from(narrow(off.speed.travel_in(half)));
        // Time is counted from the command here, a little early: never let it be nothing. Not
        // `clamp`, which panics when its bounds are exchanged.
        travel
            .min(i64::from(total).max(0))
            .max(i64::from(total) / 8)
    }

    /// How long before the last sample, in µs, the crank came to rest by the samples with `low` to
    /// `high` still to go.
    fn zero(&self, rest: i32, low: i64, high: i64) -> Option<i64> {
        let to_go = |back: usize| self.back(back).map(|x| i64::from(rest.saturating_sub(x)));
        let first = (0..TRACE_LEN).find(|&back| to_go(back).is_none_or(|gap| gap >= low))?;
        let end = (first..TRACE_LEN).find(|&back| to_go(back).is_none_or(|gap| gap > high))?;
        if end.saturating_sub(first) < FIT_SAMPLES_MIN {
            return None;
        }
        let mut sums = Sums::default();
        for back in first..end {
            sums.add(i64::try_from(back).ok()?, to_go(back)?.max(0));
        }
        sums.zero()
    }
}

/// Sums of the weighted regression of the root r of the travel still to go on the place b, in
/// samples before the last. Noise of the travel weighs on its root by one over the root, so each
/// sample has the travel itself for its weight w.
#[derive(Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sums {
    w: i128,
    wb: i128,
    wr: i128,
    wbb: i128,
    wbr: i128,
}

impl Sums {
    fn add(&mut self, back: i64, to_go: i64) {
        // Eight more bits for the root, eight fewer for the weight: the products stay in range.
        let root = to_go.saturating_mul(1 << 16).max(0).isqrt();
        let (w, b, r) = (i128::from(to_go >> 8), i128::from(back), i128::from(root));
        let (wb, wr) = (w.saturating_mul(b), w.saturating_mul(r));
        self.w = self.w.saturating_add(w);
        self.wb = self.wb.saturating_add(wb);
        self.wr = self.wr.saturating_add(wr);
        self.wbb = self.wbb.saturating_add(wb.saturating_mul(b));
        self.wbr = self.wbr.saturating_add(wb.saturating_mul(r));
    }

    /// Where the line meets zero: b = (wb·wbr - wr·wbb) / (w·wbr - wb·wr), in µs at one sample a
    /// millisecond.
    fn zero(&self) -> Option<i64> {
        let differ = |a: i128, b: i128, c: i128, d: i128| {
            a.saturating_mul(b).saturating_sub(c.saturating_mul(d))
        };
        let below = differ(self.w, self.wbr, self.wb, self.wr);
        if below <= 0 {
            return None; // Not slowing down the way a braking crank is.
        }
        let above = differ(self.wb, self.wbr, self.wr, self.wbb).saturating_mul(1_000);
        let micros = i64::try_from(above.checked_div(below)?).ok()?;
        (micros >= 0).then_some(micros)
    }
}
