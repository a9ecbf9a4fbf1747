//! The index switch: one contact on the crank that closes over the same arc of every turn, and so
//! contradicts a resolver that no longer turns with the crank.
//!
//! The switch is judged as a state, not by its edges: closed where it was always open, or open
//! where it was always closed, is a contradiction at rest and at power-up as well. A slip, a
//! jumped tooth, a wrong ratio, a broken coupling and windings reversed in service all end there,
//! within a turn and mostly at the next edge. How far its edges scatter tells the play of the
//! drive.
//!
//! That nothing contradicts is no proof yet: outside its arc the switch is open wherever the crank
//! may be. The angle is proven from the first edge that passes at its place on, until a
//! contradiction, and anew after every loss of trust.
//!
//! It judges nothing while the angle is untrusted.

use super::{CrankPosition, CrankReading};
use crate::angle::{AngleWindow, CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::time::Duration;

/// Edges of one kind over which their scatter is taken.
const EDGES: u8 = 20;

/// What the switch is held to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexSettings {
    /// The arc over which the switch is closed, as learned at commissioning; 4 to 350 degrees.
    pub closed: AngleWindow,
    /// How far an edge may be from its place, thousandths of a degree, 500 to 10 000: 3000 and the
    /// play of the drive are usual (common practice, no source).
    pub tolerance_millidegrees: u32,
    /// From here on the shift is no slip but a contradiction, thousandths of a degree, above the
    /// tolerance, to 20 000.
    pub contradiction_millidegrees: u32,
    /// How far edges may scatter, thousandths of a degree, 200 to 10 000.
    pub wander_millidegrees: u32,
    /// Longest time by which the switch lags behind the crank, microseconds, 0 to 10 000.
    pub response_us: u32,
}

/// Why index settings cannot work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum IndexConfigError {
    /// The closed arc is below 4 or above 350 degrees, or narrower than twice the tolerance.
    Window,
    /// `tolerance_millidegrees` is outside 500 to 10 000.
    Tolerance,
    /// `contradiction_millidegrees` is not above the tolerance, or above 20 000.
    Contradiction,
    /// `wander_millidegrees` is outside 200 to 10 000.
    Wander,
    /// `response_us` is above 10 000.
    Response,
}

impl core::fmt::Display for IndexConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Window => "index arc: 4 to 350 degrees and wider than twice the tolerance",
            Self::Tolerance => "tolerance_millidegrees: 500 to 10000",
            Self::Contradiction => {
                "contradiction_millidegrees: above tolerance_millidegrees, to 20000"
            }
            Self::Wander => "wander_millidegrees: 200 to 10000",
            Self::Response => "response_us: 0 to 10000",
        })
    }
}

impl core::error::Error for IndexConfigError {}

/// Index settings that hold together.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexConfig {
    closed: AngleWindow,
    tolerance: i64,
    contradiction: i64,
    wander: i64,
    response: Duration,
}

impl IndexConfig {
    /// The configuration of `settings`.
    ///
    /// # Errors
    /// [`IndexConfigError`], the first that applies.
    pub const fn try_new(settings: IndexSettings) -> Result<Self, IndexConfigError> {
        let tolerance = settings.tolerance_millidegrees;
        if tolerance < 500 || tolerance > 10_000 {
            return Err(IndexConfigError::Tolerance);
        }
        let arc = settings.closed.to.travel_since(settings.closed.from);
        let arc = arc.as_millidegrees() as u32;
        if arc < 4_000 || arc > 350_000 || arc <= tolerance.saturating_mul(2) {
            return Err(IndexConfigError::Window);
        }
        let contradiction = settings.contradiction_millidegrees;
        if contradiction <= tolerance || contradiction > 20_000 {
            return Err(IndexConfigError::Contradiction);
        }
        if settings.wander_millidegrees < 200 || settings.wander_millidegrees > 10_000 {
            return Err(IndexConfigError::Wander);
        }
        if settings.response_us > 10_000 {
            return Err(IndexConfigError::Response);
        }
        Ok(Self {
            closed: settings.closed,
            tolerance: counts(tolerance),
            contradiction: counts(contradiction),
            wander: counts(settings.wander_millidegrees),
            response: Duration::from_micros(settings.response_us),
        })
    }

