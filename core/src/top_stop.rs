//! The top stop: where to command it so that the slide rests at the top, and a compensation that
//! is bounded on both sides.
//!
//! The commissioned release angle φ₀(N) stands; the compensation adds an offset to it. Later it
//! may go only on much evidence and slowly, since one unusually short stop must not carry the next
//! one past the top. Earlier it may go quicker, but no further than the advisory limit stands for:
//! at half of that it warns, at all of it it stops the press. Stopping time and travel are judged
//! elsewhere, against limits that the compensation cannot touch.

use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet};
use crate::speed::CrankSpeed;
use crate::stop_curve::StopCurve;
use crate::time::Duration;
use core::hash::{Hash, Hasher};

/// Stops whose median may move the release later.
const LATER_STOPS: usize = 20;
/// Stops whose median may move the release earlier.
const EARLIER_STOPS: usize = 3;
/// Furthest the release moves later after one stop.
const LATER_STEP: CrankTravel = CrankTravel::from_millidegrees(200);

/// The commissioned top stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Where the slide shall rest.
    pub target: CrankAngle,
    /// Commissioned release angle φ₀ at [`Config::speed`].
    pub release: CrankAngle,
    /// The speed it belongs to.
    pub speed: CrankSpeed,
    /// Growth of the travel from command to rest with speed.
    pub curve: StopCurve,
    /// Furthest the compensation may move the release later.
    pub late_bound: CrankTravel,
    /// Furthest it may move the release earlier.
    pub early_bound: CrankTravel,
    /// It leaves the release alone while the evidence asks for less than this.
    pub deadband: CrankTravel,
}

/// Whether the stop command is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Due {
    /// The crank is still before the release angle.
    NotYet,
    /// It passes the release angle this long after the reading.
    After(Duration),
    /// It has passed it already.
    Passed,
}

/// The bounded compensation.
#[derive(Clone, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Compensation {
    offset: CrankTravel,
    /// Its share of the bound on its side: worked out when it moves, shown every tick.
    authority_percent: u8,
    /// Offsets that would have brought the last stops to rest on the target, newest last.
    #[cfg_attr(feature = "defmt", defmt(Debug2Format))]
    wanted: heapless::Deque<CrankTravel, LATER_STOPS>,
}

impl Config {
    /// The commissioned release angle at `speed`, before compensation.
    pub fn release_at(&self, speed: CrankSpeed) -> CrankAngle {
        self.release.wrapping_add(self.moved_at(speed))
    }

    /// How far that lies past the commissioned one, as travel: on a fast press more than half a turn.
    fn moved_at(&self, speed: CrankSpeed) -> CrankTravel {
        ReleaseShift::new(self, speed).get()
    }

    /// The latest release angle ever allowed at `speed`.
    pub fn latest_at(&self, speed: CrankSpeed) -> CrankAngle {
        self.release_at(speed).wrapping_add(self.late_bound)
    }
}

/// How far the release angle commissioned for the speed of the moment lies past the commissioned one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ReleaseShift {
    /// Travel from command to rest at the commissioned speed.
    commissioned: CrankTravel,
    /// The same at the speed of the moment.
    travel: CrankTravel,
}

impl ReleaseShift {
    /// For a crank at `speed`.
    pub fn new(config: &Config, speed: CrankSpeed) -> Self {
        Self {
            commissioned: config.curve.travel_at(config.speed),
            travel: config.curve.travel_at(speed),
        }
    }

    /// The crank is now at `speed`.
    pub fn follow(&mut self, config: &Config, speed: CrankSpeed) {
        self.travel = config.curve.travel_at(speed);
    }

    /// As travel: on a fast press more than half a turn.
    pub const fn get(&self) -> CrankTravel {
        self.commissioned.saturating_sub(self.travel)
    }
}

