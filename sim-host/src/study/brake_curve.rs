//! Standstill of one stop: the first zero of a fitted crank speed.
//!
//! The curve fitted is the simplest one with the parts a brake stop has. From the command on the
//! crank coasts under friction; at the onset the brake begins to act and its torque rises to its
//! final value as the air leaves the cylinder, exponentially; from standstill on the crank rests.
//! Six numbers: rest angle, standstill, braking time, rise time, brake deceleration, friction. The
//! samples while braking find them together, so that no single sample decides when the crank stood
//! still; the last change of a code would end the stop 2 to 16 ms early.
//!
//! Three things known of every press keep the numbers sensible where samples are few: the speed at
//! the command (measured before it), that torque rises within a fair part of the braking time, and
//! that friction alone is weak. They weigh little once there are a few dozen samples.
//!
//! A press whose inertia or load changes much on the way does not quite brake like that. So the
//! last part of the braking is fitted once more by itself: where the two disagree by more than
//! their scatter, the last part is right about standstill and the disagreement adds to its doubt.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{Dyn, OMatrix, OVector, Owned, U6, Vector6};

use super::motion::median;
use super::polynomial::SIGMA_PER_MAD;

/// Rise time of the brake torque over braking time: the middle of what presses have, and the
/// factor (as a logarithm) within which two thirds of them lie. Presses A to H: 0.2 to 0.6.
const RISE_SHARE: f64 = 0.3;
const RISE_SHARE_LOG_SIGMA: f64 = 0.6;
/// Friction deceleration over speed, per second, and how far presses are from it: A to H have 0.3
/// to 0.55; a heavy slide without its counterbalance takes or gives more.
const FRICTION_PER_S: f64 = 0.4;
const FRICTION_PER_S_SIGMA: f64 = 1.5;
/// The crank's speed is not taken to be known better than this share of it.
const SPEED_SHARE_SIGMA: f64 = 0.003;
/// Samples further off than this many sigma are left out, and the fit done again.
const REJECT_SIGMAS: f64 = 4.5;
const ROUNDS: usize = 3;
/// Rest is unquiet when the samples just after standstill scatter so much more than they should.
const UNQUIET: f64 = 1.6;
const UNQUIET_S: f64 = 0.08;
/// The last part of the braking, as a share of it, and the fewest samples that make one.
const LAST_PART: f64 = 0.6;
const LAST_PART_POINTS: usize = 8;
/// Whole and last part disagree when their standstills are further apart than this many sigma; so
/// much of the distance then is doubt.
const DISAGREE_SIGMAS: f64 = 2.5;
const DISAGREE_DOUBT: f64 = 0.5;

/// One sample of a stop: time after the command, travel since the command, and its scatter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Point {
    pub(super) time_s: f64,
    pub(super) deg: f64,
    pub(super) sigma_deg: f64,
}

/// What is known before the fit; times in seconds after the command, angles in degrees of travel.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    pub(super) speed_deg_s: f64,
    pub(super) speed_sigma: f64,
    /// First guess of standstill and of the time the brake took.
    pub(super) standstill_s: f64,
    pub(super) braking_s: f64,
    pub(super) rest_deg: f64,
}

/// A fitted stop; times in seconds after the command, angles in degrees of travel.
#[derive(Clone, Copy, Debug)]
pub(super) struct BrakeCurve {
    pub(super) standstill_s: f64,
    pub(super) standstill_sigma: f64,
    pub(super) rest_deg: f64,
    pub(super) rest_sigma: f64,
    /// Just before standstill.
    pub(super) deceleration_deg_s2: f64,
    /// Samples left out as bad.
    pub(super) left_out: usize,
    /// The crank swung after it had come to rest; its rest was kept out of the fit.
    pub(super) is_unquiet: bool,
}

/// Fits the samples of one stop, from the command to some time after standstill. `None` when they
/// do not determine a curve.
pub(super) fn fit(points: &[Point], known: &Known) -> Option<BrakeCurve> {
    let whole = fit_robustly(points, known)?;
    if !is_unquiet(points, &whole.shape) {
        return Some(checked(points, known, whole, false));
    }
    // The swing pulls standstill to itself; without the samples after it the vertex is free.
    let mut last = whole;
    let mut moving = Vec::new();
    for _ in 0..2 {
        let end = last.shape.standstill_s;
        moving = points
            .iter()
            .copied()
            .filter(|point| point.time_s <= end)
            .collect();
        last = fit_robustly(&moving, known)?;
    }
    Some(checked(&moving, known, last, true))
}

