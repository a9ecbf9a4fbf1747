//! Which press settings belong to: a label, and a fingerprint by which the press itself can be
//! told from another one.
//!
//! A set of settings of another press is plausible in every number and wrong in each. The label
//! catches the set that was copied; the fingerprint catches the unit that was moved with its
//! settings, by what no two presses have alike: the imperfections of the resolver, the place of
//! the index switch, how the brake stops.

use crate::angle::{CrankAngle, CrankTravel};
use crate::balance::Balance;
use crate::fault::FaultCode;
use crate::stop_curve::StopCurve;
use crate::time::Duration;

/// Longest label.
pub const LABEL_LEN: usize = 16;

/// A name of a press or of a job: 1 to 16 printable ASCII characters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Label([u8; LABEL_LEN]);

/// The text is empty, too long, or holds something else than printable ASCII.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NotALabel;

/// What a press is known by, as commissioned.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Fingerprint {
    /// Imperfections of the resolver.
    pub balance: Balance,
    /// Crank angle at which the index switch closes, if there is one.
    pub index_angle: Option<CrankAngle>,
    /// How the press stops.
    pub stops: StopCurve,
}

/// What has been measured of the press so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Measured {
    /// After one barred turn.
    pub balance: Option<Balance>,
    /// After the first index edge.
    pub index_angle: Option<CrankAngle>,
    /// After stops at two speeds.
    pub stops: Option<StopCurve>,
}

/// How far a press may be from its own fingerprint. Wear, heat and air move the stop; nothing but
/// another sensor moves the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tolerance {
    /// Offset, counts of 1/32 767.
    pub offset: u16,
    /// Gain, millionths.
    pub gain_ppm: u32,
    /// Quadrature, microradians.
    pub quadrature_urad: u32,
    /// Index angle.
    pub index_angle: CrankTravel,
    /// Reaction.
    pub reaction: Duration,
    /// Braking time per stroke per minute, thousandths of the commissioned one.
    pub braking_permille: u32,
}

/// The first part of a fingerprint that does not match.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Mismatch {
    /// Resolver offset, gain or quadrature.
    Balance,
    /// Place of the index switch.
    IndexAngle,
    /// The part of the stop at full speed.
    Reaction,
    /// The part of the stop in which the brake slows the crank.
    Braking,
}

impl Mismatch {
    /// The fault it is: one of them is enough.
    pub const fn fault(self) -> FaultCode {
        FaultCode::OtherPress
    }
}

impl Label {
    /// A label of `text`.
    ///
    /// # Errors
    /// [`NotALabel`]: 1 to 16 printable ASCII characters.
    pub fn try_new(text: &str) -> Result<Self, NotALabel> {
        let mut bytes = [0; LABEL_LEN];
        let room = bytes.get_mut(..text.len()).ok_or(NotALabel)?;
        room.copy_from_slice(text.as_bytes());
        Self::from_bytes(bytes)
    }

    /// A label of its bytes, filled up with zeros.
    ///
    /// # Errors
    /// [`NotALabel`], as for [`try_new`](Self::try_new).
    pub fn from_bytes(bytes: [u8; LABEL_LEN]) -> Result<Self, NotALabel> {
        let len = bytes.iter().take_while(|&&byte| byte != 0).count();
        let is_printable = |byte: &u8| (b' '..=b'~').contains(byte);
        let text_is_printable = bytes.iter().take(len).all(is_printable);
        let rest_is_empty = bytes.iter().skip(len).all(|&byte| byte == 0);
        if len > 0 && text_is_printable && rest_is_empty {
            Ok(Self(bytes))
        } else {
            Err(NotALabel)
        }
    }

    /// Its bytes, filled up with zeros.
    pub const fn to_bytes(self) -> [u8; LABEL_LEN] {
        self.0
    }

    /// Its text.
    pub fn as_str(&self) -> &str {
        let len = self.0.iter().take_while(|&&byte| byte != 0).count();
        let text = self.0.get(..len).unwrap_or_default();
        core::str::from_utf8(text).unwrap_or_default()
    }
}

impl Tolerance {
    /// Half a percent of offset and gain, a quarter of a degree of quadrature, 3 degrees of index
    /// angle, 30 ms of reaction and half the braking: a tired brake must not look like another
    /// press, the limits on stopping judge it.
    pub const DEFAULT: Self = Self {
        offset: 164,
        gain_ppm: 5_000,
        quadrature_urad: 4_400,
        index_angle: CrankTravel::from_millidegrees(3_000),
        reaction: Duration::from_millis(30),
        braking_permille: 500,
    };
}

