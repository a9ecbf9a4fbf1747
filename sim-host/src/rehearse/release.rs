//! The release angle: found by a supervised search, then held by the bounded compensation.

use crate::bench::Bench;
use crate::limits::release::next_release_deg;
use crate::operator::Trouble;
use crate::record::{CompensationHold, HoldStroke, SearchStep};
use crate::rehearse::Watch;
use crate::statistics::Summary;
use crate::units;
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::top_stop;

/// Corrections at most: travel hardly changes from one stop to the next, so one or two do it, and
/// a third says that something else is wrong.
pub(super) const CORRECTIONS_MAX: u32 = 3;
/// Stops behind each mean; three at least, or scatter is chased.
const STOPS_PER_MEAN: u32 = 8;
/// A mean rest this near to the target is left alone, degrees.
const NEAR_ENOUGH_DEG: f64 = 0.5;

/// The end of a search.
#[derive(Clone, Debug)]
pub(super) struct Found {
    pub(super) release_deg: f64,
    pub(super) steps: Vec<SearchStep>,
}

/// Searches the release angle at one speed, starting from what the data plate predicts.
pub(super) fn search(
    bench: &mut Bench,
    schema: &mut Schema,
    start: top_stop::Config,
    watch: &mut dyn Watch,
) -> Result<Found, Trouble> {
    schema.top_stop = start;
    let mut steps: Vec<SearchStep> = Vec::new();
    for correction in 0..=CORRECTIONS_MAX {
        let release_deg = units::angle_deg(schema.top_stop.release);
        put_in_force(bench, schema)?;
        let step = measure(bench, correction, release_deg, watch)?;
        let scatter_of_mean = step.rest_sd_deg.unwrap_or(0.0) / f64::from(step.n).sqrt();
        let is_near = step.rest_mean_deg.abs() <= NEAR_ENOUGH_DEG.max(scatter_of_mean);
        let rest_mean_deg = step.rest_mean_deg;
        steps.push(step);
        if is_near || correction == CORRECTIONS_MAX {
            break;
        }
        let target_deg = units::overrun_deg(schema.top_stop.target);
        let next_deg = next_release_deg(release_deg, rest_mean_deg, target_deg);
        schema.top_stop.release = units::angle(next_deg);
    }
    Ok(Found {
        release_deg: units::angle_deg(schema.top_stop.release),
        steps,
    })
}

/// Puts provisional settings in force.
pub(super) fn put_in_force(bench: &mut Bench, schema: &Schema) -> Result<(), Trouble> {
    let settings = Settings::try_new(*schema);
    let settings =
        settings.map_err(|_| bench.trouble("provisional settings that hold together"))?;
    bench.adopt(settings)
}

fn measure(
    bench: &mut Bench,
    correction: u32,
    release_deg: f64,
    watch: &mut dyn Watch,
) -> Result<SearchStep, Trouble> {
    let mut rests = Vec::new();
    for _ in 0..STOPS_PER_MEAN {
        let stop = bench.test_stroke(None)?;
        rests.push(units::overrun_deg(stop.record.rest_angle));
        watch.tick();
    }
    let summary = Summary::of(&rests).ok();
    Ok(SearchStep {
        correction,
        release_deg,
        n: STOPS_PER_MEAN,
        rest_mean_deg: summary.map_or(0.0, |summary| summary.mean),
        rest_sd_deg: summary.map(|summary| summary.deviation),
    })
}

/// Single strokes with the running compensation at work.
pub(super) fn hold(
    bench: &mut Bench,
    config: &top_stop::Config,
    strokes: u32,
    watch: &mut dyn Watch,
) -> Result<CompensationHold, Trouble> {
    let mut hold = CompensationHold {
        authority_early_deg: units::travel_deg(config.early_bound),
        authority_late_deg: units::travel_deg(config.late_bound),
        ..CompensationHold::default()
    };
    for stroke in 1..=strokes {
        let stop = bench.single_stroke()?;
        let used = bench
            .outputs()
            .map_or(0, |outputs| outputs.authority_percent);
        hold.authority_used_ratio = hold.authority_used_ratio.max(f64::from(used) / 100.0);
        hold.strokes.push(HoldStroke {
            stroke,
            release_deg: units::angle_deg(stop.record.command_angle),
            rest_deg: units::overrun_deg(stop.record.rest_angle),
        });
        watch.tick();
    }
    Ok(hold)
}
