//! Settings as a TOML file, in the units people use: what a rehearsal leaves behind and a scenario
//! starts from.
//!
//! The file holds what commissioning finds and what people choose. What it does not hold is taken
//! from a base, the settings that follow from the press's data plate.

use crate::distance::rule_named;
use crate::toml_check::{self, Key, Kind, Places};
use crate::units::{self, angle_deg, duration_ms, speed_spm, travel_deg};
use serde::{Deserialize, Serialize};
use stopwright_core::angle::{AngleWindow, ElectricalAngle};
use stopwright_core::balance::Balance;
use stopwright_core::receiver;
use stopwright_core::receiver::index_switch::IndexSettings;
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::safety_distance::{Approach, Distance};
use stopwright_core::settings::{self, GUARDS_MAX, Guard, Schema, Stage};
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::StopLimits;
use stopwright_core::stop_trend::Baseline;
use stopwright_core::valve_pair::{self, ShiftBounds};
use stopwright_core::zero_offset::ZeroOffset;
use stopwright_core::{motion, top_stop, two_hand};

/// A ratio of 1 in the balance's offsets.
const RATIO: f64 = 32_767.0;
const RATIO_OFF: Kind = Kind::Number(-0.5, 0.5);
const CURVE_MS: Kind = Kind::Number(0.0, 5_000.0);
const SLOPE_MS: Kind = Kind::Number(0.0, 1_000.0);
const DEG: Kind = Kind::Number(0.0, 359.9999);
const TRAVEL_DEG: Kind = Kind::Number(0.0, 720.0);
const MS: Kind = Kind::Number(0.0, 60_000.0);
const SPM: Kind = Kind::Number(0.1, 2_000.0);

const RECEIVER_KEYS: &[Key] = &[
    Key::required("zero_offset_deg", Kind::Number(0.0, 360.0)),
    Key::required("sine_offset_ratio", RATIO_OFF),
    Key::required("cosine_offset_ratio", RATIO_OFF),
    Key::required("gain_error_ratio", RATIO_OFF),
    Key::required("quadrature_deg", Kind::Number(-20.0, 20.0)),
    Key::required("amplitude_low_ratio", Kind::Number(0.5, 1.0)),
    Key::required("amplitude_high_ratio", Kind::Number(1.0, 1.5)),
];

const LIMIT_KEYS: &[Key] = &[
    Key::required("speed_spm", SPM),
    Key::required("time_advisory_ms", MS),
    Key::required("time_latch_ms", MS),
    Key::required("travel_advisory_deg", TRAVEL_DEG),
    Key::required("travel_latch_deg", TRAVEL_DEG),
];

const BASELINE_KEYS: &[Key] = &[
    Key::required("time_ms", MS),
    Key::required("deviation_ms", MS),
];

