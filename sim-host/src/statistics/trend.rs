//! Trends of stop records: a slope that one odd stop can't bend, whether there is a trend at all,
//! and a running sum that speaks soon after a small lasting change.

use super::{StatisticsError, check_share, check_values};
use serde::Serialize;
use statrs::distribution::{ContinuousCDF, Normal};

/// A straight line through stops, in value units per time unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Line {
    /// Slope.
    pub slope: f64,
    /// Value at time zero.
    pub intercept: f64,
}

/// The median of all pairwise slopes (Theil and Sen) with an interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RobustTrend {
    /// Median slope; intercept is median(value) − slope·median(time), one of the two definitions
    /// in use.
    pub line: Line,
    /// Lower end of the interval of the slope.
    pub slope_low: f64,
    /// Upper end of the interval of the slope.
    pub slope_high: f64,
}

/// The Mann–Kendall test for a trend: no ties are assumed in the variance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrendTest {
    /// Rising pairs less falling pairs.
    pub score: i64,
    /// Its variance if there is no trend.
    pub variance: f64,
    /// Standard score, with the correction for whole numbers.
    pub z: f64,
}

/// Theil–Sen slope with the interval of Sen (1968) at `confidence`.
///
/// # Errors
/// Under three values, lists of different length, times all equal, a value that is not finite.
pub fn theil_sen(
    times: &[f64],
    values: &[f64],
    confidence: f64,
) -> Result<RobustTrend, StatisticsError> {
    check_pairs(times, values)?;
    check_share("confidence", confidence)?;
    let slopes = pairwise_slopes(times, values);
    if slopes.is_empty() {
        return Err(StatisticsError::NoSpreadInTime);
    }
    let slope = median(&slopes);
    let (low, high) = sen_ranks(values.len(), slopes.len(), confidence);
    Ok(RobustTrend {
        line: Line {
            slope,
            intercept: median(&sorted(values)) - slope * median(&sorted(times)),
        },
        slope_low: slopes[low],
        slope_high: slopes[high],
    })
}

/// Mann–Kendall test of values in the order of time.
///
/// # Errors
/// Under three values, a value that is not finite.
pub fn mann_kendall(values: &[f64]) -> Result<TrendTest, StatisticsError> {
    check_values(values, 3)?;
    let score: i64 = pairs(values.len())
        .map(|(i, j)| sign(values[j] - values[i]))
        .sum();
    let variance = kendall_variance(values.len());
    Ok(TrendTest {
        score,
        variance,
        z: (score - score.signum()) as f64 / variance.sqrt(),
    })
}

/// Line of least squares.
///
/// # Errors
/// As [`theil_sen`].
pub fn least_squares(times: &[f64], values: &[f64]) -> Result<Line, StatisticsError> {
    check_pairs(times, values)?;
    let count = times.len() as f64;
    let (mid_time, mid_value) = (
        times.iter().sum::<f64>() / count,
        values.iter().sum::<f64>() / count,
    );
    let squares: f64 = times.iter().map(|t| (t - mid_time).powi(2)).sum();
    if squares == 0.0 {
        return Err(StatisticsError::NoSpreadInTime);
    }
    let products: f64 = times
        .iter()
        .zip(values)
        .map(|(t, y)| (t - mid_time) * (y - mid_value))
        .sum();
    let slope = products / squares;
    Ok(Line {
        slope,
        intercept: mid_value - slope * mid_time,
    })
}

/// A one-sided running sum (CUSUM) on standardised stops: it adds what exceeds the slack and
/// speaks at the threshold. Slack 0.5 and threshold 5 look for a shift of one deviation and give
/// a false call once in about 930 stops (textbook constants, from memory; the run length is
/// Siegmund's approximation, [`RunningSum::mean_run_without_shift`]).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RunningSum {
    /// Deviations a stop may exceed the mean by and still add nothing.
    pub slack: f64,
    /// Sum at which it speaks.
    pub threshold: f64,
}

impl Default for RunningSum {
    fn default() -> Self {
        Self {
            slack: 0.5,
            threshold: 5.0,
        }
    }
}

