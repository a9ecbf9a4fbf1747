//! The stop matrix: command position by speed by brake condition, `n` stops in each cell.

use crate::bench::{Bench, MeasuredStop};
use crate::operator::Trouble;
use crate::press::Press;
use crate::rehearse::Watch;

/// Mid-stroke stops are commanded here: where OSHA 1910.217(c)(3)(iii)(e) has the stopping time
/// measured.
pub(super) const MID_STROKE_DEG: f64 = 90.0;
/// A warm brake is soaked at this share of the highest rate of stops a full shift could ask for.
const SOAK_STOPS_PER_MINUTE: f64 = 20.0;
/// Long enough for any of the invented brakes to come to its steady temperature.
const SOAK_MINUTES: f64 = 240.0;
/// A flywheel this near to its speed has settled, share.
const SPEED_NEAR: f64 = 0.01;
/// Longest wait for it, ms.
const SPEED_PATIENCE_MS: u32 = 120_000;

/// Where in the stroke, how fast, how warm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct CellKey {
    /// `None` is the top stop.
    pub(super) command_deg: Option<f64>,
    pub(super) spm: f64,
    pub(super) is_warm: bool,
}

/// The stops of one cell.
#[derive(Clone, Debug)]
pub(super) struct Cell {
    pub(super) key: CellKey,
    pub(super) brake_c: f64,
    pub(super) stops: Vec<MeasuredStop>,
}

impl CellKey {
    /// Short and speakable: `top 85 SPM cold`.
    pub(super) fn id(&self) -> String {
        let place = self
            .command_deg
            .map_or("top".to_owned(), |deg| format!("{deg:.0} deg"));
        let brake = if self.is_warm { "warm" } else { "cold" };
        format!("{place} {:.0} SPM {brake}", self.spm)
    }
}

/// Rate of stops that a working day could ask of this press.
pub(super) fn soak_stops_per_minute(press: &Press) -> f64 {
    (press.speed.nominal_spm / 2.0).min(SOAK_STOPS_PER_MINUTE)
}

/// What the record says about the warm cells.
pub(super) fn warm_note(press: &Press) -> String {
    format!(
        "Warm cells: the brake was brought to its steady temperature by the heat model alone, at \
         {:.0} stops a minute for {:.0} minutes; no stroke was simulated meanwhile.",
        soak_stops_per_minute(press),
        SOAK_MINUTES
    )
}

/// Waits until the flywheel runs at `spm`, and a second more.
pub(super) fn wait_for_speed(bench: &mut Bench, spm: f64) -> Result<(), Trouble> {
    for _ in 0..SPEED_PATIENCE_MS {
        bench.tick();
        if (bench.plant().flywheel_spm() / spm - 1.0).abs() < SPEED_NEAR {
            bench.run_ms(1_000);
            return Ok(());
        }
    }
    Err(bench.trouble("the flywheel to come to its speed"))
}

/// Measures `n` stops in every cell at one speed.
pub(super) fn measure(
    bench: &mut Bench,
    press: &Press,
    spm: f64,
    n: u32,
    watch: &mut dyn Watch,
) -> Result<Vec<Cell>, Trouble> {
    let mut cells = Vec::new();
    for is_warm in [false, true] {
        for command_deg in [None, Some(MID_STROKE_DEG)] {
            let key = CellKey {
                command_deg,
                spm,
                is_warm,
            };
            watch.step(&format!("stops, {}", key.id()), n);
            cells.push(measure_cell(bench, press, key, n, watch)?);
        }
    }
    // Leave the brake as it was found.
    bench.plant_mut().soak(0.0, SOAK_MINUTES);
    Ok(cells)
}

fn measure_cell(
    bench: &mut Bench,
    press: &Press,
    key: CellKey,
    n: u32,
    watch: &mut dyn Watch,
) -> Result<Cell, Trouble> {
    let mut stops = Vec::new();
    let mut brake_c = 0.0;
    for _ in 0..n {
        // Each stop at the temperature the cell is about: the few it has just made do not count.
        bench.plant_mut().soak(0.0, SOAK_MINUTES);
        if key.is_warm {
            bench
                .plant_mut()
                .soak(soak_stops_per_minute(press), SOAK_MINUTES);
        }
        brake_c = bench.plant().brake_temperature_c();
        stops.push(bench.test_stroke(key.command_deg)?);
        watch.tick();
    }
    Ok(Cell {
        key,
        brake_c,
        stops,
    })
}
