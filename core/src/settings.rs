//! Settings: one schema of every module's configuration, checked as a whole. A [`Settings`] value
//! cannot be inconsistent; nothing else is ever put in force.

use crate::angle::{CrankAngle, CrankTravel};
use crate::receiver;
use crate::receiver::index_switch::{IndexConfig, IndexConfigError, IndexSettings};
use crate::receiver::second::{SecondConfig, SecondConfigError, SecondSettings};
use crate::safety_distance::{Approach, Distance, ResponseTimes, Rule};
use crate::stop_time::StopLimits;
use crate::time::Duration;
use crate::{
    contacts, motion, peer, run_in, stop_time, stop_trend, top_stop, two_hand, valve_pair,
};

/// Guarding entries a press may have.
pub const GUARDS_MAX: usize = 4;
/// Problems one check reports at most.
pub const PROBLEMS_MAX: usize = 16;

/// The early end of the release range: past it the slide has turned round for certain.
const RELEASE_MIN: CrankAngle = CrankAngle::from_millidegrees(200_000);
/// Overrun limit on record for crank presses: within 25 degrees of the set stop position (Taiwan,
/// Safety Standard of Machinery and Equipment, Art. 38).
const OVERRUN_MAX: CrankTravel = CrankTravel::from_millidegrees(25_000);
/// A button lost for longer would make the control response a fiction.
const RELEASE_DEBOUNCE_MAX: Duration = Duration::from_millis(5);
/// ISO 13851 types IIIA to C, synchronous actuation (from memory; also Japan, structural standard
/// for safety devices of press machines, Art. 16).
const SYNCHRONOUS_MAX: Duration = Duration::from_millis(500);

/// How far commissioning has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Stage {
    /// The zero is not captured: barring only.
    ZeroPending,
    /// Zeroed; inch and supervised test strokes only.
    Provisional,
    /// Limits, release angle and distance are commissioned.
    Commissioned,
}

/// One installed safeguard whose distance the latch limit must fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Guard {
    /// The published rule that governs it.
    pub rule: Rule,
    /// What the rule has to know about the device.
    pub approach: Approach,
    /// Installed distance to the point of operation.
    pub installed: Distance,
    /// Device response: hand in the field, or off the button, to request at the controller.
    pub device: Duration,
}

/// Angles of the stroke.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Angles {
    /// From here the hands are free: at least 180 degrees.
    pub take_over: CrankAngle,
    /// Last muted angle.
    pub mute_end: CrankAngle,
    /// How far before the target a top stop may rest and still be at the top.
    pub window_before: CrankTravel,
    /// How far past the target.
    pub window_after: CrankTravel,
    /// How far past TDC a top stop may rest before it is a fault.
    pub overrun_limit: CrankTravel,
}

/// Every setting, in the open, unchecked.
#[derive(Clone, Copy, Debug, PartialEq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Schema {
    /// How far commissioning has come.
    pub stage: Stage,
    /// Resolver and receiver.
    pub receiver: receiver::Settings,
    /// The second resolver, where fitted.
    pub second: Option<SecondSettings>,
    /// The index switch, where fitted.
    pub index: Option<IndexSettings>,
    /// Pairs of contacts.
    pub contacts: contacts::Config,
    /// The second channel, where fitted.
    pub peer: Option<peer::Config>,
    /// Two-hand logic.
    pub two_hand: two_hand::Config,
    /// Valve elements.
    pub valve_pair: valve_pair::Config,
    /// Bounds on motion.
    pub motion: motion::Config,
    /// Stop supervision.
    pub stop: stop_time::Config,
    /// When the brake is cold, and when it has bedded.
    pub run_in: run_in::Config,
    /// What commissioning found, to follow slow change by.
    pub trend: stop_trend::Config,
    /// Top stop and its compensation.
    pub top_stop: top_stop::Config,
    /// Angles of the stroke.
    pub angles: Angles,
    /// From request to coil off, the longest.
    pub control_response: Duration,
    /// Installed safeguards.
    pub guards: [Option<Guard>; GUARDS_MAX],
}

