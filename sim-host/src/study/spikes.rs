//! Single readings that do not belong: off what the readings before them foretell, off what those
//! after them tell of, and off the middle of their neighbours, while these three agree.

use super::motion::shortest;

/// Off by more than this many sigma of scatter.
const SCATTERS: f64 = 8.0;
/// And by more than this many times what the three expectations differ among each other, which is
/// what acceleration does.
const DIFFERENCES: f64 = 3.0;

/// Splits readings (time and degrees) into those that belong and the times of those that do not.
pub(super) fn part(
    readings: &[(f64, f64)],
    wraps: bool,
    scatter_deg: f64,
) -> (Vec<(f64, f64)>, Vec<f64>) {
    let is_spike = |at: usize| {
        let near = at
            .checked_sub(2)
            .and_then(|from| readings.get(from..at + 3));
        near.is_some_and(|near| stands_out(near, wraps, scatter_deg))
    };
    let mut kept = Vec::with_capacity(readings.len());
    let mut spikes_s = Vec::new();
    for (at, &reading) in readings.iter().enumerate() {
        if is_spike(at) {
            spikes_s.push(reading.0)
        } else {
            kept.push(reading)
        }
    }
    (kept, spikes_s)
}

/// Whether the middle one of five readings stands out.
fn stands_out(near: &[(f64, f64)], wraps: bool, scatter_deg: f64) -> bool {
    let [before_2, before, middle, after, after_2] = *near else {
        return false;
    };
    let way = |from: f64, to: f64| {
        if wraps {
            shortest(to - from)
        } else {
            to - from
        }
    };
    // Everything as travel from the reading before.
    let line = |a: (f64, f64), b: (f64, f64)| {
        let (from, to) = (way(before.1, a.1), way(before.1, b.1));
        from + (to - from) * (middle.0 - a.0) / (b.0 - a.0)
    };
    let foretold = line(before_2, before);
    let told = line(after, after_2);
    let between = line(before, after);
    let apart = (foretold - between).abs().max((told - between).abs());
    let limit = SCATTERS * scatter_deg + DIFFERENCES * apart;
    let reading = way(before.1, middle.1);
    [foretold, told, between]
        .iter()
        .all(|expected| way(*expected, reading).abs() > limit)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn starting(readings: u32) -> Vec<(f64, f64)> {
        let time = |k: u32| f64::from(k) * 0.01;
        let deg = |time: f64| (350.0 + 600.0 * time * time).rem_euclid(360.0);
        (0..readings).map(|k| (time(k), deg(time(k)))).collect()
    }

    #[test]
    fn a_single_spike_is_found_however_hard_the_crank_accelerates() {
        for size in [2.0, -5.0, 100.0, 185.0] {
            let mut readings = starting(60);
            readings[30].1 = (readings[30].1 + size).rem_euclid(360.0);
            let (kept, spikes_s) = part(&readings, true, 0.03);
            assert_eq!((kept.len(), spikes_s.len()), (59, 1), "size {size}");
            assert!((spikes_s[0] - 0.3).abs() < 1e-9);
        }
    }

    #[test]
    fn starts_stops_and_steps_are_no_spikes() {
        let mut readings = starting(60);
        let rest = readings[59].1;
        readings.extend((60..90).map(|k| (f64::from(k) * 0.01, rest)));
        readings[75..]
            .iter_mut()
            .for_each(|reading| reading.1 += 9.0);
        assert!(part(&readings, true, 0.03).1.is_empty());
    }
}
