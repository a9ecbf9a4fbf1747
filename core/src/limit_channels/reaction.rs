//! How long a load takes to follow its output, measured where the load itself can be seen: a pressure
//! switch behind the valve, a sensor at the pilot, the part that has left. It is wired to the channel's
//! read-back for as long as it takes, and what comes out are the leads to store for the channel.
//!
//! A switch is seen by the tick, so a single time is good to half of one either way; the median of
//! several is better, and one operation that went wrong does not move it. On and off are measured
//! apart: a valve that opens in 25 ms may take 14 ms to close.

use super::Channel;
use crate::time::{Duration, Instant};

/// Operations of each kind that a lead takes at least.
pub const OPERATIONS_MIN: usize = 5;
/// The latest operations of each kind count, so many at most.
pub const OPERATIONS_MAX: usize = 11;

/// What was measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reaction {
    /// Median from output on to the load's action.
    pub on: Duration,
    /// Median from output off to the load's release.
    pub off: Duration,
    /// The most by which one operation differed from its median.
    pub scatter: Duration,
}

impl Reaction {
    /// The channel with these as its leads.
    #[must_use]
    pub const fn applied_to(self, channel: Channel) -> Channel {
        Channel {
            on_lead: self.on,
            off_lead: self.off,
            ..channel
        }
    }
}

/// Measures one channel while it works.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LoadReaction {
    on: Operations,
    off: Operations,
    was_on: bool,
    had_acted: bool,
    /// When the output last changed, until the load has followed.
    commanded_at: Option<Instant>,
}

impl LoadReaction {
    /// Nothing measured yet: output and load are off.
    pub const fn new() -> Self {
        const NONE: Operations = Operations {
            times: [Duration::ZERO; OPERATIONS_MAX],
            count: 0,
            next: 0,
        };
        Self {
            on: NONE,
            off: NONE,
            was_on: false,
            had_acted: false,
            commanded_at: None,
        }
    }

    /// One tick of length `tick` at `now`: whether the load was seen to act, and the output as this tick
    /// has left it, changed `after` its instant if it has changed.
    ///
    /// A load that has not followed when its output changes again is not counted.
    pub fn step(
        &mut self,
        now: Instant,
        tick: Duration,
        has_acted: bool,
        is_on: bool,
        after: Duration,
    ) {
        if has_acted != self.had_acted {
            self.had_acted = has_acted;
            // Somewhere between the last tick and this one.
            let seen_at = now.saturating_sub(Duration::from_micros(tick.as_micros() / 2));
            if has_acted == self.was_on
                && let Some(at) = self.commanded_at.take()
            {
                let operations = if has_acted {
                    &mut self.on
                } else {
                    &mut self.off
                };
                operations.add(seen_at.saturating_since(at));
            }
        }
        if is_on != self.was_on {
            self.was_on = is_on;
            self.commanded_at = Some(now.saturating_add(after));
        }
    }

    /// What was measured; none before [`OPERATIONS_MIN`] of each kind.
    pub fn result(&self) -> Option<Reaction> {
        let (on, off) = (self.on.median()?, self.off.median()?);
        let scatter = self.on.farthest_from(on).max(self.off.farthest_from(off));
        Some(Reaction { on, off, scatter })
    }
}

/// The latest times of one kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Operations {
    times: [Duration; OPERATIONS_MAX],
    count: usize,
    next: usize,
}

impl Operations {
    fn add(&mut self, time: Duration) {
        if let Some(place) = self.times.get_mut(self.next) {
            *place = time;
        }
        self.next = self.next.saturating_add(1);
        self.count = self.count.max(self.next);
        if self.next >= OPERATIONS_MAX {
            self.next = 0;
        }
    }

    fn known(&self) -> impl Iterator<Item = Duration> {
        self.times.iter().take(self.count).copied()
    }

    /// The middle one, the lower of two.
    fn median(&self) -> Option<Duration> {
        if self.count < OPERATIONS_MIN {
            return None;
        }
        let middle = self.count.saturating_sub(1) / 2;
        self.known().find(|&time| {
            let below = self.known().filter(|&other| other < time).count();
            let equal = self.known().filter(|&other| other == time).count();
            below <= middle && below.saturating_add(equal) > middle
        })
    }

    fn farthest_from(&self, middle: Duration) -> Duration {
        let off =
            |time: Duration| Duration::from_micros(time.as_micros().abs_diff(middle.as_micros()));
        self.known().map(off).max().unwrap_or(Duration::ZERO)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TICK: Duration = Duration::from_millis(1);

    /// The load follows each change of its output after so many ticks, or not at all.
    fn operated(ticks: &[Option<u64>]) -> LoadReaction {
        let mut measured = LoadReaction::new();
        let (mut now_ms, mut is_on, mut has_acted) = (0_u64, false, false);
        for &follows in ticks {
            is_on = !is_on;
            for tick in 0..100 {
                now_ms = now_ms.saturating_add(1);
                if follows == Some(tick) {
                    has_acted = is_on;
                }
                let now = Instant::from_micros(now_ms.saturating_mul(1_000));
                measured.step(now, TICK, has_acted, is_on, Duration::ZERO);
            }
        }
        measured
    }

    #[test]
    fn too_few_operations_give_no_lead() {
        let few = [Some(20); 9];
        assert_eq!(operated(&few).result(), None);
        assert!(operated(&[Some(20); 10]).result().is_some());
    }

    #[test]
    fn one_wild_operation_moves_no_lead_and_shows_in_the_scatter() {
        const SOUND: [Option<u64>; 2] = [Some(20), Some(30)];
        const WILD: [Option<u64>; 2] = [Some(60), Some(30)];
        let ticks = [SOUND, SOUND, WILD, SOUND, SOUND, SOUND];
        // Seen half a tick before the tick that saw it.
        let half = |ms: u32| Duration::from_micros(ms.saturating_mul(1_000).saturating_sub(500));
        let expected = Reaction {
            on: half(20),
            off: half(30),
            scatter: Duration::from_millis(40),
        };
        assert_eq!(operated(ticks.as_flattened()).result(), Some(expected));
    }

    #[test]
    fn a_load_that_does_not_follow_gives_no_lead() {
        assert_eq!(operated(&[None; 40]).result(), None);
        // It acts and never lets go again.
        let mut ticks = [None; 40];
        ticks[0] = Some(20);
        assert_eq!(operated(&ticks).result(), None);
    }
}
