//! The zero offset: from the resolver's electrical angle to the crank angle after top dead centre,
//! and how the zero is captured.
//!
//! A capture is refused rather than doubtful: it takes a standing crank, a trusted signal and a
//! narrow spread. Where the top is comes from equal heights of the slide before and after it; the
//! slide hardly moves at the top itself.

use crate::angle::{CrankAngle, CrankTravel, ElectricalAngle};

/// How the electrical angle runs when the crank turns in its normal direction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Direction {
    /// Electrical angle increases in normal travel.
    #[default]
    Increasing,
    /// Electrical angle decreases in normal travel.
    Decreasing,
}

/// The electrical angle at top dead centre.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ZeroOffset(ElectricalAngle);

/// The two heights do not lie on either side of the top.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NotAroundTheTop;

impl ZeroOffset {
    /// With the crank at top dead centre the windings read `captured`.
    pub const fn at_top(captured: ElectricalAngle) -> Self {
        Self(captured)
    }

    /// The middle between two angles at which the slide stood at one height, `before` the top and
    /// `after` it in normal travel.
    ///
    /// # Errors
    /// [`NotAroundTheTop`] when the way from `before` to `after` in normal travel is half a turn
    /// or more: then they lie around the bottom, or are exchanged, or the direction is wrong.
    pub const fn from_equal_heights(
        before: ElectricalAngle,
        after: ElectricalAngle,
        direction: Direction,
    ) -> Result<Self, NotAroundTheTop> {
        let counts = after.counts_from(before);
        let is_forward = match direction {
            Direction::Increasing => counts >= 0,
            Direction::Decreasing => counts <= 0,
        };
        if is_forward && counts != i32::MIN {
            Ok(Self(before.wrapping_add_counts(counts / 2)))
        } else {
            Err(NotAroundTheTop)
        }
    }

    /// The electrical angle at top dead centre.
    pub const fn electrical(self) -> ElectricalAngle {
        self.0
    }

    /// Crank angle of an electrical angle.
    pub const fn to_crank(self, electrical: ElectricalAngle, direction: Direction) -> CrankAngle {
        let counts = match direction {
            Direction::Increasing => electrical.counts_from(self.0),
            Direction::Decreasing => self.0.counts_from(electrical),
        };
        CrankAngle::from_bits(counts as u32)
    }
}

/// What a capture asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CaptureConfig {
    /// Frames at least, 2 to 100 000.
    pub frames_min: u32,
    /// Widest distance between two frames' angles, counts of 2⁻³² turn.
    pub spread_max: u32,
    /// Widest way from the middle of the first half to the middle of the second half of the
    /// fitted line, counts of 2⁻³² turn.
    pub drift_max: u32,
}

/// Why a capture gives no angle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CaptureRefusal {
    /// The crank was turning: the angle drifted through the capture.
    NotAtStandstill,
    /// At least one frame had no trusted angle.
    SignalNotTrusted,
    /// The angle scattered too widely: noise.
    SpreadTooWide,
    /// Fewer frames than asked for.
    TooFewFrames,
}

/// An angle captured at standstill, one electrical angle per frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AngleCapture {
    first: Option<ElectricalAngle>,
    frames: u32,
    untrusted: u32,
    lowest: i32,
    highest: i32,
    sum: i64,
    /// Σ (2i + 1)·offset_i: with `sum` it gives the drift without a stored frame.
    moment: i64,
}

impl CaptureConfig {
    /// A second at 5000 frames a second, 0.5 degree of spread, 0.02 degree of drift.
    pub const DEFAULT: Self = Self {
        frames_min: 5_000,
        spread_max: CrankTravel::from_millidegrees(500).as_counts() as u32,
        drift_max: CrankTravel::from_millidegrees(20).as_counts() as u32,
    };
}

impl AngleCapture {
    /// An empty capture.
    pub const fn new() -> Self {
        Self {
            first: None,
            frames: 0,
            untrusted: 0,
            lowest: 0,
            highest: 0,
            sum: 0,
            moment: 0,
        }
    }

    /// Takes the angle of one frame; `None` when the frame's signal was not trusted.
    pub fn feed(&mut self, angle: Option<ElectricalAngle>) {
        let Some(angle) = angle else {
            self.untrusted = self.untrusted.saturating_add(1);
            return;
        };
        let offset = angle.counts_from(*self.first.get_or_insert(angle));
        self.lowest = self.lowest.min(offset);
        self.highest = self.highest.max(offset);
        let place = (self.frames as i64).wrapping_mul(2).wrapping_add(1);
        self.sum = self.sum.saturating_add(offset as i64);
        self.moment = self
            .moment
            .saturating_add(place.saturating_mul(offset as i64));
        self.frames = self.frames.saturating_add(1);
    }

    /// Frames taken with a trusted angle.
    pub const fn frames(&self) -> u32 {
        self.frames
    }

    /// Widest distance between two frames' angles, counts of 2⁻³² turn.
    pub const fn spread(&self) -> u32 {
        self.highest.wrapping_sub(self.lowest) as u32
    }

    /// The mean angle of the capture.
    ///
    /// # Errors
    /// [`CaptureRefusal`], the first that applies in this order: signal, frames, standstill,
    /// spread.
    pub fn result(&self, config: &CaptureConfig) -> Result<ElectricalAngle, CaptureRefusal> {
        if self.untrusted > 0 {
            return Err(CaptureRefusal::SignalNotTrusted);
        }
        let Some(first) = self.first else {
            return Err(CaptureRefusal::TooFewFrames);
        };
        if self.frames < config.frames_min.max(2) {
            return Err(CaptureRefusal::TooFewFrames);
        }
        if self.drift().unsigned_abs() > config.drift_max as u64 {
            return Err(CaptureRefusal::NotAtStandstill);
        }
        if self.spread() > config.spread_max {
            return Err(CaptureRefusal::SpreadTooWide);
        }
        let mean = self.sum.checked_div(self.frames as i64).unwrap_or(0);
        Ok(first.wrapping_add_counts(mean as i32))
    }

    /// How far the least-squares line runs in half the capture, counts of 2⁻³² turn.
    fn drift(&self) -> i64 {
        // slope = 6·Σ(2i + 1 − n)·offset / n(n² − 1); times n/2 frames.
        let n = self.frames as i128;
        let centred = (self.moment as i128).wrapping_sub(n.wrapping_mul(self.sum as i128));
        let square = n.wrapping_mul(n).wrapping_sub(1);
        centred.wrapping_mul(3).checked_div(square).unwrap_or(0) as i64
    }
}
