//! The release angle: found by a supervised search, then held by the bounded compensation.

use crate::bench::Bench;
use crate::limits::release::next_release_deg;
use crate::operator::Trouble;
use crate::press::Press;
use crate::record::{CompensationHold, HoldStroke, SearchStep};
use crate::rehearse::{Watch, matrix};
use crate::statistics::Summary;
use crate::units;
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::stop_time::StopRecord;
use stopwright_core::top_stop;

/// Corrections at most: travel hardly changes from one stop to the next, so one or two do it, and
/// a third says that something else is wrong.
pub(super) const CORRECTIONS_MAX: u32 = 3;
/// Stops behind each mean, half of them with the brake cold and half warm, so that the angle found
/// lies between the two; three at least, or scatter is chased.
const STOPS_PER_MEAN: u32 = 12;
/// A mean rest this near to the target is left alone, degrees.
const NEAR_ENOUGH_DEG: f64 = 0.5;

/// The end of a search.
#[derive(Clone, Debug)]
pub(super) struct Found {
    pub(super) release_deg: f64,
    /// Mean crank speed at the release: what the release angle belongs to.
    pub(super) release_spm: f64,
    pub(super) steps: Vec<SearchStep>,
}

/// Searches the release angle at one speed, starting from what the data plate predicts. Release
/// angle and speed are taken as they were at the stops, not as they were set.
pub(super) fn search(
    bench: &mut Bench,
    press: &Press,
    schema: &mut Schema,
    start: top_stop::Config,
    watch: &mut dyn Watch,
) -> Result<Found, Trouble> {
    schema.top_stop = start;
    let mut steps: Vec<SearchStep> = Vec::new();
    loop {
        put_in_force(bench, schema)?;
        let (step, release_spm) = measure(bench, press, steps.len() as u32, watch)?;
        let scatter_of_mean = step.rest_sd_deg.unwrap_or(0.0) / f64::from(step.n).sqrt();
        let is_near = step.rest_mean_deg.abs() <= NEAR_ENOUGH_DEG.max(scatter_of_mean);
        let (release_deg, rest_mean_deg) = (step.release_deg, step.rest_mean_deg);
        // The last correction is kept for the stop matrix, which knows the mean rest better.
        let is_last = step.correction + 1 >= CORRECTIONS_MAX;
        steps.push(step);
        schema.top_stop.release = units::angle(release_deg);
        schema.top_stop.speed = units::speed(release_spm);
        if is_near || is_last {
            return Ok(Found {
                release_deg,
                release_spm,
                steps,
            });
        }
        let target_deg = units::overrun_deg(schema.top_stop.target);
        let next_deg = next_release_deg(release_deg, rest_mean_deg, target_deg);
        schema.top_stop.release = units::angle(next_deg);
    }
}

/// Whether a correction is left.
pub(super) fn may_correct(found: &Found) -> bool {
    found
        .steps
        .last()
        .is_some_and(|step| step.correction < CORRECTIONS_MAX)
}

/// One more correction, by what the stop matrix says.
pub(super) fn correct(
    bench: &mut Bench,
    schema: &mut Schema,
    found: &mut Found,
    cells: &[matrix::Cell],
    by_deg: f64,
) -> Result<(), Trouble> {
    let of = |value: fn(&StopRecord) -> f64| -> Vec<f64> {
        matrix::top_stops(cells)
            .map(|stop| value(&stop.record))
            .collect()
    };
    let rests = of(|record| units::overrun_deg(record.rest_angle));
    let releases = of(|record| units::angle_deg(record.command_angle));
    let speeds = of(|record| units::speed_spm(record.speed));
    let correction = found.steps.last().map_or(0, |step| step.correction) + 1;
    found.release_deg = mean(&releases) + by_deg;
    found.release_spm = mean(&speeds);
    found.steps.push(SearchStep {
        correction,
        release_deg: mean(&releases),
        n: rests.len() as u32,
        rest_mean_deg: mean(&rests),
        rest_sd_deg: Summary::of(&rests).ok().map(|summary| summary.deviation),
    });
    schema.top_stop.release = units::angle(found.release_deg);
    schema.top_stop.speed = units::speed(found.release_spm);
    put_in_force(bench, schema)
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
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
    press: &Press,
    correction: u32,
    watch: &mut dyn Watch,
) -> Result<(SearchStep, f64), Trouble> {
    let (mut rests, mut releases, mut speeds) = (Vec::new(), Vec::new(), Vec::new());
    for number in 0..STOPS_PER_MEAN {
        matrix::temper(bench, press, number % 2 == 1);
        let stop = bench.test_stroke(None)?.record;
        rests.push(units::overrun_deg(stop.rest_angle));
        releases.push(units::angle_deg(stop.command_angle));
        speeds.push(units::speed_spm(stop.speed));
        watch.tick();
    }
    let step = SearchStep {
        correction,
        release_deg: mean(&releases),
        n: STOPS_PER_MEAN,
        rest_mean_deg: mean(&rests),
        rest_sd_deg: Summary::of(&rests).ok().map(|summary| summary.deviation),
    };
    Ok((step, mean(&speeds)))
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
