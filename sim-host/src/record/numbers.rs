//! How many decimals a number keeps, and which way it is rounded when a person reads it.
//!
//! Files round to the nearest at the decimals of the unit, so that equal runs give equal bytes.
//! What a hand depends on is shown rounded to the cautious side: times, travels and required
//! distances up, limits and margins down.

/// Decimals by the unit at the end of a key; the first match counts.
pub const DECIMALS: [(&str, usize); 12] = [
    ("_deg_per_spm2", 9),
    ("_deg_per_spm", 6),
    ("_deg", 4),
    ("_ms", 3),
    ("_mm", 3),
    ("_spm", 3),
    ("_s", 6),
    ("_hz", 3),
    ("_kn", 3),
    ("_kg", 3),
    ("_c", 2),
    ("_ratio", 6),
];

/// Decimals of a key without a unit.
pub const DECIMALS_OTHERWISE: usize = 6;

/// Decimals the files keep of the number under this key.
pub fn decimals(key: &str) -> usize {
    DECIMALS
        .iter()
        .find(|(unit, _)| key.ends_with(unit))
        .map_or(DECIMALS_OTHERWISE, |(_, decimals)| *decimals)
}

/// To the nearest, as text. Never a negative zero.
pub fn near(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let is_zero = text
        .trim_start_matches('-')
        .chars()
        .all(|c| matches!(c, '0' | '.'));
    if is_zero {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// Upwards, as text: for what must not look smaller than it is.
pub fn up(value: f64, decimals: usize) -> String {
    near(
        whole_steps(value, decimals).ceil() / steps(decimals),
        decimals,
    )
}

/// Downwards, as text: for what must not look larger than it is.
pub fn down(value: f64, decimals: usize) -> String {
    near(
        whole_steps(value, decimals).floor() / steps(decimals),
        decimals,
    )
}

/// To the nearest without trailing zeros, as text: for nameplate values.
pub fn plain(value: f64, decimals: usize) -> String {
    let text = near(value, decimals);
    if !text.contains('.') {
        return text;
    }
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// To the nearest, as a number. The way through text gives the same bits everywhere.
pub fn rounded(value: f64, decimals: usize) -> f64 {
    near(value, decimals).parse().unwrap_or(value)
}

fn steps(decimals: usize) -> f64 {
    (0..decimals).fold(1.0, |power, _| power * 10.0)
}

/// A value already on a step has to stay there: 137.3 is 1372.9999… tenths in binary.
fn whole_steps(value: f64, decimals: usize) -> f64 {
    const FUZZ: f64 = 1e-6;
    let scaled = value * steps(decimals);
    let nearest = scaled.round();
    if (scaled - nearest).abs() < FUZZ {
        nearest
    } else {
        scaled
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_on_a_step_stays_there() {
        assert_eq!(up(137.3, 1), "137.3");
        assert_eq!(down(137.3, 1), "137.3");
    }

    #[test]
    fn rounding_is_to_the_named_side() {
        assert_eq!(
            (up(137.31, 1), down(137.39, 1)),
            ("137.4".into(), "137.3".into())
        );
        assert_eq!(
            (up(-5.55, 1), down(-5.55, 1)),
            ("-5.5".into(), "-5.6".into())
        );
    }

    #[test]
    fn a_nameplate_value_has_no_trailing_zeros() {
        assert_eq!(
            (plain(85.0, 1), plain(62.5, 1), plain(100.0, 0)),
            ("85".into(), "62.5".into(), "100".into())
        );
    }

    #[test]
    fn there_is_no_negative_zero() {
        assert_eq!(near(-0.0004, 3), "0.000");
        assert_eq!(rounded(-0.0004, 3).to_bits(), 0.0_f64.to_bits());
    }

    #[test]
    fn the_unit_of_the_key_sets_the_decimals() {
        assert_eq!(decimals("b_deg_per_spm2"), 9);
        assert_eq!(decimals("time_ms"), 3);
        assert_eq!(decimals("tolerance_factor"), DECIMALS_OTHERWISE);
    }
}
