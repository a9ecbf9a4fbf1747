//! The rest criterion: at least 99 % of top stops come to rest within 5 degrees of the target,
//! with 95 % confidence.
//!
//! The judgement uses the root mean square of the rest errors *about the target*, so that being
//! off target and scattering count together. Among all normal distributions with a share P inside
//! ±w, the centred one has the smallest root mean square, w/z with z the normal quantile of
//! (1 + P)/2; so the share is reached whenever the true root mean square is at most w/z. The
//! squared errors about the target sum to σ²χ² with n degrees of freedom when centred, and to
//! something relatively narrower when not; so rms·√(n/χ²(1−γ; n)) bounds the true value with at
//! least the confidence γ. The test `rest_criterion` in tests/published holds this against scipy.
//!
//! What a failure means is told apart, because the ways out differ: the release angle is off, or
//! too few stops were made to tell, or the scatter alone is shown to be too wide, which no release
//! angle mends.

use super::{Demand, StatisticsError, Summary, check_values};
use serde::Serialize;
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};

/// More stops than this are not asked for: then the press is at the edge, not the evidence.
const STOPS_MOST: usize = 1_000;

/// Where the crank is to rest, and how surely.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RestCriterion {
    /// Crank angle at which the top stop is to rest, degrees.
    pub target_deg: f64,
    /// How far from it a rest may be, degrees.
    pub tolerance_deg: f64,
    /// Which share of stops, how sure.
    pub demand: Demand,
}

impl Default for RestCriterion {
    fn default() -> Self {
        Self {
            target_deg: 0.0,
            tolerance_deg: 5.0,
            demand: Demand::REST,
        }
    }
}

/// What the rests of a number of top stops say.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RestJudgement {
    /// Stops judged.
    pub stops: usize,
    /// Mean rest past the target, degrees; negative is short of it.
    pub mean_offset_deg: f64,
    /// Scatter, one sigma, degrees.
    pub deviation_deg: f64,
    /// Root mean square about the target, degrees.
    pub rms_deg: f64,
    /// Root mean square that these stops must not exceed, degrees.
    pub rms_allowed_deg: f64,
    /// Share of stops within the tolerance, as the mean and scatter stand.
    pub share_within: f64,
    /// What follows.
    pub verdict: RestVerdict,
}

/// What follows from the rests.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "verdict")]
pub enum RestVerdict {
    /// The criterion is met.
    Met,
    /// The scatter would allow it, the mean is off: move the release angle.
    MoveRelease {
        /// Degrees to add to the release angle.
        by_deg: f64,
    },
    /// Neither shown nor refuted by so few stops.
    NotShown {
        /// Stops that would show it if they scatter as these do; none when that many are too many.
        stops_needed: Option<usize>,
    },
    /// The scatter alone is shown to be too wide: no release angle can meet the criterion.
    ScatterTooWide {
        /// Smallest scatter these stops leave possible, degrees, one sigma.
        deviation_least_deg: f64,
        /// Widest scatter that could meet the criterion, degrees, one sigma.
        deviation_allowed_deg: f64,
    },
}

impl RestCriterion {
    /// Judges rest angles in degrees, any turn.
    ///
    /// # Errors
    /// [`StatisticsError::TooFew`] under three stops, [`StatisticsError::NotFinite`].
    pub fn judge(&self, rests_deg: &[f64]) -> Result<RestJudgement, StatisticsError> {
        check_values(rests_deg, 3)?;
        let errors: Vec<f64> = rests_deg
            .iter()
            .map(|rest| signed_deg(rest - self.target_deg))
            .collect();
        let summary = Summary::of(&errors)?;
        let rms_deg = root_mean_square(&errors);
        Ok(RestJudgement {
            stops: summary.count,
            mean_offset_deg: summary.mean,
            deviation_deg: summary.deviation,
            rms_deg,
            rms_allowed_deg: self.deviation_allowed_deg() / self.widening(summary.count),
            share_within: self.share_within(summary.mean, summary.deviation),
            verdict: self.verdict(summary, rms_deg),
        })
    }

    /// The widest scatter, one sigma, with which centred stops reach the share.
    pub fn deviation_allowed_deg(&self) -> f64 {
        let quantile = Normal::standard().inverse_cdf(0.5 * (1.0 + self.demand.content));
        self.tolerance_deg / quantile
    }

    /// The share within the tolerance that the rests vouch for: that of centred stops as wide as
    /// the widest root mean square they leave possible.
    pub fn share_assured(&self, rest: &RestJudgement) -> f64 {
        let widest = rest.rms_deg * self.deviation_allowed_deg() / rest.rms_allowed_deg;
        let quantile = self.tolerance_deg / widest.max(f64::MIN_POSITIVE);
        2.0 * Normal::standard().cdf(quantile) - 1.0
    }

