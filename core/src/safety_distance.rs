//! Published formulas from stopping time to safety distance, and back.
//!
//! A rule is a name. [`Rule::text`] says in our words what its clause asks and whether that text
//! was read; [`Rule::distance`] gives the distance for given response times, rounded up;
//! [`Rule::longest_total`] gives the longest total time an installed distance allows, rounded down.
//! Both come from the same few terms, so that neither can drift from the other: a distance is
//! enough for its own time, and one microsecond more asks for more than the distance gave
//! (or for nothing, where a rule has a least distance).
//!
//! Integers only: microseconds in, micrometres out; every rounding is to the cautious side.
//! Times past the range saturate, and a saturated distance is 4.29 km, which nobody installs.
//!
//! What this does not do: choose the rule, know the edition in force where the press stands, or
//! look at reaching over, under or around. The orthogonal formula of ISO 13855:2024 is not here
//! because it could not be read.

mod text;

use crate::time::Duration;
pub use text::{RuleText, Standing};

/// A distance in micrometres, 0 to 4.29 km; longer ones saturate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Distance(u32);

/// The times a hand has while the slide is still closing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ResponseTimes {
    /// Coil off to standstill, the worst of the closing stroke: with the latch limit in force, or
    /// as measured where the rule adds the monitor's allowance by itself.
    pub stopping: Duration,
    /// Request at the controller to coil off.
    pub control: Duration,
    /// Hand in the field, or off the button, to request at the controller.
    pub device: Duration,
    /// Further stopping time the stopping-performance monitor lets pass. Only the rules with a
    /// [`Rule::monitor_share`] add it; leave it at zero when `stopping` already holds the limit.
    pub monitor_allowance: Duration,
}

/// What a rule has to know about the device. A rule that needs a missing value refuses.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Approach {
    /// Smallest object the field surely detects.
    pub detection: Option<Distance>,
    /// Height of a horizontal field above the floor.
    pub field_height: Option<Distance>,
    /// Penetration read from the graph of 1910.217(h), which is not in this crate.
    pub penetration: Option<Distance>,
}

/// Why a rule gives no distance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Refusal {
    /// The rule needs the detection capability.
    DetectionMissing,
    /// The detection capability is above what the rule covers.
    DetectionTooCoarse {
        /// Coarsest detection capability the rule covers.
        most: Distance,
    },
    /// The rule needs the height of the field.
    HeightMissing,
    /// The field is higher or lower than the rule covers.
    HeightOutOfRange {
        /// Lowest height for this detection capability.
        least: Distance,
        /// Greatest height.
        most: Distance,
    },
    /// The rule needs a penetration distance.
    PenetrationMissing,
}

/// A published rule for the distance between a safeguard and the point of operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Rule {
    /// United States, presence sensing and two-hand control on part-revolution presses.
    UsStoppingTime,
    /// United States consensus form with the monitor's allowance and penetration.
    UsMonitored,
    /// United States, stroke started by the presence-sensing device; for information only.
    UsDeviceInitiated,
    /// International, field at right angles to the approach.
    IsoOrthogonal2010,
    /// German press table: steps in place of the line of the international rule.
    PressTable,
    /// International, field parallel to the approach, 2010 edition.
    IsoParallel2010,
    /// International, field parallel to the approach, 2024 edition.
    IsoParallel2024,
    /// International, two-hand control, 2010 edition.
    TwoHand2010,
    /// The same where covers prevent encroachment.
    TwoHand2010Covered,
    /// International, two-hand control, 2024 edition.
    TwoHand2024,
    /// The same where encroachment is eliminated.
    TwoHand2024Covered,
    /// Japan and Taiwan.
    JapanTaiwan,
}

/// Speeds in tenths of a millimetre per second. 63 in/s is 1600.2 mm/s exactly.
const SPEED_63_INCHES: u64 = 16_002;
const SPEED_1600: u64 = 16_000;
const SPEED_2000: u64 = 20_000;
/// Microseconds times tenths of mm/s that make one micrometre.
const PRODUCTS_PER_MICROMETRE: u64 = 10_000;
/// Up to here the international orthogonal rule uses 2000 mm/s.
const NEAR_MOST_UM: u64 = 500_000;

/// The numbers a rule comes down to.
#[derive(Clone, Copy)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Terms {
    /// Approach speed, tenths of mm/s.
    speed: u64,
    /// Whether 2000 mm/s holds up to 500 mm, and 500 mm is then the least beyond.
    is_fast_near: bool,
    /// Constant part, micrometres.
    added: u64,
    /// Never less than this, micrometres.
    least: u64,
    /// The distance has to be greater than the product, not merely equal.
    is_strict: bool,
}

