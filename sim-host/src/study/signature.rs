//! A stop as a curve for a plot.

use super::approach::Approach;
use super::polynomial;
use super::recording::Recording;
use super::{DEG_S_PER_SPM, SignaturePoint};

/// Seconds shown before the command and after standstill.
const BEFORE_S: f64 = 0.03;
const AFTER_S: f64 = 0.06;
/// Points at the most.
const POINTS: usize = 300;
/// Speed is taken over a time in which its scatter is this share of the speed at the command, within
/// bounds that leave the shape of the curve.
const SCATTER_SHARE: f64 = 0.02;
const SPAN_S: std::ops::RangeInclusive<f64> = 0.004..=0.02;

/// From shortly before the command at `command_s` to shortly after standstill.
pub(super) fn signature(
    recording: &Recording,
    command_s: f64,
    standstill_s: f64,
    approach: &Approach,
) -> Vec<SignaturePoint> {
    let span_s = span_s(recording, approach.speed_deg_s);
    let reach = ((span_s / 2.0 / recording.sample_period_s).round() as usize).max(1);
    let (from, to) = (-BEFORE_S, standstill_s + AFTER_S);
    // Wider than shown, so that the ends are as smooth as the rest.
    let samples = recording.samples_after(command_s, from - span_s, to + span_s);
    let stride = samples.len().div_ceil(POINTS).max(1);
    let point = |(at, &(time, deg)): (usize, &(f64, f64))| {
        let near = samples.get(at.saturating_sub(reach)..samples.len().min(at + reach + 1))?;
        (near.len() > 1 && (from..=to).contains(&time)).then(|| SignaturePoint {
            t_ms: time * 1e3,
            travel_deg: deg - approach.deg,
            speed_spm: polynomial::slope(near) / DEG_S_PER_SPM,
        })
    };
    samples
        .iter()
        .enumerate()
        .step_by(stride)
        .filter_map(point)
        .collect()
}

/// Slope of a line through samples over a time w: sigma = noise · √(12 · period) / w^1.5.
fn span_s(recording: &Recording, speed_deg_s: f64) -> f64 {
    let scatter = recording.noise_deg * (12.0 * recording.sample_period_s).sqrt();
    let wanted = (scatter / (SCATTER_SHARE * speed_deg_s)).powf(2.0 / 3.0);
    wanted.clamp(*SPAN_S.start(), *SPAN_S.end())
}
