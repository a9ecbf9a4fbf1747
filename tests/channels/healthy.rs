//! What is healthy trips nothing: every built-in press, each of its speeds.

use crate::commissioned;
use crate::pair::{Pair, schema};
use std::sync::Mutex;
use stopwright::press::{LETTERS, Press};
use stopwright_core::stroke::Mode;

/// Speeds of a press, each once.
fn speeds(press: &Press) -> Vec<f64> {
    let speed = &press.speed;
    let mut all = vec![speed.min_spm, speed.nominal_spm, speed.max_spm];
    all.dedup();
    all
}

/// Where the settings were commissioned that this speed is run with.
fn commissioned_spm(press: &Press, spm: f64) -> f64 {
    match commissioned::allows_single_strokes(press, spm) {
        true => spm,
        false => press.speed.min_spm,
    }
}

fn pair(press: &Press, spm: f64) -> Pair {
    let mut schema = schema(press, commissioned_spm(press, spm));
    schema.stop.mid_stroke = commissioned::mid_stroke_limits(press, spm);
    let mut pair = Pair::new(press, spm, [schema; 2], 3);
    pair.power_up(Mode::Off);
    pair
}

#[track_caller]
fn must_be_healthy(pair: &Pair, what: &str) {
    assert!(pair.is_healthy(), "{what}: {}", pair.told());
}

fn single_strokes(pair: &mut Pair, what: &str) {
    pair.select(Mode::Single);
    for _ in 0..2 {
        pair.start();
        pair.until_rest();
        must_be_healthy(pair, what);
        pair.hands(false);
        pair.run_ms(300);
        must_be_healthy(pair, what);
    }
}

fn emergency_stop_in_continuous(pair: &mut Pair, what: &str) {
    pair.select(Mode::Continuous);
    pair.start_continuous();
    pair.until_angle(20.0);
    pair.until_angle(80.0);
    must_be_healthy(pair, what);
    pair.panel.emergency_operated = true;
    pair.until_rest();
    pair.run_ms(300);
    must_be_healthy(pair, what);
}

/// Two runs, each ended by a top stop asked for in mid-stroke, each from the top. The rests of press F
/// scatter by 6 degrees: it may rest past the window, which is no fault either.
fn continuous_top_stops(press: &Press, spm: f64, what: &str) {
    let within_deg = if press.name.contains('F') { 15.0 } else { 5.0 };
    for ask_deg in [100.0, 230.0] {
        let mut pair = pair(press, spm);
        pair.select(Mode::Continuous);
        pair.start_continuous();
        pair.until_angle(20.0);
        pair.until_angle(ask_deg);
        pair.panel.top_stop_pressed = true;
        pair.run_ms(20);
        pair.panel.top_stop_pressed = false;
        pair.until_rest();
        pair.run_ms(300);
        must_be_healthy(&pair, what);
        let rest_deg = pair.plant.state().angle_rad.to_degrees();
        let past_top_deg = (rest_deg + 180.0).rem_euclid(360.0) - 180.0;
        assert!(
            past_top_deg.abs() < within_deg,
            "{what}: at {past_top_deg} degrees"
        );
    }
}

fn one_speed(letter: &str, spm: f64) {
    let press = Press::builtin(letter).expect("a built-in press");
    let what = format!("press {letter} at {spm} SPM");
    let mut pair = pair(&press, spm);
    if commissioned::allows_single_strokes(&press, spm) {
        single_strokes(&mut pair, &what);
        continuous_top_stops(&press, spm, &what);
    }
    emergency_stop_in_continuous(&mut pair, &what);
}

#[test]
fn no_healthy_press_at_any_of_its_speeds_trips_two_channels() {
    let mut all = Vec::new();
    for letter in LETTERS {
        let press = Press::builtin(letter).expect("a built-in press");
        all.extend(speeds(&press).into_iter().map(|spm| (letter, spm)));
    }
    assert!(all.len() >= LETTERS.len());
    let left = Mutex::new(all);
    let work = || {
        while let Some((letter, spm)) = { left.lock().expect("no panic").pop() } {
            one_speed(letter, spm);
        }
    };
    std::thread::scope(|scope| {
        scope.spawn(work);
        scope.spawn(work);
    });
}

/// A hand let go while one channel has taken over and the other, half a degree behind, has not.
#[test]
fn a_hand_let_go_about_the_take_over_is_no_disagreement() {
    let press = Press::builtin("D").expect("a built-in press");
    let (mut gone_on, mut cut_short) = (0, 0);
    for early_ms in 0..24 {
        let mut pair = pair(&press, press.speed.nominal_spm);
        pair.select(Mode::Single);
        pair.start();
        pair.until_angle(178.5);
        pair.run_ms(early_ms);
        pair.hands(false);
        pair.until_rest();
        pair.run_ms(300);
        must_be_healthy(&pair, &format!("let go {early_ms} ms after 178.5 degrees"));
        match pair.plant.state().angle_rad.to_degrees() > 300.0 {
            true => gone_on += 1,
            false => cut_short += 1,
        }
    }
    assert!(gone_on > 0 && cut_short > 0, "{gone_on}, {cut_short}");
}