impl Distance {
    /// No distance.
    pub const ZERO: Self = Self(0);
    /// The longest distance; also what an overflow gives.
    pub const MAX: Self = Self(u32::MAX);

    /// From micrometres.
    pub const fn from_micrometres(micrometres: u32) -> Self {
        Self(micrometres)
    }

    /// From millimetres, saturating.
    pub const fn from_millimetres(millimetres: u32) -> Self {
        Self(millimetres.saturating_mul(1_000))
    }

    /// Micrometres.
    pub const fn as_micrometres(self) -> u32 {
        self.0
    }

    const fn saturating_from(micrometres: u64) -> Self {
        if micrometres > u32::MAX as u64 {
            Self::MAX
        } else {
            Self(micrometres as u32)
        }
    }
}

impl Rule {
    /// Every rule, in the order of the documentation.
    pub const ALL: [Self; 12] = [
        Self::UsStoppingTime,
        Self::UsMonitored,
        Self::UsDeviceInitiated,
        Self::IsoOrthogonal2010,
        Self::PressTable,
        Self::IsoParallel2010,
        Self::IsoParallel2024,
        Self::TwoHand2010,
        Self::TwoHand2010Covered,
        Self::TwoHand2024,
        Self::TwoHand2024Covered,
        Self::JapanTaiwan,
    ];

    /// How often the rule adds the monitor's allowance. The (h) rule adds it twice, because
    /// stopping time on the down-stroke can grow more than at the top.
    pub const fn monitor_share(self) -> u32 {
        match self {
            Self::UsMonitored => 1,
            Self::UsDeviceInitiated => 2,
            _ => 0,
        }
    }

    /// The time the rule multiplies by the hand speed, saturating. Device and control response are
    /// always added: whether 63 in/s times the stopping time alone was meant is left open by its
    /// text, and adding them is the safe reading.
    pub const fn total_time(self, times: ResponseTimes) -> Duration {
        let allowance = times
            .monitor_allowance
            .as_micros()
            .saturating_mul(self.monitor_share());
        times
            .stopping
            .saturating_add(times.control)
            .saturating_add(times.device)
            .saturating_add(Duration::from_micros(allowance))
    }

    /// The smallest distance that satisfies the rule, rounded up to a micrometre.
    ///
    /// # Errors
    /// A [`Refusal`] when the approach lacks something or lies outside what the rule covers.
    pub const fn distance(
        self,
        approach: Approach,
        times: ResponseTimes,
    ) -> Result<Distance, Refusal> {
        match self.terms(approach) {
            Ok(terms) => Ok(terms.distance(self.total_time(times))),
            Err(refusal) => Err(refusal),
        }
    }

    /// The longest total time that `installed` satisfies, rounded down to a microsecond; `None`
    /// when no time is short enough.
    ///
    /// # Errors
    /// As [`Rule::distance`].
    pub const fn longest_total(
        self,
        approach: Approach,
        installed: Distance,
    ) -> Result<Option<Duration>, Refusal> {
        match self.terms(approach) {
            Ok(terms) => Ok(terms.longest_total(installed)),
            Err(refusal) => Err(refusal),
        }
    }

    /// The longest stopping time that `installed` satisfies once the other response times are
    /// taken off; `None` when they alone already use it up.
    ///
    /// # Errors
    /// As [`Rule::distance`].
    pub const fn longest_stopping(
        self,
        approach: Approach,
        installed: Distance,
        others: ResponseTimes,
    ) -> Result<Option<Duration>, Refusal> {
        let others = self.total_time(ResponseTimes {
            stopping: Duration::ZERO,
            ..others
        });
        match self.longest_total(approach, installed) {
            Ok(Some(total)) if total.as_micros() >= others.as_micros() => {
                Ok(Some(total.saturating_sub(others)))
            }
            Ok(_) => Ok(None),
            Err(refusal) => Err(refusal),
        }
    }

    const fn terms(self, approach: Approach) -> Result<Terms, Refusal> {
        let added = match self.added(approach) {
            Ok(added) => added,
            Err(refusal) => return Err(refusal),
        };
        Ok(Terms {
            speed: self.speed(),
            is_fast_near: matches!(self, Self::IsoOrthogonal2010 | Self::PressTable),
            added,
            least: self.least(),
            is_strict: matches!(self, Self::UsStoppingTime),
        })
    }

