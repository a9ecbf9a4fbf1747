//! Settings leave a rehearsal only when they may be used, and the latch limit in them is one the
//! installed distance allows.

use crate::support::{all, c_at_420, nothing_in, of};
use stopwright::record::Outcome;
use toml::Value;

fn number(value: &Value, path: &str) -> f64 {
    let found = path
        .split('.')
        .try_fold(value, |value, key| value.get(key))
        .unwrap_or_else(|| panic!("no {path} in {value}"));
    match found {
        Value::Integer(whole) => *whole as f64,
        other => other.as_float().expect("a number"),
    }
}

/// Required distance in mm for a total time in s, by the published formulas as
/// `docs/STANDARDS.md` cites them: 29 CFR 1910.217(c)(3)(iii)(e), 63 inches a second; ISO
/// 13855:2010 6.2.3, detection capability up to 40 mm; ISO 13855:2010 8, two-hand actuation.
fn required_mm(rule: &str, total_s: f64, detection_mm: Option<f64>) -> f64 {
    match rule {
        "us-stopping-time" => 63.0 * 25.4 * total_s,
        "iso-orthogonal-2010" => {
            let detection_mm = detection_mm.expect("a detection capability");
            assert!(detection_mm <= 40.0, "another formula");
            let into_field = (8.0 * (detection_mm - 14.0)).max(0.0);
            let near = (2_000.0 * total_s + into_field).max(100.0);
            if near <= 500.0 {
                near
            } else {
                (1_600.0 * total_s + into_field).max(500.0)
            }
        }
        "two-hand-2010" => 1_600.0 * total_s + 250.0,
        other => panic!("no formula for {other}"),
    }
}

/// Times are rounded up to a microsecond before they enter, at 2 m/s two micrometres.
const ROUNDING_MM: f64 = 0.01;

#[test]
fn settings_are_released_with_the_press_and_not_otherwise() {
    let runs = all().into_iter().chain([("C at 420 mm", c_at_420())]);
    let (mut released, mut kept_back) = (0, 0);
    for (letter, run) in runs {
        let is_fit = run.record().verdict.outcome != Outcome::NotCommissionable;
        assert_eq!(run.done.settings.is_some(), is_fit, "{letter}");
        // Nor is anything run under settings that were not released.
        let ran = !run.record().drills.is_empty();
        assert_eq!(ran, is_fit, "{letter}");
        let held = run.record().top_stops.iter().any(|top| top.hold.is_some());
        assert_eq!(held, is_fit, "{letter}");
        if is_fit {
            released += 1
        } else {
            kept_back += 1
        }
    }
    assert!(released > 0 && kept_back > 1, "{released}, {kept_back}");
}

#[test]
fn the_latch_limit_in_force_is_allowed_by_every_rule() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        let Some(text) = &run.done.settings else {
            continue;
        };
        let settings: Value = toml::from_str(text).expect("TOML");
        let latch_ms = number(&settings, "stop_limits.mid_stroke.time_latch_ms");
        let control_ms = number(&settings, "control_response_ms");
        let guards = settings["guards"].as_array().expect("guards");
        let expected = 2 + usize::from(run.press.guarding.two_hand);
        assert_eq!(guards.len(), expected, "{letter}");
        for guard in guards {
            let rule = guard["rule"].as_str().expect("a name");
            let total_ms = latch_ms + control_ms + number(guard, "device_response_ms");
            let detection_mm = guard.get("detection_mm").and_then(Value::as_float);
            let required = required_mm(rule, total_ms / 1e3, detection_mm);
            let installed = number(guard, "installed_mm");
            if required > installed + ROUNDING_MM {
                wrong.push(format!("{letter} {rule}: {required:.1} > {installed}"));
            }
        }
    }
    nothing_in(&wrong);
}

