//! Commissioned settings as TOML, in the units people use.

use crate::units::{angle_deg, duration_ms, speed_spm, travel_deg};
use serde::Serialize;
use stopwright_core::receiver;
use stopwright_core::receiver::index_switch::IndexSettings;
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::settings::{Guard, Schema};
use stopwright_core::stop_time::StopLimits;

#[derive(Serialize)]
struct File {
    notice: &'static str,
    receiver: Receiver,
    top_stop: TopStop,
    stop_limits: Limits,
    angles: Angles,
    two_hand: TwoHand,
    valve: Valve,
    motion: Motion,
    control_response_ms: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    second_resolver: Option<SecondResolver>,
    #[serde(skip_serializing_if = "Option::is_none")]
    index_switch: Option<IndexSwitch>,
    guards: Vec<GuardEntry>,
}

#[derive(Serialize)]
struct Receiver {
    zero_offset_deg: f64,
    sine_offset_ratio: f64,
    cosine_offset_ratio: f64,
    gain_error_ratio: f64,
    quadrature_deg: f64,
    amplitude_low_ratio: f64,
    amplitude_high_ratio: f64,
}

#[derive(Serialize)]
struct SecondResolver {
    difference_deg: f64,
    receiver: Receiver,
}

#[derive(Serialize)]
struct IndexSwitch {
    closes_deg: f64,
    opens_deg: f64,
    tolerance_deg: f64,
    contradiction_deg: f64,
    wander_deg: f64,
    response_ms: f64,
}

#[derive(Serialize)]
struct TopStop {
    target_deg: f64,
    release_deg: f64,
    speed_spm: f64,
    reaction_ms: f64,
    braking_ms_per_spm: f64,
    late_bound_deg: f64,
    early_bound_deg: f64,
    deadband_deg: f64,
}

#[derive(Serialize)]
struct Limits {
    reaction_ms: f64,
    braking_ms_per_spm: f64,
    top: LimitEntry,
    mid_stroke: LimitEntry,
}

#[derive(Serialize)]
struct LimitEntry {
    speed_spm: f64,
    time_advisory_ms: f64,
    time_latch_ms: f64,
    travel_advisory_deg: f64,
    travel_latch_deg: f64,
}

#[derive(Serialize)]
struct Angles {
    take_over_deg: f64,
    mute_end_deg: f64,
    window_before_deg: f64,
    window_after_deg: f64,
    overrun_limit_deg: f64,
}

#[derive(Serialize)]
struct TwoHand {
    synchronous_within_ms: f64,
    release_hold_ms: f64,
    release_debounce_ms: f64,
    discrepancy_after_ms: f64,
}

#[derive(Serialize)]
struct Valve {
    coil_within_ms: f64,
    on_within_ms: f64,
    off_within_ms: f64,
}

#[derive(Serialize)]
struct Motion {
    speed_max_spm: f64,
    barring_speed_max_spm: f64,
    start_within_ms: f64,
    rest_travel_deg: f64,
}

#[derive(Serialize)]
struct GuardEntry {
    rule: &'static str,
    installed_mm: f64,
    detection_mm: Option<f64>,
    device_response_ms: f64,
}

