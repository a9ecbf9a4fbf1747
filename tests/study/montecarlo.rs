//! Bias and scatter of the stopping time over the invented presses A to H, and the table of them
//! that `docs/STUDY.md` shows.

use std::path::PathBuf;

use stopwright::study::{FindOptions, ReadOptions, RecordedStop, find_stops, read_bytes};

use crate::synthetic::{
    Condition, GOOD, HEALTHY, PLAIN, Press, Recorder, TrueStop, press, presses,
};

/// Where a stop is commanded.
#[derive(Clone, Copy, Debug, PartialEq)]
enum At {
    /// So that it ends at the top.
    Top,
    /// At this crank angle.
    Deg(f64),
}

/// What came out of many recordings of one stop.
#[derive(Clone, Debug)]
struct Outcome {
    label: String,
    true_ms: f64,
    bias_ms: f64,
    sigma_ms: f64,
    stated_ms: f64,
    /// Share of the errors within what was stated.
    covered: f64,
    stops: Vec<RecordedStop>,
}

fn true_stop(press: &Press, spm: f64, at: At, condition: Condition) -> TrueStop {
    match at {
        At::Deg(deg) => press.stop(deg, spm, condition),
        At::Top => {
            // Slide inertia depends on the angle: two rounds bring the rest to the top.
            let first = press.stop(
                360.0 - press.stop(0.0, spm, condition).travel_deg,
                spm,
                condition,
            );
            press.stop(360.0 - first.travel_deg, spm, condition)
        }
    }
}

/// Records a stop many times, each time with other noise and another phase of sampling.
fn record(
    press: &Press,
    spm: f64,
    at: At,
    condition: Condition,
    recorder: Recorder,
    times: u64,
) -> Outcome {
    let truth = true_stop(press, spm, at, condition);
    let stops: Vec<RecordedStop> = (0..times)
        .map(|seed| {
            let watched = recorder.watch(&truth, 0.4, truth.time_s + 0.4, seed);
            let text = PLAIN.text(&watched.samples);
            let recording = read_bytes("synthetic", text.as_bytes(), &ReadOptions::default());
            let found = find_stops(&recording.expect("a recording"), &FindOptions::default());
            assert_eq!(
                found.stops.len(),
                1,
                "{} {spm} {at:?}: {:?}",
                press.name,
                found
            );
            let offset = found.stops[0].command_time_s - watched.command_s;
            assert!(
                offset.abs() <= 0.51 * (1.0 + recorder.jitter) / recorder.rate_hz
                    || recorder.missing > 0.0
            );
            found.stops[0].clone()
        })
        .collect();
    summarise(format!("{} {spm} {at:?}", press.name), &truth, stops)
}

fn summarise(label: String, truth: &TrueStop, stops: Vec<RecordedStop>) -> Outcome {
    let true_ms = truth.time_s * 1e3;
    let mean = |value: &dyn Fn(&RecordedStop) -> f64| {
        stops.iter().map(value).sum::<f64>() / stops.len() as f64
    };
    let bias_ms = mean(&|stop| stop.time_ms - true_ms);
    Outcome {
        label,
        true_ms,
        bias_ms,
        sigma_ms: mean(&|stop| (stop.time_ms - true_ms - bias_ms).powi(2)).sqrt(),
        stated_ms: mean(&|stop| stop.time_uncertainty_ms),
        covered: mean(&|stop| {
            f64::from(u8::from(
                (stop.time_ms - true_ms).abs() <= stop.time_uncertainty_ms,
            ))
        }),
        stops,
    }
}

/// Every press at each of its speeds, at the top and at 90 degrees.
fn all(condition: Condition, recorder: Recorder, times: u64) -> Vec<Outcome> {
    let mut outcomes = Vec::new();
    for press in presses() {
        for &spm in press.speeds_spm {
            for at in [At::Top, At::Deg(90.0)] {
                outcomes.push(record(&press, spm, at, condition, recorder, times));
            }
        }
    }
    outcomes
}

fn covered(outcomes: &[Outcome]) -> f64 {
    outcomes.iter().map(|outcome| outcome.covered).sum::<f64>() / outcomes.len() as f64
}

