//! The design tables of the invented presses (stops, limits, distances), computed by our limit and
//! distance functions from the table's own stopping times. These are printed to whole milliseconds
//! and millimetres, which is what `within` allows for: half a millisecond of stopping time is up to
//! a millimetre, and up to 1.1 with the tenth added. Presses D and H are not in the tables.

use stopwright::distance::{Responses, Site, required_mm, rule_named};
use stopwright::limits::{Safeguard, habit, headroom, release};
use stopwright::statistics::rest::RestCriterion;
use stopwright::statistics::{Demand, tolerance};
use stopwright::stop_curve::{SpeedPoint, StopCurve};
use stopwright_core::safety_distance::Rule;

/// A row read as the rows of published values are, with press and speed of its own.
struct TableRow {
    place: String,
    speed_spm: f64,
    within: f64,
    row: crate::row::Row,
}

fn rows() -> Vec<TableRow> {
    let mut reader = csv::Reader::from_reader(include_str!("press_tables.csv").as_bytes());
    let rows = reader.records().map(|record| {
        let record = record.expect("a row");
        let field = |index: usize| record.get(index).expect("seven columns");
        let inner = format!(
            "id,quantity,inputs,value,unit,source,flag\n{},{},{},{},,design table,computed\n",
            field(0),
            field(3),
            field(4),
            field(5)
        );
        TableRow {
            place: format!("{} {} {} {}", field(0), field(1), field(3), field(4)),
            speed_spm: field(2).parse().expect("a speed"),
            within: field(6).parse().expect("a tolerance"),
            row: crate::row::read(&inner).remove(0),
        }
    });
    rows.collect()
}

#[test]
fn the_design_tables_follow_from_their_own_stopping_times() {
    let rows = rows();
    assert!(rows.len() >= 113, "{} rows", rows.len());
    let failures: Vec<String> = rows.iter().filter_map(failure).collect();
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

fn failure(table: &TableRow) -> Option<String> {
    let row = &table.row;
    let found = match row.quantity.as_str() {
        "habit-allowed" => {
            let found = habit_allowed(row);
            return (found != row.value).then(|| format!("{}: {found}", table.place));
        }
        "headroom-at-top-ms" if row.value == "none" => {
            let found = headroom_ms(row);
            return (found >= 0.0).then(|| format!("{}: {found}", table.place));
        }
        "headroom-at-top-ms" => headroom_at_top_ms(row),
        "torque-left-percent" => torque_left_percent(row),
        "overrun-by-delay-ms" => release::overrun_by_delay_ms(15.0, table.speed_spm),
        "overrun-by-torque-ms" => release::overrun_by_torque_ms(15.0, table.speed_spm),
        "scatter-limit-ms" => scatter_limit_ms(row),
        "share-within-percent" => share_within_percent(row),
        "distance-mm" => distance_mm(row),
        "allowed-mid-ms" => allowed_mid_ms(row),
        "curve-travel-deg" => curve(row).travel_deg(table.speed_spm),
        "overrun-at-most-deg" => {
            let curve = curve(row);
            curve.travel_deg(row.number("most_spm")) - curve.travel_deg(table.speed_spm)
        }
        "straight-line-error-deg" => straight_line_error_deg(row),
        other => return Some(format!("{}: nobody computes {other}", table.place)),
    };
    let expected = row.value();
    let fits = (found - expected).abs() <= table.within + row.half_digit();
    (!fits).then(|| format!("{}: {expected}, found {found}", table.place))
}

fn torque_left_percent(row: &crate::row::Row) -> f64 {
    let braking_ms = row.number("top_ms") - row.number("reaction_ms");
    let friction_share = row.number("friction") / row.number("brake");
    100.0 * habit::torque_left(braking_ms, row.number("extra_ms"), friction_share)
}

fn scatter_limit_ms(row: &crate::row::Row) -> f64 {
    let factor = tolerance::one_sided_factor(25, Demand::LIMITS).expect("a factor");
    factor * row.number("deviation_ms")
}

/// Two stops one deviation either side of the target, and a third on it, have that deviation.
fn share_within_percent(row: &crate::row::Row) -> f64 {
    let deviation = row.number("deviation_deg");
    let judged = RestCriterion::default().judge(&[-deviation, 0.0, deviation]);
    100.0 * judged.expect("a judgement").share_within
}

fn distance_mm(row: &crate::row::Row) -> f64 {
    let rule = rule_named(row.text("rule")).expect("a rule");
    let stop_ms = row.number("stop_ms");
    let extra =
        row.number_or_zero("extra_ms") + 0.01 * row.number_or_zero("extra_percent") * stop_ms;
    let responses = Responses {
        stopping_ms: stop_ms + extra,
        control_ms: row.number("control_ms"),
        device_ms: if row.has("device_ms") {
            row.number("device_ms")
        } else {
            20.0
        },
        monitor_allowance_ms: 0.0,
    };
    let site = Site {
        detection_mm: Some(14.0),
        ..Site::default()
    };
    required_mm(rule, &site, &responses).expect("a distance")
}

fn allowed_mid_ms(row: &crate::row::Row) -> f64 {
    let safeguard = Safeguard {
        rules: vec![Rule::IsoOrthogonal2010],
        site: Site {
            detection_mm: Some(row.number("detection_mm")),
            ..Site::default()
        },
        installed_mm: row.number("installed_mm"),
        control_ms: row.number("control_ms"),
        device_ms: 20.0,
    };
    headroom::allowed_mid_ms(&safeguard).expect("a time").1
}

fn headroom_ms(row: &crate::row::Row) -> f64 {
    allowed_mid_ms(row) - row.number("mid_ms")
}

fn headroom_at_top_ms(row: &crate::row::Row) -> f64 {
    let top_ms = row.number("top_ms");
    let growth = if row.has("growth") {
        row.number("growth")
    } else {
        f64::max(1.0, row.number("mid_ms") / top_ms)
    };
    headroom::allowed_top_ms(top_ms, headroom_ms(row), growth) - top_ms
}

fn habit_allowed(row: &crate::row::Row) -> String {
    let at_top_ms = headroom_at_top_ms(row);
    let word = |extra_ms: f64| if extra_ms <= at_top_ms { "yes" } else { "no" };
    format!(
        "{} {}",
        word(habit::ADVISORY_EXTRA_MS),
        word(habit::LATCH_EXTRA_MS)
    )
}

/// The curve of the table's a and b, found again from stops at its slowest and fastest speed.
fn curve(row: &crate::row::Row) -> StopCurve {
    let (a, b) = (row.number("a"), row.number("b"));
    let point = |speed_spm: f64| SpeedPoint {
        speed_spm,
        time_ms: 1_000.0 * (a / 6.0 + b / 3.0 * speed_spm),
        travel_deg: a * speed_spm + b * speed_spm * speed_spm,
    };
    let curve = StopCurve::fit(&[
        point(row.number("least_spm")),
        point(row.number("most_spm")),
    ]);
    curve.expect("a curve")
}

/// What a release angle that goes linearly with speed between its ends is wrong by.
fn straight_line_error_deg(row: &crate::row::Row) -> f64 {
    let curve = curve(row);
    let (least, most) = (row.number("least_spm"), row.number("most_spm"));
    let error = |step: u32| {
        let share = f64::from(step) / 100.0;
        let line = (1.0 - share) * curve.travel_deg(least) + share * curve.travel_deg(most);
        line - curve.travel_deg(least + share * (most - least))
    };
    (0..=100).map(error).fold(0.0, f64::max)
}
