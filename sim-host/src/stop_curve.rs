//! How a stop depends on speed: travel α(N) = a·N + b·N² and time t(N) = tr + c·N.
//!
//! During the reaction time tr the crank goes on at its speed, then a constant torque brakes it:
//! a = 6·tr and b = 3·c with N in strokes per minute, times in seconds, travel in degrees. So the
//! travels of two speeds give both the reaction time and the braking, without any trace of the
//! stop. A straight line instead of the square is wrong by up to 27 degrees on a fast press.
//!
//! The law is an idealisation: friction slows the crank during the reaction and the torque rises
//! gradually, so a fitted tr comes out a little short. [`StopCurve::time_residual_ms`] shows by how
//! much the times disagree; a curve says nothing outside the speeds it was fitted to.
//!
//! From one speed the two parts are split by time and travel together (tr = 2·α/(6N) − t); the
//! curve then says so, because that rests on constant torque alone.

use serde::Serialize;
use thiserror::Error;

/// Mean stop at one speed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SpeedPoint {
    /// Speed at the stop command, strokes per minute.
    pub speed_spm: f64,
    /// Stopping time, milliseconds.
    pub time_ms: f64,
    /// Stopping travel, degrees.
    pub travel_deg: f64,
}

/// What a curve was made from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurveBasis {
    /// Least squares through the origin over the travels of two or more speeds.
    TravelAtSpeeds,
    /// Time and travel at one speed, split by constant braking torque.
    OneSpeed,
}

/// The fitted law of one press at one command angle.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StopCurve {
    /// What it was made from.
    pub basis: CurveBasis,
    /// a, degrees per stroke per minute.
    pub a_deg_per_spm: f64,
    /// b, degrees per stroke per minute squared.
    pub b_deg_per_spm2: f64,
    /// Slowest speed measured, strokes per minute.
    pub speed_least_spm: f64,
    /// Fastest speed measured, strokes per minute.
    pub speed_most_spm: f64,
    /// Travel measured less travel of the curve, degrees, per point in ascending speed.
    pub travel_residual_deg: Vec<f64>,
    /// Time measured less time of the curve, milliseconds, per point in ascending speed.
    pub time_residual_ms: Vec<f64>,
}

/// Why no curve can be fitted.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum CurveError {
    /// No points.
    #[error("no stop at any speed: a curve needs at least one")]
    Empty,
    /// A number that makes no stop.
    #[error("{what} is {found} at {speed_spm} SPM: it has to be a number above zero")]
    NotPositive {
        /// Which number.
        what: &'static str,
        /// Value given.
        found: f64,
        /// Speed of the point.
        speed_spm: f64,
    },
    /// The points can't come from braking.
    #[error(
        "the stops give a reaction time of {reaction_ms:.1} ms and {braking_ms_per_spm:.3} ms of \
         braking per SPM: neither can be negative; check the speeds and where the time starts"
    )]
    NotAStop {
        /// Reaction time that came out, milliseconds.
        reaction_ms: f64,
        /// Braking time per speed that came out.
        braking_ms_per_spm: f64,
    },
}

impl StopCurve {
    /// Fits the travels of all points, or splits the only one.
    ///
    /// # Errors
    /// [`CurveError`].
    pub fn fit(points: &[SpeedPoint]) -> Result<Self, CurveError> {
        points.iter().try_for_each(check_point)?;
        let mut points = points.to_vec();
        points.sort_by(|left, right| left.speed_spm.total_cmp(&right.speed_spm));
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return Err(CurveError::Empty);
        };
        let (basis, (a, b)) = if is_one_speed(first, last) {
            (CurveBasis::OneSpeed, split_one_speed(&mean_point(&points)))
        } else {
            (
                CurveBasis::TravelAtSpeeds,
                least_squares_through_origin(&points),
            )
        };
        Self::from_parts(basis, a, b, &points)
    }

    fn from_parts(
        basis: CurveBasis,
        a: f64,
        b: f64,
        points: &[SpeedPoint],
    ) -> Result<Self, CurveError> {
        let mut curve = Self {
            basis,
            a_deg_per_spm: a,
            b_deg_per_spm2: b,
            speed_least_spm: points[0].speed_spm,
            speed_most_spm: points[points.len() - 1].speed_spm,
            travel_residual_deg: Vec::new(),
            time_residual_ms: Vec::new(),
        };
        if !(a >= 0.0 && b >= 0.0) {
            return Err(CurveError::NotAStop {
                reaction_ms: curve.reaction_ms(),
                braking_ms_per_spm: curve.braking_ms_per_spm(),
            });
        }
        curve.travel_residual_deg = points
            .iter()
            .map(|p| p.travel_deg - curve.travel_deg(p.speed_spm))
            .collect();
        curve.time_residual_ms = points
            .iter()
            .map(|p| p.time_ms - curve.time_ms(p.speed_spm))
            .collect();
        Ok(curve)
    }

    /// Reaction time tr, milliseconds.
    pub fn reaction_ms(&self) -> f64 {
        self.a_deg_per_spm / 6.0 * 1_000.0
    }

    /// Braking time c, milliseconds per stroke per minute.
    pub fn braking_ms_per_spm(&self) -> f64 {
        self.b_deg_per_spm2 / 3.0 * 1_000.0
    }

    /// Expected stopping time, milliseconds.
    pub fn time_ms(&self, speed_spm: f64) -> f64 {
        self.reaction_ms() + self.braking_ms_per_spm() * speed_spm
    }

    /// Expected stopping travel, degrees.
    pub fn travel_deg(&self, speed_spm: f64) -> f64 {
        self.a_deg_per_spm * speed_spm + self.b_deg_per_spm2 * speed_spm * speed_spm
    }

    /// Release angle that brings the crank to rest at `target_deg`, 0 up to 360 degrees.
    pub fn release_deg(&self, speed_spm: f64, target_deg: f64) -> f64 {
        (target_deg - self.travel_deg(speed_spm)).rem_euclid(360.0)
    }

    /// Whether the curve was measured around this speed.
    pub fn covers(&self, speed_spm: f64) -> bool {
        (self.speed_least_spm..=self.speed_most_spm).contains(&speed_spm)
    }
}

