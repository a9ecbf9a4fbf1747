//! The stop matrix: command position by speed by brake condition, `n` stops in each cell.

use crate::bench::{Bench, MeasuredStop};
use crate::operator::Trouble;
use crate::press::Press;
use crate::rehearse::Watch;
use crate::statistics::rest::{RestCriterion, RestJudgement, RestVerdict};
use crate::units;

/// Mid-stroke stops are commanded here: where OSHA 1910.217(c)(3)(iii)(e) has the stopping time
/// measured.
pub(super) const MID_STROKE_DEG: f64 = 90.0;
/// Top stops at one speed after which a rest criterion that is still open stays open.
const TOP_STOPS_MAX: usize = 400;
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

/// What the record says about the warm cells.
pub(super) fn warm_note(press: &Press) -> String {
    format!(
        "Warm cells: the brake was brought to its steady temperature at {:.0} stops a minute by the \
         heat model alone; no stroke was simulated meanwhile and nothing wore.",
        press.brake.stops_per_minute
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

/// Brings the brake to the temperature of a cell: the stops just made do not count.
pub(super) fn temper(bench: &mut Bench, press: &Press, is_warm: bool) {
    let rate = if is_warm {
        press.brake.stops_per_minute
    } else {
        0.0
    };
    bench.plant_mut().temper(rate);
}

/// Measures `n` stops in every cell at one speed, and more top stops where so few do not settle
/// whether the rest criterion holds.
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
            let mut cell = Cell {
                key,
                brake_c: 0.0,
                stops: Vec::new(),
            };
            watch.step(&format!("stops, {}", key.id()), n);
            add_stops(bench, press, &mut cell, n, watch)?;
            cells.push(cell);
        }
    }
    settle_rest(bench, press, &mut cells, n, watch)?;
    temper(bench, press, false);
    Ok(cells)
}

/// Makes the top stops again, at a release angle that has been corrected since.
pub(super) fn measure_top_again(
    bench: &mut Bench,
    press: &Press,
    cells: &mut [Cell],
    n: u32,
    watch: &mut dyn Watch,
) -> Result<(), Trouble> {
    for cell in cells
        .iter_mut()
        .filter(|cell| cell.key.command_deg.is_none())
    {
        cell.stops.clear();
        watch.step(&format!("stops again, {}", cell.key.id()), n);
        add_stops(bench, press, cell, n, watch)?;
    }
    settle_rest(bench, press, cells, n, watch)?;
    temper(bench, press, false);
    Ok(())
}

/// More top stops while so few do not settle the rest criterion.
fn settle_rest(
    bench: &mut Bench,
    press: &Press,
    cells: &mut [Cell],
    n: u32,
    watch: &mut dyn Watch,
) -> Result<(), Trouble> {
    while let Some(missing) = top_stops_missing(cells) {
        for cell in cells
            .iter_mut()
            .filter(|cell| cell.key.command_deg.is_none())
        {
            let more = missing.clamp(n, 4 * n);
            watch.step(&format!("more stops, {}", cell.key.id()), more);
            add_stops(bench, press, cell, more, watch)?;
        }
    }
    Ok(())
}

/// By how much the release angle should move; none when the mean rest is near enough.
pub(super) fn off_target_deg(cells: &[Cell]) -> Option<f64> {
    match judge_rest(cells)?.verdict {
        RestVerdict::MoveRelease { by_deg } => Some(by_deg),
        _ => None,
    }
}

fn judge_rest(cells: &[Cell]) -> Option<RestJudgement> {
    let rests: Vec<f64> = top_stops(cells)
        .map(|stop| units::angle_deg(stop.record.rest_angle))
        .collect();
    RestCriterion::default().judge(&rests).ok()
}

/// The top stops of all cells.
pub(super) fn top_stops(cells: &[Cell]) -> impl Iterator<Item = &MeasuredStop> {
    cells
        .iter()
        .filter(|cell| cell.key.command_deg.is_none())
        .flat_map(|cell| &cell.stops)
}

/// How many more top stops a cell would need to show that the rest criterion holds; none when it
/// is settled, or beyond what is worth making.
fn top_stops_missing(cells: &[Cell]) -> Option<u32> {
    let judgement = judge_rest(cells)?;
    match judgement.verdict {
        RestVerdict::NotShown {
            stops_needed: Some(needed),
        } if judgement.stops < TOP_STOPS_MAX => {
            Some((needed.saturating_sub(judgement.stops) as u32).div_ceil(2))
        }
        _ => None,
    }
}

fn add_stops(
    bench: &mut Bench,
    press: &Press,
    cell: &mut Cell,
    n: u32,
    watch: &mut dyn Watch,
) -> Result<(), Trouble> {
    for _ in 0..n {
        temper(bench, press, cell.key.is_warm);
        cell.brake_c = bench.plant().brake_temperature_c();
        cell.stops.push(bench.test_stroke(cell.key.command_deg)?);
        watch.tick();
    }
    Ok(())
}