/// The settings carry the limits that the record shows for the speed they were made for.
#[test]
fn the_limits_in_force_are_those_of_the_record() {
    for (letter, run) in all() {
        let Some(text) = &run.done.settings else {
            continue;
        };
        let settings: Value = toml::from_str(text).expect("TOML");
        let record = run.record();
        let held = record.top_stops.iter().find(|top| top.hold.is_some());
        let speed_spm = held.expect("strokes under compensation").speed_spm;
        let limits = record.limits_at(speed_spm).expect("limits at that speed");
        let shown = [
            limits.advisory_ms,
            limits.latch_ms,
            limits.advisory_deg,
            limits.latch_deg,
        ];
        let in_force = [
            "time_advisory_ms",
            "time_latch_ms",
            "travel_advisory_deg",
            "travel_latch_deg",
        ]
        .map(|key| number(&settings, &format!("stop_limits.top.{key}")));
        for (shown, in_force) in shown.iter().zip(in_force) {
            let shown = shown.expect("a limit");
            assert!(
                (shown - in_force).abs() < 1e-3,
                "{letter}: {shown} {in_force}"
            );
        }
    }
}

#[test]
fn every_distance_in_the_record_follows_from_its_rule() {
    let (mut wrong, mut checked) = (Vec::new(), 0);
    for (letter, run) in all().into_iter().chain([("C at 420 mm", c_at_420())]) {
        for distance in &run.record().distances {
            let term = |symbol: &str| {
                let found = distance.terms.iter().find(|term| term.symbol == symbol);
                found.map(|term| term.value)
            };
            let times = ["t_s", "t_c", "t_d"].map(|symbol| term(symbol).expect("a time"));
            assert_eq!(times[0], distance.stopping_time_ms, "{letter}");
            // Request to coil off is a tick at most until it is seen, and the output stage.
            let control_ms = 1.0 + run.press.control.output_drop_ms;
            assert_eq!(times[1], control_ms, "{letter} {}", distance.rule);
            if distance.device == "presence sensing" {
                assert_eq!(times[2], run.press.guarding.device_response_ms, "{letter}");
            } else {
                assert!(times[2] > 0.0, "{letter}: {}", distance.device);
            }
            let total_s = times.iter().sum::<f64>() / 1e3;
            let required = required_mm(&distance.rule, total_s, term("d"));
            let passes = Some(distance.required_mm <= distance.installed_mm.expect("installed"));
            if (required - distance.required_mm).abs() > ROUNDING_MM || distance.pass != passes {
                wrong.push(format!(
                    "{letter} {}: {required:.2} here, {:.2} there",
                    distance.rule, distance.required_mm
                ));
            }
            checked += 1;
        }
    }
    nothing_in(&wrong);
    assert!(checked > 30, "only {checked}");
}

/// A stop may last until its own limit latches it: that time, no shorter one, enters a distance.
#[test]
fn no_distance_is_worked_out_from_less_than_the_limit_in_force() {
    for (letter, run) in all() {
        let record = run.record();
        for distance in &record.distances {
            let Some(limits) = record.limits_at(distance.speed_spm) else {
                panic!("{letter}: no limits at {}", distance.speed_spm);
            };
            let Some(latch_ms) = limits.latch_ms else {
                continue;
            };
            let worst_mid = record.stop_matrix.cells.iter().filter(|cell| {
                cell.speed_spm == distance.speed_spm
                    && cell.kind == stopwright::record::StopKind::MidStroke
            });
            let worst_mid_ms = worst_mid.map(|cell| cell.time_worst_ms).fold(0.0, f64::max);
            assert!(distance.stopping_time_ms >= worst_mid_ms, "{letter}");
            // What a brake too weak for its limit at the top does in mid-stroke is no better.
            let grown_ms = worst_mid_ms + (latch_ms - limits.reference_ms);
            let enters = distance.stopping_time_ms >= 0.97 * grown_ms;
            assert!(
                enters,
                "{letter}: {} < {grown_ms}",
                distance.stopping_time_ms
            );
        }
    }
}

#[test]
fn a_longer_limit_never_asks_for_a_shorter_distance() {
    for distance in of("B").presence() {
        let required: Vec<f64> = distance.curve.iter().map(|at| at.required_mm).collect();
        assert!(required.len() > 10);
        assert!(required.is_sorted(), "{}: {required:?}", distance.rule);
        assert!(required.last() > required.first(), "{}", distance.rule);
    }
}