    const fn speed(self) -> u64 {
        match self {
            Self::UsStoppingTime | Self::UsMonitored | Self::UsDeviceInitiated => SPEED_63_INCHES,
            _ => SPEED_1600,
        }
    }

    const fn least(self) -> u64 {
        match self {
            Self::UsStoppingTime
            | Self::UsMonitored
            | Self::UsDeviceInitiated
            | Self::JapanTaiwan => 0,
            _ => 100_000,
        }
    }

    const fn added(self, approach: Approach) -> Result<u64, Refusal> {
        match self {
            Self::UsStoppingTime | Self::TwoHand2010Covered | Self::TwoHand2024Covered => Ok(0),
            Self::TwoHand2010 => Ok(250_000),
            Self::TwoHand2024 => Ok(550_000),
            Self::UsMonitored => match detection_up_to(approach, 63_999) {
                Ok(detection) => Ok(us_penetration_um(detection)),
                Err(refusal) => Err(refusal),
            },
            Self::UsDeviceInitiated => match approach.penetration {
                Some(penetration) => Ok(penetration.0 as u64),
                None => Err(Refusal::PenetrationMissing),
            },
            Self::IsoOrthogonal2010 => match detection_up_to(approach, 70_000) {
                Ok(detection) => Ok(iso_addition_um(detection)),
                Err(refusal) => Err(refusal),
            },
            Self::PressTable => match detection_up_to(approach, 70_000) {
                Ok(detection) => Ok(press_table_addition_um(detection)),
                Err(refusal) => Err(refusal),
            },
            Self::IsoParallel2010 => match field_height(approach) {
                Ok(height) => Ok(parallel_addition_um(height)),
                Err(refusal) => Err(refusal),
            },
            Self::IsoParallel2024 => match field_height(approach) {
                Ok(_) => Ok(1_200_000),
                Err(refusal) => Err(refusal),
            },
            Self::JapanTaiwan => japan_taiwan_addition_um(approach),
        }
    }
}

impl Terms {
    const fn distance(self, total: Duration) -> Distance {
        let far = self.reach(total, self.speed).saturating_add(self.added);
        let near = self.reach(total, SPEED_2000).saturating_add(self.added);
        let asked = if !self.is_fast_near {
            far
        } else if near <= NEAR_MOST_UM {
            near
        } else {
            larger(far, NEAR_MOST_UM)
        };
        Distance::saturating_from(larger(asked, self.least))
    }

    /// The inverse of [`Terms::distance`]. That one never falls as time grows: it climbs at
    /// 2000 mm/s, rests at 500 mm, then climbs at 1600 mm/s. So one speed decides by itself.
    const fn longest_total(self, installed: Distance) -> Option<Duration> {
        let installed = installed.0 as u64;
        if installed < self.least {
            return None;
        }
        let is_near = self.is_fast_near && installed < NEAR_MOST_UM;
        let speed = if is_near { SPEED_2000 } else { self.speed };
        let Some(room) = installed.checked_sub(self.added) else {
            return None;
        };
        let products = room.saturating_mul(PRODUCTS_PER_MICROMETRE);
        let Some(products) = products.checked_sub(self.is_strict as u64) else {
            return None;
        };
        match products.checked_div(speed) {
            Some(total) => Some(duration_saturating_from(total)),
            None => None,
        }
    }

    const fn reach(self, total: Duration, speed: u64) -> u64 {
        let products = (total.as_micros() as u64).saturating_mul(speed);
        if self.is_strict {
            (products / PRODUCTS_PER_MICROMETRE).saturating_add(1)
        } else {
            products.div_ceil(PRODUCTS_PER_MICROMETRE)
        }
    }
}

/// The monitor's allowance under 1910.217(h)(5)(iii): a tenth of the longest stopping time at the
/// top, and 10 ms at least. Rounded down, since it is a permission.
pub const fn us_monitor_allowance(longest_at_top: Duration) -> Duration {
    let tenth = Duration::from_micros(longest_at_top.as_micros() / 10);
    let least = Duration::from_millis(10);
    if tenth.as_micros() > least.as_micros() {
        tenth
    } else {
        least
    }
}

/// Lowest height of a horizontal field for its detection capability d: 15·(d − 50 mm), ISO 13855
/// (from memory).
pub const fn lowest_field_height(detection: Distance) -> Distance {
    Distance(detection.0.saturating_sub(50_000).saturating_mul(15))
}