fn check_point(point: &SpeedPoint) -> Result<(), CurveError> {
    let named = [
        ("the speed", point.speed_spm),
        ("the stopping time", point.time_ms),
        ("the stopping travel", point.travel_deg),
    ];
    match named
        .into_iter()
        .find(|(_, found)| !(found.is_finite() && *found > 0.0))
    {
        Some((what, found)) => Err(CurveError::NotPositive {
            what,
            found,
            speed_spm: point.speed_spm,
        }),
        None => Ok(()),
    }
}

/// Speeds closer than this do not separate reaction from braking: 5 % of the faster.
fn is_one_speed(slowest: &SpeedPoint, fastest: &SpeedPoint) -> bool {
    slowest.speed_spm > 0.95 * fastest.speed_spm
}

fn mean_point(points: &[SpeedPoint]) -> SpeedPoint {
    let mean =
        |of: fn(&SpeedPoint) -> f64| points.iter().map(of).sum::<f64>() / points.len() as f64;
    SpeedPoint {
        speed_spm: mean(|p| p.speed_spm),
        time_ms: mean(|p| p.time_ms),
        travel_deg: mean(|p| p.travel_deg),
    }
}

/// tr = 2·α/(6N) − t, the rest of the time is braking. Friction can push tr below zero on a slow
/// press with short reaction; then all of it is braking.
fn split_one_speed(point: &SpeedPoint) -> (f64, f64) {
    let speed = point.speed_spm;
    let at_speed_s = point.travel_deg / (6.0 * speed);
    let reaction_s = (2.0 * at_speed_s - point.time_ms / 1_000.0).max(0.0);
    let a = 6.0 * reaction_s;
    (a, (point.travel_deg - a * speed) / (speed * speed))
}

fn least_squares_through_origin(points: &[SpeedPoint]) -> (f64, f64) {
    let sum = |of: fn(f64, f64) -> f64| {
        points
            .iter()
            .map(|p| of(p.speed_spm, p.travel_deg))
            .sum::<f64>()
    };
    let (n2, n3, n4) = (
        sum(|n, _| n.powi(2)),
        sum(|n, _| n.powi(3)),
        sum(|n, _| n.powi(4)),
    );
    let (y1, y2) = (sum(|n, y| n * y), sum(|n, y| n * n * y));
    let determinant = n2 * n4 - n3 * n3;
    (
        (y1 * n4 - y2 * n3) / determinant,
        (n2 * y2 - n3 * y1) / determinant,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    const REACTION_MS: f64 = 60.0;
    const BRAKING_MS_PER_SPM: f64 = 2.0944;

    fn ideal(speed_spm: f64) -> SpeedPoint {
        let braking_ms = BRAKING_MS_PER_SPM * speed_spm;
        SpeedPoint {
            speed_spm,
            time_ms: REACTION_MS + braking_ms,
            travel_deg: 0.006 * speed_spm * (REACTION_MS + 0.5 * braking_ms),
        }
    }

    #[test]
    fn two_or_more_speeds_give_back_reaction_and_braking() {
        for speeds in [&[30.0, 60.0][..], &[80.0, 20.0, 45.0]] {
            let points: Vec<_> = speeds.iter().copied().map(ideal).collect();
            let curve = StopCurve::fit(&points).unwrap();
            assert_eq!(curve.basis, CurveBasis::TravelAtSpeeds);
            assert!((curve.reaction_ms() - REACTION_MS).abs() < 1e-6);
            assert!((curve.braking_ms_per_spm() - BRAKING_MS_PER_SPM).abs() < 1e-9);
            assert!(curve.time_residual_ms.iter().all(|r| r.abs() < 1e-6));
            assert!(curve.travel_residual_deg.iter().all(|r| r.abs() < 1e-6));
        }
    }

    #[test]
    fn one_speed_is_split_and_says_so() {
        let curve = StopCurve::fit(&[ideal(85.0), ideal(84.0)]).unwrap();
        assert_eq!(curve.basis, CurveBasis::OneSpeed);
        assert!((curve.reaction_ms() - REACTION_MS).abs() < 0.1);
        assert!(!curve.covers(40.0) && curve.covers(84.5));
    }

    #[test]
    fn a_straight_line_would_miss_the_middle() {
        let curve = StopCurve::fit(&[ideal(20.0), ideal(80.0)]).unwrap();
        let line = 0.5 * (curve.travel_deg(20.0) + curve.travel_deg(80.0));
        assert!(line - ideal(50.0).travel_deg > 2.0);
        assert!((curve.travel_deg(50.0) - ideal(50.0).travel_deg).abs() < 1e-9);
    }

    #[test]
    fn what_is_no_stop_is_refused() {
        assert_eq!(StopCurve::fit(&[]), Err(CurveError::Empty));
        let still = SpeedPoint {
            speed_spm: 0.0,
            ..ideal(40.0)
        };
        assert!(matches!(
            StopCurve::fit(&[still]),
            Err(CurveError::NotPositive { .. })
        ));
        let shrinking = [
            SpeedPoint {
                travel_deg: 50.0,
                ..ideal(40.0)
            },
            SpeedPoint {
                travel_deg: 60.0,
                ..ideal(80.0)
            },
        ];
        assert!(matches!(
            StopCurve::fit(&shrinking),
            Err(CurveError::NotAStop { .. })
        ));
    }
}
