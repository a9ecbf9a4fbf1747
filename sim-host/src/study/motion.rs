//! From angle readings to the path of the crank: turns joined, bursts of bad readings left out,
//! direction found.
//!
//! A crank cannot jump: where it will be one sample on is known from its speed to within what its
//! clutch can accelerate it. A reading outside that is doubtful. Doubtful readings that go away
//! were bad; doubtful readings that stay were a step of the sensor, which is followed and told.

use super::recording::AngleJump;

/// Slack of the expected place, whatever the sample rate: smaller spikes are left to the fits.
const SLACK_DEG: f64 = 0.5;
/// A crank is accelerated no harder than this: the lightest press of the trade, 30 tons at 800
/// strokes per minute, starts with about 240 000 degrees per second squared (computed from its
/// clutch torque and inertia).
const ACCELERATION_MAX_DEG_S2: f64 = 300_000.0;
/// And the gate is never narrower than this acceleration asks for.
const ACCELERATION_MIN_DEG_S2: f64 = 100_000.0;
/// No press turns faster: 1000 strokes per minute.
const SPEED_MAX_DEG_S: f64 = 6000.0;
/// Doubtful readings are followed once there are this many of them and they have lasted this long.
const BURST_SAMPLES: usize = 5;
const BURST_S: f64 = 0.004;
/// So many doubtful readings in a row are a spike only if the crank is then where it was expected.
const SPIKE_SAMPLES: usize = 3;
/// A signal lost for no longer than this is bridged.
const DROPOUT_S: f64 = 0.1;
/// Smallest steps tried for the step of a code: a bad reading can stand between two codes.
const CODE_CANDIDATES: usize = 4;
/// Speed is taken over so many samples; the expected place lags by half of them.
const SPEED_SPAN: usize = 5;
const LAG: f64 = 3.5;

/// The path of the crank, in the sense of the readings.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Path {
    pub(super) time_s: Vec<f64>,
    pub(super) deg: Vec<f64>,
    /// Times of the readings left out.
    pub(super) spikes_s: Vec<f64>,
    pub(super) jumps: Vec<AngleJump>,
}

/// The shortest way that is a turn or several away from `travel`, −180 to 180.
pub(super) fn shortest(travel: f64) -> f64 {
    let turn = (travel + 180.0).rem_euclid(360.0);
    turn - 180.0
}

/// Follows readings (time and degrees) along the path of the crank. `wraps` says that the reading
/// begins anew every turn.
pub(super) fn follow(readings: &[(f64, f64)], wraps: bool, gate: Gate) -> Path {
    let mut follower = Follower {
        path: Path::default(),
        doubtful: Vec::new(),
        wraps,
        gate,
        step: None,
        is_away: false,
    };
    for &reading in readings {
        follower.take(reading);
    }
    let Follower {
        mut path, doubtful, ..
    } = follower;
    path.spikes_s.extend(doubtful.iter().map(|(time, _)| time));
    path
}

/// Whether the crank travels with falling angle for most of the path.
pub(super) fn falls(path: &Path) -> bool {
    match (path.deg.first(), path.deg.last()) {
        (Some(first), Some(last)) => last < first,
        _ => false,
    }
}

/// How far from its expected place a reading may be.
#[derive(Clone, Copy, Debug)]
pub(super) struct Gate {
    slack_deg: f64,
    acceleration: f64,
}

impl Gate {
    /// From the readings' own second differences: their bulk is scatter, their tail is the
    /// acceleration of starts and stops.
    pub(super) fn new(readings: &[(f64, f64)], wraps: bool, period_s: f64) -> Self {
        let bends = bends(readings, wraps);
        let quantile = |share: f64| quantile(&bends, share).unwrap_or(0.0);
        let bent = (quantile(0.985) - 3.0 * quantile(0.68)).max(0.0);
        let seen = 3.0 * bent / (period_s * period_s);
        Self {
            slack_deg: SLACK_DEG + 3.0 * quantile(0.68),
            acceleration: if seen.is_finite() {
                seen.clamp(ACCELERATION_MIN_DEG_S2, ACCELERATION_MAX_DEG_S2)
            } else {
                ACCELERATION_MAX_DEG_S2
            },
        }
    }

    fn width(&self, dt: f64) -> f64 {
        self.slack_deg + LAG * self.acceleration * dt * dt
    }
}

/// Scatter of one reading, from how far it is off the middle of its neighbours: white scatter of
/// one sigma bends by √6 sigma.
pub(super) fn scatter(readings: &[(f64, f64)], wraps: bool) -> f64 {
    quantile(&bends(readings, wraps), 0.68).unwrap_or(0.0) / 6f64.sqrt()
}

