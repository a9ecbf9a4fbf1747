//! Checks of the stroke logic under the commissioned settings: what hands, curtain, stop controls
//! and selector must and must not do.

use crate::bench::Bench;
use crate::operator::Trouble;
use crate::record::FunctionCheck;
use crate::units;
use stopwright_core::stroke::{Mode, Stroke};

const PATIENCE_MS: u32 = 20_000;

type Check = fn(&mut Bench) -> Result<Result<String, String>, Trouble>;

struct Plan {
    name: &'static str,
    expected: &'static str,
    check: Check,
}

const PLANS: [Plan; 9] = [
    Plan {
        name: "anti-repeat",
        expected: "one stroke while both hands stay down",
        check: anti_repeat,
    },
    Plan {
        name: "second hand late",
        expected: "no stroke when the second hand follows after 0.6 s",
        check: second_hand_late,
    },
    Plan {
        name: "one hand tied down",
        expected: "no stroke by one hand alone",
        check: tied_down,
    },
    Plan {
        name: "hand released while closing",
        expected: "immediate stop; no stroke until every hand was released",
        check: hand_released,
    },
    Plan {
        name: "presence sensing while closing",
        expected: "immediate stop",
        check: presence_closing,
    },
    Plan {
        name: "presence sensing while opening",
        expected: "muted: the stroke goes on to the top",
        check: presence_opening,
    },
    Plan {
        name: "emergency stop while closing",
        expected: "immediate stop; reset does not start the press",
        check: emergency_stop,
    },
    Plan {
        name: "guard opened while closing",
        expected: "immediate stop; closing the guard does not start the press",
        check: guard_opened,
    },
    Plan {
        name: "mode changed in motion",
        expected: "immediate stop, then off",
        check: mode_changed,
    },
];

/// How many checks there are.
pub(super) const COUNT: u32 = PLANS.len() as u32;

/// Runs every check, each on a press of its own.
pub(super) fn run(
    fresh: &mut dyn FnMut() -> Result<Bench, Trouble>,
    mut each: impl FnMut(),
) -> Result<Vec<FunctionCheck>, Trouble> {
    let mut checks = Vec::new();
    for plan in &PLANS {
        let mut bench = fresh()?;
        bench.ready_at_top(Mode::Single)?;
        let (seen, pass) = match (plan.check)(&mut bench)? {
            Ok(seen) => (seen, true),
            Err(seen) => (seen, false),
        };
        let (name, expected) = (plan.name.to_owned(), plan.expected.to_owned());
        checks.push(FunctionCheck {
            name,
            expected,
            seen,
            pass,
        });
        each();
    }
    Ok(checks)
}

/// Seen as expected when `holds`.
fn verdict(holds: bool, seen: String) -> Result<String, String> {
    if holds { Ok(seen) } else { Err(seen) }
}

/// How often the valve goes on within `ms`.
fn starts_within(bench: &mut Bench, ms: u32) -> u32 {
    let mut was_on = bench.outputs().is_some_and(|outputs| outputs.valve.is_on);
    let mut starts = 0;
    for _ in 0..ms {
        let is_on = bench.tick().valve.is_on;
        starts += u32::from(is_on && !was_on);
        was_on = is_on;
    }
    starts
}

/// Starts a single stroke and runs it to `deg`.
fn run_to(bench: &mut Bench, deg: f64) -> Result<(), Trouble> {
    bench.press_both();
    let goal = units::angle(deg);
    bench.until(
        "the crank to reach the angle of the check",
        PATIENCE_MS,
        |outputs| {
            let ahead = outputs
                .position
                .trusted()
                .map(|seen| units::travel_deg(goal.offset_from(seen.angle())));
            ahead.is_some_and(|ahead| (-90.0..=0.0).contains(&ahead))
        },
    )
}

/// Ticks until the valve is off, and waits for rest.
fn stop_after(bench: &mut Bench) -> Result<u32, Trouble> {
    let mut ticks = 0;
    while bench.outputs().is_some_and(|outputs| outputs.valve.is_on) && ticks < PATIENCE_MS {
        bench.tick();
        ticks += 1;
    }
    bench.until("standstill", PATIENCE_MS, |outputs| {
        outputs.stroke.is_standing()
    })?;
    Ok(ticks)
}

