//! What samples of a coded angle say about where the crank was.
//!
//! Where noise moves the code from sample to sample, the mean of many samples is true and each
//! sample counts. Where it does not, a code says only that the crank was somewhere within its step,
//! for as long as the code lasts; but the instant at which one code gives way to the next is the
//! instant at which the crank passed the border between them, and that is sharp. Which of the two
//! holds is seen where the crank rests: on one code, or on several.

use super::brake_curve::Point;
use super::motion::median;
use super::recording::Recording;

/// A rest of which more than this share shows one code is not moved by noise: noise of a quarter of
/// the step leaves it at most that often on one code.
const ONE_CODE_SHARE: f64 = 0.95;
/// A rest of which more than this share shows two codes may not be moved by noise.
const TWO_CODES_SHARE: f64 = 0.97;
/// Noise, in steps, that a code may hide: it moves the instants at which codes give way.
const HIDDEN_NOISE: f64 = 0.1;
/// Part of a command, at its end, in which the crank surely rests; and the fewest samples to tell.
const REST_SHARE: f64 = 0.4;
const REST_SAMPLES: usize = 12;
/// Samples to either side over which the crank is slow when it climbs fewer codes than a quarter of
/// them; fewest climbs that tell; and share of falls among them that is flicker.
const SLOW_REACH: usize = 8;
const CLIMBS_MIN: u32 = 6;
const FLICKER_SHARE: f64 = 0.3;
/// Errors of a code that noise does not move are not independent from sample to sample: so much
/// wider is their scatter taken.
const COHERENCE: f64 = 2.0;

/// The angle of a recording as it was coded.
#[derive(Clone, Copy, Debug)]
pub(super) struct Coding {
    noise_deg: f64,
    step_deg: f64,
    /// Noise does not move the code in most rests.
    is_still: bool,
}

impl Coding {
    pub(super) fn of(recording: &Recording) -> Self {
        let step_deg = recording.resolution_deg;
        let shares = recording.commands.iter().filter_map(|command| {
            let from = command.on.map_or(f64::NEG_INFINITY, |on| on.latest_s);
            let to = command.off.map_or(f64::INFINITY, |off| off.earliest_s);
            let degs = recording.crank_deg.get(recording.between(from, to))?;
            let rest = degs.get(((1.0 - REST_SHARE) * degs.len() as f64) as usize..)?;
            (rest.len() >= REST_SAMPLES).then(|| Rest::new(rest, step_deg))?
        });
        let still: Vec<bool> = shares.map(|rest| rest.own > ONE_CODE_SHARE).collect();
        let is_still = 2 * still.iter().filter(|&&is_still| is_still).count() > still.len();
        Self {
            noise_deg: recording.noise_deg,
            step_deg,
            is_still,
        }
    }

    /// Samples (time, travel) of one stop as points for a fit; `standstill_s` tells about where the
    /// rest begins.
    pub(super) fn points(&self, samples: &[(f64, f64)], standstill_s: f64) -> Vec<Point> {
        let rest = samples
            .iter()
            .filter(|sample| sample.0 > standstill_s)
            .map(|sample| sample.1);
        let rest = Rest::new(&rest.collect::<Vec<_>>(), self.step_deg);
        let at_rest = |deg: f64, sigma_deg: f64| {
            let time_s = samples.last().map_or(standstill_s, |last| last.0);
            self.borders(samples)
                .chain([Point {
                    time_s,
                    deg,
                    sigma_deg,
                }])
                .collect()
        };
        match rest {
            // Anywhere within the step, and no better for being seen often.
            Some(rest) if rest.own > ONE_CODE_SHARE => {
                at_rest(rest.code, self.step_deg / 12f64.sqrt())
            }
            Some(rest) if self.is_still || self.climbs_cleanly(samples, standstill_s) => at_rest(
                rest.code + rest.side * self.step_deg / 2.0,
                self.step_deg / 6.0,
            ),
            Some(rest) if rest.own + rest.next > TWO_CODES_SHARE => {
                self.all(samples, COHERENCE * self.noise_deg)
            }
            _ => self.all(samples, self.noise_deg),
        }
    }