/// What is wrong with a schema. Each names what it is about and the bound it breaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Problem {
    /// The receiver cannot work with its settings.
    Receiver(receiver::ConfigError),
    /// The second receiver cannot work with its settings.
    Second(SecondConfigError),
    /// The index switch cannot be judged with its settings.
    Index(IndexConfigError),
    /// An advisory limit is not below its latch limit.
    AdvisoryNotBelowLatch {
        /// Which data set.
        kind: stop_time::StopKind,
        /// Time or travel.
        quantity: Quantity,
    },
    /// The latch limit is longer than the installed distance of a guard allows.
    LatchBeyondDistance {
        /// The guard's place in the list.
        guard: usize,
        /// The longest stopping time it allows; `None` when none is short enough.
        allowed: Option<Duration>,
    },
    /// A guard lacks what its rule needs.
    GuardIncomplete {
        /// The guard's place in the list.
        guard: usize,
    },
    /// No guard is given, so no limit can be checked against a distance.
    NoGuard,
    /// The take-over angle is in the closing stroke.
    TakeOverBeforeBottom,
    /// The release angle, or the earliest that the compensation may make of it, is not in the opening
    /// stroke, 200 degrees or later.
    ReleaseOutOfRange,
    /// Muting does not end in the opening stroke, after take-over.
    MuteEndOutOfRange,
    /// The window around the top reaches past the overrun limit.
    WindowBeyondOverrun,
    /// The overrun limit is above 25 degrees.
    OverrunLimitTooFar,
    /// A healthy stop begun at the late bound, or one at its latch limit in travel, may rest past the
    /// overrun limit.
    LateBoundBeyondOverrun,
    /// A stop at its advisory limit in travel, begun at the early bound, rests before the target: the
    /// compensation could hide more than the advisory limit stands for.
    EarlyBoundBeyondAdvisory,
    /// A baseline has no deviation, or its mean is not below the advisory limit.
    Baseline {
        /// Which data set.
        kind: stop_time::StopKind,
    },
    /// The bounds of the compensation are not both positive.
    CompensationBounds,
    /// The release debounce is above 5 ms.
    ReleaseDebounceTooLong,
    /// The synchronous time is above 0.5 s.
    SynchronousTooLong,
    /// A valve element may shift off so late that a stop would not end within its latch limit.
    ShiftBeyondStop {
        /// The element's place in the pair.
        element: usize,
        /// The longest it may take.
        allowed: Duration,
    },
    /// A speed or a time that must be positive is not.
    NotPositive,
}

/// What a limit limits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Quantity {
    /// Stopping time.
    Time,
    /// Stopping travel.
    Travel,
}

/// All problems of one check.
pub type Problems = heapless::Vec<Problem, PROBLEMS_MAX>;

/// Settings that have been checked as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Settings {
    schema: Schema,
    receiver: receiver::Config,
    second: Option<SecondConfig>,
    index: Option<IndexConfig>,
}

impl Schema {
    /// What a press must be known for, and for all else what holds until it is: zero pending, one
    /// resolver, one channel, no guard, no trend.
    pub fn zero_pending(
        motion: motion::Config,
        stop: stop_time::Config,
        top_stop: top_stop::Config,
        angles: Angles,
        control_response: Duration,
    ) -> Self {
        Self {
            stage: Stage::ZeroPending,
            receiver: receiver::Settings::DEFAULT,
            second: None,
            index: None,
            contacts: contacts::Config::DEFAULT,
            peer: None,
            two_hand: two_hand::Config::DEFAULT,
            valve_pair: valve_pair::Config::DEFAULT,
            motion,
            stop,
            run_in: run_in::Config::DEFAULT,
            trend: stop_trend::Config::default(),
            top_stop,
            angles,
            control_response,
            guards: [None; GUARDS_MAX],
        }
    }

    /// How much later than its release angle a top stop may be commanded: one at its latch limit in
    /// travel still rests before the overrun limit, and so does a healthy one that rests at the end of
    /// the window. Less than nothing when the release angle itself lies too late.
    pub fn room_later(&self) -> CrankTravel {
        let at_latch = self.rest_past_top(|limits| limits.travel_latch);
        let furthest = at_latch.max(self.angles.window_after);
        self.angles.overrun_limit.saturating_sub(furthest)
    }

    /// How much earlier it may be commanded: one at its advisory limit in travel still reaches the
    /// target, so that the compensation absorbs no more than the advisory limit stands for.
    pub fn room_earlier(&self) -> CrankTravel {
        let target = self.top_stop.target;
        let at_advisory = self.rest_past_top(|limits| limits.travel_advisory);
        at_advisory.saturating_sub(target.offset_from(CrankAngle::TOP_DEAD_CENTRE))
    }