/// The simulated stops are those of the tables they were planned with (time at the top and at 90
/// degrees, equation of motion, balanced slide; press table of the invented presses).
#[test]
fn the_simulated_stops_are_those_of_the_press_table() {
    for (name, spm, top_ms, at_90_ms) in [
        ("A", 200.0, 49.0, 50.0),
        ("A", 600.0, 91.0, 93.0),
        ("A", 800.0, 111.0, 113.0),
        ("B", 85.0, 137.0, 138.0),
        ("C", 40.0, 185.0, 194.0),
        ("E", 35.0, 106.0, 108.0),
        ("E", 55.0, 134.0, 137.0),
        ("E", 70.0, 155.0, 158.0),
        ("F", 100.0, 298.0, 303.0),
        ("G", 50.0, 83.0, 85.0),
        ("G", 120.0, 144.0, 145.0),
        ("G", 150.0, 170.0, 170.0),
    ] {
        // The counterbalance of F carries three quarters of its slide.
        let counterbalance = if name == "F" { 0.75 } else { 1.0 };
        let condition = Condition {
            counterbalance,
            ..HEALTHY
        };
        for (at, expected) in [(At::Top, top_ms), (At::Deg(90.0), at_90_ms)] {
            let time_ms = true_stop(&press(name), spm, at, condition).time_s * 1e3;
            assert!(
                (time_ms - expected).abs() < 1.0,
                "{name} {spm} {at:?}: {time_ms:.2} ms"
            );
        }
    }
}

/// 0.03 degrees of noise at 1 kHz: the published plan of such an estimator (a parabola through the
/// last part of the braking) reaches a bias of 0.2 to 1.4 ms and a sigma of up to 1.4 ms.
#[test]
fn bias_and_scatter_are_small_for_every_press() {
    let outcomes = all(HEALTHY, GOOD, 16);
    for outcome in &outcomes {
        let limit_ms = if outcome.label.starts_with("H 8") {
            0.7
        } else {
            0.45
        };
        assert!(
            outcome.bias_ms.abs() < limit_ms,
            "{}: bias {:.2}",
            outcome.label,
            outcome.bias_ms
        );
        assert!(
            outcome.sigma_ms < 2.0 * limit_ms,
            "{}: sigma {:.2}",
            outcome.label,
            outcome.sigma_ms
        );
    }
    assert!(covered(&outcomes) > 0.94, "{}", covered(&outcomes));
    the_document_shows(&outcomes);
}

/// Every row of the table in the document against what was just measured.
fn the_document_shows(outcomes: &[Outcome]) {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../docs/STUDY.md");
    let text = std::fs::read_to_string(file).expect("docs/STUDY.md");
    for outcome in outcomes {
        let row = outcome.row();
        let head = row.splitn(5, '|').take(4).collect::<Vec<_>>().join("|");
        let shown = text.lines().find(|line| line.starts_with(&head));
        let shown = shown.unwrap_or_else(|| panic!("no row like\n{row}"));
        let numbers = |line: &str| -> Vec<f64> {
            line.split('|')
                .skip(4)
                .filter_map(|cell| cell.trim().parse().ok())
                .collect()
        };
        let (shown, measured) = (numbers(shown), numbers(&row));
        assert_eq!(shown.len(), 4, "{row}");
        // One unit of the last digit: other processors round elsewhere.
        assert!(
            shown
                .iter()
                .zip(&measured)
                .all(|(a, b)| (a - b).abs() < 0.11),
            "measured\n{row}"
        );
    }
}

impl Outcome {
    fn row(&self) -> String {
        let words: Vec<&str> = self.label.split(' ').collect();
        let at = if words[2] == "Top" { "top" } else { "90°" };
        format!(
            "| {} | {} | {at} | {:.1} | {:+.1} | {:.1} | {:.1} |",
            words[0], words[1], self.true_ms, self.bias_ms, self.sigma_ms, self.stated_ms
        )
    }
}

#[test]
fn ten_times_the_rate_leaves_a_tenth_of_a_millisecond_on_most_presses() {
    let outcomes = all(
        HEALTHY,
        Recorder {
            rate_hz: 10_000.0,
            ..GOOD
        },
        2,
    );
    for outcome in outcomes
        .iter()
        .filter(|outcome| !outcome.label.starts_with("H 8"))
    {
        assert!(
            outcome.bias_ms.abs() < 0.3,
            "{}: bias {:.2}",
            outcome.label,
            outcome.bias_ms
        );
    }
    let small = outcomes
        .iter()
        .filter(|outcome| outcome.bias_ms.abs() < 0.1)
        .count();
    assert!(
        small * 10 > outcomes.len() * 7,
        "{small} of {}",
        outcomes.len()
    );
    assert!(covered(&outcomes) > 0.94, "{}", covered(&outcomes));
}

