//! Angles on the crank and on the resolver, travel between them, and windows of angle.
//!
//! A full turn is 2³² counts, so wrapping is the arithmetic. An angle has no order: on a circle
//! neither of two angles is the larger. Ask for the travel from one to the other instead.

/// Counts of one whole turn.
pub const COUNTS_PER_TURN: i64 = 1 << 32;

const MILLIDEGREES_PER_TURN: i64 = 360_000;

/// Crank angle after top dead centre in the direction of normal travel; 2³² counts a turn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CrankAngle(u32);

/// Angle of the resolver's rotor as its windings tell it; 2³² counts a turn. Becomes a crank angle
/// only through the zero offset.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ElectricalAngle(u32);

/// Signed travel over any number of turns; 2³² counts a turn. Range: 2³¹ turns either way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CrankTravel(i64);

/// The arc from `from` to `to` in the direction of normal travel, both ends included. It may
/// cross top dead centre. `from == to` is that one angle, not the whole turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AngleWindow {
    /// First angle of the window.
    pub from: CrankAngle,
    /// Last angle of the window.
    pub to: CrankAngle,
}

impl CrankAngle {
    /// The slide at the top of its stroke.
    pub const TOP_DEAD_CENTRE: Self = Self(0);
    /// The slide at the bottom of its stroke (exactly half a turn on an in-line crank).
    pub const BOTTOM_DEAD_CENTRE: Self = Self(1 << 31);

    /// From counts of 2⁻³² turn.
    pub const fn from_bits(bits: u32) -> Self {
        Self(bits)
    }

    /// Counts of 2⁻³² turn.
    pub const fn to_bits(self) -> u32 {
        self.0
    }

    /// From thousandths of a degree; any value, wrapped into one turn, to the nearest count.
    pub const fn from_millidegrees(value: i32) -> Self {
        Self(CrankTravel::from_millidegrees(value).0 as u32)
    }

    /// Thousandths of a degree, 0 to 359 999, rounded down.
    pub const fn as_millidegrees(self) -> u32 {
        // 2³² · 360 000 stays inside u64.
        ((self.0 as u64).wrapping_mul(MILLIDEGREES_PER_TURN as u64) >> 32) as u32
    }

    /// Travel from `earlier` to here in the direction of normal travel: 0 up to one turn.
    pub const fn travel_since(self, earlier: Self) -> CrankTravel {
        CrankTravel(self.0.wrapping_sub(earlier.0) as i64)
    }

    /// The shorter way from `other` to here: minus half a turn up to just under half a turn.
    pub const fn offset_from(self, other: Self) -> CrankTravel {
        CrankTravel(self.counts_from(other) as i64)
    }

    /// The shorter way from `other` to here, in counts.
    pub const fn counts_from(self, other: Self) -> i32 {
        self.0.wrapping_sub(other.0) as i32
    }

    /// The angle `travel` further on, wrapped into one turn.
    pub const fn wrapping_add(self, travel: CrankTravel) -> Self {
        Self(self.0.wrapping_add(travel.0 as u32))
    }

    /// Whether the slide is closing: above bottom dead centre, on its way down in normal travel.
    pub const fn is_downstroke(self) -> bool {
        self.0 < Self::BOTTOM_DEAD_CENTRE.0
    }
}

impl ElectricalAngle {
    /// From counts of 2⁻³² turn.
    pub const fn from_bits(bits: u32) -> Self {
        Self(bits)
    }

    /// Counts of 2⁻³² turn.
    pub const fn to_bits(self) -> u32 {
        self.0
    }

    /// The shorter way from `other` to here, in counts.
    pub const fn counts_from(self, other: Self) -> i32 {
        self.0.wrapping_sub(other.0) as i32
    }

    /// The angle `counts` further on, wrapped into one turn.
    pub const fn wrapping_add_counts(self, counts: i32) -> Self {
        Self(self.0.wrapping_add(counts as u32))
    }
}

impl CrankTravel {
    /// No travel.
    pub const ZERO: Self = Self(0);
    /// One whole turn forward.
    pub const TURN: Self = Self(COUNTS_PER_TURN);

    /// From counts of 2⁻³² turn.
    pub const fn from_counts(counts: i64) -> Self {
        Self(counts)
    }

    /// Counts of 2⁻³² turn.
    pub const fn as_counts(self) -> i64 {
        self.0
    }

    /// From thousandths of a degree, to the nearest count.
    pub const fn from_millidegrees(value: i32) -> Self {
        // 2³¹ · 2³² fits i64 with room for the half that rounds.
        let half = if value < 0 {
            -(MILLIDEGREES_PER_TURN / 2)
        } else {
            MILLIDEGREES_PER_TURN / 2
        };
        let scaled = (value as i64)
            .wrapping_mul(COUNTS_PER_TURN)
            .saturating_add(half);
        Self(scaled.wrapping_div(MILLIDEGREES_PER_TURN))
    }

    /// Thousandths of a degree, rounded toward minus infinity, saturating at the ends of i32.
    pub const fn as_millidegrees(self) -> i32 {
        let value = (self.0 as i128).wrapping_mul(MILLIDEGREES_PER_TURN as i128) >> 32;
        if value > i32::MAX as i128 {
            i32::MAX
        } else if value < i32::MIN as i128 {
            i32::MIN
        } else {
            value as i32
        }
    }

    /// Sum, saturating at the ends of the range.
    pub const fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Difference, saturating at the ends of the range.
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// Size without its sign, saturating.
    pub const fn saturating_abs(self) -> Self {
        Self(self.0.saturating_abs())
    }
}

impl AngleWindow {
    /// Whether `angle` lies in the window.
    pub const fn contains(self, angle: CrankAngle) -> bool {
        angle.travel_since(self.from).as_counts() <= self.to.travel_since(self.from).as_counts()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_degree_is_a_three_hundred_and_sixtieth_of_a_turn() {
        assert_eq!(
            CrankAngle::from_millidegrees(180_000),
            CrankAngle::BOTTOM_DEAD_CENTRE
        );
        assert_eq!(
            CrankAngle::from_millidegrees(-1_000),
            CrankAngle::from_millidegrees(359_000)
        );
        assert_eq!(
            CrankAngle::from_millidegrees(330_000).as_millidegrees(),
            330_000
        );
        assert_eq!(
            CrankTravel::from_millidegrees(-90_000).as_counts(),
            -(1 << 30)
        );
    }

    #[test]
    fn travel_wraps_through_top_dead_centre() {
        let before = CrankAngle::from_millidegrees(350_000);
        let after = CrankAngle::from_millidegrees(15_000);
        assert!((after.travel_since(before).as_millidegrees() - 25_000).abs() <= 1);
        assert!((before.offset_from(after).as_millidegrees() + 25_000).abs() <= 1);
    }

    #[test]
    fn a_window_may_cross_top_dead_centre() {
        let top = AngleWindow {
            from: CrankAngle::from_millidegrees(355_000),
            to: CrankAngle::from_millidegrees(5_000),
        };
        assert!(top.contains(CrankAngle::TOP_DEAD_CENTRE));
        assert!(top.contains(top.from) && top.contains(top.to));
        assert!(!top.contains(CrankAngle::from_millidegrees(5_001)));
        assert!(!top.contains(CrankAngle::BOTTOM_DEAD_CENTRE));
    }
}