impl Fingerprint {
    /// The first measured part that is not this press's.
    pub fn mismatch(&self, measured: &Measured, tolerance: &Tolerance) -> Option<Mismatch> {
        let balance = measured
            .balance
            .filter(|seen| !is_same_balance(&self.balance, seen, tolerance))
            .map(|_| Mismatch::Balance);
        let stops = measured.stops;
        balance
            .or(self.index_mismatch(measured, tolerance))
            .or(stops.and_then(|seen| self.stop_mismatch(seen, tolerance)))
    }

    fn index_mismatch(&self, measured: &Measured, tolerance: &Tolerance) -> Option<Mismatch> {
        let seen = measured.index_angle?;
        let is_same = self.index_angle.is_some_and(|commissioned| {
            seen.offset_from(commissioned).saturating_abs() <= tolerance.index_angle
        });
        (!is_same).then_some(Mismatch::IndexAngle)
    }

    fn stop_mismatch(&self, seen: StopCurve, tolerance: &Tolerance) -> Option<Mismatch> {
        let reaction = seen
            .reaction
            .as_micros()
            .abs_diff(self.stops.reaction.as_micros());
        if reaction > tolerance.reaction.as_micros() {
            return Some(Mismatch::Reaction);
        }
        let commissioned = u64::from(self.stops.braking_ns_per_spm);
        let off = u64::from(seen.braking_ns_per_spm).abs_diff(commissioned);
        let allowed = commissioned.saturating_mul(u64::from(tolerance.braking_permille)) / 1_000;
        (off > allowed).then_some(Mismatch::Braking)
    }
}

fn is_same_balance(own: &Balance, seen: &Balance, tolerance: &Tolerance) -> bool {
    own.sine_offset.abs_diff(seen.sine_offset) <= tolerance.offset
        && own.cosine_offset.abs_diff(seen.cosine_offset) <= tolerance.offset
        && own.gain_ppm.abs_diff(seen.gain_ppm) <= tolerance.gain_ppm
        && own.quadrature_urad.abs_diff(seen.quadrature_urad) <= tolerance.quadrature_urad
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const OWN: Fingerprint = Fingerprint {
        balance: Balance {
            sine_offset: 100,
            cosine_offset: -50,
            gain_ppm: 12_000,
            quadrature_urad: -8_000,
        },
        index_angle: Some(CrankAngle::from_millidegrees(90_000)),
        stops: StopCurve {
            reaction: Duration::from_millis(60),
            braking_ns_per_spm: 2_000_000,
        },
    };

    fn mismatch(measured: Measured) -> Option<Mismatch> {
        OWN.mismatch(&measured, &Tolerance::DEFAULT)
    }

    #[test]
    fn a_label_is_short_printable_text() {
        assert_eq!(
            Label::try_new("Press B, line 2").unwrap().as_str(),
            "Press B, line 2"
        );
        for text in ["", "seventeen letters", "new\nline", "größe"] {
            assert_eq!(Label::try_new(text), Err(NotALabel), "{text}");
        }
        let mut bytes = Label::try_new("B").unwrap().to_bytes();
        bytes[5] = b'x';
        assert_eq!(Label::from_bytes(bytes), Err(NotALabel));
    }

    #[test]
    fn a_press_matches_its_own_fingerprint_and_nothing_measured_matches_any() {
        assert_eq!(mismatch(Measured::default()), None);
        let own = Measured {
            balance: Some(OWN.balance),
            index_angle: OWN.index_angle,
            stops: Some(OWN.stops),
        };
        assert_eq!(mismatch(own), None);
    }

    #[test]
    fn every_part_tells_another_press() {
        let balance = Balance {
            gain_ppm: 17_001,
            ..OWN.balance
        };
        let measured = Measured::default();
        let with_balance = Measured {
            balance: Some(balance),
            ..measured
        };
        assert_eq!(mismatch(with_balance), Some(Mismatch::Balance));
        let with_index = Measured {
            index_angle: Some(CrankAngle::from_millidegrees(93_100)),
            ..measured
        };
        assert_eq!(mismatch(with_index), Some(Mismatch::IndexAngle));
        let stops = |reaction, braking_ns_per_spm| Measured {
            stops: Some(StopCurve {
                reaction: Duration::from_millis(reaction),
                braking_ns_per_spm,
            }),
            ..measured
        };
        assert_eq!(mismatch(stops(91, 2_000_000)), Some(Mismatch::Reaction));
        assert_eq!(mismatch(stops(60, 3_000_001)), Some(Mismatch::Braking));
    }
}