    /// How far `reading` is from where the switch may be in this state, counts; 0 when it may.
    fn contradiction_of(&self, is_closed: bool, reading: &CrankReading) -> i64 {
        if self.closed.contains(reading.angle()) == is_closed {
            return 0;
        }
        let to_edge = |edge: CrankAngle| reading.angle().offset_from(edge).as_counts().abs();
        let nearest = to_edge(self.closed.from).min(to_edge(self.closed.to));
        let lag = reading.speed().saturating_abs().travel_in(self.response);
        nearest.saturating_sub(lag.as_counts())
    }
}

const fn counts(millidegrees: u32) -> i64 {
    CrankTravel::from_millidegrees(millidegrees as i32).as_counts()
}

/// State of the index switch's watch.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct IndexWatch {
    before: Option<(bool, CrankReading)>,
    /// The latest edge made its kind scatter too widely: it stands until the next edge.
    wanders: bool,
    /// An edge has passed at its place, and nothing has contradicted it since.
    is_proven: bool,
    closing: Scatter,
    opening: Scatter,
}

/// The range over which the latest edges of one kind lie, as travel from their place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Scatter {
    edges: u8,
    low: i64,
    high: i64,
}

impl IndexWatch {
    /// A watch that has seen nothing.
    pub const fn new() -> Self {
        const NONE: Scatter = Scatter {
            edges: 0,
            low: 0,
            high: 0,
        };
        Self {
            before: None,
            wanders: false,
            is_proven: false,
            closing: NONE,
            opening: NONE,
        }
    }

    /// Takes the state of the switch and the crank position of one tick, both for one instant.
    pub fn step(
        &mut self,
        config: &IndexConfig,
        is_closed: bool,
        position: &CrankPosition,
    ) -> FaultSet {
        let Some(reading) = position.trusted() else {
            self.before = None;
            self.is_proven = false;
            return FaultSet::EMPTY;
        };
        self.edge(config, is_closed, reading);
        self.before = Some((is_closed, *reading));
        let contradiction = config.contradiction_of(is_closed, reading);
        self.is_proven &= contradiction <= config.tolerance;
        FaultSet::EMPTY
            .with_if(FaultCode::IndexWanders, self.wanders)
            .with_if(
                FaultCode::IndexShifted,
                contradiction > config.tolerance && contradiction <= config.contradiction,
            )
            .with_if(
                FaultCode::IndexContradicts,
                contradiction > config.contradiction,
            )
    }

    /// Whether the latest edges say that the angle is the crank's.
    pub const fn is_proven(&self) -> bool {
        self.is_proven
    }

    /// Takes an edge passed in normal travel between the last tick and this one, if one was.
    fn edge(&mut self, config: &IndexConfig, is_closed: bool, reading: &CrankReading) {
        let Some((was_closed, before)) = self.before else {
            return;
        };
        let travel = reading.angle().offset_from(before.angle()).as_counts();
        if was_closed == is_closed || travel <= 0 {
            return;
        }
        let (scatter, place) = if is_closed {
            (&mut self.closing, config.closed.from)
        } else {
            (&mut self.opening, config.closed.to)
        };
        // The edge lay somewhere between the two ticks, and the switch was late by its response.
        let lag = reading.speed().saturating_abs().travel_in(config.response);
        let middle = reading
            .angle()
            .offset_from(place)
            .as_counts()
            .saturating_sub(travel / 2);
        let unknown = travel.saturating_add(lag.as_counts());
        self.wanders = scatter.add(middle) > config.wander.saturating_add(unknown);
        self.is_proven = middle.abs() <= config.tolerance.saturating_add(unknown);
    }
}

impl Scatter {
    /// The range with an edge at `offset` added.
    fn add(&mut self, offset: i64) -> i64 {
        if self.edges == 0 || self.edges >= EDGES {
            *self = Self {
                edges: 0,
                low: offset,
                high: offset,
            };
        }
        self.edges = self.edges.saturating_add(1);
        self.low = self.low.min(offset);
        self.high = self.high.max(offset);
        self.high.saturating_sub(self.low)
    }
}
