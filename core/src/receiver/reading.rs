//! What a receiver gives: a crank position, the reading in it, and the evidence of its signal.

use super::Config;
use crate::angle::{CrankAngle, ElectricalAngle};
use crate::fault::FaultSet;
use crate::signal::WindingAmplitudes;
use crate::speed::CrankSpeed;
use crate::time::{Duration, Instant};
use crate::tracking::Tracking;

/// An angle, a speed and the instant they hold for. Only a receiver makes one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CrankReading {
    angle: CrankAngle,
    speed: CrankSpeed,
    at: Instant,
    measured: CrankAngle,
    measured_at: Instant,
    is_predicted: bool,
}

impl CrankReading {
    /// Tracked angle, carried forward to [`at`](Self::at).
    pub const fn angle(&self) -> CrankAngle {
        self.angle
    }

    /// Tracked speed.
    pub const fn speed(&self) -> CrankSpeed {
        self.speed
    }

    /// The instant that angle and speed hold for.
    pub const fn at(&self) -> Instant {
        self.at
    }

    /// Direct decode of the latest good frame: balanced, zeroed, not filtered, not carried forward.
    pub const fn measured(&self) -> CrankAngle {
        self.measured
    }

    /// The instant that [`measured`](Self::measured) holds for: the middle of its frame.
    pub const fn measured_at(&self) -> Instant {
        self.measured_at
    }

    /// Whether the latest frames were unusable and the angle is a prediction from before them.
    pub const fn is_predicted(&self) -> bool {
        self.is_predicted
    }

    /// When the crank passed `angle` on its way here from `earlier`, in normal travel, by linear
    /// interpolation. `None` when it did not, or went backward.
    pub fn crossing(&self, earlier: &Self, angle: CrankAngle) -> Option<Instant> {
        let travel = self.angle.offset_from(earlier.angle).as_counts();
        let part = angle.travel_since(earlier.angle).as_counts();
        if part == 0 || part > travel {
            return None;
        }
        let span = i64::from(self.at.saturating_since(earlier.at).as_micros());
        // Part and travel are below 2³², the span is below 2³².
        let micros = i128::from(part)
            .wrapping_mul(i128::from(span))
            .checked_div(i128::from(travel))?;
        Some(
            earlier
                .at
                .saturating_add(Duration::from_micros(micros as u32)),
        )
    }

    /// When the crank will reach `angle` in normal travel at its present speed; `None` when that
    /// is more than `within` away.
    pub fn reaching(&self, angle: CrankAngle, within: Duration) -> Option<Instant> {
        let way = angle.travel_since(self.angle).as_counts();
        let reach = self.speed.travel_in(within).as_counts();
        if way > reach {
            return None;
        }
        let span = i128::from(within.as_micros());
        let micros = i128::from(way)
            .wrapping_mul(span)
            .checked_div(i128::from(reach));
        Some(
            self.at
                .saturating_add(Duration::from_micros(micros.unwrap_or(0) as u32)),
        )
    }
}

/// The crank position, if there is one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CrankPosition {
    /// Angle and speed may be used.
    Trusted(CrankReading),
    /// There is no position. `faults` is empty while the receiver is still acquiring.
    Untrusted {
        /// Signal faults of this tick.
        faults: FaultSet,
        /// The last reading that was trusted: evidence, not a position.
        last: Option<CrankReading>,
    },
}

impl CrankPosition {
    /// The reading, when trusted.
    pub const fn trusted(&self) -> Option<&CrankReading> {
        match self {
            Self::Trusted(reading) => Some(reading),
            Self::Untrusted { .. } => None,
        }
    }

    /// The last reading that was trusted, this tick's or an earlier one: evidence.
    pub const fn last(&self) -> Option<&CrankReading> {
        match self {
            Self::Trusted(reading) => Some(reading),
            Self::Untrusted { last, .. } => last.as_ref(),
        }
    }
}

/// What the latest frame showed: the evidence of a signal check.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SignalEvidence {
    /// In-phase amplitudes as detected.
    pub raw: WindingAmplitudes,
    /// In-phase amplitudes after the balance.
    pub balanced: WindingAmplitudes,
    /// Length of the balanced vector, 32 767 standing for the converter's range.
    pub amplitude: u16,
    /// Carrier phase against the configured phase at the end of the latest whole tick, thousandths
    /// of a degree, ±180 000.
    pub phase_millidegrees: i32,
    /// Direct voltage of the sine winding, converter codes.
    pub sine_offset: i16,
    /// Direct voltage of the cosine winding, converter codes.
    pub cosine_offset: i16,
    /// Noise, converter codes peak to peak.
    pub noise: u16,
}

/// What a reading is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Trace {
    pub(super) tracking: Tracking,
    /// Middle of the latest frame.
    pub(super) middle: Instant,
    pub(super) measured: ElectricalAngle,
    /// Frames since the one that was measured.
    pub(super) coasted: u16,
}

impl Trace {
    /// The instant that the tracked angle holds for.
    pub(super) const fn at(&self, config: &Config) -> Instant {
        config.at(self.middle)
    }

    pub(super) fn reading(&self, config: &Config, now: Instant) -> CrankReading {
        let at = self.at(config);
        let age = now.saturating_since(at);
        let travel = config.travel(self.tracking.speed(), age);
        let electrical = self.tracking.angle().wrapping_add_counts(travel);
        CrankReading {
            angle: config.to_crank(electrical),
            speed: config.to_speed(self.tracking.speed()),
            at: now,
            measured: config.to_crank(self.measured),
            measured_at: at.saturating_sub(config.frames(self.coasted)),
            is_predicted: self.coasted > 0,
        }
    }
}