#[test]
fn what_is_stated_covers_the_error_of_poor_recorders_too() {
    let code = 360.0 / 4096.0;
    for recorder in [
        Recorder {
            step_deg: code,
            ..GOOD
        },
        Recorder {
            step_deg: code,
            noise_deg: 0.0,
            ..GOOD
        },
        Recorder {
            step_deg: 0.1,
            rate_hz: 500.0,
            ..GOOD
        },
        Recorder {
            step_deg: 0.5,
            ..GOOD
        },
        Recorder {
            rate_hz: 250.0,
            step_deg: code,
            ..GOOD
        },
        Recorder {
            rate_hz: 100.0,
            ..GOOD
        },
        Recorder {
            rate_hz: 100.0,
            step_deg: code,
            ..GOOD
        },
        Recorder {
            jitter: 0.8,
            missing: 0.05,
            spikes: 0.005,
            ..GOOD
        },
        Recorder {
            noise_deg: 0.15,
            ..GOOD
        },
    ] {
        let outcomes = all(HEALTHY, recorder, 2);
        assert!(
            covered(&outcomes) > 0.93,
            "{recorder:?}: {}",
            covered(&outcomes)
        );
    }
}

#[test]
fn faulty_stops_are_measured_as_well_as_healthy_ones() {
    for condition in [
        Condition {
            torque: 0.45,
            ..HEALTHY
        },
        Condition {
            exhaust: 2.0,
            ..HEALTHY
        },
        Condition {
            counterbalance: 0.0,
            ..HEALTHY
        },
        Condition {
            torque: 0.7,
            exhaust: 1.5,
            counterbalance: 0.8,
            ..HEALTHY
        },
    ] {
        for (name, spm) in [
            ("B", 85.0),
            ("C", 40.0),
            ("E", 70.0),
            ("F", 100.0),
            ("G", 120.0),
        ] {
            for at in [At::Top, At::Deg(90.0)] {
                let outcome = record(&press(name), spm, at, condition, GOOD, 6);
                let bias_ms = outcome.bias_ms;
                assert!(
                    bias_ms.abs() < 1.0,
                    "{condition:?} {}: bias {bias_ms:.2}",
                    outcome.label
                );
                assert!(outcome.covered > 0.6, "{condition:?} {outcome:?}");
            }
        }
    }
}

/// Wind-up of the drive swings the crank for some 50 ms after it has come to rest. The stop ended
/// when the crank first stood still.
#[test]
fn a_swing_after_the_stop_does_not_lengthen_it() {
    for (name, spm) in [("B", 85.0), ("C", 40.0), ("E", 55.0), ("G", 120.0)] {
        let swung = Condition {
            swing_deg: 0.3,
            ..HEALTHY
        };
        let outcome = record(&press(name), spm, At::Top, swung, GOOD, 8);
        assert!(
            outcome.bias_ms.abs() < 1.5,
            "{}: {:.2} ms",
            outcome.label,
            outcome.bias_ms
        );
        let swings = |stop: &RecordedStop| stop.remarks.iter().any(|text| text.contains("swings"));
        let told = outcome.stops.iter().filter(|stop| swings(stop)).count();
        assert_eq!(told, outcome.stops.len(), "{}", outcome.label);
    }
}

/// Reaction and braking against the two parts a press has by its construction: the brake time is
/// inertia times speed over brake and friction torque together.
#[test]
fn reaction_and_braking_are_those_of_the_press() {
    for (name, spm, braking_ms) in [
        ("B", 85.0, 85.0),
        ("C", 40.0, 108.0),
        ("E", 70.0, 95.0),
        ("G", 150.0, 124.0),
        ("F", 100.0, 179.0),
    ] {
        let outcome = record(&press(name), spm, At::Top, HEALTHY, GOOD, 8);
        for stop in &outcome.stops {
            assert!(
                (stop.braking_ms - braking_ms).abs() < 0.08 * braking_ms,
                "{name}: {stop:?}"
            );
            assert!((stop.reaction_ms + stop.braking_ms - stop.time_ms).abs() < 1e-9);
        }
    }
}

/// The table of the document, freshly measured: `cargo test -p stopwright-tests --test study
/// print_the_table -- --ignored --nocapture`.
#[test]
#[ignore = "prints the table for the document"]
fn print_the_table() {
    for outcome in all(HEALTHY, GOOD, 16) {
        println!("{}", outcome.row());
    }
}
