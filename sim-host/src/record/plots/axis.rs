//! One axis: a range with round ends and round ticks.

/// A range of values that ends on ticks.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Axis {
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) ticks: Vec<f64>,
    /// Decimals the tick labels need.
    pub(super) decimals: usize,
}

/// About this many steps, so that labels stay apart.
const STEPS: f64 = 6.0;
/// Values closer together than this are one value.
const LEAST: f64 = 1e-9;

impl Axis {
    /// Covers all values. What is not finite is left out; without any value, 0 to 1.
    pub(super) fn covering(values: impl IntoIterator<Item = f64>) -> Self {
        match ends(values) {
            None => Self::between(0.0, 1.0),
            Some((low, high)) if high - low < LEAST => Self::between(low - 1.0, high + 1.0),
            Some((low, high)) => Self::between(low, high),
        }
    }

    /// From `low` to `high`, widened to the next ticks.
    pub(super) fn between(low: f64, high: f64) -> Self {
        let (step, decimals) = round_step((high - low) / STEPS);
        let (first, last) = ((low / step).floor(), (high / step).ceil());
        // A handful by the choice of the step; the bound is for ranges beyond f64's own steps.
        let count = (last - first).clamp(1.0, 4.0 * STEPS) as u32;
        let ticks: Vec<f64> = (0..=count).map(|i| (first + f64::from(i)) * step).collect();
        Self {
            low: first * step,
            high: (first + f64::from(count)) * step,
            ticks,
            decimals,
        }
    }

    /// Covers all values and ends with them: for an axis of time or count, where room beyond the
    /// last value would say something is missing there.
    pub(super) fn ending_with(values: impl IntoIterator<Item = f64>) -> Self {
        match ends(values) {
            Some((low, high)) if high - low >= LEAST => {
                let wide = Self::between(low, high);
                let ticks = wide
                    .ticks
                    .iter()
                    .copied()
                    .filter(|t| (low..=high).contains(t))
                    .collect();
                Self {
                    low,
                    high,
                    ticks,
                    ..wide
                }
            }
            other => Self::covering(other.map(|(low, _)| low)),
        }
    }

    /// Whole numbers from 0 to `last`, with half a step of room on either side.
    pub(super) fn of_categories(last: u32) -> Self {
        let ticks = (0..=last).map(f64::from).collect();
        Self {
            low: -0.5,
            high: f64::from(last) + 0.5,
            ticks,
            decimals: 0,
        }
    }

    /// 0 at the low end, 1 at the high end.
    pub(super) fn share(&self, value: f64) -> f64 {
        (value - self.low) / (self.high - self.low)
    }
}

/// Smallest and largest of the finite values.
fn ends(values: impl IntoIterator<Item = f64>) -> Option<(f64, f64)> {
    values
        .into_iter()
        .filter(|v| v.is_finite())
        .fold(None, |ends, v| match ends {
            None => Some((v, v)),
            Some((low, high)) => Some((f64::min(low, v), f64::max(high, v))),
        })
}

/// The next 1, 2 or 5 times a power of ten, and the decimals it needs.
fn round_step(at_least: f64) -> (f64, usize) {
    let (mut step, mut decimals) = (0.001, 3_usize);
    let mut factors = [2.0, 2.5, 2.0].iter().cycle();
    let mut steps = 0;
    while step < at_least && steps < 60 {
        step *= factors.next().unwrap_or(&2.0);
        steps += 1;
        // Every third step the power of ten is full.
        if steps % 3 == 0 {
            decimals = decimals.saturating_sub(1);
        }
    }
    (step, decimals)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_cover_the_values() {
        let axis = Axis::covering([131.2, 162.9]);
        assert_eq!((axis.low, axis.high, axis.decimals), (130.0, 170.0, 0));
        assert_eq!(axis.ticks, [130.0, 140.0, 150.0, 160.0, 170.0]);
    }

    #[test]
    fn a_small_range_has_decimals() {
        let axis = Axis::covering([-0.31, 0.42]);
        assert_eq!(axis.decimals, 1);
        assert!(axis.low <= -0.31 && axis.high >= 0.42);
    }

    #[test]
    fn an_axis_of_time_ends_with_its_last_value() {
        let axis = Axis::ending_with([-40.0, 240.0, f64::NAN]);
        assert_eq!((axis.low, axis.high), (-40.0, 240.0));
        assert_eq!(axis.ticks, [0.0, 50.0, 100.0, 150.0, 200.0]);
        assert_eq!(Axis::ending_with([3.0, 3.0]), Axis::covering([3.0]));
        assert_eq!(Axis::ending_with([]), Axis::covering([]));
    }

    #[test]
    fn no_values_or_one_value_or_no_number_still_give_an_axis() {
        assert_eq!(Axis::covering([]), Axis::between(0.0, 1.0));
        assert!(Axis::covering([f64::NAN, 7.0]).share(7.0) == 0.5);
        assert!(Axis::covering([1e300, -1e300]).ticks.len() < 30);
    }
}