fn anti_repeat(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    bench.press_both();
    let starts = starts_within(bench, PATIENCE_MS);
    Ok(verdict(
        starts == 1,
        format!(
            "{starts} stroke(s) in {} s with both hands down",
            PATIENCE_MS / 1_000
        ),
    ))
}

fn second_hand_late(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    bench.panel.left_pressed = true;
    let mut starts = starts_within(bench, 600);
    bench.panel.right_pressed = true;
    starts += starts_within(bench, 2_000);
    Ok(verdict(starts == 0, format!("{starts} stroke(s)")))
}

fn tied_down(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    bench.panel.left_pressed = true;
    let mut starts = starts_within(bench, 700);
    for _ in 0..5 {
        bench.panel.right_pressed = true;
        starts += starts_within(bench, 300);
        bench.panel.right_pressed = false;
        starts += starts_within(bench, 300);
    }
    Ok(verdict(
        starts == 0,
        format!("{starts} stroke(s) in five pulses of the other hand"),
    ))
}

fn hand_released(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    run_to(bench, 60.0)?;
    bench.panel.left_pressed = false;
    let ticks = stop_after(bench)?;
    // The hand comes back while the other never left: nothing may start.
    bench.panel.left_pressed = true;
    let starts = starts_within(bench, 1_000);
    Ok(verdict(
        ticks <= 5 && starts == 0,
        format!("valve off after {ticks} ms; {starts} start(s) by the hand coming back"),
    ))
}

fn presence_closing(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    run_to(bench, 60.0)?;
    bench.panel.presence_blocked = true;
    let ticks = stop_after(bench)?;
    Ok(verdict(ticks <= 2, format!("valve off after {ticks} ms")))
}

fn presence_opening(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    if bench.index_switch_mut().is_some() {
        // Nothing is muted until the index has proven the angle: a stroke takes the crank past it.
        bench.single_stroke()?;
        bench.ready_at_top(Mode::Single)?;
    }
    run_to(bench, 200.0)?;
    bench.panel.presence_blocked = true;
    bench.run_ms(1);
    let goes_on = bench
        .outputs()
        .is_some_and(|outputs| outputs.valve.is_on && outputs.is_muted);
    bench.panel.presence_blocked = false;
    bench.until("standstill", PATIENCE_MS, |outputs| {
        outputs.stroke.is_standing()
    })?;
    let is_at_top = bench
        .outputs()
        .is_some_and(|outputs| outputs.stroke == Stroke::WaitRelease);
    let words = if goes_on { "went on" } else { "stopped" };
    Ok(verdict(
        goes_on && is_at_top,
        format!(
            "the stroke {words} and ended in {:?}",
            bench.outputs().map(|outputs| outputs.stroke)
        ),
    ))
}

fn emergency_stop(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    run_to(bench, 60.0)?;
    bench.panel.emergency_operated = true;
    let ticks = stop_after(bench)?;
    bench.panel.emergency_operated = false;
    let starts_before = starts_within(bench, 500);
    bench.let_go();
    bench.run_ms(100);
    bench.panel.reset = Some(stopwright_core::fault_latch::Standing::Operator);
    let starts = starts_before + starts_within(bench, 1_000);
    Ok(verdict(
        ticks <= 2 && starts == 0,
        format!("valve off after {ticks} ms; {starts} start(s) on reset"),
    ))
}

fn guard_opened(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    run_to(bench, 60.0)?;
    bench.panel.guard_open = true;
    let ticks = stop_after(bench)?;
    bench.panel.guard_open = false;
    let starts = starts_within(bench, 500);
    bench.let_go();
    Ok(verdict(
        ticks <= 2 && starts == 0,
        format!("valve off after {ticks} ms; {starts} start(s) as the guard closes"),
    ))
}

fn mode_changed(bench: &mut Bench) -> Result<Result<String, String>, Trouble> {
    run_to(bench, 60.0)?;
    bench.panel.mode = Mode::Inch;
    let ticks = stop_after(bench)?;
    let is_off = bench
        .outputs()
        .is_some_and(|outputs| outputs.stroke == Stroke::Off);
    Ok(verdict(
        ticks <= 2 && is_off,
        format!("valve off after {ticks} ms"),
    ))
}