/// The curve of the whole stop, or of its last part where the two disagree.
fn checked(points: &[Point], known: &Known, whole: Fitted, is_unquiet: bool) -> BrakeCurve {
    let curve = whole.curve(is_unquiet);
    let Some(part) = fit_last_part(points, known, &whole) else {
        return curve;
    };
    let apart = (part.shape.standstill_s - whole.shape.standstill_s).abs();
    let scatter = DISAGREE_SIGMAS * part.standstill_sigma.hypot(whole.standstill_sigma);
    if apart <= scatter {
        return curve;
    }
    let doubt = DISAGREE_DOUBT * apart;
    BrakeCurve {
        standstill_sigma: part.standstill_sigma.hypot(doubt),
        left_out: whole.left_out,
        ..part.curve(is_unquiet)
    }
}

fn fit_last_part(points: &[Point], known: &Known, whole: &Fitted) -> Option<Fitted> {
    let shape = whole.shape;
    let braking = known.speed_deg_s / shape.final_deceleration();
    let from = shape.standstill_s - LAST_PART * braking;
    let part: Vec<Point> = points
        .iter()
        .copied()
        .filter(|point| point.time_s >= from)
        .collect();
    let braking_points = part
        .iter()
        .filter(|point| point.time_s < shape.standstill_s)
        .count();
    if from <= 0.0 || braking_points < LAST_PART_POINTS {
        return None;
    }
    // What happened before it is none of its business: the speed at the command tells it little.
    let known = Known {
        speed_sigma: 0.1 * known.speed_deg_s,
        ..*known
    };
    Problem::new(&part, &known, shape).solve(0)
}

/// The six numbers, in units in which all of them are positive or free.
#[derive(Clone, Copy, Debug)]
struct Shape {
    rest_deg: f64,
    standstill_s: f64,
    braking_s: f64,
    rise_s: f64,
    brake_deg_s2: f64,
    friction_deg_s2: f64,
}

impl Shape {
    fn first(known: &Known) -> Self {
        let rise_s = RISE_SHARE * known.braking_s;
        Self {
            rest_deg: known.rest_deg,
            standstill_s: known.standstill_s,
            braking_s: known.braking_s + rise_s,
            rise_s,
            brake_deg_s2: known.speed_deg_s / known.braking_s,
            friction_deg_s2: FRICTION_PER_S * known.speed_deg_s,
        }
    }

    fn from_vector(x: &Vector6<f64>) -> Self {
        Self {
            rest_deg: x[0],
            standstill_s: x[1],
            braking_s: x[2].exp(),
            rise_s: x[3].exp(),
            brake_deg_s2: x[4].exp(),
            friction_deg_s2: x[5],
        }
    }

    fn to_vector(self) -> Vector6<f64> {
        Vector6::new(
            self.rest_deg,
            self.standstill_s,
            self.braking_s.ln(),
            self.rise_s.ln(),
            self.brake_deg_s2.ln(),
            self.friction_deg_s2,
        )
    }

    /// Share of the brake's torque not yet there, `time` after its onset.
    fn missing(&self, time: f64) -> f64 {
        (-time / self.rise_s).exp()
    }

    /// Speed lost to brake and friction, `time` after the onset.
    fn speed_lost(&self, time: f64) -> f64 {
        let acting = (time - self.rise_s * (1.0 - self.missing(time))).max(0.0);
        self.brake_deg_s2 * acting + self.friction_deg_s2 * time
    }

    /// Travel lost to them.
    fn travel_lost(&self, time: f64) -> f64 {
        let rise = self.rise_s;
        let acting = time * time / 2.0 - rise * time + rise * rise * (1.0 - self.missing(time));
        self.brake_deg_s2 * acting + self.friction_deg_s2 * time * time / 2.0
    }

    /// Travel at `time` after the command.
    fn travel(&self, time: f64) -> f64 {
        let onset_speed = self.speed_lost(self.braking_s);
        let braked = onset_speed * self.braking_s - self.travel_lost(self.braking_s);
        let since = time - self.standstill_s + self.braking_s;
        let onward = if since < 0.0 {
            onset_speed * since - self.friction_deg_s2 * since * since / 2.0
        } else {
            let since = since.min(self.braking_s);
            onset_speed * since - self.travel_lost(since)
        };
        self.rest_deg - braked + onward
    }

    /// Speed at `time` after the command, before standstill.
    fn speed(&self, time: f64) -> f64 {
        let onset_speed = self.speed_lost(self.braking_s);
        let since = time - self.standstill_s + self.braking_s;
        if since < 0.0 {
            onset_speed - self.friction_deg_s2 * since
        } else {
            onset_speed - self.speed_lost(since.min(self.braking_s))
        }
    }

    fn final_deceleration(&self) -> f64 {
        self.brake_deg_s2 * (1.0 - self.missing(self.braking_s)) + self.friction_deg_s2
    }
}

struct Fitted {
    shape: Shape,
    standstill_sigma: f64,
    rest_sigma: f64,
    left_out: usize,
}

