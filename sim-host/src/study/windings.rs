//! The amplitudes of a resolver's two windings to an angle, balanced as far as the recording shows
//! a whole turn.
//!
//! The two amplitudes of a turning resolver lie on an ellipse. A conic fitted to them gives centre,
//! gains and the error of the right angle between the windings; with these taken off, the ellipse
//! is the unit circle and its angle the resolver's. What is far off the circle is no reading.

use nalgebra::{Matrix5, Vector5};

/// A reading this far inside the circle is a lost signal, not an angle.
const RADIUS_MIN: f64 = 0.5;
const RADIUS_MAX: f64 = 1.5;
/// More than this share outside ±20 % of the circle and the pair is no balanced pair.
const STRAY_SHARE_MAX: f64 = 0.05;

/// Angles of a pair of windings.
pub(super) struct Windings {
    /// Degrees, −180 to 180; not a number where the signal is lost.
    pub(super) deg: Vec<f64>,
    /// Why the angle is doubtful, if it is.
    pub(super) doubt: Option<&'static str>,
}

/// From pairs of sine and cosine; a pair with a missing part gives a missing angle.
pub(super) fn angles(pairs: &[(f64, f64)]) -> Windings {
    let whole: Vec<(f64, f64)> = pairs
        .iter()
        .copied()
        .filter(|(s, c)| s.is_finite() && c.is_finite())
        .collect();
    let (balance, mut doubt) = match covers_a_turn(&whole)
        .then(|| Balance::fit(&whole))
        .flatten()
    {
        Some(balance) => (balance, None),
        None => (
            Balance::scale_only(&whole),
            Some("sine and cosine show less than a turn: offset and gain could not be balanced"),
        ),
    };
    let circle: Vec<(f64, f64)> = pairs.iter().map(|&pair| balance.apply(pair)).collect();
    let radius = |&(s, c): &(f64, f64)| s.hypot(c);
    let stray = circle
        .iter()
        .filter(|pair| (radius(pair) - 1.0).abs() > 0.2)
        .count();
    if doubt.is_none() && stray as f64 > STRAY_SHARE_MAX * circle.len() as f64 {
        doubt = Some("sine and cosine do not lie on one ellipse: the amplitude is not constant");
    }
    let deg = circle.iter().map(|pair| match radius(pair) {
        radius if (RADIUS_MIN..RADIUS_MAX).contains(&radius) => pair.0.atan2(pair.1).to_degrees(),
        _ => f64::NAN,
    });
    Windings {
        deg: deg.collect(),
        doubt,
    }
}

/// Offset, gain and skew that take the pair to the unit circle.
#[derive(Clone, Copy, Debug)]
struct Balance {
    sine_offset: f64,
    cosine_offset: f64,
    sine_gain: f64,
    cosine_gain: f64,
    sine_of_skew: f64,
}

impl Balance {
    fn scale_only(pairs: &[(f64, f64)]) -> Self {
        let largest = pairs.iter().map(|(s, c)| s.hypot(*c)).fold(0.0, f64::max);
        let gain = if largest > 0.0 { largest } else { 1.0 };
        Self {
            sine_offset: 0.0,
            cosine_offset: 0.0,
            sine_gain: gain,
            cosine_gain: gain,
            sine_of_skew: 0.0,
        }
    }

    /// Least squares of a x² + b x y + c y² + d x + e y = 1 with x the cosine, y the sine, both
    /// about their middle and in units of their range.
    fn fit(pairs: &[(f64, f64)]) -> Option<Self> {
        let (sine_mid, sine_half) = range(pairs.iter().map(|pair| pair.0))?;
        let (cosine_mid, cosine_half) = range(pairs.iter().map(|pair| pair.1))?;
        let (mut normal, mut right) = (Matrix5::zeros(), Vector5::zeros());
        for (s, c) in pairs {
            let (y, x) = ((s - sine_mid) / sine_half, (c - cosine_mid) / cosine_half);
            let row = Vector5::new(x * x, x * y, y * y, x, y);
            normal += row * row.transpose();
            right += row;
        }
        let conic = normal.lu().solve(&right)?;
        let unit = Self::from_conic(conic[0], conic[1], conic[2], conic[3], conic[4])?;
        Some(Self {
            sine_offset: sine_mid + unit.sine_offset * sine_half,
            cosine_offset: cosine_mid + unit.cosine_offset * cosine_half,
            sine_gain: unit.sine_gain * sine_half,
            cosine_gain: unit.cosine_gain * cosine_half,
            ..unit
        })
    }

