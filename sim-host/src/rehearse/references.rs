//! What is fitted beside the resolver to contradict it: a second resolver, an index switch. Each is
//! learned on the barred crank, and from then on held to what was learned.

use super::preparation;
use super::sensor::{self, Which};
use crate::bench::Bench;
use crate::operator::Trouble;
use crate::press::Press;
use crate::record::{NamedText, Reference, SignalCheck};
use crate::statistics::rest::signed_deg;
use crate::units;
use stopwright_core::angle::{AngleWindow, ElectricalAngle};
use stopwright_core::receiver;
use stopwright_core::receiver::index_switch::{IndexConfig, IndexSettings};
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::settings::Schema;
use stopwright_core::zero_offset::ZeroOffset;

/// How far the two resolvers may be apart (common practice, no source).
const DIFFERENCE_MILLIDEGREES: u32 = 2_000;
/// How far an edge of the switch may be from where it was learned (common practice, no source).
const TOLERANCE_MILLIDEGREES: u32 = 3_000;
/// From here on the shift is no slip but a contradiction (common practice, no source).
const CONTRADICTION_MILLIDEGREES: u32 = 5_000;
const WANDER_MILLIDEGREES: u32 = 1_000;
/// Longest time by which a switch and its input lag behind the crank.
const RESPONSE_US: u32 = 2_000;
/// The two directions of barring must find an edge this close together, degrees.
const EDGE_AGREEMENT_DEG: f64 = 1.0;

/// Settings of a second resolver of which nothing is known yet.
pub(super) fn second_unknown(press: &Press) -> SecondSettings {
    learned_second(preparation::receiver_for(press))
}

/// What a second resolver is held to whose receiver has these settings.
pub(crate) const fn learned_second(receiver: receiver::Settings) -> SecondSettings {
    SecondSettings {
        receiver,
        difference_millidegrees: DIFFERENCE_MILLIDEGREES,
    }
}

/// Signal check of the second resolver over a barred turn of its own; its survey goes into the
/// schema.
pub(super) fn survey_second(
    bench: &mut Bench,
    second: &mut SecondSettings,
) -> Result<Reference, Trouble> {
    let (check, found) = sensor::check_signal(bench, &second.receiver, Which::Second)?;
    if let Some(surveyed) = found {
        second.receiver.balance = surveyed.balance;
        second.receiver.amplitude_nominal = surveyed.amplitude;
        second.receiver.is_surveyed = true;
    }
    Ok(Reference {
        name: "second resolver".to_owned(),
        findings: signal_findings(&check),
        pass: check.pass,
        notes: check.notes,
    })
}

fn signal_findings(check: &SignalCheck) -> Vec<NamedText> {
    let finding = |name: &str, value: String| NamedText {
        name: name.to_owned(),
        value,
    };
    vec![
        finding(
            "amplitude, of nominal",
            format!(
                "{:.1} to {:.1} %",
                100.0 * check.amplitude_min_ratio,
                100.0 * check.amplitude_max_ratio
            ),
        ),
        finding(
            "offset of sine and cosine",
            format!(
                "{:.2} % and {:.2} %",
                100.0 * check.sine_offset_ratio,
                100.0 * check.cosine_offset_ratio
            ),
        ),
        finding(
            "gain and quadrature error",
            format!(
                "{:.2} % and {:.3}°",
                100.0 * check.gain_error_ratio,
                check.quadrature_deg
            ),
        ),
    ]
}

/// Puts the second resolver's zero beside the first one's.
pub(super) fn set_second_zero(
    second: &mut SecondSettings,
    offset: Option<ZeroOffset>,
    reference: &mut Reference,
) {
    let Some(offset) = offset else {
        reference.pass = false;
        reference
            .notes
            .push("The two heights do not lie around the top.".to_owned());
        return;
    };
    second.receiver.zero_offset = offset;
    reference.findings.push(NamedText {
        name: "electrical angle at top dead centre".to_owned(),
        value: format!("{:.2}°", electrical_deg(offset.electrical())),
    });
}