/// 3.4·(S − 6.875 mm), not below zero.
const fn us_penetration_um(detection: u64) -> u64 {
    detection
        .saturating_sub(6_875)
        .saturating_mul(34)
        .div_ceil(10)
}

/// 8·(d − 14 mm) up to 40 mm, 850 mm beyond: from there an arm passes, not only a finger.
const fn iso_addition_um(detection: u64) -> u64 {
    if detection <= 40_000 {
        detection.saturating_sub(14_000).saturating_mul(8)
    } else {
        850_000
    }
}

const fn press_table_addition_um(detection: u64) -> u64 {
    match detection {
        0..=14_000 => 0,
        14_001..=20_000 => 80_000,
        20_001..=30_000 => 130_000,
        30_001..=40_000 => 240_000,
        _ => 850_000,
    }
}

/// 1200 mm − 0.4·H, not below 850 mm; the part taken off is rounded down.
const fn parallel_addition_um(height: u64) -> u64 {
    let lowered = 1_200_000_u64.saturating_sub(height.saturating_mul(4) / 10);
    larger(lowered, 850_000)
}

/// Steps for a light curtain; a two-hand control has no detection capability and adds nothing.
const fn japan_taiwan_addition_um(approach: Approach) -> Result<u64, Refusal> {
    let Some(detection) = approach.detection else {
        return Ok(0);
    };
    match detection.0 {
        0..=30_000 => Ok(0),
        30_001..=35_000 => Ok(200_000),
        35_001..=45_000 => Ok(300_000),
        45_001..=50_000 => Ok(400_000),
        _ => Err(Refusal::DetectionTooCoarse {
            most: Distance(50_000),
        }),
    }
}

const fn detection_up_to(approach: Approach, most_um: u32) -> Result<u64, Refusal> {
    match approach.detection {
        None => Err(Refusal::DetectionMissing),
        Some(detection) if detection.0 > most_um => Err(Refusal::DetectionTooCoarse {
            most: Distance(most_um),
        }),
        Some(detection) => Ok(detection.0 as u64),
    }
}

const fn field_height(approach: Approach) -> Result<u64, Refusal> {
    let (Some(height), Some(detection)) = (approach.field_height, approach.detection) else {
        return Err(if approach.detection.is_none() {
            Refusal::DetectionMissing
        } else {
            Refusal::HeightMissing
        });
    };
    let least = lowest_field_height(detection);
    let most = Distance::from_millimetres(1_000);
    if height.0 < least.0 || height.0 > most.0 {
        return Err(Refusal::HeightOutOfRange { least, most });
    }
    Ok(height.0 as u64)
}

const fn larger(left: u64, right: u64) -> u64 {
    if left > right { left } else { right }
}