    fn from_conic(a: f64, b: f64, c: f64, d: f64, e: f64) -> Option<Self> {
        let determinant = 4.0 * a * c - b * b;
        let x0 = (b * e - 2.0 * c * d) / determinant;
        let y0 = (b * d - 2.0 * a * e) / determinant;
        let level = 1.0 + a * x0 * x0 + b * x0 * y0 + c * y0 * y0;
        let (a, b, c) = (a / level, b / level, c / level);
        let sine_of_skew = -b / (2.0 * (a * c).sqrt());
        let shrink = 1.0 - sine_of_skew * sine_of_skew;
        let balance = Self {
            sine_offset: y0,
            cosine_offset: x0,
            sine_gain: 1.0 / (c * shrink).sqrt(),
            cosine_gain: 1.0 / (a * shrink).sqrt(),
            sine_of_skew,
        };
        // A skew of 30 degrees or a centre outside the range is no resolver.
        let is_ellipse = determinant > 0.0
            && sine_of_skew.abs() < 0.5
            && balance.sine_gain.is_finite()
            && balance.cosine_gain.is_finite()
            && x0.abs() < 1.0
            && y0.abs() < 1.0;
        is_ellipse.then_some(balance)
    }

    fn apply(&self, (sine, cosine): (f64, f64)) -> (f64, f64) {
        let x = (cosine - self.cosine_offset) / self.cosine_gain;
        let y = (sine - self.sine_offset) / self.sine_gain;
        let skew = self.sine_of_skew;
        ((y - x * skew) / (1.0 - skew * skew).sqrt(), x)
    }
}

/// Middle and half of the range.
fn range(values: impl Iterator<Item = f64> + Clone) -> Option<(f64, f64)> {
    let low = values.clone().fold(f64::INFINITY, f64::min);
    let high = values.fold(f64::NEG_INFINITY, f64::max);
    let half = (high - low) / 2.0;
    (half.is_finite() && half > 0.0).then_some((f64::midpoint(low, high), half))
}

/// Whether the pairs are seen in all eight octants about the middle of their ranges.
fn covers_a_turn(pairs: &[(f64, f64)]) -> bool {
    let ranges = range(pairs.iter().map(|pair| pair.0)).zip(range(pairs.iter().map(|pair| pair.1)));
    let Some(((s_mid, s_half), (c_mid, c_half))) = ranges else {
        return false;
    };
    let octant = |(s, c): &(f64, f64)| {
        let (y, x) = ((s - s_mid) / s_half, (c - c_mid) / c_half);
        usize::from(y > 0.0) * 4 + usize::from(x > 0.0) * 2 + usize::from(y.abs() > x.abs())
    };
    let seen = pairs
        .iter()
        .fold(0u8, |seen, pair| seen | 1 << octant(pair));
    seen == u8::MAX
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::motion::shortest;

    fn turn(samples: usize, span_deg: f64) -> impl Iterator<Item = f64> {
        (0..samples).map(move |k| k as f64 * span_deg / samples as f64)
    }

    #[test]
    fn offset_gain_and_skew_are_taken_off() {
        let pair = |deg: f64| {
            let angle = deg.to_radians();
            (
                2048.0 + 60.0 + 1500.0 * (angle + 0.03).sin(),
                2048.0 - 35.0 + 1600.0 * angle.cos(),
            )
        };
        let pairs: Vec<_> = turn(900, 720.0).map(pair).collect();
        let windings = angles(&pairs);
        assert!(windings.doubt.is_none());
        for (deg, found) in turn(900, 720.0).zip(windings.deg) {
            assert!(shortest(found - deg).abs() < 1e-6, "{deg}: {found}");
        }
    }

    #[test]
    fn less_than_a_turn_is_told() {
        let pairs: Vec<_> = turn(90, 80.0).map(|d| d.to_radians().sin_cos()).collect();
        assert!(angles(&pairs).doubt.is_some());
    }

    #[test]
    fn a_lost_winding_is_no_angle() {
        let mut pairs: Vec<_> = turn(900, 720.0).map(|d| d.to_radians().sin_cos()).collect();
        pairs[100] = (0.01, -0.02);
        let windings = angles(&pairs);
        assert!(windings.deg[100].is_nan() && windings.deg[101].is_finite());
    }
}