    /// How far past the top a stop of this travel rests that is commanded at the release angle.
    fn rest_past_top(&self, travel: fn(&StopLimits) -> CrankTravel) -> CrankTravel {
        let top = &self.top_stop;
        // The curve of the release counts from the command, limits and their curve from coil off.
        let (from_command, from_coil_off) = (top.curve, self.stop.curve);
        let until_coil_off = from_command
            .travel_at(top.speed)
            .saturating_sub(from_coil_off.travel_at(top.speed));
        let limits = self.stop.top.at_speed(from_coil_off, top.speed);
        let to_top = CrankAngle::TOP_DEAD_CENTRE.travel_since(top.release);
        until_coil_off
            .saturating_add(travel(&limits))
            .saturating_sub(to_top)
    }

    /// The longest that a valve element may take to shift off, from the drive: a brake that begins
    /// no later still ends the stop within the latch limit.
    pub fn longest_shift_off(&self) -> Duration {
        let last = |limits: &StopLimits| {
            let braking = self
                .stop
                .curve
                .time_at(limits.speed)
                .saturating_sub(self.stop.curve.reaction);
            limits.time_latch.saturating_sub(braking)
        };
        let last = last(&self.stop.top).min(last(&self.stop.mid_stroke));
        last.saturating_add(self.control_response)
    }
}

impl Settings {
    /// Checks a schema.
    ///
    /// # Errors
    /// Every problem found, not the first only.
    // Without allocation the list travels by value; it is read once, when settings are refused.
    #[allow(clippy::result_large_err)]
    pub fn try_new(schema: Schema) -> Result<Self, Problems> {
        let mut problems = Problems::new();
        let mut note = |problem| {
            // More problems than fit change nothing: the schema is refused all the same.
            let _ = problems.push(problem);
        };
        check_times(&schema, &mut note);
        check_limits(&schema, &mut note);
        check_valve(&schema, &mut note);
        check_angles(&schema, &mut note);
        check_guards(&schema, &mut note);
        let receiver = receiver::Config::try_new(schema.receiver).map_err(Problem::Receiver);
        let second = schema.second.map(SecondConfig::try_new).transpose();
        let second = second.map_err(Problem::Second);
        let index = schema.index.map(IndexConfig::try_new).transpose();
        let index = index.map_err(Problem::Index);
        match (receiver, second, index) {
            (Ok(receiver), Ok(second), Ok(index)) if problems.is_empty() => Ok(Self {
                schema,
                receiver,
                second,
                index,
            }),
            (receiver, second, index) => {
                let refused = [receiver.err(), second.err(), index.err()];
                for problem in refused.into_iter().flatten() {
                    let _ = problems.push(problem);
                }
                Err(problems)
            }
        }
    }

    /// The settings.
    pub const fn get(&self) -> &Schema {
        &self.schema
    }

    /// The receiver's, made ready for use.
    pub const fn receiver(&self) -> &receiver::Config {
        &self.receiver
    }

    /// The second receiver's, where fitted.
    pub const fn second(&self) -> Option<&SecondConfig> {
        self.second.as_ref()
    }

    /// The index switch's, where fitted.
    pub const fn index(&self) -> Option<&IndexConfig> {
        self.index.as_ref()
    }
}

fn check_times(schema: &Schema, note: &mut impl FnMut(Problem)) {
    if schema.two_hand.release_debounce > RELEASE_DEBOUNCE_MAX {
        note(Problem::ReleaseDebounceTooLong);
    }
    if schema.two_hand.synchronous_within > SYNCHRONOUS_MAX {
        note(Problem::SynchronousTooLong);
    }
    let speeds = [
        schema.motion.speed_max,
        schema.stop.top.speed,
        schema.stop.mid_stroke.speed,
        schema.top_stop.speed,
    ];
    let motion = &schema.motion;
    let shifts = schema.valve_pair.shift.iter();
    let times = shifts
        .flat_map(|bounds| [bounds.on_within, bounds.off_within])
        .chain([
            motion.start_within,
            motion.lock_up_within,
            motion.stall_within,
        ]);
    if speeds.iter().any(|speed| speed.as_counts_per_ms() <= 0)
        || times.into_iter().any(|time| time == Duration::ZERO)
    {
        note(Problem::NotPositive);
    }
}