impl RunningSum {
    /// Index of the first value at which the sum passes the threshold.
    pub fn first_call(&self, values: &[f64], mean: f64, deviation: f64) -> Option<usize> {
        let mut sum = 0.0_f64;
        values.iter().position(|value| {
            sum = (sum + (value - mean) / deviation - self.slack).max(0.0);
            sum > self.threshold
        })
    }

    /// Mean number of stops to a false call.
    pub fn mean_run_without_shift(&self) -> f64 {
        let (drift, bound) = (-self.slack, self.threshold + 1.166);
        let exponent = -2.0 * drift * bound;
        (exponent.exp() - exponent - 1.0) / (2.0 * drift * drift)
    }
}

fn check_pairs(times: &[f64], values: &[f64]) -> Result<(), StatisticsError> {
    if times.len() != values.len() {
        return Err(StatisticsError::LengthsDiffer {
            left: times.len(),
            right: values.len(),
        });
    }
    check_values(times, 3)?;
    check_values(values, 3)
}

fn pairs(count: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..count).flat_map(move |i| (i + 1..count).map(move |j| (i, j)))
}

/// Slopes of all pairs at different times, ascending.
fn pairwise_slopes(times: &[f64], values: &[f64]) -> Vec<f64> {
    let slopes: Vec<f64> = pairs(times.len())
        .filter(|&(i, j)| times[i] != times[j])
        .map(|(i, j)| (values[j] - values[i]) / (times[j] - times[i]))
        .collect();
    sorted(&slopes)
}

/// Ranks of the slopes that bound the interval, from the normal approximation of Kendall's score.
fn sen_ranks(count: usize, slopes: usize, confidence: f64) -> (usize, usize) {
    let z = Normal::standard().inverse_cdf(0.5 * (1.0 + confidence));
    let width = z * kendall_variance(count).sqrt();
    let last = slopes.saturating_sub(1);
    let upper = (0.5 * (slopes as f64 + width)).round() as usize;
    let lower = (0.5 * (slopes as f64 - width)).round().max(1.0) as usize - 1;
    (lower.min(last), upper.min(last))
}

fn kendall_variance(count: usize) -> f64 {
    let n = count as f64;
    n * (n - 1.0) * (2.0 * n + 5.0) / 18.0
}

fn sign(difference: f64) -> i64 {
    i64::from(difference > 0.0) - i64::from(difference < 0.0)
}

fn sorted(values: &[f64]) -> Vec<f64> {
    let mut copy = values.to_vec();
    copy.sort_by(f64::total_cmp);
    copy
}

/// Median of ascending values.
fn median(ascending: &[f64]) -> f64 {
    let middle = ascending.len() / 2;
    if ascending.len() % 2 == 1 {
        ascending[middle]
    } else {
        0.5 * (ascending[middle - 1] + ascending[middle])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_odd_stop_does_not_bend_the_robust_slope() {
        let times: Vec<f64> = (0..20).map(f64::from).collect();
        let mut values: Vec<f64> = times.iter().map(|t| 180.0 + 0.5 * t).collect();
        values[3] = 400.0;
        let robust = theil_sen(&times, &values, 0.95).unwrap();
        assert!((robust.line.slope - 0.5).abs() < 1e-9);
        assert!(least_squares(&times, &values).unwrap().slope < 0.0);
    }

    #[test]
    fn a_trend_needs_times_that_differ() {
        let same = [1.0; 4];
        let values = [1.0, 2.0, 3.0, 4.0];
        assert_eq!(
            theil_sen(&same, &values, 0.95),
            Err(StatisticsError::NoSpreadInTime)
        );
        assert_eq!(
            least_squares(&same, &values),
            Err(StatisticsError::NoSpreadInTime)
        );
        assert!(theil_sen(&same[..3], &values, 0.95).is_err());
    }

    #[test]
    fn the_running_sum_speaks_soon_after_a_shift_and_seldom_without() {
        let sum = RunningSum::default();
        let mut values = vec![100.0; 50];
        values.extend([102.0; 20]);
        assert_eq!(sum.first_call(&values, 100.0, 2.0), Some(60));
        assert_eq!(sum.first_call(&values[..50], 100.0, 2.0), None);
        assert!((sum.mean_run_without_shift() - 938.2).abs() < 1.0);
    }
}
