//! From evidence to settings: limits by the proposal, release angle by the search, bounds of the
//! compensation, angles of the stroke, and the guards with their distances.

use crate::bench::MeasuredStop;
use crate::limits::{LimitSet, Limits, Position, Proposal};
use crate::press::Press;
use crate::rehearse::bounds::{self, NoBound};
use crate::rehearse::matrix::MID_STROKE_DEG;
use crate::rehearse::preparation;
use crate::stop_curve::StopCurve;
use crate::units;
use stopwright_core::angle::{CrankAngle, CrankTravel};
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Schema, Stage};
use stopwright_core::stop_curve;
use stopwright_core::stop_time::StopLimits;
use stopwright_core::stop_trend;
use stopwright_core::top_stop;

/// A rest within this of the target is at the top, degrees (common practice, no source).
pub(super) const WINDOW_DEG: f64 = 5.0;
/// Past this a top stop is an overrun, degrees: the set point of Japan's structural standard for
/// safety devices of press machines, Art. 22; 15 is often quoted for Europe (from memory).
pub(super) const OVERRUN_DEG: f64 = 15.0;
pub(super) const OVERRUN_SOURCE: &str = "15 degrees: Japan, structural standard for safety devices of press machines, Art. 22 (where a \
     curtain starts the stroke); often quoted for Europe, from memory. Local codes govern.";
/// Least room the compensation is given later, degrees; or two standard deviations of the rest.
const LATE_LEAST_DEG: f64 = 1.0;
/// What stands for no room later at all, and what a file of settings may round away, degrees.
const GRAIN_DEG: f64 = 0.001;
/// Scatter below this is the measurement's own, ms.
const DEVIATION_LEAST_MS: f64 = 0.5;

/// What the commissioned speed was measured to do.
pub(super) struct Evidence<'a> {
    pub(super) press: &'a Press,
    pub(super) proposal: &'a Proposal,
    /// The speed the limits are stored with: the highest that may be used.
    pub(super) spm: f64,
    pub(super) release_deg: f64,
    /// Crank speed at the release, and mean speeds of the top and the mid-stroke stops.
    pub(super) release_spm: f64,
    pub(super) top_spm: f64,
    pub(super) mid_spm: f64,
    pub(super) rest_deviation_deg: f64,
    /// The stops of each speed up to the commissioned one.
    pub(super) stops: &'a [Vec<&'a MeasuredStop>],
    /// The rules that govern the presence sensing.
    pub(super) rules: &'a [Rule],
}

/// The commissioned settings; `None` when the proposal has no limits for the speed.
///
/// # Errors
/// A bound that the press cannot be given.
pub(super) fn settings(base: &Schema, evidence: &Evidence<'_>) -> Result<Option<Schema>, NoBound> {
    let at = |position| evidence.proposal.limit_set(position, evidence.spm);
    let mid_stroke = Position::MidStroke(MID_STROKE_DEG);
    let (Some(top), Some(mid)) = (at(Position::Top), at(mid_stroke)) else {
        return Ok(None);
    };
    let mut schema = *base;
    schema.stage = Stage::Commissioned;
    let curve = evidence.proposal.curve.as_ref();
    schema.stop.curve = curve.map_or(schema.stop.curve, |curve| core_curve(curve, 0.0));
    schema.stop.top = stop_limits(evidence.top_spm, &top.time_ms, &top.travel_deg);
    schema.stop.mid_stroke = stop_limits(evidence.mid_spm, &mid.time_ms, &mid.travel_deg);
    schema.trend = stop_trend::Config {
        top: baseline(top),
        mid_stroke: baseline(mid),
    };
    schema.angles = angles(evidence.rest_deviation_deg);
    schema.top_stop = top_stop_of(evidence, &top.travel_deg);
    bound_the_release(&mut schema);
    schema.guards = guards(evidence.press, evidence.rules);
    let bounds = bounds::learn(evidence.stops, schema.longest_shift_off())?;
    schema.valve_pair.shift = bounds.shift;
    bounds.lay_over(&mut schema.motion);
    Ok(Some(schema))
}

/// Mean and deviation over cold and warm stops together.
fn baseline(set: &LimitSet) -> Option<stop_trend::Baseline> {
    let drift_ms = set.time_ms.drift.unwrap_or(0.0).abs();
    let within_ms = set
        .cells
        .iter()
        .map(|cell| cell.time_ms.deviation)
        .fold(DEVIATION_LEAST_MS, f64::max);
    Some(stop_trend::Baseline {
        time: units::duration(set.time_ms.baseline - drift_ms / 2.0),
        deviation: units::duration(within_ms.hypot(drift_ms / 2.0)),
    })
}