/// When a crank at `speed` passes an angle that is `ahead` of it, looked for within one `tick`.
pub fn due(ahead: CrankTravel, speed: CrankSpeed, tick: Duration) -> Due {
    if ahead <= CrankTravel::ZERO {
        return Due::Passed;
    }
    let scaled = ahead.as_counts().saturating_mul(1_000);
    let per_ms = i64::from(speed.as_counts_per_ms());
    // Multiplied, not divided, to see that it is not yet: that is so on nearly every tick.
    if per_ms <= 0 || scaled >= per_ms.wrapping_mul(i64::from(tick.as_micros())) {
        return Due::NotYet;
    }
    let micros = scaled.checked_div(per_ms).unwrap_or(0);
    Due::After(Duration::from_micros(micros as u32))
}

// The queue has no hash of its own: what it holds counts, and not where in its ring it begins.
impl Hash for Compensation {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.offset.hash(state);
        self.wanted.iter().for_each(|wanted| wanted.hash(state));
    }
}

impl Default for Compensation {
    fn default() -> Self {
        Self::new()
    }
}

impl Compensation {
    /// As commissioned: nothing added.
    pub const fn new() -> Self {
        Self {
            offset: CrankTravel::ZERO,
            authority_percent: 0,
            wanted: heapless::Deque::new(),
        }
    }

    /// What is added to the commissioned release angle; negative is earlier.
    pub const fn offset(&self) -> CrankTravel {
        self.offset
    }

    /// Share of the authority in use, 0 to 100 %.
    pub const fn authority_percent(&self) -> u8 {
        self.authority_percent
    }

    /// Learns from a healthy top stop of normal production that came to rest at `rest`. The
    /// caller leaves out warm-up, inching, tests, stops after a fault and stops outside the
    /// verified speeds.
    pub fn learn(&mut self, config: &Config, rest: CrankAngle) -> FaultSet {
        let overrun = rest.offset_from(config.target);
        if self.wanted.is_full() {
            self.wanted.pop_front();
        }
        // Cannot fail: room was made above.
        let _ = self.wanted.push_back(self.offset.saturating_sub(overrun));
        self.move_offset(config);
        self.authority_percent = share_percent(config, self.offset);
        self.judge(config)
    }

    fn move_offset(&mut self, config: &Config) {
        let earliest = CrankTravel::ZERO.saturating_sub(config.early_bound);
        let earlier = self
            .median(EARLIER_STOPS)
            .filter(|wanted| *wanted < self.offset.saturating_sub(config.deadband));
        if let Some(wanted) = earlier {
            self.offset = wanted.max(earliest);
            return;
        }
        let later = self
            .median(LATER_STOPS)
            .filter(|wanted| *wanted > self.offset);
        if let Some(wanted) = later {
            let step = wanted.min(self.offset.saturating_add(LATER_STEP));
            self.offset = step.min(config.late_bound);
        }
    }

    /// Median of what the last `count` stops wanted, if there were so many.
    fn median(&self, count: usize) -> Option<CrankTravel> {
        let skip = self.wanted.len().checked_sub(count)?;
        let mut last: heapless::Vec<CrankTravel, LATER_STOPS> = heapless::Vec::new();
        for &wanted in self.wanted.iter().skip(skip) {
            insert(&mut last, wanted);
        }
        // The lower of the two middle ones: the more cautious.
        last.get(count.saturating_sub(1) / 2).copied()
    }

    /// What the offset in force gives rise to.
    pub fn judge(&self, config: &Config) -> FaultSet {
        let earlier = CrankTravel::ZERO.saturating_sub(self.offset);
        let half = CrankTravel::from_counts(config.early_bound.as_counts() / 2);
        FaultSet::EMPTY
            .with_if(FaultCode::CompensationBound, earlier >= config.early_bound)
            .with_if(FaultCode::CompensationHalf, earlier >= half)
    }
}

/// What share of the bound on its side an offset is, 0 to 100 %.
fn share_percent(config: &Config, offset: CrankTravel) -> u8 {
    let bound = if offset < CrankTravel::ZERO {
        config.early_bound
    } else {
        config.late_bound
    };
    let used = offset.saturating_abs().as_counts().saturating_mul(100);
    let percent = used.checked_div(bound.as_counts()).unwrap_or(100);
    u8::try_from(percent.clamp(0, 100)).unwrap_or(100)
}

