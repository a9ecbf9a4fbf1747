//! A stop as a curve for a plot.

use super::polynomial;
use super::{DEG_S_PER_SPM, SignaturePoint};

/// Seconds shown before the command and after standstill.
pub(super) const BEFORE_S: f64 = 0.03;
pub(super) const AFTER_S: f64 = 0.06;
/// Points at the most.
const POINTS: usize = 300;
/// Speed is taken over this time to either side.
const REACH_S: f64 = 0.003;

/// From samples (time after the command, continuous angle) and the angle at the command.
pub(super) fn signature(
    samples: &[(f64, f64)],
    command_deg: f64,
    period_s: f64,
) -> Vec<SignaturePoint> {
    let reach = ((REACH_S / period_s).round() as usize).clamp(1, 400);
    let stride = samples.len().div_ceil(POINTS).max(1);
    let shown = samples.iter().enumerate().step_by(stride);
    let point = |(at, &(time, deg)): (usize, &(f64, f64))| {
        let near = samples.get(at.saturating_sub(reach)..samples.len().min(at + reach + 1))?;
        (near.len() > 1).then(|| SignaturePoint {
            t_ms: time * 1e3,
            travel_deg: deg - command_deg,
            speed_spm: polynomial::slope(near) / DEG_S_PER_SPM,
        })
    };
    shown.filter_map(point).collect()
}
