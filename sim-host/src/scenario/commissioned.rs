//! Commissioned settings read back from the TOML that a rehearsal leaves behind, with single values
//! overridden by a scenario. What the file does not hold is as on the data plate.

use crate::distance::rule_named;
use crate::press::Press;
use crate::toml_check::{self, Key, Kind, Places};
use crate::units;
use serde::Deserialize;
use stopwright_core::angle::ElectricalAngle;
use stopwright_core::balance::Balance;
use stopwright_core::safety_distance::{Approach, Distance};
use stopwright_core::settings::{GUARDS_MAX, Guard, Schema, Settings, Stage};
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::StopLimits;
use stopwright_core::zero_offset::ZeroOffset;

const RATIO: f64 = 32_767.0;
const CURVE_MS: Kind = Kind::Number(0.0, 5_000.0);
const DEG: Kind = Kind::Number(0.0, 359.9999);
const TRAVEL_DEG: Kind = Kind::Number(0.0, 720.0);
const MS: Kind = Kind::Number(0.0, 60_000.0);
const SPM: Kind = Kind::Number(0.1, 2_000.0);

const LIMIT_KEYS: &[Key] = &[
    Key::required("speed_spm", SPM),
    Key::required("time_advisory_ms", MS),
    Key::required("time_latch_ms", MS),
    Key::required("travel_advisory_deg", TRAVEL_DEG),
    Key::required("travel_latch_deg", TRAVEL_DEG),
];

/// Every key of a settings file.
pub(super) const KEYS: &[Key] = &[
    Key::optional("notice", Kind::Text(1_000)),
    Key::required("control_response_ms", MS),
    Key::table(
        "receiver",
        &[
            Key::required("zero_offset_deg", Kind::Number(0.0, 360.0)),
            Key::required("sine_offset_ratio", Kind::Number(-0.5, 0.5)),
            Key::required("cosine_offset_ratio", Kind::Number(-0.5, 0.5)),
            Key::required("gain_error_ratio", Kind::Number(-0.5, 0.5)),
            Key::required("quadrature_deg", Kind::Number(-20.0, 20.0)),
            Key::required("amplitude_low_ratio", Kind::Number(0.5, 1.0)),
            Key::required("amplitude_high_ratio", Kind::Number(1.0, 1.5)),
        ],
    ),
    Key::table(
        "top_stop",
        &[
            Key::required("target_deg", DEG),
            Key::required("release_deg", DEG),
            Key::required("speed_spm", SPM),
            Key::required("reaction_ms", CURVE_MS),
            Key::required("braking_ms_per_spm", Kind::Number(0.0, 1_000.0)),
            Key::required("late_bound_deg", TRAVEL_DEG),
            Key::required("early_bound_deg", TRAVEL_DEG),
            Key::required("deadband_deg", TRAVEL_DEG),
        ],
    ),
    Key::table(
        "stop_limits",
        &[
            Key::required("reaction_ms", CURVE_MS),
            Key::required("braking_ms_per_spm", Kind::Number(0.0, 1_000.0)),
            Key::table("top", LIMIT_KEYS),
            Key::table("mid_stroke", LIMIT_KEYS),
        ],
    ),
    Key::table(
        "angles",
        &[
            Key::required("take_over_deg", DEG),
            Key::required("mute_end_deg", DEG),
            Key::required("window_before_deg", TRAVEL_DEG),
            Key::required("window_after_deg", TRAVEL_DEG),
            Key::required("overrun_limit_deg", TRAVEL_DEG),
        ],
    ),
    Key::table(
        "two_hand",
        &[
            Key::required("synchronous_within_ms", MS),
            Key::required("release_hold_ms", MS),
            Key::required("release_debounce_ms", MS),
            Key::required("discrepancy_after_ms", MS),
        ],
    ),
    Key::table(
        "valve",
        &[
            Key::required("coil_within_ms", MS),
            Key::required("on_within_ms", MS),
            Key::required("off_within_ms", MS),
        ],
    ),
    Key::table(
        "motion",
        &[
            Key::required("speed_max_spm", SPM),
            Key::required("barring_speed_max_spm", SPM),
            Key::required("start_within_ms", MS),
            Key::required("rest_travel_deg", TRAVEL_DEG),
        ],
    ),
    Key::required(
        "guards",
        Kind::Tables(
            GUARDS_MAX,
            &[
                Key::required("rule", Kind::Text(60)),
                Key::required("installed_mm", Kind::Number(0.0, 20_000.0)),
                Key::optional("detection_mm", Kind::Number(0.0, 1_000.0)),
                Key::required("device_response_ms", MS),
            ],
        ),
    ),
];

