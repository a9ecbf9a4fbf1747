//! Geometry of an in-line slider-crank: crank angle to slide travel and back.
//!
//! The crank is above the slide, as on a top-drive press, so the rod term is *subtracted*: the
//! slide dwells longer at the top and is faster near the bottom. Engine texts have the opposite
//! sign. Exact formulas, no series.
//!
//! Angles are counted from top dead centre; travel is downward from there. `r_mm` is half the
//! stroke and must be positive and shorter than `rod_mm`, the length between rod centres.

use std::f64::consts::PI;

/// Slide travel down from top dead centre, mm: r(1 − cos θ) − (l − √(l² − r² sin² θ)).
pub fn slide_travel_mm(r_mm: f64, rod_mm: f64, angle_rad: f64) -> f64 {
    let (sin, cos) = angle_rad.sin_cos();
    let reach = (rod_mm * rod_mm - r_mm * r_mm * sin * sin).sqrt();
    r_mm * (1.0 - cos) - (rod_mm - reach)
}

/// Slide height above bottom dead centre, mm.
pub fn height_above_bdc_mm(r_mm: f64, rod_mm: f64, angle_rad: f64) -> f64 {
    2.0 * r_mm - slide_travel_mm(r_mm, rod_mm, angle_rad)
}

/// Slide speed, mm/s, positive downward.
pub fn slide_speed_mm_s(r_mm: f64, rod_mm: f64, angle_rad: f64, speed_rad_s: f64) -> f64 {
    gradients(r_mm, rod_mm, angle_rad).0 * speed_rad_s
}

/// Slide acceleration, mm/s², positive downward, with the crank turning at `speed_rad_s` and
/// itself accelerated by `accel_rad_s2`.
pub fn slide_acceleration_mm_s2(
    r_mm: f64,
    rod_mm: f64,
    angle_rad: f64,
    speed_rad_s: f64,
    accel_rad_s2: f64,
) -> f64 {
    let (first, second) = gradients(r_mm, rod_mm, angle_rad);
    second * speed_rad_s * speed_rad_s + first * accel_rad_s2
}

/// First and second derivative of slide travel by crank angle, in the unit of the arguments.
pub fn gradients(r: f64, rod: f64, angle_rad: f64) -> (f64, f64) {
    let (sin, cos) = angle_rad.sin_cos();
    gradients_of(r, rod, sin, cos)
}

/// As [`gradients`], from sine and cosine of the crank angle.
pub fn gradients_of(r: f64, rod: f64, sin: f64, cos: f64) -> (f64, f64) {
    let (r_sin, r_cos) = (r * sin, r * cos);
    let inverse_reach = 1.0 / (rod * rod - r_sin * r_sin).sqrt();
    let ratio = r_sin * inverse_reach;
    let first = r_sin - r_cos * ratio;
    // d/dθ of r² sin θ cos θ / reach, reach' = −r² sin θ cos θ / reach.
    let second = r_cos
        - (r_cos * r_cos - r_sin * r_sin) * inverse_reach
        - r_cos * r_cos * ratio * ratio * inverse_reach;
    (first, second)
}

/// Degrees before (and after) bottom dead centre at which the slide is `height_mm` above it;
/// `None` when the slide never is (below 0 or above the stroke).
///
/// Closed form: on the crank circle the pin is r cos φ below the shaft when the rod, of length l,
/// reaches from the pin to a slide pin r + l − h below the shaft.
pub fn degrees_before_bdc_at_height(r_mm: f64, rod_mm: f64, height_mm: f64) -> Option<f64> {
    if !(0.0..=2.0 * r_mm).contains(&height_mm) {
        return None;
    }
    // Law of cosines in the triangle shaft, pin, slide.
    let reach = r_mm + rod_mm - height_mm;
    let cos = (r_mm * r_mm + reach * reach - rod_mm * rod_mm) / (2.0 * r_mm * reach);
    Some(cos.clamp(-1.0, 1.0).acos() * 180.0 / PI)
}

/// Crank angle in degrees, 0 to 180, at which the slide has travelled `travel_mm` down from the
/// top on the closing stroke; `None` outside the stroke.
pub fn closing_angle_deg_at_travel(r_mm: f64, rod_mm: f64, travel_mm: f64) -> Option<f64> {
    degrees_before_bdc_at_height(r_mm, rod_mm, 2.0 * r_mm - travel_mm).map(|before| 180.0 - before)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gradients_are_the_derivatives_of_travel() {
        let step = 1e-5;
        for degrees in 0..360 {
            let at = |offset: f64| {
                slide_travel_mm(45.0, 420.0, f64::from(degrees).to_radians() + offset)
            };
            let (first, second) = gradients(45.0, 420.0, f64::from(degrees).to_radians());
            assert!((first - (at(step) - at(-step)) / (2.0 * step)).abs() < 1e-6);
            let numeric = (at(step) - 2.0 * at(0.0) + at(-step)) / (step * step);
            assert!(
                (second - numeric).abs() < 2e-3,
                "{degrees}: {second} {numeric}"
            );
        }
    }

    #[test]
    fn height_and_angle_are_inverse() {
        for degrees in 1..180 {
            let angle = f64::from(degrees).to_radians();
            let height = height_above_bdc_mm(45.0, 420.0, angle);
            let before = degrees_before_bdc_at_height(45.0, 420.0, height).unwrap();
            assert!((180.0 - before - f64::from(degrees)).abs() < 1e-6);
            let travel = slide_travel_mm(45.0, 420.0, angle);
            let back = closing_angle_deg_at_travel(45.0, 420.0, travel).unwrap();
            assert!((back - f64::from(degrees)).abs() < 1e-6);
        }
        assert_eq!(degrees_before_bdc_at_height(45.0, 420.0, 90.1), None);
        assert_eq!(degrees_before_bdc_at_height(45.0, 420.0, -0.1), None);
        assert_eq!(degrees_before_bdc_at_height(45.0, 420.0, f64::NAN), None);
    }

    #[test]
    fn the_slide_dwells_at_the_top_and_hurries_at_the_bottom() {
        let at_90 = slide_travel_mm(50.0, 300.0, PI / 2.0);
        assert!(at_90 < 50.0, "{at_90}");
    }
}