impl Fitted {
    fn curve(&self, is_unquiet: bool) -> BrakeCurve {
        BrakeCurve {
            standstill_s: self.shape.standstill_s,
            standstill_sigma: self.standstill_sigma,
            rest_deg: self.shape.rest_deg,
            rest_sigma: self.rest_sigma,
            deceleration_deg_s2: self.shape.final_deceleration(),
            left_out: self.left_out,
            is_unquiet,
        }
    }
}

fn fit_robustly(points: &[Point], known: &Known) -> Option<Fitted> {
    let mut problem = Problem::new(points, known, Shape::first(known));
    let mut fitted = problem.solve(0)?;
    for _ in 1..ROUNDS {
        let off: Vec<f64> = points
            .iter()
            .map(|point| off_by(point, &fitted.shape))
            .collect();
        let limit = REJECT_SIGMAS * f64::max(SIGMA_PER_MAD * median(&off)?, 1.0);
        let near = points.iter().zip(&off).filter(|&(_, &off)| off <= limit);
        let near: Vec<Point> = near.map(|(&point, _)| point).collect();
        if near.len() == problem.points.len() {
            break;
        }
        problem = Problem::new(&near, known, fitted.shape);
        fitted = problem.solve(points.len() - near.len())?;
    }
    Some(fitted)
}

/// Distance of a sample from the curve, in its own sigma.
fn off_by(point: &Point, shape: &Shape) -> f64 {
    ((point.deg - shape.travel(point.time_s)) / point.sigma_deg).abs()
}

fn is_unquiet(points: &[Point], shape: &Shape) -> bool {
    let after = shape.standstill_s..shape.standstill_s + UNQUIET_S;
    let resting = points.iter().filter(|point| after.contains(&point.time_s));
    let off: Vec<f64> = resting.map(|point| off_by(point, shape)).collect();
    median(&off).is_some_and(|middle| SIGMA_PER_MAD * middle > UNQUIET)
}

/// Data residuals first, then the three things known.
#[derive(Clone)]
struct Problem<'a> {
    points: Vec<Point>,
    known: &'a Known,
    x: Vector6<f64>,
}

const PRIORS: usize = 3;

impl<'a> Problem<'a> {
    fn new(points: &[Point], known: &'a Known, shape: Shape) -> Self {
        Self {
            points: points.to_vec(),
            known,
            x: shape.to_vector(),
        }
    }

    fn solve(&self, left_out: usize) -> Option<Fitted> {
        let (done, report) = LevenbergMarquardt::new()
            .with_patience(60)
            .minimize(self.clone());
        let shape = Shape::from_vector(&done.x);
        let covariance = done.covariance()?;
        let is_sound = report.objective_function.is_finite()
            && shape.standstill_s > 0.0
            && shape.final_deceleration() > 0.0
            && covariance.iter().all(|value| value.is_finite());
        is_sound.then(|| Fitted {
            shape,
            standstill_sigma: covariance[1].max(0.0).sqrt(),
            rest_sigma: covariance[0].max(0.0).sqrt(),
            left_out,
        })
    }

    /// Variances of the six numbers; widened where the curve misses the samples by more than their
    /// scatter.
    fn covariance(&self) -> Option<Vector6<f64>> {
        let jacobian = self.jacobian()?;
        let residuals = self.residuals()?;
        let freedom = self.points.len().saturating_sub(6).max(1) as f64;
        let misfit = f64::max(residuals.norm_squared() / freedom, 1.0);
        Some((jacobian.transpose() * jacobian).try_inverse()?.diagonal() * misfit)
    }

    fn residual(&self, shape: &Shape, row: usize) -> f64 {
        let known = self.known;
        match self.points.get(row) {
            Some(point) => (shape.travel(point.time_s) - point.deg) / point.sigma_deg,
            _ => match row - self.points.len() {
                0 => {
                    let sigma = known
                        .speed_sigma
                        .hypot(SPEED_SHARE_SIGMA * known.speed_deg_s);
                    (shape.speed(0.0) - known.speed_deg_s) / sigma
                }
                1 => (shape.rise_s / (RISE_SHARE * known.braking_s)).ln() / RISE_SHARE_LOG_SIGMA,
                _ => {
                    (shape.friction_deg_s2 / known.speed_deg_s - FRICTION_PER_S)
                        / FRICTION_PER_S_SIGMA
                }
            },
        }
    }

    fn rows(&self) -> usize {
        self.points.len() + PRIORS
    }

    /// Steps for the derivatives: small against each number's meaning, large against rounding.
    fn steps(&self) -> Vector6<f64> {
        Vector6::new(1e-4, 1e-6, 1e-5, 1e-5, 1e-5, 1e-5 * self.known.speed_deg_s)
    }
}