#[derive(Debug, Deserialize)]
struct File {
    control_response_ms: f64,
    receiver: Receiver,
    top_stop: TopStop,
    stop_limits: Limits,
    angles: Angles,
    two_hand: TwoHand,
    valve: Valve,
    motion: Motion,
    guards: Vec<GuardEntry>,
}

#[derive(Debug, Deserialize)]
struct Receiver {
    zero_offset_deg: f64,
    sine_offset_ratio: f64,
    cosine_offset_ratio: f64,
    gain_error_ratio: f64,
    quadrature_deg: f64,
    amplitude_low_ratio: f64,
    amplitude_high_ratio: f64,
}

#[derive(Debug, Deserialize)]
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

#[derive(Debug, Deserialize)]
struct Limits {
    reaction_ms: f64,
    braking_ms_per_spm: f64,
    top: LimitEntry,
    mid_stroke: LimitEntry,
}

#[derive(Debug, Deserialize)]
struct LimitEntry {
    speed_spm: f64,
    time_advisory_ms: f64,
    time_latch_ms: f64,
    travel_advisory_deg: f64,
    travel_latch_deg: f64,
}

#[derive(Debug, Deserialize)]
struct Angles {
    take_over_deg: f64,
    mute_end_deg: f64,
    window_before_deg: f64,
    window_after_deg: f64,
    overrun_limit_deg: f64,
}

#[derive(Debug, Deserialize)]
struct TwoHand {
    synchronous_within_ms: f64,
    release_hold_ms: f64,
    release_debounce_ms: f64,
    discrepancy_after_ms: f64,
}

#[derive(Debug, Deserialize)]
struct Valve {
    coil_within_ms: f64,
    on_within_ms: f64,
    off_within_ms: f64,
}

#[derive(Debug, Deserialize)]
struct Motion {
    speed_max_spm: f64,
    barring_speed_max_spm: f64,
    start_within_ms: f64,
    rest_travel_deg: f64,
}

#[derive(Debug, Deserialize)]
struct GuardEntry {
    rule: String,
    installed_mm: f64,
    detection_mm: Option<f64>,
    device_response_ms: f64,
}

/// The settings that `rehearse` releases for a built-in press; none for press F, which is not
/// commissionable.
pub(super) fn shipped(letter: &str) -> Option<&'static str> {
    Some(match letter.to_ascii_uppercase().as_str() {
        "A" => include_str!("../../settings/a.toml"),
        "B" => include_str!("../../settings/b.toml"),
        "C" => include_str!("../../settings/c.toml"),
        "D" => include_str!("../../settings/d.toml"),
        "E" => include_str!("../../settings/e.toml"),
        "G" => include_str!("../../settings/g.toml"),
        "H" => include_str!("../../settings/h.toml"),
        _ => return None,
    })
}

/// Reads a settings file as a table.
///
/// # Errors
/// Everything wrong with it, with its places.
pub(super) fn table(file: &str, text: &str) -> Result<toml::Table, toml_check::Problems> {
    let (table, _): (toml::Table, Places) = toml_check::read(file, text, KEYS)?;
    Ok(table)
}

/// Lays the values of `over` over those of `base`, at any depth.
pub(super) fn lay_over(base: &mut toml::Table, over: &toml::Table) {
    for (key, value) in over {
        match (base.get_mut(key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(above)) => lay_over(below, above),
            _ => {
                base.insert(key.clone(), value.clone());
            }
        }
    }
}

/// Settings of a press from a checked table.
///
/// # Errors
/// What does not hold together, in words.
pub(super) fn settings(press: &Press, table: toml::Table) -> Result<Settings, String> {
    let file: File = table.try_into().map_err(|error| error.to_string())?;
    Settings::try_new(schema(press, &file)?).map_err(|problems| {
        let problems: Vec<_> = problems.iter().map(|it| format!("{it:?}")).collect();
        problems.join("; ")
    })
}

/// Settings of a press with its data plate alone, zeroed by hand.
///
/// # Errors
/// What does not hold together, in words.
pub(super) fn provisional(press: &Press) -> Result<Settings, String> {
    let mut schema = crate::rehearse::data_plate(press);
    schema.stage = Stage::Provisional;
    schema.receiver.zero_offset = zero(press.resolver.zero_deg);
    Settings::try_new(schema).map_err(|problems| format!("{problems:?}"))
}

fn zero(deg: f64) -> ZeroOffset {
    ZeroOffset::at_top(ElectricalAngle::from_bits(units::angle(deg).to_bits()))
}

