//! Settings as a commissioning leaves them: from the data plate and from strokes of a press that
//! does not scatter, whose stops are known exactly.

use stopwright::plant::{Plant, Setup, StopTruth};
use stopwright::press::Press;
use stopwright::units;
use stopwright_core::angle::{CrankAngle, CrankTravel, ElectricalAngle};
use stopwright_core::receiver;
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Schema, Stage};
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::zero_offset::ZeroOffset;
use stopwright_core::{motion, top_stop, valve_pair};

/// Limits over the stops of the press as new: what the rehearsals of presses B, C, E and G propose,
/// rounded (time 1.09 to 1.10 and 1.20, travel 1.07 to 1.09 and 1.15 to 1.17).
const TIME_ADVISORY: f64 = 1.10;
const TIME_LATCH: f64 = 1.20;
const TRAVEL_ADVISORY: f64 = 1.08;
const TRAVEL_LATCH: f64 = 1.16;
/// A stroke released earlier is not for single strokes, degrees.
const RELEASE_EARLIEST_DEG: f64 = 200.0;
const MID_STROKE_DEG: f64 = 90.0;
/// The search for the release angle ends with a rest so near the top.
const REST_WITHIN_DEG: f64 = 0.2;
const OVERRUN_DEG: f64 = 15.0;
const WINDOW_DEG: f64 = 5.0;
/// Healthy acceleration is clutch or brake torque over inertia, and half as much again.
const ACCELERATION_RESERVE: f64 = 1.5;

/// Greatest healthy acceleration of this press, degrees per second squared.
pub(crate) fn acceleration_max_deg_s2(press: &Press) -> u32 {
    let torque = press.clutch.torque_nm.max(press.brake.torque_nm);
    let most = (torque / press.masses.crank_kg_m2).to_degrees() * ACCELERATION_RESERVE;
    most.clamp(1_000.0, 1_000_000.0) as u32
}

/// Whether single strokes are released at this speed: the release lies late enough.
pub(crate) fn allows_single_strokes(press: &Press, spm: f64) -> bool {
    let output_deg = 6.0 * spm * press.control.output_drop_ms / 1e3;
    360.0 - press.stop_travel_closed_form_deg(spm) - output_deg >= RELEASE_EARLIEST_DEG
}

/// Settings commissioned at `spm`, for the resolver of the press with its shaft as built in.
pub(crate) fn schema(press: &Press, spm: f64) -> Schema {
    let (release_deg, top) = release(press, spm);
    let sigma_deg = scatter_deg(press, &top);
    let before_ms = press.control.output_drop_ms;
    let stop = stop_time::Config {
        mid_stroke: mid_stroke_limits(press, spm),
        ..stop_time::Config::with_limits(top_limits(&top), curve(press, 0.0))
    };
    let top_stop = top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: units::angle(release_deg),
        speed: units::speed(top.speed_spm),
        curve: curve(press, before_ms),
        late_bound: units::travel(late_deg(sigma_deg)),
        early_bound: CrankTravel::from_counts(1),
        deadband: units::travel(late_deg(sigma_deg)),
    };
    let angles = Angles {
        take_over: CrankAngle::BOTTOM_DEAD_CENTRE,
        mute_end: units::angle(360.0 - OVERRUN_DEG - 3.0 * sigma_deg),
        window_before: units::travel(WINDOW_DEG),
        window_after: units::travel(WINDOW_DEG),
        overrun_limit: units::travel(OVERRUN_DEG),
    };
    let motion = motion::Config::with_speed_max(units::speed(1.05 * press.speed.max_spm));
    let control_response = units::duration_ceil(1.0 + before_ms);
    let mut schema = Schema {
        stage: Stage::Commissioned,
        receiver: receiver_of(press),
        valve_pair: valve_pair::Config::with_off_within(units::duration_ceil(
            before_ms + press.air.shift_off_ms + 15.0,
        )),
        guards: [Some(far_away(press)), None, None, None],
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    };
    schema.top_stop.early_bound = schema.room_earlier();
    schema.top_stop.late_bound = schema.top_stop.late_bound.min(schema.room_later());
    schema
}

/// Limits of mid-stroke stops at this speed.
pub(crate) fn mid_stroke_limits(press: &Press, spm: f64) -> StopLimits {
    limits(&stop_at(press, spm, MID_STROKE_DEG).1)
}

/// max(1 degree, twice the deviation of the rest).
fn late_deg(sigma_deg: f64) -> f64 {
    (2.0 * sigma_deg).max(1.0)
}