const fn duration_saturating_from(micros: u64) -> Duration {
    if micros > u32::MAX as u64 {
        Duration::MAX
    } else {
        Duration::from_micros(micros as u32)
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const fn detecting(millimetres: u32) -> Approach {
        Approach {
            detection: Some(Distance::from_millimetres(millimetres)),
            field_height: Some(Distance::from_millimetres(300)),
            penetration: Some(Distance::from_millimetres(20)),
        }
    }

    const fn stopping_millis(millis: u32) -> ResponseTimes {
        ResponseTimes {
            stopping: Duration::from_millis(millis),
            control: Duration::ZERO,
            device: Duration::ZERO,
            monitor_allowance: Duration::ZERO,
        }
    }

    fn micrometres(rule: Rule, detection_mm: u32, millis: u32) -> u32 {
        rule.distance(detecting(detection_mm), stopping_millis(millis))
            .unwrap()
            .as_micrometres()
    }

    #[test]
    fn sixty_three_inches_a_second_must_be_exceeded_not_met() {
        // Half a second is 31.5 in, 800.1 mm, in a state rule's worked example.
        assert_eq!(micrometres(Rule::UsStoppingTime, 14, 500), 800_101);
        let exact = Distance::from_micrometres(800_100);
        let longest = Rule::UsStoppingTime.longest_total(detecting(14), exact);
        assert_eq!(longest, Ok(Some(Duration::from_micros(499_999))));
        assert_eq!(
            Rule::UsStoppingTime.longest_total(detecting(14), Distance::ZERO),
            Ok(None)
        );
    }

    #[test]
    fn the_orthogonal_rule_rests_at_500_millimetres_between_its_two_speeds() {
        let rule = Rule::IsoOrthogonal2010;
        let asked = [40, 200, 250, 251, 300, 312, 313, 350].map(|t| micrometres(rule, 14, t));
        assert_eq!(
            asked,
            [
                100_000, 400_000, 500_000, 500_000, 500_000, 500_000, 500_800, 560_000
            ]
        );
        let installed = Distance::from_millimetres(500);
        let longest = rule.longest_total(detecting(14), installed);
        assert_eq!(longest, Ok(Some(Duration::from_micros(312_500))));
    }

    #[test]
    fn the_inverse_is_the_longest_time_that_fits() {
        for rule in Rule::ALL {
            for detection_mm in [5, 14, 20, 30, 40, 50] {
                for installed_mm in (0..1_600).step_by(7) {
                    let approach = detecting(detection_mm);
                    let installed = Distance::from_millimetres(installed_mm);
                    let asks = |total| {
                        let times = ResponseTimes {
                            stopping: total,
                            ..stopping_millis(0)
                        };
                        rule.distance(approach, times).unwrap()
                    };
                    match rule.longest_total(approach, installed).unwrap() {
                        None => assert!(asks(Duration::ZERO) > installed),
                        Some(total) => {
                            assert!(asks(total) <= installed, "{rule:?} {installed_mm}");
                            let longer = total.saturating_add(Duration::from_micros(1));
                            assert!(asks(longer) > installed, "{rule:?} {installed_mm}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn device_and_control_are_taken_off_once() {
        let others = ResponseTimes {
            control: Duration::from_millis(8),
            device: Duration::from_millis(20),
            ..stopping_millis(999)
        };
        let installed = Distance::from_millimetres(350);
        let stopping =
            |others| Rule::IsoOrthogonal2010.longest_stopping(detecting(14), installed, others);
        assert_eq!(stopping(others), Ok(Some(Duration::from_millis(147))));
        let slow = ResponseTimes {
            device: Duration::from_millis(200),
            ..others
        };
        assert_eq!(stopping(slow), Ok(None));
    }

    #[test]
    fn the_monitor_allowance_counts_as_often_as_the_rule_says() {
        let times = ResponseTimes {
            monitor_allowance: Duration::from_millis(10),
            ..stopping_millis(100)
        };
        let total = |rule: Rule| rule.total_time(times).as_micros();
        assert_eq!(total(Rule::UsStoppingTime), 100_000);
        assert_eq!(total(Rule::UsMonitored), 110_000);
        assert_eq!(total(Rule::UsDeviceInitiated), 120_000);
    }

    #[test]
    fn a_rule_refuses_what_it_does_not_cover() {
        let times = stopping_millis(100);
        let coarse = Rule::IsoOrthogonal2010.distance(detecting(71), times);
        let most = Distance::from_millimetres(70);
        assert_eq!(coarse, Err(Refusal::DetectionTooCoarse { most }));
        let blind = Rule::PressTable.distance(Approach::default(), times);
        assert_eq!(blind, Err(Refusal::DetectionMissing));
        let low = Rule::IsoParallel2010.distance(detecting(71), times);
        let least = Distance::from_millimetres(315);
        let most = Distance::from_millimetres(1_000);
        assert_eq!(low, Err(Refusal::HeightOutOfRange { least, most }));
        let graph = Rule::UsDeviceInitiated.distance(Approach::default(), times);
        assert_eq!(graph, Err(Refusal::PenetrationMissing));
    }

    #[test]
    fn a_time_without_end_saturates() {
        let endless = ResponseTimes {
            stopping: Duration::MAX,
            control: Duration::MAX,
            device: Duration::MAX,
            monitor_allowance: Duration::MAX,
        };
        for rule in Rule::ALL {
            assert_eq!(rule.distance(detecting(14), endless), Ok(Distance::MAX));
            let longest = rule.longest_total(detecting(14), Distance::MAX).unwrap();
            assert!(longest.is_some_and(|total| total.as_micros() > 2_000_000_000));
        }
    }

    #[test]
    fn every_rule_has_a_name_of_its_own() {
        for (index, rule) in Rule::ALL.iter().enumerate() {
            let name = rule.text().name;
            assert!(!name.is_empty() && !rule.text().asks.is_empty());
            assert!(
                Rule::ALL
                    .iter()
                    .skip(index + 1)
                    .all(|r| r.text().name != name)
            );
        }
    }
}
