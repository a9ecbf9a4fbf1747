//! Slow change of the stopping time, long before a limit: a cumulative sum for each data set, and
//! the two data sets against each other.
//!
//! Each stop counts as its distance from what commissioning found at its speed, in deviations. The
//! sum takes half a deviation off each and forgets what lies below nothing; past twelve it speaks
//! (E. S. Page, Biometrika 41 (1954) 100). About one false word in a million stops, a shift of one
//! deviation found in about 24 and of three in about 5 (D. Siegmund, Sequential Analysis, 1985;
//! from memory, recomputed in `tests/supervision`). Both ways: a brake that stops sooner than at
//! commissioning has limits that are too generous.
//!
//! A lost counterbalance lengthens mid-stroke stops and shortens top stops; each alone may stay
//! within its limits. So the running means of both are compared.

use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::stop_curve::StopCurve;
use crate::stop_time::{self, StopKind, StopRecord};
use crate::time::Duration;

/// Distances are kept in 1/256 of a deviation.
const ONE: i32 = 256;
/// Taken off every distance.
const REFERENCE: i32 = ONE / 2;
/// A sum past this speaks.
const DECISION: i32 = 12 * ONE;
/// A single stop counts for no more: one wild stop is the limits' business.
const DISTANCE_MAX: i32 = 4 * ONE;
/// The running means take in an eighth of each stop.
const MEAN_SHIFT: u32 = 3;
/// Stops of each data set before the two are compared.
const COMPARED_AFTER: u8 = 16;
/// Means further apart than this are no chance: each has a deviation of 0.26, the difference of
/// both one of 0.37.
const APART: i32 = 2 * ONE;

/// What commissioning found of one data set at the speed of its limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Baseline {
    /// Mean stopping time.
    pub time: Duration,
    /// Standard deviation, with the difference of cold and warm in it; above nothing.
    pub deviation: Duration,
}

/// The baselines; a data set without one is not followed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Top stops.
    pub top: Option<Baseline>,
    /// Mid-stroke stops.
    pub mid_stroke: Option<Baseline>,
}

/// One data set as followed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Followed {
    longer: i32,
    shorter: i32,
    mean: i32,
    stops: u8,
}

/// Both data sets as followed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StopTrend {
    top: Followed,
    mid_stroke: Followed,
}

impl Baseline {
    /// How far a stop lies from it, 1/256 of a deviation; `speed_adds_us` is what its
    /// speed adds.
    fn distance(&self, time: Duration, speed_adds_us: i64) -> i32 {
        let expected = i64::from(self.time.as_micros()).saturating_add(speed_adds_us);
        let off = i64::from(time.as_micros()).saturating_sub(expected);
        let scaled = off.saturating_mul(i64::from(ONE));
        let distance = scaled.checked_div(i64::from(self.deviation.as_micros()));
        let distance = distance.unwrap_or(0);
        let most = i64::from(DISTANCE_MAX);
        distance.min(most).max(most.saturating_neg()) as i32
    }
}

impl Config {
    const fn of(&self, kind: StopKind) -> Option<&Baseline> {
        match kind {
            StopKind::Top => self.top.as_ref(),
            StopKind::MidStroke => self.mid_stroke.as_ref(),
        }
    }
}

impl Followed {
    fn take(&mut self, distance: i32) {
        let add = |sum: i32, more: i32| sum.saturating_add(more).saturating_sub(REFERENCE).max(0);
        self.longer = add(self.longer, distance).min(DECISION.saturating_add(ONE));
        self.shorter =
            add(self.shorter, distance.saturating_neg()).min(DECISION.saturating_add(ONE));
        let step = distance.saturating_sub(self.mean) >> MEAN_SHIFT;
        self.mean = self.mean.saturating_add(step);
        self.stops = self.stops.saturating_add(1);
    }

    const fn speaks(&self) -> bool {
        self.longer > DECISION || self.shorter > DECISION
    }
}

impl StopTrend {
    /// Nothing followed yet.
    pub const fn new() -> Self {
        const NONE: Followed = Followed {
            longer: 0,
            shorter: 0,
            mean: 0,
            stops: 0,
        };
        Self {
            top: NONE,
            mid_stroke: NONE,
        }
    }

    /// Takes a stop made under steady conditions; `limits` and `curve` are those it is judged by.
    /// A stop from less than half the speed of its limits is none of the kind that was commissioned.
    pub fn take(
        &mut self,
        config: &Config,
        limits: &stop_time::Config,
        stop: &StopRecord,
    ) -> FaultSet {
        let commissioned = limits.limits(stop.kind).speed;
        let is_slow = stop.speed_peak.as_counts_per_ms() < commissioned.as_counts_per_ms() / 2;
        let baseline = config.of(stop.kind).filter(|_| !is_slow);
        if let Some(baseline) = baseline {
            let adds = speed_adds_us(limits.curve, stop, commissioned);
            let distance = baseline.distance(stop.stopping_time, adds);
            match stop.kind {
                StopKind::Top => self.top.take(distance),
                StopKind::MidStroke => self.mid_stroke.take(distance),
            }
        }
        self.judge()
    }

    /// What the stops taken so far come to.
    pub fn judge(&self) -> FaultSet {
        let is_known = self.top.stops.min(self.mid_stroke.stops) >= COMPARED_AFTER;
        let apart = self.mid_stroke.mean.saturating_sub(self.top.mean);
        FaultSet::EMPTY
            .with_if(
                FaultCode::StopTrend,
                self.top.speaks() || self.mid_stroke.speaks(),
            )
            .with_if(FaultCode::StopRatio, is_known && apart > APART)
    }
}

/// By how much the stopping time at the stop's speed differs from that at the commissioned one.
fn speed_adds_us(curve: StopCurve, stop: &StopRecord, commissioned: CrankSpeed) -> i64 {
    let here = i64::from(curve.time_at(stop.speed).as_micros());
    here.saturating_sub(i64::from(curve.time_at(commissioned).as_micros()))
}
