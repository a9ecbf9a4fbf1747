//! Presses that the file allows and nobody builds: an answer or an error, never a panic.

use crate::support::{options, press};
use stopwright::press::Press;
use stopwright::rehearse::{RehearsalError, Watch, rehearse};

struct Unwatched;

impl Watch for Unwatched {
    fn step(&mut self, _: &str, _: u32) {}
    fn tick(&mut self) {}
    fn caution(&mut self, _: &str, _: &str) {}
}

/// The exit status of the rehearsal of press B with something changed.
fn rehearsed(change: impl Fn(&mut Press)) -> Result<u8, RehearsalError> {
    let mut press = press("B");
    change(&mut press);
    let mut options = options(&press);
    options.stops = 10;
    let done = rehearse(&options, &mut Unwatched)?;
    Ok(done.record.verdict.exit_status)
}

#[test]
fn a_press_that_does_not_come_to_speed_or_to_a_stop_is_an_error_that_names_the_step() {
    for (step, outcome) in [
        (
            "starting the motor",
            rehearsed(|press| press.motor.power_kw = 0.1),
        ),
        (
            "release angle",
            rehearsed(|press| press.air.shift_on_ms = 200.0),
        ),
        (
            "release angle",
            rehearsed(|press| press.masses.slide_kg = 200_000.0),
        ),
    ] {
        let told = outcome.expect_err("no verdict").to_string();
        assert!(told.contains(step), "{step:?} is not in {told:?}");
    }
}

#[test]
fn a_heavy_crank_is_answered() {
    assert_ne!(
        rehearsed(|press| press.masses.crank_kg_m2 = 1e5).ok(),
        Some(0)
    );
}

#[test]
fn the_heaviest_crank_the_file_allows_is_answered() {
    assert_ne!(
        rehearsed(|press| press.masses.crank_kg_m2 = 1e6).ok(),
        Some(0)
    );
}
