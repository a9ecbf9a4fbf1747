//! Integrity of the resolver signal: what a frame shows that no healthy resolver shows.
//!
//! Each check looks at one frame and says yes or no; nothing here remembers. A finding counts as a
//! fault when it stands in three clean frames running ([`CONFIRMING_FRAMES`]): every frame is
//! looked at for its amplitude, the last of each tick for the rest. A frame that is noisy by its
//! own evidence proves nothing and is bridged by prediction.
//!
//! It cannot see a winding that died while the other one stood near its peak, nor windings that
//! were exchanged or reversed: those leave the amplitude whole.

use crate::angle::ElectricalAngle;
use crate::fault::{FaultCode, FaultSet};
use crate::signal::WindingAmplitudes;
use crate::trig;

/// Clean frames in a row that must show a finding before it is a fault.
pub const CONFIRMING_FRAMES: usize = 3;

/// The bounds of the signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Squared amplitude, lower end of the window.
    pub lower_squared: u32,
    /// Squared amplitude, upper end of the window.
    pub upper_squared: u32,
    /// Squared amplitude under which nothing is left of the excitation.
    pub floor_squared: u32,
    /// Tangent of the carrier phase limit, 2⁻¹⁵.
    pub phase_tangent: u16,
    /// Limit of the quadrature residue, 2⁻¹⁵ of the amplitude.
    pub residue: u16,
    /// Limit of a winding's direct voltage, converter codes.
    pub offset: i16,
    /// Above this a frame is noisy, converter codes peak to peak.
    pub noise: u16,
}

/// Findings, one bit for each signal fault, by its number (below 32).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Findings(u32);

impl Findings {
    /// Nothing found.
    pub const NONE: Self = Self(0);

    /// With `code` added when `present`. `code` is a signal fault, numbered below 32.
    #[must_use]
    pub const fn with_if(self, code: FaultCode, present: bool) -> Self {
        Self(self.0 | (present as u32).wrapping_shl(code as u32))
    }

    /// Findings of either.
    #[must_use]
    pub const fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    /// Findings of both.
    #[must_use]
    pub const fn common(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }

    /// Whether nothing was found.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether `code` is among them.
    pub const fn contains(self, code: FaultCode) -> bool {
        self.0 & 1u32.wrapping_shl(code as u32) != 0
    }

    /// With those of `other` taken away.
    #[must_use]
    pub const fn without(self, other: Self) -> Self {
        Self(self.0 & !other.0)
    }

    /// As a fault set.
    pub fn faults(self) -> FaultSet {
        if self.is_empty() {
            return FaultSet::EMPTY;
        }
        FaultCode::ALL
            .iter()
            .take_while(|code| code.number() < 32)
            .fold(FaultSet::EMPTY, |set, &code| {
                set.with_if(code, self.contains(code))
            })
    }
}

/// Looks over one frame's amplitudes after the balance, and whether its codes were clipped.
pub fn inspect(config: &Config, balanced: WindingAmplitudes, is_clipped: bool) -> Findings {
    let squared = squared_amplitude(balanced);
    Findings::NONE
        .with_if(FaultCode::ExcitationLost, squared < config.floor_squared)
        .with_if(FaultCode::SignalLow, squared < config.lower_squared)
        .with_if(FaultCode::SignalHigh, squared > config.upper_squared)
        .with_if(FaultCode::SignalClipped, is_clipped)
}

/// Looks over what else is in one frame: the direct voltages of both windings, and the quadrature
/// amplitudes, which mean nothing without an excitation.
pub fn inspect_carrier(
    config: &Config,
    balanced: WindingAmplitudes,
    quadrature: WindingAmplitudes,
    [sine_offset, cosine_offset]: [i16; 2],
) -> Findings {
    let squared = squared_amplitude(balanced);
    let offset = sine_offset.unsigned_abs().max(cosine_offset.unsigned_abs());
    Findings::NONE
        .with_if(
            FaultCode::SignalOffset,
            offset > config.offset.unsigned_abs(),
        )
        .with_if(
            FaultCode::CarrierPhase,
            squared >= config.floor_squared
                && is_out_of_phase(config, balanced, quadrature, squared),
        )
}

/// Whether the balanced vector stands off the predicted angle by more than `limit`, 2⁻³² turn:
/// s·cos θ − c·sin θ against the amplitude, and s·sin θ + c·cos θ against zero for the far half of
/// the turn. It shares no arithmetic with the direct decode.
pub fn is_off_track(balanced: WindingAmplitudes, predicted: ElectricalAngle, limit: u32) -> bool {
    let (sine, cosine) = trig::sin_cos(predicted);
    let along = product(balanced.sine, sine).wrapping_add(product(balanced.cosine, cosine));
    let residual =
        product(balanced.sine, cosine).wrapping_sub(product(balanced.cosine, sine)) >> 15;
    // Radians in 2⁻¹⁵; the sine of the limit is below that, so the check is the milder one.
    let limit = (u64::from(limit).wrapping_mul(TWO_PI_Q15) >> 32).min(1 << 15) as u32;
    let amplitude_squared = squared_amplitude(balanced) >> 15;
    let allowed = (amplitude_squared.wrapping_mul(limit) >> 15).wrapping_mul(limit);
    let residual_squared = residual.wrapping_mul(residual) as u32;
    along < 0 || residual_squared > allowed
}

const TWO_PI_Q15: u64 = 205_887;

/// s² + c²; both squares stay below 2³¹.
pub const fn squared_amplitude(amplitudes: WindingAmplitudes) -> u32 {
    let (s, c) = (amplitudes.sine as i32, amplitudes.cosine as i32);
    (s.wrapping_mul(s) as u32).wrapping_add(c.wrapping_mul(c) as u32)
}

/// The quadrature amplitudes, seen along the in-phase vector (carrier phase) and across it
/// (residue: speed voltage, null voltage).
const fn is_out_of_phase(
    config: &Config,
    i: WindingAmplitudes,
    q: WindingAmplitudes,
    squared: u32,
) -> bool {
    // Both vectors are at most √2·2¹⁵ long, so either sum stays within 2³¹.
    let along = product(i.sine, q.sine).wrapping_add(product(i.cosine, q.cosine));
    let across = product(i.cosine, q.sine).wrapping_sub(product(i.sine, q.cosine));
    along.unsigned_abs() > share(squared, config.phase_tangent)
        || across.unsigned_abs() > share(squared, config.residue)
}

const fn product(a: i16, b: i16) -> i32 {
    (a as i32).wrapping_mul(b as i32)
}

const fn share(of: u32, q15: u16) -> u32 {
    (of >> 15).wrapping_mul(q15 as u32)
}
