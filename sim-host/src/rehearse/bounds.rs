//! Bounds on the valve elements and on the start, learned from the healthy stops of the matrix by
//! the core's own rule, one for each element and direction.
//!
//! Speeds are learned apart, and the longest bound of them holds: a slow crank takes its steps
//! slowly, a fast one locks late. Lock-up is given a quarter of its mean as room at least: it
//! varies with the flywheel's speed, the air and the lining more than twenty starts in a row can
//! show.

use crate::bench::MeasuredStop;
use std::fmt;
use stopwright_core::learned_bound::{Config, LearnedBound, Refusal};
use stopwright_core::motion::{self, StartRecord};
use stopwright_core::time::Duration;
use stopwright_core::valve_pair::{ELEMENTS, ShiftBounds};

/// Nobody may have to wait longer than this for a press that does not start, or stalls (job
/// practice: half a second), nor slip longer than twice that.
const IDLE_CEILING: Duration = Duration::from_millis(500);
const LOCK_UP_CEILING: Duration = Duration::from_millis(1_000);

/// Room over the mean time to lock-up, at least, as a share of it (common practice, no source).
const LOCK_UP_ROOM: f64 = 0.25;

/// What was learned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Bounds {
    pub(super) shift: [ShiftBounds; ELEMENTS],
    pub(super) start_within: Duration,
    pub(super) lock_up_within: Duration,
    pub(super) stall_within: Duration,
}

/// A bound that cannot be given.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct NoBound {
    what: String,
    refusal: Refusal,
    ceiling: Duration,
}

impl fmt::Display for NoBound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |duration: Duration| f64::from(duration.as_micros()) / 1e3;
        let Self { what, ceiling, .. } = self;
        match self.refusal {
            Refusal::TooFew { seen, needed } => {
                write!(
                    f,
                    "{what}: {seen} times measured, {needed} needed for a bound"
                )
            }
            Refusal::AboveCeiling { wanted } => write!(
                f,
                "{what} needs a bound of {:.0} ms, and at most {:.0} ms can be given",
                ms(wanted),
                ms(*ceiling)
            ),
        }
    }
}

/// Learns from the stops of each speed. `off_ceiling` is the longest time that switching off may
/// take for a stop to end within its latch limit.
pub(super) fn learn(
    speeds: &[Vec<&MeasuredStop>],
    off_ceiling: Duration,
) -> Result<Bounds, NoBound> {
    let over_shifts = |what: &str, ceiling, time: fn(&MeasuredStop) -> [Duration; ELEMENTS]| {
        let of = |element: usize| {
            let what = format!("valve element {}, {what}", element + 1);
            longest(speeds, what, ceiling, 0.0, |stop| Some(time(stop)[element]))
        };
        Ok([of(0)?, of(1)?])
    };
    let over_starts = |what: &str, ceiling, room, time: fn(&StartRecord) -> Option<Duration>| {
        longest(speeds, what.to_owned(), ceiling, room, |stop| {
            stop.start.as_ref().and_then(time)
        })
    };
    let on = over_shifts("switching on", IDLE_CEILING, |stop| stop.shift_on)?;
    let off = over_shifts("switching off", off_ceiling, |stop| stop.shift_off)?;
    let shift = [0, 1].map(|element| ShiftBounds {
        on_within: on[element],
        off_within: off[element],
    });
    Ok(Bounds {
        shift,
        start_within: over_starts("the first motion", IDLE_CEILING, 0.0, |start| {
            start.first_motion
        })?,
        lock_up_within: over_starts("the lock-up", LOCK_UP_CEILING, LOCK_UP_ROOM, |start| {
            start.lock_up
        })?,
        stall_within: over_starts("the time from step to step", IDLE_CEILING, 0.0, |start| {
            Some(start.longest_idle)
        })?,
    })
}

impl Bounds {
    /// Lays them over bounds on motion.
    pub(super) fn lay_over(&self, motion: &mut motion::Config) {
        motion.start_within = self.start_within;
        motion.lock_up_within = self.lock_up_within;
        motion.stall_within = self.stall_within;
    }
}

/// The longest of the bounds learned at each speed, with `room` over the mean at least, a share.
fn longest(
    speeds: &[Vec<&MeasuredStop>],
    what: String,
    ceiling: Duration,
    room: f64,
    time: impl Fn(&MeasuredStop) -> Option<Duration>,
) -> Result<Duration, NoBound> {
    let bounds = speeds.iter().map(|stops| {
        let mut learned = LearnedBound::new();
        stops
            .iter()
            .filter_map(|stop| time(stop))
            .for_each(|time| learned.learn(time));
        let config = Config::under(ceiling);
        let room_us = f64::from(learned.mean().as_micros()) * room;
        learned.bound(&Config {
            margin_min: config.margin_min.max(Duration::from_micros(room_us as u32)),
            ..config
        })
    });
    let bounds: Result<Vec<Duration>, Refusal> = bounds.collect();
    bounds
        .map(|bounds| bounds.into_iter().max().unwrap_or(ceiling))
        .map_err(|refusal| NoBound {
            what,
            refusal,
            ceiling,
        })
}
