//! A brake that wears away under a compensation that keeps the slide at the top.

use crate::run::{PRESSES, Production, Stroke};
use stopwright_core::fault::FaultCode;

/// The brake loses this much of its torque with each stroke.
const WEAR_A_STROKE: f64 = 0.006;
const STROKES_MAX: u32 = 120;

/// Strokes of a wearing brake until something latches.
fn wear(letter: &str) -> (Production, Vec<Stroke>) {
    let mut production = Production::new(letter);
    let mut strokes: Vec<Stroke> = Vec::new();
    for number in 0..STROKES_MAX {
        production.set_brake(1.0 - WEAR_A_STROKE * f64::from(number));
        strokes.push(production.stroke());
        if strokes.last().is_some_and(|it| !it.latched.is_empty()) {
            return (production, strokes);
        }
    }
    panic!("press {letter}: nothing has latched after {STROKES_MAX} strokes")
}

#[test]
fn a_wearing_brake_is_warned_of_at_half_and_latched_at_the_bound_or_the_limit() {
    for letter in PRESSES {
        let (production, strokes) = wear(letter);
        let (early_deg, late_deg) = production.bounds_deg();
        for stroke in &strokes {
            let offset_deg = stroke.offset_deg;
            assert!(
                (early_deg - 1e-6..=late_deg + 1e-6).contains(&offset_deg),
                "press {letter}: {offset_deg}"
            );
            let used = match offset_deg < 0.0 {
                true => offset_deg / early_deg,
                false => offset_deg / late_deg,
            };
            let shown = f64::from(stroke.authority_percent) / 100.0;
            assert!(
                (used - shown).abs() <= 0.01,
                "press {letter}: {used} {shown}"
            );
            let is_half = offset_deg <= early_deg / 2.0;
            let is_warned = stroke.advice.contains(FaultCode::CompensationHalf);
            assert!(is_warned || !is_half, "press {letter}: {offset_deg}");
        }
        let shown: Vec<u8> = strokes.iter().map(|it| it.authority_percent).collect();
        let (begin, end) = (shown[0], shown[shown.len() - 1]);
        let last = &strokes[strokes.len() - 1];
        let codes: Vec<_> = last.latched.iter().collect();
        println!(
            "press {letter}: {} strokes, authority {begin} to {end} %, offset {:.2} of {early_deg:.2} degrees, {codes:?}",
            strokes.len(),
            last.offset_deg,
        );
        assert!(end >= 50 && end > begin, "press {letter}: {shown:?}");
        let half = strokes
            .iter()
            .position(|it| it.advice.contains(FaultCode::CompensationHalf));
        assert!(
            half.is_some_and(|it| it < strokes.len() - 1),
            "press {letter}"
        );
        let ends = [
            FaultCode::CompensationBound,
            FaultCode::StopTimeExceeded,
            FaultCode::StopTravelExceeded,
        ];
        assert!(
            ends.iter().any(|&it| last.latched.contains(it)),
            "press {letter}: {codes:?}"
        );
        let at_the_bound = last.offset_deg <= early_deg + 1e-6;
        let bound = last.latched.contains(FaultCode::CompensationBound);
        assert_eq!(at_the_bound, bound, "press {letter}");
    }
}

#[test]
fn the_stop_that_crosses_the_latch_limit_is_latched_while_it_runs() {
    for letter in PRESSES {
        let mut production = Production::new(letter);
        for _ in 0..3 {
            let stroke = production.stroke();
            assert!(stroke.latched.is_empty(), "press {letter}");
        }
        // Braking is the longer part of a stop: at 60 % of its torque every limit is passed.
        production.set_brake(0.6);
        let stroke = production.stroke();
        let latched_s = stroke.latched_s.expect("a latch of the stop");
        let standstill_s = stroke.truth.standstill_s;
        println!(
            "press {letter}: latched {:.1} ms before standstill, {:.1} ms after coil off",
            (standstill_s - latched_s) * 1e3,
            (latched_s - stroke.truth.coil_off_s) * 1e3
        );
        assert!(latched_s < standstill_s, "press {letter}");
    }
}