impl LeastSquaresProblem<f64, Dyn, U6> for Problem<'_> {
    type ParameterStorage = Owned<f64, U6>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, U6>;

    fn set_params(&mut self, x: &Vector6<f64>) {
        self.x = *x;
    }

    fn params(&self) -> Vector6<f64> {
        self.x
    }

    fn residuals(&self) -> Option<OVector<f64, Dyn>> {
        let shape = Shape::from_vector(&self.x);
        let residuals =
            OVector::<f64, Dyn>::from_fn(self.rows(), |row, _| self.residual(&shape, row));
        residuals
            .iter()
            .all(|value| value.is_finite())
            .then_some(residuals)
    }

    fn jacobian(&self) -> Option<OMatrix<f64, Dyn, U6>> {
        let steps = self.steps();
        let mut jacobian = OMatrix::<f64, Dyn, U6>::zeros(self.rows());
        for column in 0..6 {
            let (mut low, mut high) = (self.x, self.x);
            low[column] -= steps[column];
            high[column] += steps[column];
            let (low, high) = (Shape::from_vector(&low), Shape::from_vector(&high));
            for row in 0..self.rows() {
                jacobian[(row, column)] =
                    (self.residual(&high, row) - self.residual(&low, row)) / (2.0 * steps[column]);
            }
        }
        jacobian
            .iter()
            .all(|value| value.is_finite())
            .then_some(jacobian)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Press B of the documents in round numbers.
    const STOP: Shape = Shape {
        rest_deg: 47.0,
        standstill_s: 0.138,
        braking_s: 0.105,
        rise_s: 0.020,
        brake_deg_s2: 5700.0,
        friction_deg_s2: 245.0,
    };

    fn known() -> Known {
        Known {
            speed_deg_s: STOP.speed(0.0),
            speed_sigma: 0.5,
            standstill_s: 0.131,
            braking_s: 0.080,
            rest_deg: 46.9,
        }
    }

    fn point(time_s: f64, deg: f64) -> Point {
        Point {
            time_s,
            deg,
            sigma_deg: 0.003,
        }
    }

    fn samples(period: f64, end: f64) -> Vec<Point> {
        let count = (end / period) as u32;
        (0..count)
            .map(|k| f64::from(k) * period)
            .map(|t| point(t, STOP.travel(t)))
            .collect()
    }

    #[test]
    fn the_curve_is_continuous_in_angle_and_speed() {
        let onset = STOP.standstill_s - STOP.braking_s;
        for time in [onset, STOP.standstill_s] {
            assert!((STOP.travel(time + 1e-9) - STOP.travel(time - 1e-9)).abs() < 1e-5);
        }
        assert!(STOP.speed(STOP.standstill_s).abs() < 1e-9);
        let numeric = (STOP.travel(0.0601) - STOP.travel(0.0599)) / 2e-4;
        assert!((numeric - STOP.speed(0.06)).abs() < 0.01);
    }

    #[test]
    fn a_stop_of_its_own_shape_is_found_at_every_rate() {
        for period in [1e-4, 1e-3, 4e-3, 1e-2] {
            let curve = fit(&samples(period, 0.3), &known()).expect("a curve");
            assert!(
                (curve.standstill_s - STOP.standstill_s).abs() < 2e-4,
                "{period}: {curve:?}"
            );
            assert!(
                (curve.rest_deg - STOP.rest_deg).abs() < 0.01,
                "{period}: {curve:?}"
            );
        }
    }

    #[test]
    fn a_crank_that_swings_back_stood_still_at_the_first_zero() {
        let swung = samples(1e-3, 0.3).into_iter().map(|sample| {
            let since: f64 = sample.time_s - STOP.standstill_s;
            let swing = 0.15 * ((125.0 * since).cos() - 1.0) * (-since / 0.06).exp();
            point(
                sample.time_s,
                if since > 0.0 {
                    sample.deg + swing
                } else {
                    sample.deg
                },
            )
        });
        let curve = fit(&swung.collect::<Vec<_>>(), &known()).expect("a curve");
        assert!(curve.is_unquiet);
        assert!(
            (curve.standstill_s - STOP.standstill_s).abs() < 5e-4,
            "{curve:?}"
        );
    }

    #[test]
    fn samples_that_are_no_stop_give_no_curve_or_a_wide_one() {
        let turning = (0..300).map(f64::from).map(|k| point(k * 1e-3, 0.5 * k));
        let turning: Vec<_> = turning.collect();
        let curve = fit(&turning, &known());
        assert!(
            curve.is_none_or(|curve| curve.standstill_sigma > 1e-3),
            "{curve:?}"
        );
        assert!(fit(&[], &known()).is_none());
        assert!(fit(&[point(0.0, f64::NAN); 40], &known()).is_none());
    }
}