/// Deviation of the rest angle by the data plate: the reaction at full speed, and the braking.
fn scatter_deg(press: &Press, stop: &StopTruth) -> f64 {
    let reaction_deg = 6.0 * stop.speed_spm * press.scatter.reaction_ms / 1e3;
    let braking_ms = stop.stop_time_ms - stop.reaction_ms;
    let braking_deg = 3.0 * stop.speed_spm * braking_ms / 1e3 * press.scatter.brake_torque;
    reaction_deg.hypot(braking_deg)
}

/// No distance is in question here: far enough for every press.
fn far_away(press: &Press) -> Guard {
    Guard {
        rule: Rule::UsStoppingTime,
        approach: Approach {
            detection: Some(Distance::from_micrometres(
                (press.guarding.detection_mm * 1e3).ceil() as u32,
            )),
            ..Approach::default()
        },
        installed: Distance::from_millimetres(4_000),
        device: units::duration_ceil(press.guarding.device_response_ms),
    }
}

fn receiver_of(press: &Press) -> receiver::Settings {
    // Captured between both sides of the lash, so half of it before the shaft.
    let zero_deg = press.resolver.zero_deg - press.resolver.lash_deg / 2.0;
    let electrical = ElectricalAngle::from_bits(units::angle(zero_deg).to_bits());
    receiver::Settings {
        zero_offset: ZeroOffset::at_top(electrical),
        amplitude_nominal: 29_490,
        acceleration_max_deg_s2: acceleration_max_deg_s2(press),
        is_surveyed: true,
        ..receiver::Settings::DEFAULT
    }
}

fn limits(stop: &StopTruth) -> StopLimits {
    StopLimits {
        speed: units::speed(stop.speed_spm),
        time_advisory: units::duration(TIME_ADVISORY * stop.stop_time_ms),
        time_latch: units::duration(TIME_LATCH * stop.stop_time_ms),
        travel_advisory: units::travel(TRAVEL_ADVISORY * stop.travel_deg),
        travel_latch: units::travel(TRAVEL_LATCH * stop.travel_deg),
    }
}

/// Limits of top stops: one at its latch limit in travel rests before the overrun limit, wherever within
/// the bounds of the search it was commanded. The advisory limit is at most half as far away.
fn top_limits(top: &StopTruth) -> StopLimits {
    let room_deg = OVERRUN_DEG - 2.0 * REST_WITHIN_DEG;
    let free = limits(top);
    let latch_deg = units::travel_deg(free.travel_latch).min(top.travel_deg + room_deg);
    let advisory_deg = units::travel_deg(free.travel_advisory).min(top.travel_deg + room_deg / 2.0);
    StopLimits {
        travel_advisory: units::travel(advisory_deg),
        travel_latch: units::travel(latch_deg),
        ..free
    }
}

fn curve(press: &Press, before_ms: f64) -> StopCurve {
    StopCurve {
        reaction: units::duration(press.reaction_closed_form_ms() + before_ms),
        braking_ns_per_spm: (press.braking_closed_form_ms(1.0) * 1e6).round() as u32,
    }
}

/// The release angle that brings the slide to rest at the top, and the stop.
fn release(press: &Press, spm: f64) -> (f64, StopTruth) {
    let mut release_deg = 360.0 - press.stop_travel_closed_form_deg(spm);
    for _ in 0..6 {
        let (from_deg, stop) = stop_at(press, spm, release_deg);
        if stop.overrun_deg.abs() < REST_WITHIN_DEG {
            return (from_deg, stop);
        }
        release_deg = from_deg - stop.overrun_deg;
    }
    panic!("press {} does not come to rest at the top", press.name);
}

/// One stroke from the top, both elements written off at `release_deg`; where that really was.
fn stop_at(press: &Press, spm: f64, release_deg: f64) -> (f64, StopTruth) {
    let setup = Setup {
        spm,
        scatter: false,
        ..Setup::nominal(press)
    };
    let mut plant = Plant::new(press, &setup, 1);
    for element in 0..2 {
        plant.drive(element, true, 0.0);
    }
    let mut now_s = 0.0;
    let mut off_deg = None;
    loop {
        now_s += 1e-4;
        assert!(now_s < 60.0, "press {} does not stop", press.name);
        plant.advance_to(now_s);
        if let Some(stop) = plant.take_stops().pop() {
            return (off_deg.expect("no stop before the command"), stop);
        }
        let angle_deg = plant.state().angle_rad.to_degrees();
        if off_deg.is_none() && angle_deg >= release_deg {
            off_deg = Some(angle_deg);
            for element in 0..2 {
                plant.drive(element, false, now_s);
            }
        }
    }
}