/// Every key of a settings file.
pub const KEYS: &[Key] = &[
    Key::optional("notice", Kind::Text(1_000)),
    Key::required("control_response_ms", MS),
    Key::table("receiver", RECEIVER_KEYS),
    Key::optional(
        "second_resolver",
        Kind::Table(&[
            Key::required("difference_deg", Kind::Number(0.2, 10.0)),
            Key::table("receiver", RECEIVER_KEYS),
        ]),
    ),
    Key::optional(
        "index_switch",
        Kind::Table(&[
            Key::required("closes_deg", DEG),
            Key::required("opens_deg", DEG),
            Key::required("tolerance_deg", TRAVEL_DEG),
            Key::required("contradiction_deg", TRAVEL_DEG),
            Key::required("wander_deg", TRAVEL_DEG),
            Key::required("response_ms", MS),
        ]),
    ),
    Key::table(
        "top_stop",
        &[
            Key::required("target_deg", DEG),
            Key::required("release_deg", DEG),
            Key::required("speed_spm", SPM),
            Key::required("reaction_ms", CURVE_MS),
            Key::required("braking_ms_per_spm", SLOPE_MS),
            Key::required("late_bound_deg", TRAVEL_DEG),
            Key::required("early_bound_deg", TRAVEL_DEG),
            Key::required("deadband_deg", TRAVEL_DEG),
        ],
    ),
    Key::table(
        "stop_limits",
        &[
            Key::required("reaction_ms", CURVE_MS),
            Key::required("braking_ms_per_spm", SLOPE_MS),
            Key::table("top", LIMIT_KEYS),
            Key::table("mid_stroke", LIMIT_KEYS),
        ],
    ),
    Key::optional(
        "trend",
        Kind::Table(&[
            Key::optional("top", Kind::Table(BASELINE_KEYS)),
            Key::optional("mid_stroke", Kind::Table(BASELINE_KEYS)),
        ]),
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
            // One for each element.
            Key::required("on_within_ms", Kind::Numbers(2, 2, 0.0, 60_000.0)),
            Key::required("off_within_ms", Kind::Numbers(2, 2, 0.0, 60_000.0)),
        ],
    ),
    Key::table(
        "motion",
        &[
            Key::required("speed_max_spm", SPM),
            Key::required("barring_speed_max_spm", SPM),
            Key::required("start_within_ms", MS),
            Key::required("lock_up_within_ms", MS),
            Key::required("stall_within_ms", MS),
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

#[derive(Debug, Serialize, Deserialize)]
struct File {
    #[serde(skip_serializing_if = "Option::is_none")]
    notice: Option<String>,
    control_response_ms: f64,
    receiver: Receiver,
    #[serde(skip_serializing_if = "Option::is_none")]
    second_resolver: Option<SecondResolver>,
    #[serde(skip_serializing_if = "Option::is_none")]
    index_switch: Option<IndexSwitch>,
    top_stop: TopStop,
    stop_limits: Limits,
    #[serde(default)]
    trend: Trend,
    angles: Angles,
    two_hand: TwoHand,
    valve: Valve,
    motion: Motion,
    guards: Vec<GuardEntry>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Receiver {
    zero_offset_deg: f64,
    sine_offset_ratio: f64,
    cosine_offset_ratio: f64,
    gain_error_ratio: f64,
    quadrature_deg: f64,
    amplitude_low_ratio: f64,
    amplitude_high_ratio: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct SecondResolver {
    difference_deg: f64,
    receiver: Receiver,
}

#[derive(Debug, Serialize, Deserialize)]
struct IndexSwitch {
    closes_deg: f64,
    opens_deg: f64,
    tolerance_deg: f64,
    contradiction_deg: f64,
    wander_deg: f64,
    response_ms: f64,
}

#[derive(Debug, Serialize, Deserialize)]
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

#[derive(Debug, Serialize, Deserialize)]
struct Limits {
    reaction_ms: f64,
    braking_ms_per_spm: f64,
    top: LimitEntry,
    mid_stroke: LimitEntry,
}

#[derive(Debug, Serialize, Deserialize)]
struct LimitEntry {
    speed_spm: f64,
    time_advisory_ms: f64,
    time_latch_ms: f64,
    travel_advisory_deg: f64,
    travel_latch_deg: f64,
}

#[derive(Debug, Default, Serialize, Deserialize)]
struct Trend {
    #[serde(skip_serializing_if = "Option::is_none")]
    top: Option<BaselineEntry>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mid_stroke: Option<BaselineEntry>,
}

#[derive(Debug, Serialize, Deserialize)]
struct BaselineEntry {
    time_ms: f64,
    deviation_ms: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct Angles {
    take_over_deg: f64,
    mute_end_deg: f64,
    window_before_deg: f64,
    window_after_deg: f64,
    overrun_limit_deg: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct TwoHand {
    synchronous_within_ms: f64,
    release_hold_ms: f64,
    release_debounce_ms: f64,
    discrepancy_after_ms: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct Valve {
    coil_within_ms: f64,
    on_within_ms: [f64; 2],
    off_within_ms: [f64; 2],
}

#[derive(Debug, Serialize, Deserialize)]
struct Motion {
    speed_max_spm: f64,
    barring_speed_max_spm: f64,
    start_within_ms: f64,
    lock_up_within_ms: f64,
    stall_within_ms: f64,
    rest_travel_deg: f64,
}

#[derive(Debug, Serialize, Deserialize)]
struct GuardEntry {
    rule: String,
    installed_mm: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    detection_mm: Option<f64>,
    device_response_ms: f64,
}

/// Settings as TOML, with a notice at the head.
pub fn write(schema: &Schema, notice: &str) -> String {
    let file = File {
        notice: Some(notice.to_owned()),
        control_response_ms: duration_ms(schema.control_response),
        receiver: Receiver::of(&schema.receiver),
        second_resolver: schema.second.as_ref().map(SecondResolver::of),
        index_switch: schema.index.as_ref().map(IndexSwitch::of),
        top_stop: TopStop::of(&schema.top_stop),
        stop_limits: Limits {
            reaction_ms: duration_ms(schema.stop.curve.reaction),
            braking_ms_per_spm: braking_ms_per_spm(schema.stop.curve),
            top: LimitEntry::of(&schema.stop.top),
            mid_stroke: LimitEntry::of(&schema.stop.mid_stroke),
        },
        trend: Trend {
            top: schema.trend.top.as_ref().map(BaselineEntry::of),
            mid_stroke: schema.trend.mid_stroke.as_ref().map(BaselineEntry::of),
        },
        angles: Angles::of(&schema.angles),
        two_hand: TwoHand::of(&schema.two_hand),
        valve: Valve::of(&schema.valve_pair),
        motion: Motion::of(&schema.motion),
        guards: schema.guards.iter().flatten().map(GuardEntry::of).collect(),
    };
    // Plain tables and numbers: there is nothing TOML could refuse.
    toml::to_string_pretty(&file).unwrap_or_default()
}

/// Reads a settings file as a table.
///
/// # Errors
/// Everything wrong with it, with its places.
pub fn table(file: &str, text: &str) -> Result<toml::Table, toml_check::Problems> {
    let (table, _): (toml::Table, Places) = toml_check::read(file, text, KEYS)?;
    Ok(table)
}

/// Commissioned settings: those of `base`, with what a checked table holds in their place.
///
/// # Errors
/// A table that was not checked, or a rule with a name that is none, in words.
pub fn schema(base: Schema, table: toml::Table) -> Result<Schema, String> {
    let file: File = table.try_into().map_err(|error| error.to_string())?;
    let mut schema = base;
    schema.stage = Stage::Commissioned;
    schema.control_response = units::duration(file.control_response_ms);
    schema.second = file.second_resolver.map(|entry| SecondSettings {
        difference_millidegrees: (entry.difference_deg * 1e3).round() as _,
        receiver: entry.receiver.laid_over(base.receiver),
    });
    schema.index = file.index_switch.map(|entry| entry.settings());
    schema.receiver = file.receiver.laid_over(base.receiver);
    file.top_stop.lay_over(&mut schema.top_stop);
    let stop = &file.stop_limits;
    schema.stop.curve = curve(stop.reaction_ms, stop.braking_ms_per_spm);
    schema.stop.top = stop.top.limits();
    schema.stop.mid_stroke = stop.mid_stroke.limits();
    schema.trend.top = file.trend.top.map(|entry| entry.baseline());
    schema.trend.mid_stroke = file.trend.mid_stroke.map(|entry| entry.baseline());
    schema.angles = file.angles.angles();
    schema.two_hand = file.two_hand.config();
    schema.valve_pair = file.valve.config();
    file.motion.lay_over(&mut schema.motion);
    schema.guards = [None; GUARDS_MAX];
    for (slot, entry) in schema.guards.iter_mut().zip(&file.guards) {
        *slot = Some(entry.guard()?);
    }
    Ok(schema)
}

/// A zero offset by its electrical angle, degrees.
pub fn zero(deg: f64) -> ZeroOffset {
    ZeroOffset::at_top(ElectricalAngle::from_bits(units::angle(deg).to_bits()))
}

impl Receiver {
    fn of(receiver: &receiver::Settings) -> Self {
        let zero = f64::from(receiver.zero_offset.electrical().to_bits());
        Self {
            zero_offset_deg: round(zero * 360.0 / 4_294_967_296.0),
            sine_offset_ratio: f64::from(receiver.balance.sine_offset) / RATIO,
            cosine_offset_ratio: f64::from(receiver.balance.cosine_offset) / RATIO,
            gain_error_ratio: f64::from(receiver.balance.gain_ppm) / 1e6,
            quadrature_deg: round((f64::from(receiver.balance.quadrature_urad) / 1e6).to_degrees()),
            amplitude_low_ratio: f64::from(receiver.amplitude_lower_permille) / 1e3,
            amplitude_high_ratio: f64::from(receiver.amplitude_upper_permille) / 1e3,
        }
    }

    fn laid_over(&self, base: receiver::Settings) -> receiver::Settings {
        receiver::Settings {
            zero_offset: zero(self.zero_offset_deg),
            balance: Balance {
                sine_offset: (self.sine_offset_ratio * RATIO).round() as i16,
                cosine_offset: (self.cosine_offset_ratio * RATIO).round() as i16,
                gain_ppm: (self.gain_error_ratio * 1e6).round() as i32,
                quadrature_urad: (self.quadrature_deg.to_radians() * 1e6).round() as i32,
            },
            amplitude_lower_permille: (self.amplitude_low_ratio * 1e3).round() as u16,
            amplitude_upper_permille: (self.amplitude_high_ratio * 1e3).round() as u16,
            is_surveyed: true,
            ..base
        }
    }
}

impl SecondResolver {
    fn of(second: &SecondSettings) -> Self {
        Self {
            difference_deg: f64::from(second.difference_millidegrees) / 1e3,
            receiver: Receiver::of(&second.receiver),
        }
    }
}

impl IndexSwitch {
    fn of(index: &IndexSettings) -> Self {
        Self {
            closes_deg: round(angle_deg(index.closed.from)),
            opens_deg: round(angle_deg(index.closed.to)),
            tolerance_deg: f64::from(index.tolerance_millidegrees) / 1e3,
            contradiction_deg: f64::from(index.contradiction_millidegrees) / 1e3,
            wander_deg: f64::from(index.wander_millidegrees) / 1e3,
            response_ms: f64::from(index.response_us) / 1e3,
        }
    }

    fn settings(&self) -> IndexSettings {
        IndexSettings {
            closed: AngleWindow {
                from: units::angle(self.closes_deg),
                to: units::angle(self.opens_deg),
            },
            tolerance_millidegrees: (self.tolerance_deg * 1e3).round() as _,
            contradiction_millidegrees: (self.contradiction_deg * 1e3).round() as _,
            wander_millidegrees: (self.wander_deg * 1e3).round() as _,
            response_us: (self.response_ms * 1e3).round() as _,
        }
    }
}

impl TopStop {
    fn of(top: &top_stop::Config) -> Self {
        Self {
            target_deg: round(angle_deg(top.target)),
            release_deg: round(angle_deg(top.release)),
            speed_spm: round(speed_spm(top.speed)),
            reaction_ms: duration_ms(top.curve.reaction),
            braking_ms_per_spm: braking_ms_per_spm(top.curve),
            late_bound_deg: round(travel_deg(top.late_bound)),
            early_bound_deg: round(travel_deg(top.early_bound)),
            deadband_deg: round(travel_deg(top.deadband)),
        }
    }

    fn lay_over(&self, top: &mut top_stop::Config) {
        top.target = units::angle(self.target_deg);
        top.release = units::angle(self.release_deg);
        top.speed = units::speed(self.speed_spm);
        top.curve = curve(self.reaction_ms, self.braking_ms_per_spm);
        top.late_bound = units::travel(self.late_bound_deg);
        top.early_bound = units::travel(self.early_bound_deg);
        top.deadband = units::travel(self.deadband_deg);
    }
}

impl LimitEntry {
    fn of(limits: &StopLimits) -> Self {
        Self {
            speed_spm: round(speed_spm(limits.speed)),
            time_advisory_ms: duration_ms(limits.time_advisory),
            time_latch_ms: duration_ms(limits.time_latch),
            travel_advisory_deg: round(travel_deg(limits.travel_advisory)),
            travel_latch_deg: round(travel_deg(limits.travel_latch)),
        }
    }

    fn limits(&self) -> StopLimits {
        StopLimits {
            speed: units::speed(self.speed_spm),
            time_advisory: units::duration(self.time_advisory_ms),
            time_latch: units::duration(self.time_latch_ms),
            travel_advisory: units::travel(self.travel_advisory_deg),
            travel_latch: units::travel(self.travel_latch_deg),
        }
    }
}

impl BaselineEntry {
    fn of(baseline: &Baseline) -> Self {
        Self {
            time_ms: duration_ms(baseline.time),
            deviation_ms: duration_ms(baseline.deviation),
        }
    }

    fn baseline(&self) -> Baseline {
        Baseline {
            time: units::duration(self.time_ms),
            deviation: units::duration(self.deviation_ms),
        }
    }
}

impl Angles {
    fn of(angles: &settings::Angles) -> Self {
        Self {
            take_over_deg: round(angle_deg(angles.take_over)),
            mute_end_deg: round(angle_deg(angles.mute_end)),
            window_before_deg: round(travel_deg(angles.window_before)),
            window_after_deg: round(travel_deg(angles.window_after)),
            overrun_limit_deg: round(travel_deg(angles.overrun_limit)),
        }
    }

    fn angles(&self) -> settings::Angles {
        settings::Angles {
            take_over: units::angle(self.take_over_deg),
            mute_end: units::angle(self.mute_end_deg),
            window_before: units::travel(self.window_before_deg),
            window_after: units::travel(self.window_after_deg),
            overrun_limit: units::travel(self.overrun_limit_deg),
        }
    }
}

impl TwoHand {
    fn of(config: &two_hand::Config) -> Self {
        Self {
            synchronous_within_ms: duration_ms(config.synchronous_within),
            release_hold_ms: duration_ms(config.release_hold),
            release_debounce_ms: duration_ms(config.release_debounce),
            discrepancy_after_ms: duration_ms(config.discrepancy_after),
        }
    }

    fn config(&self) -> two_hand::Config {
        two_hand::Config {
            synchronous_within: units::duration(self.synchronous_within_ms),
            release_hold: units::duration(self.release_hold_ms),
            release_debounce: units::duration(self.release_debounce_ms),
            discrepancy_after: units::duration(self.discrepancy_after_ms),
        }
    }
}

impl Valve {
    fn of(config: &valve_pair::Config) -> Self {
        Self {
            coil_within_ms: duration_ms(config.coil_within),
            on_within_ms: config.shift.map(|bounds| duration_ms(bounds.on_within)),
            off_within_ms: config.shift.map(|bounds| duration_ms(bounds.off_within)),
        }
    }

    fn config(&self) -> valve_pair::Config {
        let [first_on, second_on] = self.on_within_ms;
        let [first_off, second_off] = self.off_within_ms;
        let bounds = |on_ms, off_ms| ShiftBounds {
            on_within: units::duration(on_ms),
            off_within: units::duration(off_ms),
        };
        valve_pair::Config {
            coil_within: units::duration(self.coil_within_ms),
            shift: [bounds(first_on, first_off), bounds(second_on, second_off)],
        }
    }
}

impl Motion {
    fn of(motion: &motion::Config) -> Self {
        Self {
            speed_max_spm: round(speed_spm(motion.speed_max)),
            barring_speed_max_spm: round(speed_spm(motion.barring_speed_max)),
            start_within_ms: duration_ms(motion.start_within),
            lock_up_within_ms: duration_ms(motion.lock_up_within),
            stall_within_ms: duration_ms(motion.stall_within),
            rest_travel_deg: round(travel_deg(motion.rest_travel)),
        }
    }

    fn lay_over(&self, motion: &mut motion::Config) {
        motion.speed_max = units::speed(self.speed_max_spm);
        motion.barring_speed_max = units::speed(self.barring_speed_max_spm);
        motion.start_within = units::duration(self.start_within_ms);
        motion.lock_up_within = units::duration(self.lock_up_within_ms);
        motion.stall_within = units::duration(self.stall_within_ms);
        motion.rest_travel = units::travel(self.rest_travel_deg);
    }
}

impl GuardEntry {
    fn of(guard: &Guard) -> Self {
        let detection = guard.approach.detection;
        Self {
            rule: guard.rule.text().name.to_owned(),
            installed_mm: f64::from(guard.installed.as_micrometres()) / 1e3,
            detection_mm: detection.map(|d| f64::from(d.as_micrometres()) / 1e3),
            device_response_ms: duration_ms(guard.device),
        }
    }

    fn guard(&self) -> Result<Guard, String> {
        // A detection capability rounds up, an installed distance down.
        let detection = self.detection_mm.map(|mm| (mm * 1e3).ceil() as u32);
        Ok(Guard {
            rule: rule_named(&self.rule).map_err(|error| error.to_string())?,
            approach: Approach {
                detection: detection.map(Distance::from_micrometres),
                ..Approach::default()
            },
            installed: Distance::from_micrometres((self.installed_mm * 1e3).floor() as u32),
            device: units::duration_ceil(self.device_response_ms),
        })
    }
}

fn curve(reaction_ms: f64, braking_ms_per_spm: f64) -> StopCurve {
    StopCurve {
        reaction: units::duration(reaction_ms),
        braking_ns_per_spm: (braking_ms_per_spm * 1e6).round() as u32,
    }
}

fn braking_ms_per_spm(curve: StopCurve) -> f64 {
    f64::from(curve.braking_ns_per_spm) / 1e6
}

fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