/// The settings as TOML.
pub(super) fn write(schema: &Schema) -> String {
    let top = &schema.top_stop;
    let file = File {
        notice: crate::record::NOTICE,
        receiver: receiver(&schema.receiver),
        top_stop: TopStop {
            target_deg: round(angle_deg(top.target)),
            release_deg: round(angle_deg(top.release)),
            speed_spm: round(speed_spm(top.speed)),
            reaction_ms: duration_ms(top.curve.reaction),
            braking_ms_per_spm: f64::from(top.curve.braking_ns_per_spm) / 1e6,
            late_bound_deg: round(travel_deg(top.late_bound)),
            early_bound_deg: round(travel_deg(top.early_bound)),
            deadband_deg: round(travel_deg(top.deadband)),
        },
        stop_limits: Limits {
            reaction_ms: duration_ms(schema.stop.curve.reaction),
            braking_ms_per_spm: f64::from(schema.stop.curve.braking_ns_per_spm) / 1e6,
            top: limits(&schema.stop.top),
            mid_stroke: limits(&schema.stop.mid_stroke),
        },
        angles: Angles {
            take_over_deg: round(angle_deg(schema.angles.take_over)),
            mute_end_deg: round(angle_deg(schema.angles.mute_end)),
            window_before_deg: round(travel_deg(schema.angles.window_before)),
            window_after_deg: round(travel_deg(schema.angles.window_after)),
            overrun_limit_deg: round(travel_deg(schema.angles.overrun_limit)),
        },
        two_hand: TwoHand {
            synchronous_within_ms: duration_ms(schema.two_hand.synchronous_within),
            release_hold_ms: duration_ms(schema.two_hand.release_hold),
            release_debounce_ms: duration_ms(schema.two_hand.release_debounce),
            discrepancy_after_ms: duration_ms(schema.two_hand.discrepancy_after),
        },
        valve: Valve {
            coil_within_ms: duration_ms(schema.valve_pair.coil_within),
            on_within_ms: duration_ms(schema.valve_pair.on_within),
            off_within_ms: duration_ms(schema.valve_pair.off_within),
        },
        motion: Motion {
            speed_max_spm: round(speed_spm(schema.motion.speed_max)),
            barring_speed_max_spm: round(speed_spm(schema.motion.barring_speed_max)),
            start_within_ms: duration_ms(schema.motion.start_within),
            rest_travel_deg: round(travel_deg(schema.motion.rest_travel)),
        },
        control_response_ms: duration_ms(schema.control_response),
        second_resolver: schema.second.as_ref().map(second_resolver),
        index_switch: schema.index.as_ref().map(index_switch),
        guards: schema.guards.iter().flatten().map(guard).collect(),
    };
    // Plain tables and numbers: there is nothing TOML could refuse.
    toml::to_string_pretty(&file).unwrap_or_default()
}

fn receiver(receiver: &receiver::Settings) -> Receiver {
    Receiver {
        zero_offset_deg: round(
            f64::from(receiver.zero_offset.electrical().to_bits()) * 360.0 / 4_294_967_296.0,
        ),
        sine_offset_ratio: f64::from(receiver.balance.sine_offset) / 32_767.0,
        cosine_offset_ratio: f64::from(receiver.balance.cosine_offset) / 32_767.0,
        gain_error_ratio: f64::from(receiver.balance.gain_ppm) / 1e6,
        quadrature_deg: round((f64::from(receiver.balance.quadrature_urad) / 1e6).to_degrees()),
        amplitude_low_ratio: f64::from(receiver.amplitude_lower_permille) / 1e3,
        amplitude_high_ratio: f64::from(receiver.amplitude_upper_permille) / 1e3,
    }
}

fn second_resolver(second: &SecondSettings) -> SecondResolver {
    SecondResolver {
        difference_deg: f64::from(second.difference_millidegrees) / 1e3,
        receiver: receiver(&second.receiver),
    }
}

fn index_switch(index: &IndexSettings) -> IndexSwitch {
    IndexSwitch {
        closes_deg: round(angle_deg(index.closed.from)),
        opens_deg: round(angle_deg(index.closed.to)),
        tolerance_deg: f64::from(index.tolerance_millidegrees) / 1e3,
        contradiction_deg: f64::from(index.contradiction_millidegrees) / 1e3,
        wander_deg: f64::from(index.wander_millidegrees) / 1e3,
        response_ms: f64::from(index.response_us) / 1e3,
    }
}

fn limits(limits: &StopLimits) -> LimitEntry {
    LimitEntry {
        speed_spm: round(speed_spm(limits.speed)),
        time_advisory_ms: duration_ms(limits.time_advisory),
        time_latch_ms: duration_ms(limits.time_latch),
        travel_advisory_deg: round(travel_deg(limits.travel_advisory)),
        travel_latch_deg: round(travel_deg(limits.travel_latch)),
    }
}

fn guard(guard: &Guard) -> GuardEntry {
    GuardEntry {
        rule: guard.rule.text().name,
        installed_mm: f64::from(guard.installed.as_micrometres()) / 1e3,
        detection_mm: guard
            .approach
            .detection
            .map(|d| f64::from(d.as_micrometres()) / 1e3),
        device_response_ms: duration_ms(guard.device),
    }
}

fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
