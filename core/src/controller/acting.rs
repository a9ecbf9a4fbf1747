//! Act: the valve drive, and the only place where a stop begins.

use super::{Controller, Run, ValveDrive};
use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet, Reaction};
use crate::receiver::CrankReading;
use crate::stop_time::StopKind;
use crate::stroke::{StopReasons, Stroke};
use crate::time::{Duration, Instant};

/// Travel of a tick at the highest speed any receiver follows.
const TICK_AT_MOST: CrankTravel = CrankTravel::from_millidegrees(12_000);

impl Controller {
    pub(super) fn act(
        &mut self,
        before: Stroke,
        now: Instant,
        reading: Option<&CrankReading>,
        after: Duration,
    ) -> ValveDrive {
        self.refuse_the_impossible(now);
        let drives = self.stroke.drives_valve();
        let angle = reading
            .or(self.last_reading.as_ref())
            .map(CrankReading::angle);
        let angle = angle.unwrap_or_default();
        if drives && !self.valve.is_driven() {
            self.valve.drive(true, now);
            // The release angle of the moment is that of no speed; the commissioned one is what the
            // run will meet.
            let release = self.settings.get().top_stop.release;
            self.run = Some(Run {
                from: CrankTravel::ZERO,
                to_release: release.travel_since(angle),
                not_before: self.not_before(angle),
            });
        }
        if self.stroke == Stroke::ContinuousTopStop && before != Stroke::ContinuousTopStop {
            // The next release angle at the speed of the moment, as a way to the commissioned one:
            // by that `ahead_of_release` counts.
            self.run = Some(Run {
                from: self.motion.travel(),
                to_release: self
                    .release_now()
                    .travel_since(angle)
                    .saturating_sub(self.release_moved()),
                not_before: CrankTravel::ZERO,
            });
        }
        if drives || !self.valve.is_driven() {
            return ValveDrive {
                is_on: drives,
                after: Duration::ZERO,
            };
        }
        // The only place where a stop begins: the drive goes from on to off.
        let (kind, after) = self.stop_class(after);
        let at = now.saturating_add(after);
        let on_the_way = reading.map_or(CrankTravel::ZERO, |seen| seen.speed().travel_in(after));
        self.valve.drive(false, at);
        self.watch
            .command(kind, now, at, angle.wrapping_add(on_the_way));
        self.run = None;
        ValveDrive {
            is_on: false,
            after,
        }
    }

    /// On a fast press the release angle in force may lie before the take-over: a stop would have to
    /// be commanded while the slide closes. The first closing stroke of continuous running is then
    /// ended by its take-over, with a tick of the fastest press in hand.
    fn not_before(&self, angle: CrankAngle) -> CrankTravel {
        match self.stroke {
            Stroke::ContinuousClosing { .. } => {
                let take_over = self.settings.get().angles.take_over;
                take_over.travel_since(angle).saturating_add(TICK_AT_MOST)
            }
            _ => CrankTravel::ZERO,
        }
    }

    /// Only a stop at an angle waits for it within the tick; every other stop is now.
    const fn stop_class(&self, after: Duration) -> (StopKind, Duration) {
        match self.stroke {
            Stroke::TopStopping {
                reasons: StopReasons::NONE,
                ..
            } => (StopKind::Top, after),
            Stroke::TopStopping { .. } => (StopKind::Top, Duration::ZERO),
            Stroke::ImmediateStopping {
                reasons: StopReasons::TEST_ANGLE,
            } => (StopKind::MidStroke, after),
            _ => (StopKind::MidStroke, Duration::ZERO),
        }
    }

    /// Between two ticks the valve is driven if the state says so, and only then: no table leaves them
    /// apart. A state that drives what was never switched on has nothing to stop; the other way round
    /// the drive goes off in this tick. Says whether it was so.
    pub(super) fn break_off_the_impossible(&mut self) -> bool {
        let is_driven = self.valve.is_driven();
        let is_impossible = self.stroke.drives_valve() != is_driven;
        if is_impossible && !is_driven {
            self.stroke = Stroke::FaultLatched;
        }
        is_impossible
    }

    /// The valve is never on with a fault latched that stops at once. Should the state say so all
    /// the same, something is broken that no table foresaw.
    fn refuse_the_impossible(&mut self, now: Instant) {
        const STOP_NOW: FaultSet = FaultSet::demanding(Reaction::ImmediateStop);
        if self.stroke.drives_valve() && self.latch.latched().meets(STOP_NOW) {
            self.raise(FaultSet::EMPTY.with(FaultCode::ImpossibleState), now);
            self.stroke = Stroke::ImmediateStopping {
                reasons: StopReasons::FAULT,
            };
        }
    }
}