/// What can only hold once the bounds on the valve are learned.
fn check_valve(schema: &Schema, note: &mut impl FnMut(Problem)) {
    if schema.stage != Stage::Commissioned {
        return;
    }
    let allowed = schema.longest_shift_off();
    for (element, bounds) in schema.valve_pair.shift.iter().enumerate() {
        if bounds.off_within > allowed {
            note(Problem::ShiftBeyondStop { element, allowed });
        }
    }
}

fn check_limits(schema: &Schema, note: &mut impl FnMut(Problem)) {
    for kind in [stop_time::StopKind::Top, stop_time::StopKind::MidStroke] {
        let limits: &StopLimits = schema.stop.limits(kind);
        if limits.time_advisory >= limits.time_latch {
            note(Problem::AdvisoryNotBelowLatch {
                kind,
                quantity: Quantity::Time,
            });
        }
        if limits.travel_advisory >= limits.travel_latch {
            note(Problem::AdvisoryNotBelowLatch {
                kind,
                quantity: Quantity::Travel,
            });
        }
    }
    let baselines = [
        (stop_time::StopKind::Top, schema.trend.top),
        (stop_time::StopKind::MidStroke, schema.trend.mid_stroke),
    ];
    for (kind, baseline) in baselines {
        let advisory = schema.stop.limits(kind).time_advisory;
        let is_sound =
            |it: stop_trend::Baseline| it.deviation > Duration::ZERO && it.time < advisory;
        if !baseline.is_none_or(is_sound) {
            note(Problem::Baseline { kind });
        }
    }
    let bounds = [schema.top_stop.early_bound, schema.top_stop.late_bound];
    if bounds.iter().any(|bound| *bound <= CrankTravel::ZERO) {
        note(Problem::CompensationBounds);
    }
}

fn check_angles(schema: &Schema, note: &mut impl FnMut(Problem)) {
    let angles = &schema.angles;
    if angles.take_over.is_downstroke() {
        note(Problem::TakeOverBeforeBottom);
    }
    if angles.mute_end.is_downstroke() || angles.mute_end.to_bits() <= angles.take_over.to_bits() {
        note(Problem::MuteEndOutOfRange);
    }
    if angles.overrun_limit > OVERRUN_MAX {
        note(Problem::OverrunLimitTooFar);
    }
    let target_past_top = schema
        .top_stop
        .target
        .offset_from(CrankAngle::TOP_DEAD_CENTRE);
    if target_past_top.saturating_add(angles.window_after) > angles.overrun_limit {
        note(Problem::WindowBeyondOverrun);
    }
    if schema.stage == Stage::Commissioned {
        check_release(schema, note);
    }
}

/// What can only hold once the release angle is commissioned.
fn check_release(schema: &Schema, note: &mut impl FnMut(Problem)) {
    let top = &schema.top_stop;
    let release = top.release.to_bits();
    let may_move = top.early_bound.max(CrankTravel::ZERO).as_counts();
    let earliest = i64::from(release).saturating_sub(may_move);
    let is_early = earliest < i64::from(RELEASE_MIN.to_bits());
    if is_early || release <= schema.angles.take_over.to_bits() {
        note(Problem::ReleaseOutOfRange);
    }
    if top.late_bound > schema.room_later() {
        note(Problem::LateBoundBeyondOverrun);
    }
    if top.early_bound > schema.room_earlier() {
        note(Problem::EarlyBoundBeyondAdvisory);
    }
}

fn check_guards(schema: &Schema, note: &mut impl FnMut(Problem)) {
    if schema.stage != Stage::Commissioned {
        return;
    }
    if schema.guards.iter().all(Option::is_none) {
        note(Problem::NoGuard);
    }
    for (index, guard) in schema.guards.iter().enumerate() {
        let Some(guard) = guard else { continue };
        let others = ResponseTimes {
            control: schema.control_response,
            device: guard.device,
            ..ResponseTimes::default()
        };
        match guard
            .rule
            .longest_stopping(guard.approach, guard.installed, others)
        {
            Err(_) => note(Problem::GuardIncomplete { guard: index }),
            Ok(allowed) => {
                let fits = allowed.is_some_and(|most| schema.stop.mid_stroke.time_latch <= most);
                if !fits {
                    note(Problem::LatchBeyondDistance {
                        guard: index,
                        allowed,
                    });
                }
            }
        }
    }
}