/// Step of the code behind the readings: the smallest step between two different readings of
/// which the next larger ones are multiples. Readings without a code have a tiny one.
pub(super) fn resolution(readings: &[(f64, f64)]) -> f64 {
    let mut values: Vec<f64> = readings.iter().map(|reading| reading.1).collect();
    values.sort_by(f64::total_cmp);
    let mut steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.retain(|&step| step > 1e-7);
    steps.sort_by(f64::total_cmp);
    let is_code = |&&step: &&f64| {
        let near = steps.iter().filter(|&&other| other < 6.0 * step);
        // Printed with few decimals, a multiple is not quite one.
        let off = |other: &f64| (other / step - (other / step).round()).abs();
        let multiples = near.clone().filter(|other| off(other) < 0.15).count();
        multiples as f64 >= 0.8 * near.count() as f64
    };
    let smallest = steps.first().copied().unwrap_or(0.0);
    steps
        .iter()
        .take(CODE_CANDIDATES)
        .find(is_code)
        .copied()
        .unwrap_or(smallest)
}

/// The value below which a share of the sorted values lies.
pub(super) fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    sorted.get((share * last as f64).round() as usize).copied()
}

/// Middle value; the values need not be sorted.
pub(super) fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.5)
}

fn bends(readings: &[(f64, f64)], wraps: bool) -> Vec<f64> {
    let step = |from: f64, to: f64| {
        if wraps {
            shortest(to - from)
        } else {
            to - from
        }
    };
    let bend = |w: &[(f64, f64)]| match *w {
        [(_, a), (_, b), (_, c)] => step(step(a, b), step(b, c)).abs(),
        _ => 0.0,
    };
    let mut bends: Vec<f64> = readings.windows(3).map(bend).collect();
    bends.sort_by(f64::total_cmp);
    bends
}

struct Follower {
    path: Path,
    doubtful: Vec<(f64, f64)>,
    wraps: bool,
    gate: Gate,
    /// Length of the path at the last step, and the speed there: speed is not taken across a step.
    step: Option<(usize, f64)>,
    /// Whether that step was away from the crank's path, for all one knows.
    is_away: bool,
}

impl Follower {
    fn take(&mut self, reading: (f64, f64)) {
        let Some((expected, width)) = self.expect(reading.0) else {
            return self.accept(reading);
        };
        let off = self.off(reading.1, expected);
        if off.abs() <= width && !self.has_moved_on(off) {
            self.path
                .spikes_s
                .extend(self.doubtful.drain(..).map(|(time, _)| time));
            return self.accept((reading.0, expected + off));
        }
        self.doubtful.push(reading);
        if self.has_stepped() || off.abs() <= width {
            self.follow_step();
        }
    }

    /// Whether the crank could be here only because it was lost sight of for some samples: then it
    /// was not the samples that were bad.
    fn has_moved_on(&self, off: f64) -> bool {
        let period = match self.path.time_s[..] {
            [.., before, last] => last - before,
            _ => 0.0,
        };
        self.doubtful.len() >= SPIKE_SAMPLES && off.abs() > self.gate.width(period)
    }

    /// Where the crank should be, and how far from there it may be.
    fn expect(&self, time: f64) -> Option<(f64, f64)> {
        let (&last_time, &last) = (self.path.time_s.last()?, self.path.deg.last()?);
        let dt = time - last_time;
        let known = self.path.deg.len() > SPEED_SPAN;
        let width = self.gate.width(dt) + if known { 0.0 } else { SPEED_MAX_DEG_S * dt };
        Some((last + self.speed() * dt, width))
    }

    fn speed(&self) -> f64 {
        let (begun, carried) = self.step.unwrap_or((0, 0.0));
        let from = self
            .path
            .deg
            .len()
            .saturating_sub(SPEED_SPAN + 1)
            .max(begun);
        let ends = |series: &[f64]| Some(series.last()? - series.get(from)?);
        match (ends(&self.path.deg), ends(&self.path.time_s)) {
            (Some(travel), Some(time)) if time > 0.0 => travel / time,
            _ => carried,
        }
    }

    fn off(&self, reading: f64, expected: f64) -> f64 {
        if self.wraps {
            shortest(reading - expected)
        } else {
            reading - expected
        }
    }

    fn accept(&mut self, (time, deg): (f64, f64)) {
        self.path.time_s.push(time);
        self.path.deg.push(deg);
    }

    fn has_stepped(&self) -> bool {
        match (self.doubtful.first(), self.doubtful.last()) {
            (Some(first), Some(last)) => {
                self.doubtful.len() > BURST_SAMPLES && last.0 - first.0 > BURST_S
            }
            _ => false,
        }
    }