/// Puts `next` in its place among the `sorted`. The library's sort, made for long lists, has a
/// reachable panic and five kilobytes of code.
fn insert(sorted: &mut heapless::Vec<CrankTravel, LATER_STOPS>, next: CrankTravel) {
    let mut carried = next;
    for kept in sorted.iter_mut().filter(|kept| **kept > next) {
        core::mem::swap(kept, &mut carried);
    }
    // Cannot fail: no more are ever put in than the list takes.
    let _ = sorted.push(carried);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn deg(value: i32) -> CrankTravel {
        CrankTravel::from_millidegrees(value.saturating_mul(1_000))
    }

    fn config() -> Config {
        Config {
            target: CrankAngle::TOP_DEAD_CENTRE,
            release: CrankAngle::from_millidegrees(310_000),
            speed: CrankSpeed::from_milli_spm(60_000),
            curve: StopCurve {
                reaction: Duration::from_millis(60),
                braking_ns_per_spm: 2_094_395,
            },
            late_bound: deg(2),
            early_bound: deg(12),
            deadband: deg(1),
        }
    }

    #[test]
    fn ten_short_stops_never_move_the_release_later() {
        let (config, mut compensation) = (config(), Compensation::new());
        for _ in 0..10 {
            compensation.learn(&config, CrankAngle::from_millidegrees(-8_000));
        }
        assert_eq!(compensation.offset(), CrankTravel::ZERO);
    }

    #[test]
    fn many_short_stops_move_it_later_slowly_and_no_further_than_the_bound() {
        let (config, mut compensation) = (config(), Compensation::new());
        let mut last = compensation.offset();
        for _ in 0..200 {
            compensation.learn(&config, CrankAngle::from_millidegrees(-8_000));
            assert!(compensation.offset().saturating_sub(last) <= LATER_STEP);
            last = compensation.offset();
        }
        assert_eq!(last, config.late_bound);
    }

    #[test]
    fn a_failing_brake_warns_at_half_and_stops_at_the_bound() {
        let (config, mut compensation) = (config(), Compensation::new());
        let mut seen = FaultSet::EMPTY;
        // The slide overruns ever further; each stop rests where the offset leaves it.
        for lengthened in 0..40 {
            let overrun = deg(lengthened).saturating_add(compensation.offset());
            seen = compensation.learn(&config, config.target.wrapping_add(overrun));
            if seen.contains(FaultCode::CompensationBound) {
                break;
            }
            assert!(CrankTravel::ZERO.saturating_sub(compensation.offset()) < config.early_bound);
        }
        assert!(seen.contains(FaultCode::CompensationHalf));
        assert!(seen.contains(FaultCode::CompensationBound));
        assert_eq!(
            compensation.offset(),
            CrankTravel::ZERO.saturating_sub(config.early_bound)
        );
        assert_eq!(compensation.authority_percent(), 100);
    }

    #[test]
    fn the_median_is_the_lower_middle_one_of_the_last() {
        let mut compensation = Compensation::new();
        for wanted in [9, -9, 5, 1, 4, 2, 3] {
            let _ = compensation.wanted.push_back(deg(wanted));
        }
        assert_eq!(compensation.median(8), None);
        assert_eq!(compensation.median(7), Some(deg(3)));
        assert_eq!(compensation.median(5), Some(deg(3)));
        assert_eq!(compensation.median(4), Some(deg(2)));
        assert_eq!(compensation.median(1), Some(deg(3)));
    }

    #[test]
    fn the_release_moves_with_the_square_of_speed() {
        // α(N) = a·N + b·N² for 12 kg·m², 600 N·m and 60 ms: 16.4549° at 30, 44.2195° at 60 SPM
        // (rigid rotor under constant torque, textbook dynamics).
        let config = config();
        let at_30 = config.release_at(CrankSpeed::from_milli_spm(30_000));
        let later = at_30.offset_from(config.release).as_millidegrees();
        assert!((later - (44_219 - 16_455)).abs() <= 20, "{later}");
    }
}
