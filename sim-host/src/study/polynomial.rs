//! Polynomials through noisy samples, with single bad samples left out.

use nalgebra::{DMatrix, DVector};

use super::motion::median;

/// Samples further off than this many sigma are left out, and the fit done again.
const REJECT_SIGMAS: f64 = 4.5;
const ROUNDS: usize = 3;
/// Sigma over the median of absolute deviations, for a normal distribution.
pub(super) const SIGMA_PER_MAD: f64 = 1.4826;

/// Value and derivatives at the origin of time, with their standard uncertainties.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Polynomial {
    /// Coefficients, constant first.
    pub(super) coefficients: Vec<f64>,
    /// Standard uncertainty of each.
    pub(super) sigmas: Vec<f64>,
}

impl Polynomial {
    pub(super) fn coefficient(&self, power: usize) -> f64 {
        self.coefficients.get(power).copied().unwrap_or(0.0)
    }

    pub(super) fn sigma(&self, power: usize) -> f64 {
        self.sigmas.get(power).copied().unwrap_or(0.0)
    }

    fn at(&self, time: f64) -> f64 {
        self.coefficients
            .iter()
            .rev()
            .fold(0.0, |sum, coefficient| sum * time + coefficient)
    }
}

/// Least squares through (time, value); `noise` is the least sigma a sample is taken to have.
/// `None` with fewer samples than coefficients, or samples that do not determine them.
pub(super) fn fit(samples: &[(f64, f64)], degree: usize, noise: f64) -> Option<Polynomial> {
    let mut kept = samples.to_vec();
    let mut polynomial = solve(&kept, degree, noise)?;
    for _ in 1..ROUNDS {
        let off: Vec<f64> = samples
            .iter()
            .map(|&(t, u)| (u - polynomial.at(t)).abs())
            .collect();
        let limit = REJECT_SIGMAS * f64::max(SIGMA_PER_MAD * median(&off)?, noise);
        let near = samples.iter().zip(&off).filter(|&(_, &off)| off <= limit);
        let near: Vec<(f64, f64)> = near.map(|(&sample, _)| sample).collect();
        if near.len() == kept.len() || near.len() <= degree + 1 {
            break;
        }
        kept = near;
        polynomial = solve(&kept, degree, noise)?;
    }
    Some(polynomial)
}

/// Slope of the straight line through the samples, without any leaving out.
pub(super) fn slope(samples: &[(f64, f64)]) -> f64 {
    let count = samples.len() as f64;
    let mean_time = samples.iter().map(|sample| sample.0).sum::<f64>() / count;
    let along = |&(time, value): &(f64, f64)| (time - mean_time) * value;
    let spread = |&(time, _): &(f64, f64)| (time - mean_time).powi(2);
    samples.iter().map(along).sum::<f64>() / samples.iter().map(spread).sum::<f64>()
}

fn solve(samples: &[(f64, f64)], degree: usize, noise: f64) -> Option<Polynomial> {
    let (rows, columns) = (samples.len(), degree + 1);
    // In units of the longest time, or the powers of milliseconds would drown in rounding.
    let unit = samples
        .iter()
        .map(|sample| sample.0.abs())
        .fold(0.0, f64::max);
    if rows < columns || unit <= 0.0 {
        return None;
    }
    let design = DMatrix::from_fn(rows, columns, |row, power| {
        (samples[row].0 / unit).powi(power as i32)
    });
    let values = DVector::from_iterator(rows, samples.iter().map(|sample| sample.1));
    let inverse = (design.transpose() * &design).try_inverse()?;
    let solution = &inverse * design.transpose() * &values;
    let rest = &values - &design * &solution;
    let freedom = rows.saturating_sub(columns).max(1) as f64;
    let sigma = f64::max((rest.norm_squared() / freedom).sqrt(), noise);
    let scale = |power: usize| unit.powi(power as i32);
    let polynomial = Polynomial {
        coefficients: (0..columns)
            .map(|power| solution[power] / scale(power))
            .collect(),
        sigmas: (0..columns)
            .map(|power| sigma * inverse[(power, power)].max(0.0).sqrt() / scale(power))
            .collect(),
    };
    polynomial
        .coefficients
        .iter()
        .all(|value| value.is_finite())
        .then_some(polynomial)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parabola(time: f64) -> f64 {
        3.0 - 500.0 * time + 2000.0 * time * time
    }

    #[test]
    fn a_parabola_is_found_in_spite_of_bad_samples() {
        let mut samples: Vec<_> = (-60..0)
            .map(|k| f64::from(k) * 1e-3)
            .map(|t| (t, parabola(t)))
            .collect();
        samples[10].1 += 40.0;
        samples[50].1 -= 7.0;
        let fitted = fit(&samples, 2, 0.01).expect("enough samples");
        for (power, expected) in [3.0, -500.0, 2000.0].into_iter().enumerate() {
            assert!((fitted.coefficient(power) - expected).abs() < 1e-6);
        }
    }

    #[test]
    fn samples_at_one_instant_determine_nothing() {
        assert!(fit(&[(0.0, 1.0), (0.0, 2.0), (0.0, 3.0)], 1, 0.01).is_none());
        assert!(fit(&[(0.1, 1.0), (0.1, 2.0), (0.1, 3.0)], 1, 0.01).is_none());
        assert!(fit(&[], 1, 0.01).is_none());
    }
}
