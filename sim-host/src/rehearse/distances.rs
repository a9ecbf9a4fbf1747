//! Safety distances with the latch limit in force: what each rule asks of each safeguard, and what
//! is installed.

use super::preparation;
use crate::distance::{DistanceError, Responses, Site, longest_stopping_ms, required_mm};
use crate::limits::headroom::mid_at_latch_ms;
use crate::limits::{Position, Proposal, SpeedReport};
use crate::press::Press;
use crate::record::{self, DistancePoint, RuleStanding, Term};
use crate::rehearse::matrix::MID_STROKE_DEG;
use stopwright_core::safety_distance::{Rule, Standing};
use stopwright_core::two_hand;

/// Points of the curve of distance over latch limit.
const CURVE_POINTS: usize = 41;

/// A safeguard as installed.
struct Device {
    name: &'static str,
    rules: Vec<Rule>,
    site: Site,
    installed_mm: f64,
    response_ms: f64,
}

fn devices(press: &Press, rules: &[Rule]) -> Vec<Device> {
    let guarding = &press.guarding;
    let mut devices = vec![Device {
        name: "presence sensing",
        rules: rules.to_vec(),
        site: Site {
            detection_mm: Some(guarding.detection_mm),
            ..Site::default()
        },
        installed_mm: guarding.installed_distance_mm,
        response_ms: guarding.device_response_ms,
    }];
    if guarding.two_hand {
        devices.push(Device {
            name: "two-hand control",
            rules: vec![Rule::TwoHand2010],
            site: Site::default(),
            installed_mm: guarding.two_hand_distance_mm,
            response_ms: f64::from(two_hand::Config::DEFAULT.release_debounce.as_micros()) / 1e3,
        });
    }
    devices
}

/// The distances at one speed.
///
/// # Errors
/// A rule that lacks something or does not cover the device.
pub(super) fn at_speed(
    press: &Press,
    rules: &[Rule],
    proposal: &Proposal,
    report: &SpeedReport,
) -> Result<Vec<record::Distance>, DistanceError> {
    let Some(stops) = Stops::of(proposal, report) else {
        return Ok(Vec::new());
    };
    let mut distances = Vec::new();
    for device in devices(press, rules) {
        for &rule in &device.rules {
            distances.push(entry(press, &device, rule, &stops)?);
        }
    }
    Ok(distances)
}

/// How top and mid-stroke stops go together at one speed.
struct Stops {
    spm: f64,
    top_baseline_ms: f64,
    top_latch_ms: f64,
    worst_mid_ms: f64,
    mid_latch_ms: f64,
    growth: f64,
}

impl Stops {
    fn of(proposal: &Proposal, report: &SpeedReport) -> Option<Self> {
        let top = proposal.limit_set(Position::Top, report.speed_spm)?;
        let mid = proposal.limit_set(Position::MidStroke(MID_STROKE_DEG), report.speed_spm)?;
        let headroom = report.headroom.as_ref()?;
        Some(Self {
            spm: report.speed_spm,
            top_baseline_ms: top.time_ms.baseline,
            top_latch_ms: top.time_ms.latch,
            worst_mid_ms: headroom.worst_mid_ms,
            mid_latch_ms: mid.time_ms.latch,
            growth: headroom.growth,
        })
    }

    /// The longest mid-stroke stop with a latch limit of `top_latch_ms` at the top in force.
    fn mid_ms(&self, top_latch_ms: f64) -> f64 {
        mid_at_latch_ms(
            self.worst_mid_ms,
            self.growth,
            self.top_baseline_ms,
            top_latch_ms,
        )
    }

    /// The stopping time that enters: a mid-stroke stop latches by its own limit, or becomes what
    /// it can before the top stop latches; the longer of the two.
    fn governing_ms(&self) -> f64 {
        self.mid_ms(self.top_latch_ms).max(self.mid_latch_ms)
    }
}

fn entry(
    press: &Press,
    device: &Device,
    rule: Rule,
    stops: &Stops,
) -> Result<record::Distance, DistanceError> {
    let text = rule.text();
    let responses = |stopping_ms: f64| Responses {
        stopping_ms,
        control_ms: preparation::control_response_ms(press),
        device_ms: device.response_ms,
        monitor_allowance_ms: 0.0,
    };
    let stopping_ms = stops.governing_ms();
    let required = required_mm(rule, &device.site, &responses(stopping_ms))?;
    let allowed_mid =
        longest_stopping_ms(rule, &device.site, device.installed_mm, &responses(0.0))?;
    let allowed_latch_ms = allowed_mid
        .map(|mid| stops.top_baseline_ms + (mid - stops.worst_mid_ms) / stops.growth)
        .filter(|latch| *latch > stops.top_baseline_ms);
    let mut curve = Vec::with_capacity(CURVE_POINTS);
    for index in 0..CURVE_POINTS {
        let share = index as f64 / (CURVE_POINTS - 1) as f64;
        let latch_ms = stops.top_baseline_ms * (1.0 + share);
        let required_mm = required_mm(rule, &device.site, &responses(stops.mid_ms(latch_ms)))?;
        curve.push(DistancePoint {
            latch_ms,
            required_mm,
        });
    }
    Ok(record::Distance {
        device: device.name.to_owned(),
        rule: text.name.to_owned(),
        edition: text.edition.to_owned(),
        clause: text.clause.to_owned(),
        standing: match text.standing {
            Standing::Read => RuleStanding::Read,
            Standing::FromMemory => RuleStanding::FromMemory,
        },
        formula: text.asks.to_owned(),
        terms: terms(device, &responses(stopping_ms)),
        stopping_time_ms: stopping_ms,
        stopping_time_source: format!(
            "longest mid-stroke stop before a latch: limit at the top {:.1} ms, at {MID_STROKE_DEG:.0} \
             degrees {:.1} ms",
            stops.top_latch_ms, stops.mid_latch_ms
        ),
        required_mm: required,
        installed_mm: Some(device.installed_mm),
        margin_mm: Some(device.installed_mm - required),
        allowed_latch_ms,
        pass: Some(required <= device.installed_mm),
        speed_spm: stops.spm,
        curve,
    })
}

fn terms(device: &Device, responses: &Responses) -> Vec<Term> {
    let term = |symbol: &str, meaning: &str, value: f64, unit: &str| Term {
        symbol: symbol.to_owned(),
        meaning: meaning.to_owned(),
        value,
        unit: unit.to_owned(),
    };
    let mut terms = vec![
        term(
            "t_s",
            "stopping time, coil off to standstill",
            responses.stopping_ms,
            "ms",
        ),
        term(
            "t_c",
            "control response, request to coil off",
            responses.control_ms,
            "ms",
        ),
        term(
            "t_d",
            "device response, hand to request",
            responses.device_ms,
            "ms",
        ),
    ];
    if let Some(detection_mm) = device.site.detection_mm {
        terms.push(term("d", "detection capability", detection_mm, "mm"));
    }
    terms
}
