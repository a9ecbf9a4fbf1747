//! A resolver set-up written as one word: `gain=2%,offset=2%,quadrature=1deg`.

use super::ResolverSetup;
use std::fmt;
use std::str::FromStr;

/// Why a resolver option could not be read; it names the option and what is allowed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParseOptionError {
    found: String,
    allowed: String,
}

impl fmt::Display for ParseOptionError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "resolver option: found `{}`; allowed: {}",
            self.found, self.allowed
        )
    }
}

impl std::error::Error for ParseOptionError {}

/// One option: name, unit, range in that unit, and where it goes.
struct Choice {
    name: &'static str,
    unit: &'static str,
    min: f64,
    max: f64,
    set: fn(&mut ResolverSetup, f64),
}

const CHOICES: &[Choice] = &[
    Choice::new("gain", "%", -50.0, 50.0, |s, v| s.gain_error = v / 100.0),
    Choice::new("offset", "%", -50.0, 50.0, |s, v| {
        (s.sine_offset, s.cosine_offset) = (v / 100.0, v / 100.0);
    }),
    Choice::new("sine-offset", "%", -50.0, 50.0, |s, v| {
        s.sine_offset = v / 100.0
    }),
    Choice::new("cosine-offset", "%", -50.0, 50.0, |s, v| {
        s.cosine_offset = v / 100.0
    }),
    Choice::new("quadrature", "deg", -20.0, 20.0, |s, v| {
        s.quadrature_deg = v
    }),
    Choice::new("phase", "deg", -60.0, 60.0, |s, v| s.phase_deg = v),
    Choice::new("amplitude", "%", 1.0, 200.0, |s, v| s.amplitude = v / 100.0),
    Choice::new("dc", "%", -100.0, 100.0, |s, v| s.dc = v / 100.0),
    Choice::new("second-harmonic", "%", -20.0, 20.0, |s, v| {
        s.second_harmonic = v / 100.0
    }),
    Choice::new("third-harmonic", "%", -20.0, 20.0, |s, v| {
        s.third_harmonic = v / 100.0
    }),
    Choice::new("null", "%", -20.0, 20.0, |s, v| s.null_quarter = v / 100.0),
    Choice::new("runout", "deg", 0.0, 10.0, |s, v| s.runout_deg = v),
    Choice::new("ripple", "deg", 0.0, 5.0, |s, v| s.tooth_ripple_deg = v),
    Choice::new("teeth", "", 5.0, 200.0, |s, v| s.teeth = v),
    Choice::new("filter", "us", 0.0, 100.0, |s, v| s.filter_us = v),
    Choice::new("skew", "us", -10.0, 10.0, |s, v| s.skew_us = v),
    Choice::new("bits", "", 6.0, 12.0, |s, v| s.bits = v as u32),
    Choice::new("noise", "codes", 0.0, 500.0, |s, v| s.noise_codes = v),
    Choice::new("zero", "deg", -360.0, 360.0, |s, v| s.zero_deg = v),
    Choice::new("lash", "deg", 0.0, 20.0, |s, v| s.lash_deg = v),
    Choice::new("ratio", "", 0.1, 10.0, |s, v| s.ratio = v),
    Choice::new("reversed", "", 0.0, 1.0, |s, v| s.reversed = v != 0.0),
];

impl Choice {
    const fn new(
        name: &'static str,
        unit: &'static str,
        min: f64,
        max: f64,
        set: fn(&mut ResolverSetup, f64),
    ) -> Self {
        Self {
            name,
            unit,
            min,
            max,
            set,
        }
    }

    fn read(&self, text: &str) -> Option<f64> {
        let number = text.trim().strip_suffix(self.unit)?.trim();
        let value: f64 = number.parse().ok()?;
        (self.min..=self.max).contains(&value).then_some(value)
    }

    fn allowed(&self) -> String {
        let (min, max, unit) = (self.min, self.max, self.unit);
        format!("{}={min}{unit} to {max}{unit}", self.name)
    }
}

impl ResolverSetup {
    /// Changes what the options name; an empty text changes nothing.
    ///
    /// # Errors
    /// The first option that is unknown, without a number and its unit, or out of range.
    pub fn apply(&mut self, options: &str) -> Result<(), ParseOptionError> {
        for option in options.split(',').map(str::trim).filter(|o| !o.is_empty()) {
            let (name, value) = option.split_once('=').unwrap_or((option, ""));
            let choice = CHOICES
                .iter()
                .find(|choice| choice.name == name.trim())
                .ok_or_else(|| ParseOptionError {
                    found: option.to_owned(),
                    allowed: names(),
                })?;
            let value = choice.read(value).ok_or_else(|| ParseOptionError {
                found: option.to_owned(),
                allowed: choice.allowed(),
            })?;
            (choice.set)(self, value);
        }
        Ok(())
    }
}

impl FromStr for ResolverSetup {
    type Err = ParseOptionError;

    fn from_str(options: &str) -> Result<Self, ParseOptionError> {
        let mut setup = Self::default();
        setup.apply(options)?;
        Ok(setup)
    }
}

fn names() -> String {
    let names: Vec<_> = CHOICES.iter().map(|choice| choice.name).collect();
    names.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn options_are_read_with_their_units() {
        let setup: ResolverSetup = "gain=2%, offset=-1.5%,quadrature=1deg,ratio=2"
            .parse()
            .unwrap();
        assert_eq!(setup.gain_error, 0.02);
        assert_eq!((setup.sine_offset, setup.cosine_offset), (-0.015, -0.015));
        assert_eq!(setup.quadrature_deg, 1.0);
        assert_eq!(setup.ratio, 2.0);
        assert_eq!(
            "".parse::<ResolverSetup>().unwrap(),
            ResolverSetup::default()
        );
    }

    #[test]
    fn a_wrong_option_is_told_with_what_is_allowed() {
        let told = |text: &str| text.parse::<ResolverSetup>().unwrap_err().to_string();
        assert_eq!(
            told("gain=2"),
            "resolver option: found `gain=2`; allowed: gain=-50% to 50%"
        );
        assert!(told("gain=99%").contains("gain=-50% to 50%"));
        assert!(told("colour=red").contains("quadrature"));
        assert!(told("gain").contains("gain=-50% to 50%"));
        assert!(told("gain=nan%").contains("gain=-50% to 50%"));
    }
}