fn electrical_deg(angle: ElectricalAngle) -> f64 {
    f64::from(angle.to_bits()) * 360.0 / 4_294_967_296.0
}

/// Crank angles at which the switch closed and opened over one barred turn.
#[derive(Debug, Default)]
struct Edges {
    closing_deg: Vec<f64>,
    opening_deg: Vec<f64>,
}

/// Learns the closed arc from a barred turn each way.
pub(super) fn learn_index(bench: &mut Bench, schema: &mut Schema) -> Result<Reference, Trouble> {
    let forward = edges(bench, 1.0)?;
    let reverse = edges(bench, -1.0)?;
    let mut reference = Reference {
        name: "index switch".to_owned(),
        ..Reference::default()
    };
    // Turned back, the switch opens where it closed and closes where it opened.
    let pairs = (
        only(&forward.closing_deg).zip(only(&reverse.opening_deg)),
        only(&forward.opening_deg).zip(only(&reverse.closing_deg)),
    );
    let (Some(closes), Some(opens)) = pairs else {
        reference.notes.push(
            "The switch must close once and open once in every turn, in both directions."
                .to_owned(),
        );
        return Ok(reference);
    };
    for (name, (there, back)) in [("closes at", closes), ("opens at", opens)] {
        reference.findings.push(NamedText {
            name: name.to_owned(),
            value: format!("{there:.2}° in normal travel, {back:.2}° turned back"),
        });
    }
    let agree = [closes, opens]
        .iter()
        .all(|(there, back)| signed_deg(there - back).abs() <= EDGE_AGREEMENT_DEG);
    if !agree {
        reference.notes.push(format!(
            "The two directions differ by more than {EDGE_AGREEMENT_DEG}°: look for play between \
             crank, switch and resolver."
        ));
    }
    let index = learned_index(middle(closes), middle(opens));
    match IndexConfig::try_new(index) {
        Ok(_) => schema.index = Some(index),
        Err(error) => reference.notes.push(error.to_string()),
    }
    reference.pass = agree && schema.index.is_some();
    Ok(reference)
}

/// What a switch is held to that was learned to close and open here, degrees.
pub(crate) fn learned_index(closes_deg: f64, opens_deg: f64) -> IndexSettings {
    IndexSettings {
        closed: AngleWindow {
            from: units::angle(closes_deg),
            to: units::angle(opens_deg),
        },
        tolerance_millidegrees: TOLERANCE_MILLIDEGREES,
        contradiction_millidegrees: CONTRADICTION_MILLIDEGREES,
        wander_millidegrees: WANDER_MILLIDEGREES,
        response_us: RESPONSE_US,
    }
}

fn middle((there, back): (f64, f64)) -> f64 {
    (there + signed_deg(back - there) / 2.0).rem_euclid(360.0)
}

fn only(edges: &[f64]) -> Option<f64> {
    match edges {
        [edge] => Some(*edge),
        _ => None,
    }
}

fn edges(bench: &mut Bench, direction: f64) -> Result<Edges, Trouble> {
    let start = bench.plant().state().angle_rad;
    let (mut found, mut was_closed) = (Edges::default(), bench.index_closed());
    bench.bar(direction, |bench| {
        let is_closed = bench.index_closed();
        let seen = bench
            .outputs()
            .and_then(|outputs| outputs.position.trusted());
        if let Some(seen) = seen.filter(|_| is_closed != was_closed) {
            let edges = match is_closed {
                true => &mut found.closing_deg,
                false => &mut found.opening_deg,
            };
            edges.push(units::angle_deg(seen.angle()));
        }
        was_closed = is_closed;
        (bench.plant().state().angle_rad - start).abs() >= std::f64::consts::TAU
    })?;
    Ok(found)
}
