//! One-sided tolerance factors: mean plus k times the deviation covers a given share of all stops
//! with a given confidence.
//!
//! k is a quantile of the noncentral t distribution over the root of n (NIST/SEMATECH e-Handbook
//! 7.2.6.3). With s/σ written as a chi variable over the root of its degrees of freedom,
//! P(T ≤ t) is the integral of Φ(t·u − δ) over its density; the integrand is smooth and confined,
//! so Simpson's rule reaches more digits than any printed table.

use super::{Demand, StatisticsError, check_share};
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::ln_gamma;

/// Panels of the integral: the error is under 1e-10, held by a test against tabulated values.
const PANELS: usize = 2_000;
/// Half-width of the integral in units of 1/√ν; beyond it lies less than 1e-15.
const REACH: f64 = 8.5;
/// Halvings of a bracket that is a few units wide: to 1e-12.
const HALVINGS: usize = 45;

/// The factor k for `count` stops: mean + k·deviation covers `demand.content` of all stops with
/// `demand.confidence`.
///
/// # Errors
/// [`StatisticsError::TooFew`] under two stops.
pub fn one_sided_factor(count: usize, demand: Demand) -> Result<f64, StatisticsError> {
    check_count(count)?;
    let law = NoncentralT::of(count);
    let z = Normal::standard().inverse_cdf(demand.content);
    Ok(rising_root(
        |factor| law.confidence(factor, z),
        demand.confidence,
    ))
}

/// How sure it is that mean + factor·deviation of `count` stops covers `content` of all stops.
///
/// # Errors
/// [`StatisticsError::TooFew`] under two stops; a content out of range.
pub fn confidence_of(count: usize, factor: f64, content: f64) -> Result<f64, StatisticsError> {
    check_count(count)?;
    check_share("content", content)?;
    let z = Normal::standard().inverse_cdf(content);
    Ok(NoncentralT::of(count).confidence(factor, z))
}

/// The share of all stops that mean + factor·deviation of `count` stops covers with `confidence`.
///
/// # Errors
/// [`StatisticsError::TooFew`] under two stops; a confidence out of range.
pub fn content_covered(count: usize, factor: f64, confidence: f64) -> Result<f64, StatisticsError> {
    check_count(count)?;
    check_share("confidence", confidence)?;
    let law = NoncentralT::of(count);
    let (mut low, mut high) = (-40.0, 40.0);
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        // The further out the quantile, the less sure.
        if law.confidence(factor, middle) > confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(Normal::standard().cdf(0.5 * (low + high)))
}

/// The share of all stops that do not exceed the largest of `count`, with `confidence`. Needs no
/// normal distribution: the root of (1 − confidence).
///
/// # Errors
/// [`StatisticsError::TooFew`] without a stop; a confidence out of range.
pub fn coverage_of_largest(count: usize, confidence: f64) -> Result<f64, StatisticsError> {
    check_share("confidence", confidence)?;
    if count == 0 {
        return Err(StatisticsError::TooFew { have: 0, need: 1 });
    }
    Ok((1.0 - confidence).powf(1.0 / count as f64))
}

/// Stops needed so that the largest of them covers the content of `demand`.
pub fn stops_for_largest(demand: Demand) -> usize {
    ((1.0 - demand.confidence).ln() / demand.content.ln()).ceil() as usize
}

fn check_count(count: usize) -> Result<(), StatisticsError> {
    if count < 2 {
        return Err(StatisticsError::TooFew {
            have: count,
            need: 2,
        });
    }
    Ok(())
}

/// The noncentral t distribution of one number of degrees of freedom: nodes of the integral with
/// the density of s/σ there, which no t and no noncentrality changes.
struct NoncentralT {
    nodes: Vec<(f64, f64)>,
    root: f64,
}

impl NoncentralT {
    /// For `count` stops; at least two.
    fn of(count: usize) -> Self {
        let freedom = (count - 1) as f64;
        let low = (1.0 - REACH / freedom.sqrt()).max(0.0);
        let step = (1.0 + REACH / freedom.sqrt() - low) / PANELS as f64;
        let density = chi_density(freedom);
        let node = |index: usize| {
            let u = low + step * index as f64;
            (u, simpson_weight(index) * step * density(u))
        };
        Self {
            nodes: (0..=PANELS).map(node).collect(),
            root: (count as f64).sqrt(),
        }
    }

    /// How sure it is that mean + factor·deviation lies above the normal quantile `z` of all stops.
    fn confidence(&self, factor: f64, z: f64) -> f64 {
        let (t, delta) = (factor * self.root, z * self.root);
        let normal = Normal::standard();
        self.nodes
            .iter()
            .map(|(u, weight)| weight * normal.cdf(t * u - delta))
            .sum()
    }
}

/// Density of χ/√ν.
fn chi_density(freedom: f64) -> impl Fn(f64) -> f64 {
    let half = 0.5 * freedom;
    let scale = std::f64::consts::LN_2 + half * half.ln() - ln_gamma(half);
    // At zero the power of u is one for a single degree of freedom, and zero for more.
    let power = move |u: f64| {
        if freedom == 1.0 {
            0.0
        } else {
            (freedom - 1.0) * u.ln()
        }
    };
    move |u| (scale + power(u) - half * u * u).exp()
}

fn simpson_weight(index: usize) -> f64 {
    match index {
        0 | PANELS => 1.0 / 3.0,
        odd if odd % 2 == 1 => 4.0 / 3.0,
        _ => 2.0 / 3.0,
    }
}

/// Where a function that rises from below `target` at zero reaches it.
fn rising_root(function: impl Fn(f64) -> f64, target: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..HALVINGS {
        if function(high) >= target {
            break;
        }
        low = high;
        high *= 2.0;
    }
    for _ in 0..HALVINGS {
        let middle = 0.5 * (low + high);
        if function(middle) < target {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn factor(count: usize, content: f64, confidence: f64) -> f64 {
        one_sided_factor(count, Demand::new(content, confidence).unwrap()).unwrap()
    }

    #[test]
    fn the_factor_agrees_with_the_printed_tables() {
        // NIST/SEMATECH 7.2.6.3, recomputed with scipy.stats.nct.
        assert!((factor(10, 0.95, 0.95) - 2.91096).abs() < 5e-6);
        assert!((factor(25, 0.999, 0.95) - 4.1424).abs() < 5e-5);
        assert!((factor(3, 0.99, 0.99) - 23.89556).abs() < 5e-6);
        assert!((factor(43, 0.90, 0.99) - 1.87395).abs() < 5e-6);
    }

    #[test]
    fn the_factor_holds_at_the_ends() {
        // Two stops say almost nothing; many stops come down to the normal quantile.
        assert!(factor(2, 0.99, 0.95) > 30.0);
        assert!((factor(100_000, 0.99, 0.5) - 2.3263).abs() < 1e-4);
        assert!(factor(10, 0.5, 0.5).abs() < 1e-9);
    }

    #[test]
    fn content_confidence_and_factor_are_three_views_of_one_statement() {
        let k = factor(25, 0.99, 0.95);
        assert!((confidence_of(25, k, 0.99).unwrap() - 0.95).abs() < 1e-9);
        assert!((content_covered(25, k, 0.95).unwrap() - 0.99).abs() < 1e-9);
    }

    #[test]
    fn the_largest_of_ten_covers_three_quarters() {
        assert!((coverage_of_largest(10, 0.95).unwrap() - 0.7411).abs() < 5e-5);
        assert_eq!(stops_for_largest(Demand::REST), 299);
    }
}