fn stop_limits(spm: f64, time_ms: &Limits, travel_deg: &Limits) -> StopLimits {
    StopLimits {
        speed: units::speed(spm),
        time_advisory: units::duration(time_ms.advisory),
        time_latch: units::duration(time_ms.latch),
        travel_advisory: units::travel(travel_deg.advisory),
        travel_latch: units::travel(travel_deg.latch),
    }
}

/// The measured curve in the core's words, with `before_ms` of constant time in front.
fn core_curve(curve: &StopCurve, before_ms: f64) -> stop_curve::StopCurve {
    stop_curve::StopCurve {
        reaction: units::duration(curve.reaction_ms() + before_ms),
        braking_ns_per_spm: (curve.braking_ms_per_spm().max(0.0) * 1e6).round() as u32,
    }
}

fn top_stop_of(evidence: &Evidence<'_>, travel_deg: &Limits) -> top_stop::Config {
    let late_deg = LATE_LEAST_DEG.max(2.0 * evidence.rest_deviation_deg);
    let before_ms = evidence.press.control.output_drop_ms;
    let plate = preparation::curve_of(evidence.press, before_ms);
    let curve = evidence.proposal.curve.as_ref();
    top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: units::angle(evidence.release_deg),
        speed: units::speed(evidence.release_spm),
        curve: curve.map_or(plate, |curve| core_curve(curve, before_ms)),
        late_bound: units::travel(late_deg),
        // No more than what the advisory limit stands for may be absorbed.
        early_bound: units::travel(travel_deg.advisory - travel_deg.baseline),
        deadband: units::travel(late_deg),
    }
}

/// The compensation moves the release no further than the limits and the release angle leave room
/// for. The proposal knows no release angle: where that leaves less to the overrun limit, the latch
/// limit in travel gives way.
fn bound_the_release(schema: &mut Schema) {
    let grain = units::travel(GRAIN_DEG);
    let lacking = grain
        .saturating_add(grain)
        .saturating_sub(schema.room_later());
    if lacking > CrankTravel::ZERO {
        let latch = &mut schema.stop.top.travel_latch;
        *latch = latch.saturating_sub(lacking);
    }
    let later = schema.room_later().saturating_sub(grain);
    let earlier = schema.room_earlier().saturating_sub(grain);
    let top = &mut schema.top_stop;
    top.late_bound = top.late_bound.min(later);
    top.early_bound = top.early_bound.min(earlier);
}

fn angles(rest_deviation_deg: f64) -> Angles {
    // A stop that overruns to its limit must not be muted in the next closing stroke.
    let mute_end_deg = 360.0 - OVERRUN_DEG - 3.0 * rest_deviation_deg;
    Angles {
        take_over: CrankAngle::BOTTOM_DEAD_CENTRE,
        mute_end: units::angle(mute_end_deg),
        window_before: units::travel(WINDOW_DEG),
        window_after: units::travel(WINDOW_DEG),
        overrun_limit: units::travel(OVERRUN_DEG),
    }
}

fn guards(press: &Press, rules: &[Rule]) -> [Option<Guard>; stopwright_core::settings::GUARDS_MAX] {
    let micrometres = |mm: f64| Distance::from_micrometres((mm * 1e3).floor() as u32);
    let guarding = &press.guarding;
    let presence = rules.iter().map(|&rule| Guard {
        rule,
        approach: Approach {
            // A detection capability rounds up, an installed distance down.
            detection: Some(Distance::from_micrometres(
                (guarding.detection_mm * 1e3).ceil() as u32,
            )),
            ..Approach::default()
        },
        installed: micrometres(guarding.installed_distance_mm),
        device: units::duration_ceil(guarding.device_response_ms),
    });
    let two_hand = guarding.two_hand.then(|| Guard {
        rule: Rule::TwoHand2010,
        approach: Approach::default(),
        installed: micrometres(guarding.two_hand_distance_mm),
        device: stopwright_core::two_hand::Config::DEFAULT.release_debounce,
    });
    let mut all = presence.chain(two_hand);
    std::array::from_fn(|_| all.next())
}
