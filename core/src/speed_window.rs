//! Crank speed as the mean over a short window.
//!
//! The tracking loop's own speed is as quick as its bandwidth, and as noisy: some strokes per
//! minute. What is decided by speed (the release angle, the limits of a stop) takes this mean
//! instead: travel over 32 ticks is good to about a fifth of a stroke per minute. It speaks for
//! the middle of its window; a crank at speed does not notice.

use crate::angle::CrankAngle;
use crate::speed::CrankSpeed;

/// Ticks of a millisecond in the window.
const WINDOW: usize = 32;

/// The crank angles of the last ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SpeedWindow {
    angles: [CrankAngle; WINDOW],
    filled: usize,
    next: usize,
}

impl Default for SpeedWindow {
    fn default() -> Self {
        Self::new()
    }
}

impl SpeedWindow {
    /// Nothing seen yet.
    pub const fn new() -> Self {
        Self {
            angles: [CrankAngle::TOP_DEAD_CENTRE; WINDOW],
            filled: 0,
            next: 0,
        }
    }

    /// Takes the angle of one tick and returns the mean speed since the oldest in the window; zero
    /// with the first.
    pub fn step(&mut self, angle: CrankAngle) -> CrankSpeed {
        let oldest_at = if self.filled < WINDOW { 0 } else { self.next };
        let oldest = self.angles.get(oldest_at).copied().unwrap_or(angle);
        let ticks = i32::try_from(self.filled).unwrap_or(0);
        if let Some(slot) = self.angles.get_mut(self.next) {
            *slot = angle;
        }
        self.next = self.next.wrapping_add(1).wrapping_rem(WINDOW);
        self.filled = self.filled.saturating_add(1).min(WINDOW);
        // Half a turn in 32 ms is 940 strokes per minute: beyond every press.
        let counts = angle.counts_from(oldest).checked_div(ticks).unwrap_or(0);
        CrankSpeed::from_counts_per_ms(counts)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Duration;

    #[test]
    fn a_steady_crank_has_its_speed_from_the_second_tick_on() {
        for milli_spm in [85_000, -85_000, 800_000] {
            let speed = CrankSpeed::from_milli_spm(milli_spm);
            let (mut window, mut angle) = (SpeedWindow::new(), CrankAngle::TOP_DEAD_CENTRE);
            assert_eq!(window.step(angle), CrankSpeed::ZERO);
            for _ in 0..100 {
                angle = angle.wrapping_add(speed.travel_in(Duration::from_millis(1)));
                let off = window
                    .step(angle)
                    .as_milli_spm()
                    .abs_diff(speed.as_milli_spm());
                assert!(off <= 1, "{off}");
            }
        }
    }
}