fn schema(press: &Press, file: &File) -> Result<Schema, String> {
    let mut schema = crate::rehearse::data_plate(press);
    schema.stage = Stage::Commissioned;
    schema.control_response = units::duration(file.control_response_ms);
    let receiver = &file.receiver;
    schema.receiver.zero_offset = zero(receiver.zero_offset_deg);
    schema.receiver.balance = Balance {
        sine_offset: (receiver.sine_offset_ratio * RATIO).round() as i16,
        cosine_offset: (receiver.cosine_offset_ratio * RATIO).round() as i16,
        gain_ppm: (receiver.gain_error_ratio * 1e6).round() as i32,
        quadrature_urad: (receiver.quadrature_deg.to_radians() * 1e6).round() as i32,
    };
    schema.receiver.amplitude_lower_permille = (receiver.amplitude_low_ratio * 1e3).round() as u16;
    schema.receiver.amplitude_upper_permille = (receiver.amplitude_high_ratio * 1e3).round() as u16;
    schema.receiver.is_surveyed = true;
    let top = &file.top_stop;
    schema.top_stop.target = units::angle(top.target_deg);
    schema.top_stop.release = units::angle(top.release_deg);
    schema.top_stop.speed = units::speed(top.speed_spm);
    schema.top_stop.curve = curve(top.reaction_ms, top.braking_ms_per_spm);
    schema.top_stop.late_bound = units::travel(top.late_bound_deg);
    schema.top_stop.early_bound = units::travel(top.early_bound_deg);
    schema.top_stop.deadband = units::travel(top.deadband_deg);
    let stop = &file.stop_limits;
    schema.stop.curve = curve(stop.reaction_ms, stop.braking_ms_per_spm);
    schema.stop.top = limits(&stop.top);
    schema.stop.mid_stroke = limits(&stop.mid_stroke);
    let angles = &file.angles;
    schema.angles.take_over = units::angle(angles.take_over_deg);
    schema.angles.mute_end = units::angle(angles.mute_end_deg);
    schema.angles.window_before = units::travel(angles.window_before_deg);
    schema.angles.window_after = units::travel(angles.window_after_deg);
    schema.angles.overrun_limit = units::travel(angles.overrun_limit_deg);
    let hands = &file.two_hand;
    schema.two_hand.synchronous_within = units::duration(hands.synchronous_within_ms);
    schema.two_hand.release_hold = units::duration(hands.release_hold_ms);
    schema.two_hand.release_debounce = units::duration(hands.release_debounce_ms);
    schema.two_hand.discrepancy_after = units::duration(hands.discrepancy_after_ms);
    schema.valve_pair.coil_within = units::duration(file.valve.coil_within_ms);
    schema.valve_pair.on_within = units::duration(file.valve.on_within_ms);
    schema.valve_pair.off_within = units::duration(file.valve.off_within_ms);
    schema.motion.speed_max = units::speed(file.motion.speed_max_spm);
    schema.motion.barring_speed_max = units::speed(file.motion.barring_speed_max_spm);
    schema.motion.start_within = units::duration(file.motion.start_within_ms);
    schema.motion.rest_travel = units::travel(file.motion.rest_travel_deg);
    schema.guards = [None; GUARDS_MAX];
    for (slot, entry) in schema.guards.iter_mut().zip(&file.guards) {
        *slot = Some(guard(entry)?);
    }
    Ok(schema)
}

fn curve(reaction_ms: f64, braking_ms_per_spm: f64) -> StopCurve {
    StopCurve {
        reaction: units::duration(reaction_ms),
        braking_ns_per_spm: (braking_ms_per_spm * 1e6).round() as u32,
    }
}

fn limits(entry: &LimitEntry) -> StopLimits {
    StopLimits {
        speed: units::speed(entry.speed_spm),
        time_advisory: units::duration(entry.time_advisory_ms),
        time_latch: units::duration(entry.time_latch_ms),
        travel_advisory: units::travel(entry.travel_advisory_deg),
        travel_latch: units::travel(entry.travel_latch_deg),
    }
}

fn guard(entry: &GuardEntry) -> Result<Guard, String> {
    let micrometres = |mm: f64| Distance::from_micrometres((mm * 1e3).floor() as u32);
    Ok(Guard {
        rule: rule_named(&entry.rule).map_err(|error| error.to_string())?,
        approach: Approach {
            // A detection capability rounds up, an installed distance down.
            detection: entry
                .detection_mm
                .map(|mm| Distance::from_micrometres((mm * 1e3).ceil() as u32)),
            ..Approach::default()
        },
        installed: micrometres(entry.installed_mm),
        device: units::duration_ceil(entry.device_response_ms),
    })
}
