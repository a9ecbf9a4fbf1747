//! The first place where a sliding fit says that the crank has all but stopped: a first guess for
//! the brake curve, and the proof that there is a rest at all.

use super::motion::median;
use super::polynomial;

/// The sliding fit should tell this share of the speed from rest, three sigma.
const SLOW_SHARE: f64 = 0.03;
/// Never is more than this share taken for rest.
const SLOW_SHARE_MAX: f64 = 0.3;
const WINDOW_S: std::ops::RangeInclusive<f64> = 0.005..=0.06;
/// A rest must last this long, to within this travel, or it was a stick on the way.
const STAY_S: f64 = 0.04;
const STAY_DEG: f64 = 0.5;
/// Samples whose middle is the first guess of where the crank rests.
const REST_SAMPLES: usize = 40;

/// First guess; times after the command, angles as travel since it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Arrival {
    pub(super) standstill_s: f64,
    pub(super) braking_s: f64,
    pub(super) rest_deg: f64,
}

/// How the samples were taken.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sampling {
    pub(super) period_s: f64,
    pub(super) noise_deg: f64,
}

impl Arrival {
    /// From samples (time, travel) of a crank that had `speed_deg_s` at the command.
    ///
    /// # Errors
    /// The last speed seen, of a crank that did not come to rest.
    pub(super) fn find(
        samples: &[(f64, f64)],
        speed_deg_s: f64,
        sampling: Sampling,
    ) -> Result<Self, f64> {
        let window = Window::new(sampling, speed_deg_s);
        let smooth = middle_of_three(samples);
        let slow = window.slow(speed_deg_s);
        let slopes: Vec<(f64, f64)> = smooth
            .windows(window.samples)
            .map(|part| (middle_time(part), polynomial::slope(part)))
            .collect();
        let stays = |from: f64| {
            let reach = travel_at(&smooth, from + STAY_S) - travel_at(&smooth, from);
            reach.abs() <= slow * STAY_S + STAY_DEG
        };
        let last_speed = slopes.last().map_or(speed_deg_s, |last| last.1);
        let arrived = slopes
            .iter()
            .position(|&(time, slope)| slope <= slow && stays(time));
        let (way, _) = slopes
            .split_at_checked(arrived.ok_or(last_speed)?)
            .ok_or(last_speed)?;
        let standstill_s = slopes.get(way.len()).map_or(0.0, |slope| slope.0);
        let half = way.iter().rev().find(|slope| slope.1 > speed_deg_s / 2.0);
        let half_s = half.map_or(0.0, |slope| slope.0);
        let resting = samples
            .iter()
            .filter(|sample| sample.0 > standstill_s + sampling.period_s);
        let rest: Vec<f64> = resting.take(REST_SAMPLES).map(|sample| sample.1).collect();
        Ok(Self {
            standstill_s,
            braking_s: (2.0 * (standstill_s - half_s)).max(sampling.period_s / 2.0),
            rest_deg: median(&rest).unwrap_or_else(|| travel_at(&smooth, standstill_s)),
        })
    }
}

/// A sliding window long enough that noise does not hide the last few per cent of speed.
struct Window {
    samples: usize,
    slope_sigma: f64,
}

impl Window {
    fn new(sampling: Sampling, speed_deg_s: f64) -> Self {
        // Slope of a line through samples over a time w: sigma = noise · √(12 · period) / w^1.5.
        let scatter = sampling.noise_deg * (12.0 * sampling.period_s).sqrt();
        let wanted = (scatter / (SLOW_SHARE / 3.0 * speed_deg_s)).powf(2.0 / 3.0);
        let span = wanted.clamp(*WINDOW_S.start(), *WINDOW_S.end());
        let samples = ((span / sampling.period_s).round() as usize).clamp(3, 100_000);
        let span = sampling.period_s * samples as f64;
        Self {
            samples,
            slope_sigma: scatter / span.powf(1.5),
        }
    }

    fn slow(&self, speed_deg_s: f64) -> f64 {
        let slow = f64::max(SLOW_SHARE * speed_deg_s, 3.0 * self.slope_sigma);
        slow.min(SLOW_SHARE_MAX * speed_deg_s)
    }
}

fn middle_time(part: &[(f64, f64)]) -> f64 {
    part.iter().map(|sample| sample.0).sum::<f64>() / part.len().max(1) as f64
}

/// Each sample by the middle one of itself and its neighbours: takes single bad samples away and
/// leaves a rising curve as it is.
fn middle_of_three(samples: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut smooth = samples.to_vec();
    for (near, slot) in samples.windows(3).zip(smooth.iter_mut().skip(1)) {
        let mut degs = [near[0].1, near[1].1, near[2].1];
        degs.sort_by(f64::total_cmp);
        slot.1 = degs[1];
    }
    smooth
}

/// Travel at a time, by the last sample not after it; the ends hold beyond the samples.
fn travel_at(samples: &[(f64, f64)], time: f64) -> f64 {
    let after = samples.partition_point(|sample| sample.0 <= time);
    samples
        .get(after.saturating_sub(1))
        .map_or(0.0, |sample| sample.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SAMPLING: Sampling = Sampling {
        period_s: 1e-3,
        noise_deg: 0.03,
    };

    /// 500 degrees per second for 50 ms, then 80 ms of even braking.
    fn travel(time: f64) -> f64 {
        let braking = (time - 0.05).clamp(0.0, 0.08);
        500.0 * (time.min(0.05) + braking) - 500.0 / 0.16 * braking * braking
    }

    fn samples(end_s: f64) -> Vec<(f64, f64)> {
        let times = (0..(end_s * 1e3) as u32).map(|k| f64::from(k) * 1e-3);
        times.map(|time| (time, travel(time))).collect()
    }

    #[test]
    fn the_guess_is_near_the_truth() {
        let arrival = Arrival::find(&samples(0.4), 500.0, SAMPLING).expect("a rest");
        assert!((arrival.standstill_s - 0.13).abs() < 0.006, "{arrival:?}");
        assert!((arrival.braking_s - 0.08).abs() < 0.016, "{arrival:?}");
        assert!((arrival.rest_deg - 45.0).abs() < 0.05, "{arrival:?}");
    }

    #[test]
    fn a_crank_that_sticks_on_the_way_has_not_arrived() {
        // It stands for 15 ms, then goes on for another 80.
        let sticking = |(time, deg): (f64, f64)| match time {
            time if time < 0.145 => (time, deg),
            time => (time, deg + travel((time - 0.095).max(0.0)) - 25.0),
        };
        let stuck: Vec<_> = samples(0.6).into_iter().map(sticking).collect();
        let arrival = Arrival::find(&stuck, 500.0, SAMPLING).expect("a rest");
        assert!(arrival.standstill_s > 0.2, "{arrival:?}");
    }

    #[test]
    fn a_crank_that_turns_on_gives_its_last_speed() {
        let speed = Arrival::find(&samples(0.05), 500.0, SAMPLING).expect_err("no rest");
        assert!((speed - 500.0).abs() < 1e-6);
        assert!(Arrival::find(&[], 500.0, SAMPLING).is_err());
    }
}
