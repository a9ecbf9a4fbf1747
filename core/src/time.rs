//! Instants and durations. The core has no clock: time comes in with the inputs.

/// An instant, microseconds since power-up. 2⁶⁴ µs do not run out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Instant(u64);

/// A span of time in microseconds, 0 to 71 minutes; longer ones saturate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Duration(u32);

impl Instant {
    /// From microseconds since power-up.
    pub const fn from_micros(micros: u64) -> Self {
        Self(micros)
    }

    /// Microseconds since power-up.
    pub const fn as_micros(self) -> u64 {
        self.0
    }

    /// Time since `earlier`: zero when `earlier` is later, saturating at the longest span.
    pub const fn saturating_since(self, earlier: Self) -> Duration {
        let micros = self.0.saturating_sub(earlier.0);
        if micros > u32::MAX as u64 {
            Duration(u32::MAX)
        } else {
            Duration(micros as u32)
        }
    }

    /// The instant `span` later, saturating.
    pub const fn saturating_add(self, span: Duration) -> Self {
        Self(self.0.saturating_add(span.0 as u64))
    }

    /// The instant `span` earlier, not before power-up.
    pub const fn saturating_sub(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(span.0 as u64))
    }
}

impl Duration {
    /// No time.
    pub const ZERO: Self = Self(0);
    /// The longest span.
    pub const MAX: Self = Self(u32::MAX);

    /// From microseconds.
    pub const fn from_micros(micros: u32) -> Self {
        Self(micros)
    }

    /// From milliseconds, saturating.
    pub const fn from_millis(millis: u32) -> Self {
        Self(millis.saturating_mul(1_000))
    }

    /// Microseconds.
    pub const fn as_micros(self) -> u32 {
        self.0
    }

    /// Sum, saturating.
    pub const fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Difference, not below zero.
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}