    fn verdict(&self, summary: Summary, rms_deg: f64) -> RestVerdict {
        let allowed = self.deviation_allowed_deg();
        let narrowed = summary.deviation * narrowing(summary.count, self.demand.confidence);
        if rms_deg * self.widening(summary.count) <= allowed {
            RestVerdict::Met
        } else if narrowed > allowed {
            RestVerdict::ScatterTooWide {
                deviation_least_deg: narrowed,
                deviation_allowed_deg: allowed,
            }
        } else if summary.deviation * self.widening(summary.count) <= allowed {
            RestVerdict::MoveRelease {
                by_deg: -summary.mean,
            }
        } else {
            RestVerdict::NotShown {
                stops_needed: self.stops_needed(summary.deviation),
            }
        }
    }

    /// Factor from the root mean square of `count` stops to the bound on the true one.
    fn widening(&self, count: usize) -> f64 {
        (count as f64 / chi_square(1.0 - self.demand.confidence, count)).sqrt()
    }

    fn stops_needed(&self, deviation_deg: f64) -> Option<usize> {
        let allowed = self.deviation_allowed_deg();
        (3..=STOPS_MOST).find(|count| deviation_deg * self.widening(*count) <= allowed)
    }

    fn share_within(&self, mean: f64, deviation: f64) -> f64 {
        if deviation == 0.0 {
            return f64::from(u8::from(mean.abs() <= self.tolerance_deg));
        }
        let normal = Normal::standard();
        let above = normal.cdf((self.tolerance_deg - mean) / deviation);
        above - normal.cdf((-self.tolerance_deg - mean) / deviation)
    }
}

/// An angle difference taken the short way: from −180 up to 180 degrees.
pub fn signed_deg(difference_deg: f64) -> f64 {
    (difference_deg + 180.0).rem_euclid(360.0) - 180.0
}

fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

/// Factor from the deviation of `count` stops to the smallest true one they leave possible.
fn narrowing(count: usize, confidence: f64) -> f64 {
    let freedom = count - 1;
    (freedom as f64 / chi_square(confidence, freedom)).sqrt()
}

/// Quantile of the chi-square law by halving: statrs' own search stops a thousandth short at some
/// hundred degrees of freedom.
fn chi_square(probability: f64, freedom: usize) -> f64 {
    // At least one degree of freedom always makes a distribution.
    let Ok(law) = ChiSquared::new(freedom as f64) else {
        return f64::NAN;
    };
    let (mut low, mut high) = (0.0, 20.0 * (freedom as f64 + 10.0));
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if law.cdf(middle) < probability {
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

    /// Stops at evenly spaced normal quantiles, scaled to an exact mean and deviation.
    fn stops(count: usize, mean: f64, deviation: f64) -> Vec<f64> {
        let normal = Normal::standard();
        let raw: Vec<f64> = (0..count)
            .map(|i| normal.inverse_cdf((i as f64 + 0.5) / count as f64))
            .collect();
        let spread = Summary::of(&raw).unwrap().deviation;
        raw.iter()
            .map(|value| mean + value * deviation / spread)
            .collect()
    }

    fn verdict(count: usize, mean: f64, deviation: f64) -> RestVerdict {
        RestCriterion::default()
            .judge(&stops(count, mean, deviation))
            .unwrap()
            .verdict
    }

    #[test]
    fn a_wide_scatter_is_refuted_whatever_the_release_angle() {
        for mean in [-8.0, 0.0, 30.0] {
            let found = verdict(25, mean, 6.3);
            assert!(
                matches!(found, RestVerdict::ScatterTooWide { .. }),
                "{found:?}"
            );
        }
    }

    #[test]
    fn a_mean_off_target_asks_for_another_release_angle() {
        let RestVerdict::MoveRelease { by_deg } = verdict(25, 7.0, 1.0) else {
            panic!()
        };
        assert!((by_deg + 7.0).abs() < 1e-9);
    }

    #[test]
    fn between_shown_and_refuted_more_stops_are_asked_for() {
        // At 1.75 degrees 99.6 % lie inside: true, but 25 stops cannot show it.
        let RestVerdict::NotShown {
            stops_needed: Some(needed),
        } = verdict(25, 0.0, 1.75)
        else {
            panic!()
        };
        assert!((100..200).contains(&needed), "{needed}");
        assert_eq!(verdict(needed, 0.0, 1.75), RestVerdict::Met);
        assert_eq!(
            verdict(25, 0.0, 2.0),
            RestVerdict::NotShown { stops_needed: None }
        );
    }

    #[test]
    fn rests_on_both_sides_of_top_dead_centre_are_near_each_other() {
        let judged = RestCriterion::default()
            .judge(&[359.0, 1.0, 0.0, 359.5, 0.5])
            .unwrap();
        assert!(judged.mean_offset_deg.abs() < 1e-9 && judged.deviation_deg < 1.0);
        assert!((signed_deg(359.0) + 1.0).abs() < 1e-12);
        assert!((signed_deg(-180.0) + 180.0).abs() < 1e-12);
    }
}
