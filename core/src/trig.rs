//! Integer trigonometry: the arctangent that decodes a resolver, and the sine and cosine that
//! check it.
//!
//! The arctangent folds the plane into three sectors, each within 23.2 degrees of its own axis,
//! divides twice for a quotient of 31 bits, and evaluates six odd terms of a minimax polynomial.
//! No floating point, no table of angles, no loop.

use crate::angle::ElectricalAngle;

/// Both components were zero: there is no angle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ZeroVector;

impl core::fmt::Display for ZeroVector {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("sine and cosine are both zero: there is no angle")
    }
}

impl core::error::Error for ZeroVector {}

const EIGHTH_TURN: u32 = 1 << 29;
const HALF_TURN: u32 = 1 << 31;

/// A sector of the first quadrant: the angle of its axis, and the polynomial of the angle
/// from there, atan(t)/2π = t·(k0 − u·(k1 − u·(k2 − u·(k3 − u·(k4 − u·k5))))) with u = t², all in
/// 2⁻³². The coefficients are the minimax ones for the sector's own range of t, made and stored by
/// `tests/receiver/data/arctangent.py`.
struct Sector {
    coefficients: [i32; 6],
    axis: i32,
}

/// t within ±2/5: around the cosine axis, and around the sine axis a quarter turn on.
const AROUND_AXIS: [i32; 6] = [
    683_565_274,
    227_854_782,
    136_697_204,
    97_301_499,
    72_113_197,
    41_046_708,
];

/// t within ±3/7: around the diagonal.
const AROUND_DIAGONAL: [i32; 6] = [
    683_565_272,
    227_854_513,
    136_687_136,
    97_150_387,
    71_132_675,
    38_754_460,
];

/// One row each: read through a reference the coefficients stay in memory, where five load
/// instructions fetch them; as constants in the code they would cost two instructions apiece.
static SECTORS: [Sector; 3] = [
    Sector {
        coefficients: AROUND_AXIS,
        axis: 0,
    },
    Sector {
        coefficients: AROUND_DIAGONAL,
        axis: 1 << 29,
    },
    Sector {
        coefficients: AROUND_AXIS,
        axis: 1 << 30,
    },
];

/// Largest error of [`atan2`] over every pair, thousandths of a count of 2⁻³² turn: 1.1 counts are
/// 0.000 33 arc-seconds.
pub const ATAN2_ERROR_MILLICOUNTS: u32 = 1_100;

/// The angle whose sine and cosine stand in the ratio of the arguments, within
/// [`ATAN2_ERROR_MILLICOUNTS`] for every pair.
///
/// # Errors
/// [`ZeroVector`] when both are zero.
pub const fn atan2(sine: i16, cosine: i16) -> Result<ElectricalAngle, ZeroVector> {
    let (s, c) = (sine as i32, cosine as i32);
    let (y, x, sector) = fold(s.wrapping_abs(), c.wrapping_abs());
    let Some(tangent) = quotient(y, x) else {
        return Err(ZeroVector);
    };
    let acute = sector.angle(tangent);
    let from_axis = if s ^ c < 0 {
        acute.wrapping_neg()
    } else {
        acute
    };
    // A negative cosine is half a turn away.
    let bits = from_axis.wrapping_add(c & i32::MIN) as u32;
    Ok(ElectricalAngle::from_bits(bits))
}

/// Turns a vector of the first quadrant back by the axis of its sector; the vector of the diagonal
/// sector grows by √2. The borders, 5/2 and 2/5, lie close to 67.5 and 22.5 degrees.
const fn fold(y: i32, x: i32) -> (i32, i32, &'static Sector) {
    let [first, diagonal, last] = &SECTORS;
    if y.wrapping_mul(2) > x.wrapping_mul(5) {
        (x.wrapping_neg(), y, last)
    } else if y.wrapping_mul(5) > x.wrapping_mul(2) {
        (y.wrapping_sub(x), y.wrapping_add(x), diagonal)
    } else {
        (y, x, first)
    }
}

