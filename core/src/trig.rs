//! Integer trigonometry: the arctangent that decodes a resolver, and the sine and cosine that
//! check it.
//!
//! The arctangent folds the plane by 45 degrees until the angle lies within 22.6 degrees of an
//! axis, divides twice for a quotient of 32 bits, and evaluates six odd terms of a minimax
//! polynomial. No floating point, no table of angles, no loop.

use crate::angle::ElectricalAngle;

/// Both components were zero: there is no angle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ZeroVector;

impl core::fmt::Display for ZeroVector {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("sine and cosine are both zero: there is no angle")
    }
}

impl core::error::Error for ZeroVector {}

const EIGHTH_TURN: u32 = 1 << 29;
const QUARTER_TURN: u32 = 1 << 30;
const HALF_TURN: u32 = 1 << 31;

/// atan(t)/2π = t·(k0 − u·(k1 − u·(k2 − …))) with u = t², every k positive, 2³² standing for 1.
/// Taylor's coefficients until the fit replaces them.
const ARCTANGENT: [i32; 6] = [
    683_565_276,
    227_855_092,
    136_713_055,
    97_652_182,
    75_951_697,
    62_142_298,
];

/// The angle whose sine and cosine stand in the ratio of the arguments.
///
/// # Errors
/// [`ZeroVector`] when both are zero.
pub const fn atan2(sine: i16, cosine: i16) -> Result<ElectricalAngle, ZeroVector> {
    let (mut y, mut x, mut base) = (sine as i32, cosine as i32, 0u32);
    if x < 0 {
        (y, x, base) = (y.wrapping_neg(), x.wrapping_neg(), HALF_TURN);
    }
    if y < 0 {
        // Below the axis: turn forward by a quarter, so that only the first quadrant remains.
        (y, x, base) = (x, y.wrapping_neg(), base.wrapping_sub(QUARTER_TURN));
    }
    if y.wrapping_mul(5) > x.wrapping_mul(12) {
        (y, x, base) = (x.wrapping_neg(), y, base.wrapping_add(QUARTER_TURN));
    } else if y.wrapping_mul(12) > x.wrapping_mul(5) {
        (y, x, base) = (
            y.wrapping_sub(x),
            x.wrapping_add(y),
            base.wrapping_add(EIGHTH_TURN),
        );
    }
    let Some(tangent) = quotient(y, x) else {
        return Err(ZeroVector);
    };
    Ok(ElectricalAngle::from_bits(
        base.wrapping_add(arctangent(tangent) as u32),
    ))
}

/// y/x in 2⁻³², for |y| below 0.43·x and x of at most 2¹⁶. Two divisions of 32 bits, the second
/// of the remainder of the first. After the folding x is zero only when both components were.
const fn quotient(y: i32, x: i32) -> Option<i32> {
    if x <= 0 {
        return None;
    }
    let dividend = y.wrapping_shl(16);
    let Some(high) = dividend.checked_div(x) else {
        return None;
    };
    let remainder = dividend.wrapping_sub(high.wrapping_mul(x));
    let Some(low) = remainder.wrapping_shl(16).checked_div(x) else {
        return None;
    };
    Some(high.wrapping_shl(16).wrapping_add(low))
}

const fn arctangent(t: i32) -> i32 {
    let u = multiply_high(t, t);
    let [k0, k1, k2, k3, k4, k5] = ARCTANGENT;
    let p = k4.wrapping_sub(multiply_high(u, k5));
    let p = k3.wrapping_sub(multiply_high(u, p));
    let p = k2.wrapping_sub(multiply_high(u, p));
    let p = k1.wrapping_sub(multiply_high(u, p));
    let p = k0.wrapping_sub(multiply_high(u, p));
    multiply_high(t, p)
}

/// sin(πx/4) = x·(a − u·(b − u·c)) and cos(πx/4) = 1 − u·(d − u·(e − u·f)) with u = x², in 2⁻³⁰.
const SINE: [i32; 3] = [843_314_857, 86_700_302, 2_674_021];
const COSINE: [i32; 3] = [331_176_025, 17_024_201, 350_051];

/// Sine and cosine of an angle, 32 767 standing for 1. Within 2 counts of the exact values; meant
/// for checks and for constants, not for the angle itself.
pub const fn sin_cos(angle: ElectricalAngle) -> (i16, i16) {
    // The nearest axis, and how far from it: ±45 degrees as ±2³¹.
    let turned = angle.to_bits().wrapping_add(EIGHTH_TURN);
    let x = (turned.wrapping_shl(2) ^ HALF_TURN) as i32;
    let u = multiply_high(x, x);
    let [a, b, c] = SINE;
    let sine = a.wrapping_sub(multiply_q30(u, b.wrapping_sub(multiply_q30(u, c))));
    let sine = to_q15(multiply_high(x, sine).wrapping_shl(1));
    let [d, e, f] = COSINE;
    let cosine = d.wrapping_sub(multiply_q30(u, e.wrapping_sub(multiply_q30(u, f))));
    let cosine = to_q15((1i32 << 30).wrapping_sub(multiply_q30(u, cosine)));
    match turned >> 30 {
        0 => (sine, cosine),
        1 => (cosine, sine.wrapping_neg()),
        2 => (sine.wrapping_neg(), cosine.wrapping_neg()),
        _ => (cosine.wrapping_neg(), sine),
    }
}

const fn multiply_q30(a: i32, b: i32) -> i32 {
    ((a as i64).wrapping_mul(b as i64) >> 30) as i32
}

/// From 2⁻³⁰ to the nearest 1/32 768, 32 767 at most.
const fn to_q15(value: i32) -> i16 {
    let rounded = value.wrapping_add(1 << 14) >> 15;
    if rounded > i16::MAX as i32 {
        i16::MAX
    } else {
        rounded as i16
    }
}

/// The upper half of the 64-bit product.
pub(crate) const fn multiply_high(a: i32, b: i32) -> i32 {
    ((a as i64).wrapping_mul(b as i64) >> 32) as i32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axes_and_diagonals_are_exact() {
        let angle = |s, c| atan2(s, c).map(ElectricalAngle::to_bits);
        for k in [1i16, 7, 1_000, 32_767] {
            assert_eq!(angle(0, k), Ok(0));
            assert_eq!(angle(k, k), Ok(EIGHTH_TURN));
            assert_eq!(angle(k, 0), Ok(QUARTER_TURN));
            assert_eq!(angle(0, -k), Ok(HALF_TURN));
            assert_eq!(angle(-k, 0), Ok(HALF_TURN + QUARTER_TURN));
            assert_eq!(angle(-k, k), Ok(HALF_TURN + QUARTER_TURN + EIGHTH_TURN));
        }
        assert_eq!(angle(i16::MIN, i16::MIN), Ok(HALF_TURN + EIGHTH_TURN));
        assert_eq!(angle(0, 0), Err(ZeroVector));
    }
}
