//! What the rehearsal measured against what the simulated press did.

use crate::support::{all, nothing_in, signed_deg};
use stopwright::record::Stop;

/// Stopping time, ms: mean of all stops of a press, and each. The project's own demand.
const TIME_BIAS_MS: f64 = 1.5;
const TIME_EACH_MS: f64 = 4.0;
/// Stopping travel beyond the sensor's own error, degrees. Press A moves a degree in a
/// millisecond at full speed.
const TRAVEL_DEG: f64 = 0.3;
const TRAVEL_DEG_PRESS_A: f64 = 1.0;
/// Noise of one angle counts threefold: travel is the difference of two.
const NOISE_SIGMAS: f64 = 3.0;

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn worst(values: &[f64]) -> f64 {
    values
        .iter()
        .fold(0.0, |worst, value| worst.max(value.abs()))
}

/// Measured less true, over all stops of a record.
fn errors(stops: &[Stop], of: fn(&Stop) -> Option<f64>) -> Vec<f64> {
    let errors: Vec<f64> = stops.iter().filter_map(of).collect();
    assert_eq!(errors.len(), stops.len(), "a stop without its truth");
    assert!(errors.len() >= 40, "only {} stops", errors.len());
    errors
}

#[test]
fn stopping_times_are_those_of_the_plant() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        let errors = errors(&run.record().stop_matrix.stops, |stop| {
            Some(stop.time_ms - stop.truth.as_ref()?.time_ms)
        });
        let (bias, worst) = (mean(&errors), worst(&errors));
        println!("{letter}: bias {bias:.2} ms, worst {worst:.2} ms");
        if bias.abs() > TIME_BIAS_MS || worst > TIME_EACH_MS {
            wrong.push(format!("{letter}: bias {bias:.2} ms, worst {worst:.2} ms"));
        }
    }
    nothing_in(&wrong);
}

#[test]
fn stopping_travels_are_those_of_the_plant() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        let errors = errors(&run.record().stop_matrix.stops, |stop| {
            Some(stop.travel_deg - stop.truth.as_ref()?.travel_deg)
        });
        let noise = run
            .record()
            .signal_check
            .as_ref()
            .expect("a check")
            .noise_deg;
        let allowed = match letter {
            "A" => TRAVEL_DEG_PRESS_A,
            _ => TRAVEL_DEG + run.press.resolver.lash_deg + NOISE_SIGMAS * noise,
        };
        let worst = worst(&errors);
        println!("{letter}: worst {worst:.3} of {allowed:.3} degrees");
        if worst > allowed {
            wrong.push(format!("{letter}: {worst:.3} of {allowed:.3} degrees"));
        }
    }
    nothing_in(&wrong);
}

#[test]
fn the_accuracy_in_the_record_is_that_of_its_stops() {
    for (letter, run) in all() {
        let matrix = &run.record().stop_matrix;
        let accuracy = matrix.accuracy.as_ref().expect("truth is known");
        let times = errors(&matrix.stops, |stop| {
            Some(stop.time_ms - stop.truth.as_ref()?.time_ms)
        });
        let travels = errors(&matrix.stops, |stop| {
            Some(stop.travel_deg - stop.truth.as_ref()?.travel_deg)
        });
        let shown = [
            accuracy.time_bias_ms,
            accuracy.time_error_worst_ms.abs(),
            accuracy.travel_bias_deg,
            accuracy.travel_error_worst_deg.abs(),
        ];
        let here = [mean(&times), worst(&times), mean(&travels), worst(&travels)];
        let differs = shown.iter().zip(here).any(|(a, b)| (a - b).abs() > 1e-9);
        assert!(!differs, "{letter}: {shown:?} {here:?}");
        assert_eq!(accuracy.n as usize, matrix.stops.len(), "{letter}");
    }
}

#[test]
fn the_zero_is_found_within_its_stated_certainty() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        let zero = run.record().zero_capture.as_ref().expect("a capture");
        let truth = zero.truth_zero_offset_deg.expect("truth is known");
        let error = signed_deg(zero.zero_offset_deg - truth).abs();
        println!("{letter}: {error:.3} of {:.3} degrees", zero.certainty_deg);
        // A certainty wide enough for anything would hold too: half the lash, and what a dial
        // reads at the height of the bisection.
        let useful = zero.certainty_deg <= run.press.resolver.lash_deg / 2.0 + 0.2;
        if error > zero.certainty_deg || !useful || !zero.pass {
            wrong.push(format!("{letter}: {error:.3} of {:.3}", zero.certainty_deg));
        }
    }
    nothing_in(&wrong);
}

/// In at most three corrections, and then near the target by the mean of the stops that follow.
#[test]
fn the_release_angle_is_found_in_at_most_three_corrections() {
    let mut wrong = Vec::new();
    for (letter, run) in all() {
        for top in &run.record().top_stops {
            let last = top.search.last().expect("a search");
            let corrections: Vec<u32> = top.search.iter().map(|step| step.correction).collect();
            let counted: Vec<u32> = (0..top.search.len() as u32).collect();
            let scatter = 3.0 * last.rest_sd_deg.unwrap_or(0.0) / f64::from(last.n).sqrt();
            let off = (last.rest_mean_deg - top.target_deg).abs();
            let is_near = off <= 1.0 + scatter;
            println!(
                "{letter} {}: {corrections:?}, {off:.2} degrees",
                top.speed_spm
            );
            if corrections != counted || last.correction > 3 || !is_near {
                wrong.push(format!("{letter} at {}: {:?}", top.speed_spm, top.search));
            }
        }
    }
    nothing_in(&wrong);
}

/// The press as it is commissioned: every stroke of the compensation releases inside its bounds,
/// rests in the window, and the share of the bounds that it says it used is what it used.
#[test]
fn the_compensation_holds_the_top_inside_its_bounds() {
    let (mut wrong, mut held) = (Vec::new(), 0);
    for (letter, run) in all() {
        for top in &run.record().top_stops {
            let (Some(hold), Some(release_deg)) = (&top.hold, top.release_deg) else {
                continue;
            };
            held += 1;
            assert!(hold.strokes.len() >= 20, "{letter}");
            // A stop command goes out at a microsecond within its tick; the angle of it is read
            // with the sensor's noise.
            let reading_deg = 0.15;
            for stroke in &hold.strokes {
                let later = signed_deg(stroke.release_deg - release_deg);
                let is_inside = later <= hold.authority_late_deg + reading_deg
                    && -later <= hold.authority_early_deg + reading_deg;
                let rests = stroke.rest_deg - top.target_deg;
                let is_at_top = -top.window.short_deg <= rests && rests <= top.window.past_deg;
                if !is_inside || !is_at_top {
                    wrong.push(format!("{letter} at {}: {stroke:?}", top.speed_spm));
                }
            }
            if !(0.0..1.0).contains(&hold.authority_used_ratio) {
                wrong.push(format!("{letter}: used {}", hold.authority_used_ratio));
            }
        }
    }
    nothing_in(&wrong);
    assert!(held >= 6, "only {held} presses held");
}
