//! Quantities on the command line, with their unit.

/// A length such as `420mm`, `16.5in` or `0.42m`, in mm.
///
/// # Errors
/// What is wrong and what is allowed.
pub(super) fn length_mm(text: &str) -> Result<f64, String> {
    let units = [("mm", 1.0), ("in", 25.4), ("m", 1_000.0)];
    let (number, factor) = units
        .iter()
        .find_map(|(unit, factor)| Some((text.strip_suffix(unit)?, *factor)))
        .ok_or_else(|| format!("{text:?} has no unit: write for example 420mm, 16.5in or 0.42m"))?;
    let value: f64 = number
        .trim()
        .parse()
        .map_err(|_| format!("{number:?} is not a number"))?;
    let mm = value * factor;
    if (1.0..=20_000.0).contains(&mm) {
        Ok(mm)
    } else {
        Err(format!("{text} is outside 1 mm to 20 000 mm"))
    }
}

#[cfg(test)]
mod tests {
    use super::length_mm;

    #[test]
    fn lengths_need_their_unit_and_range() {
        assert_eq!(length_mm("420mm"), Ok(420.0));
        assert_eq!(length_mm("10 in"), Ok(254.0));
        assert_eq!(length_mm("0.5m"), Ok(500.0));
        for bad in ["420", "mm", "-3mm", "0mm", "NaNmm", "infm", "30m", "x mm"] {
            assert!(length_mm(bad).is_err(), "{bad}");
        }
    }
}