    /// Whether the code goes up without flicker where the crank goes through it slowly: then noise
    /// does not move it, even if a rest happens to lie on a border.
    fn climbs_cleanly(&self, samples: &[(f64, f64)], standstill_s: f64) -> bool {
        let step = |from: &(f64, f64), to: &(f64, f64)| ((to.1 - from.1) / self.step_deg).round();
        let mut counts = [0u32; 2];
        for near in samples
            .windows(2 * SLOW_REACH)
            .filter(|near| near[0].0 < standstill_s)
        {
            let (first, last) = (&near[0], &near[near.len() - 1]);
            let climb = step(first, last);
            if climb > 0.0 && climb < SLOW_REACH as f64 / 2.0 {
                let middle = step(&near[SLOW_REACH - 1], &near[SLOW_REACH]);
                counts[0] += u32::from(middle > 0.0);
                counts[1] += u32::from(middle < 0.0);
            }
        }
        let [up, down] = counts;
        up >= CLIMBS_MIN && f64::from(down) < FLICKER_SHARE * f64::from(up)
    }

    fn all(&self, samples: &[(f64, f64)], sigma_deg: f64) -> Vec<Point> {
        samples
            .iter()
            .map(|&(time_s, deg)| Point {
                time_s,
                deg,
                sigma_deg,
            })
            .collect()
    }

    /// Where one code gives way to the next.
    fn borders(&self, samples: &[(f64, f64)]) -> impl Iterator<Item = Point> {
        let (noise_deg, step_deg) = (self.noise_deg, self.step_deg);
        let mut begun = 0;
        samples
            .windows(2)
            .enumerate()
            .filter_map(move |(at, pair)| {
                let [(before, old), (after, new)] = *pair else {
                    return None;
                };
                if (new - old).abs() < step_deg / 2.0 {
                    return None;
                }
                let lasted = (at + 1 - begun) as f64;
                begun = at + 1;
                // The longer a code lasted, the less the crank moved between the two samples.
                let sharp = COHERENCE * step_deg / (12f64.sqrt() * lasted);
                let blurred = noise_deg.powi(2) - step_deg.powi(2) / 12.0;
                Some(Point {
                    time_s: f64::midpoint(before, after),
                    deg: f64::midpoint(old, new),
                    sigma_deg: sharp
                        .hypot(blurred.max(0.0).sqrt())
                        .hypot(HIDDEN_NOISE * step_deg),
                })
            })
    }
}

/// The code a rest shows most, its more frequent neighbour and its side, and their shares.
struct Rest {
    code: f64,
    own: f64,
    next: f64,
    side: f64,
}

impl Rest {
    /// `None` where there is no code or no rest.
    fn new(rest: &[f64], step_deg: f64) -> Option<Self> {
        let code = median(rest).filter(|_| step_deg > 0.0)?;
        let share = |deg: f64| {
            let same = rest
                .iter()
                .filter(|&&other| (other - deg).abs() < step_deg / 2.0)
                .count();
            same as f64 / rest.len() as f64
        };
        let (below, above) = (share(code - step_deg), share(code + step_deg));
        let (next, side) = if below > above {
            (below, -1.0)
        } else {
            (above, 1.0)
        };
        Some(Self {
            code,
            own: share(code),
            next,
            side,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CODING: Coding = Coding {
        noise_deg: 0.03,
        step_deg: 0.1,
        is_still: false,
    };

    fn coded(deg: f64) -> f64 {
        (deg / 0.1).floor() * 0.1
    }

    #[test]
    fn a_border_is_where_the_crank_was() {
        let time = (0..400).map(|k| f64::from(k) * 1e-3);
        let slow: Vec<_> = time.map(|time| (time, coded(5.0 * time))).collect();
        let found = CODING.points(&slow, 0.39);
        let borders = found.split_last().expect("a rest").1;
        assert_eq!(borders.len(), 19);
        // All are off by the same half a step, whichever way the codes are cut.
        for point in borders {
            let true_deg = 5.0 * point.time_s;
            assert!((point.deg + 0.05 - true_deg).abs() < 0.004, "{point:?}");
        }
    }

    #[test]
    fn codes_that_noise_moves_far_count_one_by_one() {
        let code = |k: u32| (f64::from(k) * 1e-3, f64::from(k * 7 % 5) * 0.1);
        let flickering: Vec<_> = (0..100).map(code).collect();
        assert_eq!(CODING.points(&flickering, 0.01).len(), 100);
    }
}