    /// The doubtful readings have come to stay: go where they are.
    fn follow_step(&mut self) {
        let readings = std::mem::take(&mut self.doubtful);
        let Some(&(time_s, deg)) = readings.first() else {
            return;
        };
        let speed = self.speed();
        if !self.undo_dropout(time_s, deg)
            && let Some((expected, _)) = self.expect(time_s)
        {
            let step_deg = self.off(deg, expected);
            // Smaller ones are a few bad readings in a row.
            if step_deg.abs() > 2.0 * self.gate.slack_deg {
                self.is_away = true;
                self.path.jumps.push(AngleJump { time_s, step_deg });
            }
        }
        self.step = Some((self.path.deg.len(), speed));
        for (time, deg) in readings {
            let last = self.path.deg.last().copied().unwrap_or(deg);
            let off = self.off(deg, last);
            self.accept((time, last + off));
        }
    }

    /// After a step away, a step back to where the crank must be by now: what lies between was a
    /// signal lost, not a crank moved.
    fn undo_dropout(&mut self, time_s: f64, deg: f64) -> bool {
        let Some((length, speed)) = self.step.filter(|_| std::mem::take(&mut self.is_away)) else {
            return false;
        };
        let before = length
            .checked_sub(1)
            .and_then(|at| Some((*self.path.time_s.get(at)?, *self.path.deg.get(at)?)));
        let Some((before_s, before_deg)) = before else {
            return false;
        };
        let gone_s = time_s - before_s;
        // The crank may have stopped meanwhile, or run on.
        let way = speed * gone_s;
        let off = self.off(deg, before_deg + way / 2.0);
        if gone_s > DROPOUT_S || off.abs() > way.abs() / 2.0 + self.gate.slack_deg {
            return false;
        }
        self.path.spikes_s.extend(self.path.time_s.drain(length..));
        self.path.deg.truncate(length);
        self.path.jumps.pop();
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn turning(readings: usize) -> Vec<(f64, f64)> {
        (0..readings)
            .map(|k| (k as f64 * 1e-3, (350.0 + 0.5 * k as f64).rem_euclid(360.0)))
            .collect()
    }

    fn followed(readings: &[(f64, f64)]) -> Path {
        follow(readings, true, Gate::new(readings, true, 1e-3))
    }

    #[test]
    fn turns_are_joined() {
        let path = followed(&turning(2000));
        assert!((path.deg[1999] - path.deg[0] - 0.5 * 1999.0).abs() < 1e-9);
        assert!(path.spikes_s.is_empty() && path.jumps.is_empty());
    }

    #[test]
    fn spikes_of_any_size_lose_no_turn() {
        for size in [3.0, 90.0, 179.0, -179.9, 181.0, 270.0] {
            let mut readings = turning(2000);
            for at in [400, 401, 900, 1500] {
                readings[at].1 += size;
            }
            let path = followed(&readings);
            assert_eq!(path.spikes_s.len(), 4, "size {size}");
            assert!(
                (path.deg.last().unwrap() - 350.0 - 0.5 * 1999.0).abs() < 1e-9,
                "size {size}"
            );
        }
    }

    #[test]
    fn a_step_of_the_sensor_is_followed_and_told() {
        let mut readings = turning(2000);
        readings
            .iter_mut()
            .skip(1000)
            .for_each(|reading| reading.1 += 9.0);
        let path = followed(&readings);
        assert_eq!(path.jumps.len(), 1);
        assert!((path.jumps[0].step_deg - 9.0).abs() < 0.5);
        assert!(path.spikes_s.is_empty());
    }

    #[test]
    fn a_signal_lost_for_a_while_is_bridged() {
        for lost in [0.0, 359.9] {
            let mut readings = turning(2000);
            readings[700..730]
                .iter_mut()
                .for_each(|reading| reading.1 = lost);
            let path = followed(&readings);
            assert!(path.jumps.is_empty(), "{:?}", path.jumps);
            assert_eq!(path.spikes_s.len(), 30);
            assert!((path.deg.last().unwrap() - 350.0 - 0.5 * 1999.0).abs() < 1e-9);
        }
    }

    #[test]
    fn scatter_and_resolution_are_those_of_the_readings() {
        let step = 360.0 / 4096.0;
        let turn = |k: u32| {
            (
                f64::from(k) * 1e-3,
                (f64::from(k) * 0.377).rem_euclid(360.0),
            )
        };
        let coded = |(time, deg): (f64, f64)| (time, (deg / step).floor() * step);
        let coded: Vec<_> = (0..9000).map(turn).map(coded).collect();
        assert!((resolution(&coded) - step).abs() < 1e-9);
        assert!(scatter(&turning(3000), true) < 1e-9);
    }
}