/// y/x in 2⁻³², the last bit always 0, for |y| below x/2 and x of at most 2¹⁶: two divisions of
/// 32 bits, the second of the remainder of the first. `None` when x is zero, which after the
/// folding means that both components were.
const fn quotient(y: i32, x: i32) -> Option<i32> {
    if x <= 0 {
        return None;
    }
    let dividend = y.wrapping_shl(16);
    let Some(high) = dividend.checked_div(x) else {
        return None;
    };
    let remainder = dividend.wrapping_sub(high.wrapping_mul(x));
    // The remainder may take 17 bits with its sign: 15 more are all that fit.
    let Some(low) = remainder.wrapping_shl(15).checked_div(x) else {
        return None;
    };
    Some(high.wrapping_shl(16).wrapping_add(low.wrapping_shl(1)))
}

impl Sector {
    /// Angle of the tangent `t` from this sector's axis, plus the axis.
    const fn angle(&self, t: i32) -> i32 {
        let [k0, k1, k2, k3, k4, k5] = self.coefficients;
        // With the square negated every step is one multiply-accumulate of the upper word.
        let v = multiply_add_high(0, t, t).wrapping_neg();
        let p = multiply_add_high(k4, v, k5);
        let p = multiply_add_high(k3, v, p);
        let p = multiply_add_high(k2, v, p);
        let p = multiply_add_high(k1, v, p);
        let p = multiply_add_high(k0, v, p);
        multiply_add_high(self.axis, t, p)
    }
}

/// `a` plus the upper word of the product of `x` and `y`, rounded to the nearest.
pub(crate) const fn multiply_add_high(a: i32, x: i32, y: i32) -> i32 {
    let product = (x as i64).wrapping_mul(y as i64);
    let sum = ((a as i64) << 32).wrapping_add(product);
    (sum.wrapping_add(1 << 31) >> 32) as i32
}

/// sin(πx/4) = x·(a − u·(b − u·c)) and cos(πx/4) = 1 − u·(d − u·(e − u·f)) with u = x², minimax; a
/// in 2⁻³⁰, b and d in 2⁻³², c and e in 2⁻³⁴, f in 2⁻³⁶: each step's product is the next one's unit.
const SINE: [i32; 3] = [843_310_315, 346_659_972, 41_686_080];
const COSINE: [i32; 3] = [1_324_673_112, 272_307_504, 21_931_008];

/// Sine and cosine of an angle, 32 767 standing for 1. Within 2 counts of the exact values; meant
/// for checks and for constants, not for the angle itself.
pub const fn sin_cos(angle: ElectricalAngle) -> (i16, i16) {
    // The nearest axis, and how far from it: ±45 degrees as ±2³¹.
    let turned = angle.to_bits().wrapping_add(EIGHTH_TURN);
    let x = (turned.wrapping_shl(2) ^ HALF_TURN) as i32;
    let v = multiply_add_high(0, x, x).wrapping_neg();
    let [a, b, c] = SINE;
    let sine = multiply_add_high(a, v, multiply_add_high(b, v, c));
    let sine = to_q15(multiply_add_high(0, x, sine).wrapping_shl(1));
    let [d, e, f] = COSINE;
    let cosine = multiply_add_high(d, v, multiply_add_high(e, v, f));
    let cosine = to_q15(multiply_add_high(1 << 30, v, cosine));
    match turned >> 30 {
        0 => (sine, cosine),
        1 => (cosine, sine.wrapping_neg()),
        2 => (sine.wrapping_neg(), cosine.wrapping_neg()),
        _ => (cosine.wrapping_neg(), sine),
    }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_axes_and_diagonals_are_exact() {
        let angle = |s, c| atan2(s, c).map(ElectricalAngle::to_bits);
        for k in [1i16, 7, 1_000, 32_767] {
            assert_eq!(angle(0, k), Ok(0));
            assert_eq!(angle(k, k), Ok(EIGHTH_TURN));
            assert_eq!(angle(k, 0), Ok(HALF_TURN / 2));
            assert_eq!(angle(0, -k), Ok(HALF_TURN));
            assert_eq!(angle(-k, 0), Ok(HALF_TURN / 2 * 3));
            assert_eq!(angle(-k, k), Ok(HALF_TURN / 2 * 3 + EIGHTH_TURN));
        }
        assert_eq!(angle(i16::MIN, i16::MIN), Ok(HALF_TURN + EIGHTH_TURN));
        assert_eq!(angle(0, 0), Err(ZeroVector));
    }
}
