//! Division of a long number by a short constant, digit by digit.
//!
//! A Cortex-M divides 32 bits by 32 in one instruction and has none for 64: there the library's
//! general division takes hundreds. By a divisor of 16 bits a dividend is divided in digits to the
//! base 2¹⁶, as on paper, three single divisions in all; the result is the same to the last bit.

/// `dividend / DIVISOR`, rounded down. `DIVISOR` is 1 to 65 535; 0 does not compile.
// So no division here can be by zero.
#[allow(clippy::arithmetic_side_effects)]
pub const fn quotient<const DIVISOR: u16>(dividend: u64) -> u64 {
    let divisor = const {
        assert!(DIVISOR > 0, "a divisor of zero");
        DIVISOR as u32
    };
    let high = (dividend >> 32) as u32;
    let middle = ((dividend >> 16) as u32 & 0xFFFF) | high.wrapping_rem(divisor) << 16;
    let low = (dividend as u32 & 0xFFFF) | middle.wrapping_rem(divisor) << 16;
    // What is left of a digit is below the divisor, so that either lower digit stays below 2¹⁶.
    let lower = middle.wrapping_div(divisor) << 16 | low.wrapping_div(divisor);
    (high.wrapping_div(divisor) as u64) << 32 | lower as u64
}

/// `dividend / DIVISOR`, rounded toward zero.
pub const fn signed_quotient<const DIVISOR: u16>(dividend: i64) -> i64 {
    let size = quotient::<DIVISOR>(dividend.unsigned_abs()) as i64;
    if dividend < 0 {
        size.wrapping_neg()
    } else {
        size
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[allow(clippy::arithmetic_side_effects)]
    fn agrees<const DIVISOR: u16>(dividend: u64) {
        let plain = dividend / u64::from(DIVISOR);
        assert_eq!(quotient::<DIVISOR>(dividend), plain, "{dividend}");
        let signed = dividend.cast_signed();
        let plain = signed.wrapping_div(i64::from(DIVISOR));
        assert_eq!(signed_quotient::<DIVISOR>(signed), plain, "{signed}");
    }

    #[test]
    fn it_is_the_general_division_to_the_last_bit() {
        let mut random = 1u64;
        for shift in (0..64).cycle().take(64_000) {
            random = random
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let random = random >> shift;
            for dividend in [random, random.wrapping_neg(), !0 >> shift, 1 << shift] {
                agrees::<1>(dividend);
                agrees::<1_000>(dividend);
                agrees::<4_988>(dividend);
                agrees::<14_351>(dividend);
                agrees::<{ u16::MAX }>(dividend);
            }
        }
    }
}
