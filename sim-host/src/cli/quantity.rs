//! Quantities on the command line, with their unit.

/// A length such as `420mm`, `16.5in` or `0.42m`, in mm.
///
/// # Errors
/// What is wrong and what is allowed.
pub(super) fn length_mm(text: &str) -> Result<f64, String> {
    let mm = with_unit(
        text,
        &[("mm", 1.0), ("in", 25.4), ("m", 1_000.0)],
        "420mm, 16.5in or 0.42m",
    )?;
    within(text, mm, 1.0, 20_000.0, "mm")
}

/// A time such as `20ms` or `0.02s`, in ms.
///
/// # Errors
/// What is wrong and what is allowed.
pub(super) fn time_ms(text: &str) -> Result<f64, String> {
    let ms = with_unit(text, &[("ms", 1.0), ("s", 1_000.0)], "20ms or 0.02s")?;
    within(text, ms, 0.0, 60_000.0, "ms")
}

/// A number above zero.
///
/// # Errors
/// What is wrong.
pub(super) fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text
        .trim()
        .parse()
        .map_err(|_| format!("{text:?} is not a number"))?;
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(format!("{text} is not above zero"))
    }
}

fn with_unit(text: &str, units: &[(&str, f64)], example: &str) -> Result<f64, String> {
    let (number, factor) = units
        .iter()
        .find_map(|(unit, factor)| Some((text.strip_suffix(unit)?, *factor)))
        .ok_or_else(|| format!("{text:?} has no unit: write for example {example}"))?;
    let value: f64 = number
        .trim()
        .parse()
        .map_err(|_| format!("{number:?} is not a number"))?;
    Ok(value * factor)
}

fn within(text: &str, value: f64, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err(format!("{text} is outside {least} {unit} to {most} {unit}"))
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
