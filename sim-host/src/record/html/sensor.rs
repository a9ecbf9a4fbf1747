//! The sensor: signal, zero, direction and ratio.

use super::part::{about, absent, cell, known, list, mark, number, numbers, percent, table, words};
use crate::record::model::{
    Direction, DirectionProof, Record, Reference, SignalCheck, ZeroCapture,
};
use crate::record::numbers::near;
use maud::{Markup, html};

pub(super) fn signal(record: &Record) -> Markup {
    let Some(check) = &record.signal_check else {
        return absent("the raw signals of the resolver");
    };
    let columns = [
        words("Quantity"),
        numbers("Measured"),
        numbers("Allowed"),
        words("Result"),
    ];
    html! {
        p {
            "Both windings over " (about(check.travel_deg, 1)) "° of barred travel, "
            (check.frames) " carrier frames. Amplitude alone finds no crossed or reversed pair: \
            section " a href="#zero" { "Zero and direction" } " does. Signal as a whole: "
            (mark(check.pass)) "."
        }
        (table("Signal over one barred turn", &columns, &signal_rows(check)))
        @if let Some(effect) = balance_effect(check) { p { (effect) } }
        (list(&check.notes))
    }
}

fn signal_rows(check: &SignalCheck) -> Vec<Vec<Markup>> {
    let row = |name: &str, value: String, allowed: String, pass: bool| {
        vec![cell(name), number(value), number(allowed), mark(pass)]
    };
    let either_side = |name: &str, value: f64, limit: f64| {
        row(
            name,
            percent(value, 2),
            format!("±{}", percent(limit, 2)),
            value.abs() <= limit,
        )
    };
    let low = check.amplitude_low_limit_ratio;
    let high = check.amplitude_high_limit_ratio;
    let degrees = |value: f64| format!("{}°", near(value, 3));
    vec![
        row(
            "Smallest amplitude, of nominal",
            percent(check.amplitude_min_ratio, 1),
            format!("at least {}", percent(low, 1)),
            check.amplitude_min_ratio >= low,
        ),
        row(
            "Largest amplitude, of nominal",
            percent(check.amplitude_max_ratio, 1),
            format!("at most {}", percent(high, 1)),
            check.amplitude_max_ratio <= high,
        ),
        either_side(
            "Offset of sine, of amplitude",
            check.sine_offset_ratio,
            check.offset_limit_ratio,
        ),
        either_side(
            "Offset of cosine, of amplitude",
            check.cosine_offset_ratio,
            check.offset_limit_ratio,
        ),
        either_side(
            "Gain of sine against cosine",
            check.gain_error_ratio,
            check.gain_error_limit_ratio,
        ),
        row(
            "Quadrature error",
            degrees(check.quadrature_deg),
            format!("±{}", degrees(check.quadrature_limit_deg)),
            check.quadrature_deg.abs() <= check.quadrature_limit_deg,
        ),
        row(
            "Angle noise at rest, one standard deviation",
            degrees(check.noise_deg),
            format!("at most {}", degrees(check.noise_limit_deg)),
            check.noise_deg <= check.noise_limit_deg,
        ),
    ]
}

/// What balancing does to the angle, where the truth is known.
fn balance_effect(check: &SignalCheck) -> Option<String> {
    let before = check.truth_error_unbalanced_deg?;
    let after = check.truth_error_balanced_deg?;
    Some(format!(
        "Against the simulated crank the decoded angle is wrong by up to {} before its windings \
         are balanced, and by up to {} once they are.",
        near(before, 3) + "°",
        near(after, 3) + "°"
    ))
}

pub(super) fn zero_and_direction(record: &Record) -> Markup {
    html! {
        @match &record.zero_capture {
            Some(capture) => { (zero(capture)) }
            None => { (absent("how the zero was found")) }
        }
        @match &record.direction_proof {
            Some(proof) => { (direction(proof)) }
            None => { (absent("a proof of direction and ratio")) }
        }
        @for reference in &record.references { (beside_the_resolver(reference)) }
    }
}

fn beside_the_resolver(reference: &Reference) -> Markup {
    let rows: Vec<_> = reference
        .findings
        .iter()
        .map(|finding| vec![cell(&finding.name), cell(&finding.value)])
        .collect();
    let title = format!("Fitted beside the resolver: {}", reference.name);
    html! {
        h3 { (title) }
        p {
            "From now on it contradicts the resolver when the two no longer go together. Learned: "
            (mark(reference.pass)) "."
        }
        (table(&title, &[words("Quantity"), words("Found")], &rows))
        (list(&reference.notes))
    }
}

fn zero(capture: &ZeroCapture) -> Markup {
    let rows: Vec<_> = capture
        .pairs
        .iter()
        .map(|pair| {
            vec![
                cell(match pair.direction {
                    Direction::Forward => "forward",
                    Direction::Reverse => "reverse",
                }),
                about(pair.height_mm, 2),
                about(pair.before_deg, 2),
                about(pair.after_deg, 2),
                about(pair.midpoint_deg, 3),
            ]
        })
        .collect();
    let columns = [
        words("Barred"),
        numbers("Slide below top (mm)"),
        numbers("Sensor before top (deg)"),
        numbers("Sensor after top (deg)"),
        numbers("Middle (deg)"),
    ];
    html! {
        h3 { "Zero capture" }
        p {
            "Near the top the slide hardly moves, so the top itself cannot be seen. The slide is \
            brought to one height before and after it; the top lies in the middle. Turning both \
            ways shows the play of the drive. Zero capture: " (mark(capture.pass)) "."
        }
        (table("Equal heights either side of the top", &columns, &rows))
        (table("Zero", &[words("Quantity"), numbers("Value (deg)")], &zero_rows(capture)))
        (list(&capture.notes))
    }
}

fn zero_rows(capture: &ZeroCapture) -> Vec<Vec<Markup>> {
    let mut rows = vec![
        vec![cell("Zero offset"), about(capture.zero_offset_deg, 3)],
        vec![
            cell("Known to within, either side"),
            about(capture.certainty_deg, 3),
        ],
        vec![
            cell("Lash: difference of the two directions"),
            about(capture.lash_deg, 3),
        ],
        vec![
            html! { "Spread within one direction, at most " (about(capture.spread_limit_deg, 2)) },
            about(capture.spread_deg, 3),
        ],
    ];
    if let Some(truth) = capture.truth_zero_offset_deg {
        rows.push(vec![
            cell("Zero offset of the simulated press itself"),
            about(truth, 3),
        ]);
    }
    rows
}

fn direction(proof: &DirectionProof) -> Markup {
    let rows: Vec<_> = proof
        .points
        .iter()
        .map(|point| {
            vec![
                about(point.crank_deg, 1),
                about(point.slide_measured_mm, 2),
                about(point.slide_computed_mm, 2),
                known(Some(point.difference_deg), |v| near(v, 2)),
                mark(point.pass),
            ]
        })
        .collect();
    let columns = [
        numbers("Crank angle (deg)"),
        numbers("Slide by dial (mm below top)"),
        numbers("Slide computed (mm below top)"),
        numbers("Difference (deg)"),
        words("Result"),
    ];
    html! {
        h3 { "Direction and ratio" }
        p {
            "Height of the slide by a dial, against the height that stroke, rod and the shown \
            angle give. A reversed pair of wires leaves every amplitude healthy and fails here. \
            Sensor turns per stroke: " (about(proof.sensor_turns_per_stroke, 4))
            ". Agreement within " (about(proof.tolerance_deg, 1)) "° of crank: "
            (mark(proof.pass)) "."
        }
        (table("Slide height, measured and computed", &columns, &rows))
    }
}
