//! Judge: motion, stop, valve and rest against their bounds; faults as data.

use super::{Controller, Inputs, TICK};
use crate::angle::{CrankAngle, CrankTravel};
use crate::fault::{FaultCode, FaultSet, Reaction};
use crate::fault_latch::Evidence;
use crate::motion::Expectation;
use crate::receiver::CrankReading;
use crate::run_in::Condition;
use crate::stop_time::{Progress, StopRecord};
use crate::stroke::{Purpose, Rest, StopReasons, Stroke};
use crate::time::Instant;
use crate::valve_pair::{coil_off_since, shifted_off_since};

/// Share of a speed by which a stop may differ from the commissioned speed and still be learnt
/// from: one twentieth.
const LEARN_SPEED_SHARE: u32 = 20;

impl Controller {
    #[inline(never)]
    pub(super) fn judge(
        &mut self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
        mut found: FaultSet,
    ) -> (Progress, FaultSet) {
        let settings = self.settings.get();
        if let Some(reading) = reading {
            let expectation = self.expectation();
            let angle = reading.angle();
            self.speed = self.window.step(angle);
            self.release_shift.follow(&settings.top_stop, self.speed);
            let seen = self
                .motion
                .step(&settings.motion, expectation, angle, self.speed, TICK);
            found = found.union(seen);
            self.last_reading = Some(*reading);
        }
        found = found.union(
            self.valve
                .judge(&settings.valve_pair, &inputs.valve, inputs.now),
        );
        let disagree = self.hands.has_discrepancy(&settings.two_hand);
        let differing = !self.limit_channels.differing().is_empty();
        found = found
            .with_if(FaultCode::HandContactsDisagree, disagree)
            .with_if(FaultCode::LimitChannelReadBack, differing)
            .with_if(FaultCode::ReleasePassed, self.release_passed)
            .with_if(FaultCode::PermissiveAir, self.air_lost(inputs))
            .with_if(FaultCode::BrakeTemperature, !inputs.brake_temperature_ok)
            // A stroke broken off by the supply is one whose end nobody has seen.
            .with_if(
                FaultCode::StoredFault,
                !inputs.supply_ok && !self.stroke.is_standing(),
            );
        // The marks of a stop are asked for while one is timed only: every tick would pay for them.
        let command = self.valve.driven_off_at();
        let command = command.filter(|_| self.watch.is_running());
        let coil_off = command.and_then(|command| {
            coil_off_since(&settings.valve_pair, &inputs.valve, command, inputs.now)
        });
        let valve_off = command.and_then(|command| shifted_off_since(&inputs.valve, command));
        let crank = reading.map(|reading| (reading, self.speed));
        let (progress, live) =
            self.watch
                .step(&settings.stop, crank, coil_off, valve_off, inputs.now, TICK);
        found = found
            .union(live)
            .with_if(FaultCode::StopNotEnding, progress == Progress::Overdue);
        if let Progress::Standstill(record) = &progress {
            found = found.union(self.judge_rest(record));
        }
        (progress, found)
    }

    const fn expectation(&self) -> Expectation {
        match self.stroke {
            Stroke::Barring => Expectation::Barred,
            state if state.drives_valve() => Expectation::Driven,
            // It has stood for long enough, whatever is still to be worked out of its stop.
            _ if self.watch.stands() => Expectation::Rest,
            state if state.is_stopping() => Expectation::Stopping,
            // The supply went away in a stroke: the state is that of power-up, the crank still coasts.
            _ if self.watch.is_running() => Expectation::Stopping,
            _ => Expectation::Rest,
        }
    }

    /// Driven travel is never unbounded: but for continuous running, which has no end of its own,
    /// no run may go on past the late bound of its release angle. Asked at the end of a tick, when
    /// whatever was due has been done.
    pub(super) fn is_release_passed(&self) -> bool {
        let ends = self.stroke.drives_valve() && self.stroke != Stroke::ContinuousRunning;
        let late = self.settings.get().top_stop.late_bound;
        let bound = late.saturating_sub(self.compensation.offset());
        let past = CrankTravel::ZERO.saturating_sub(bound);
        ends && self.ahead_of_release().is_some_and(|ahead| ahead < past)
    }

    /// Overrun and shortness are faults of a production stroke; an inch or a test that does not
    /// end at the top has simply not ended there.
    fn judge_rest(&self, record: &StopRecord) -> FaultSet {
        let is_production = matches!(
            self.stroke,
            Stroke::TopStopping {
                purpose: Purpose::Production,
                ..
            }
        );
        let rest = self.rest(record);
        FaultSet::EMPTY
            .with_if(
                FaultCode::TopStopOverrun,
                is_production && rest == Rest::Overrun,
            )
            .with_if(
                FaultCode::TopStopShort,
                is_production && rest == Rest::Short,
            )
    }

    pub(super) fn rest(&self, record: &StopRecord) -> Rest {
        let settings = self.settings.get();
        let past_target = record.rest_angle.offset_from(settings.top_stop.target);
        let past_top = record.rest_angle.offset_from(CrankAngle::TOP_DEAD_CENTRE);
        if past_target < CrankTravel::ZERO.saturating_sub(settings.angles.window_before) {
            Rest::Short
        } else if past_target <= settings.angles.window_after {
            Rest::InWindow
        } else if past_top <= settings.angles.overrun_limit {
            Rest::Late
        } else {
            Rest::Overrun
        }
    }

    /// Latches what was found; then, at standstill, clears what a reset may clear.
    pub(super) fn latch_and_reset(
        &mut self,
        found: FaultSet,
        stop_ended: bool,
        inputs: &Inputs<'_>,
    ) -> FaultSet {
        if stop_ended {
            self.latch.end_of_stop();
        }
        let raised = self.raise(found, inputs.now);
        if let Some(standing) = inputs.reset.filter(|_| self.stroke.is_standing()) {
            self.latch.reset(standing, found);
        }
        raised
    }

    fn air_lost(&self, inputs: &Inputs<'_>) -> bool {
        self.stroke.drives_valve() && !is_air_ok(inputs)
    }

    pub(super) fn raise(&mut self, found: FaultSet, now: Instant) -> FaultSet {
        let evidence = Evidence {
            at: now,
            angle: self.last_reading.map(|reading| reading.angle()),
            speed: self
                .last_reading
                .map(|reading| reading.speed())
                .unwrap_or_default(),
        };
        self.latch.raise(found, evidence)
    }

    /// What a stop teaches: counted for the condition of the brake in any case; followed for slow
    /// change, and a top stop of production given to the compensation, when it was healthy, the brake
    /// steady, and air and temperature what they were at commissioning.
    #[inline(never)]
    pub(super) fn learn(
        &mut self,
        inputs: &Inputs<'_>,
        stop: Option<&StopRecord>,
        found: FaultSet,
    ) -> FaultSet {
        let settings = self.settings.get();
        let Some(stop) = stop else {
            self.run_in.pass(&settings.run_in, TICK);
            return FaultSet::EMPTY;
        };
        let condition = self.run_in.condition(&settings.run_in);
        self.run_in.stopped();
        let standing = self
            .trend
            .judge()
            .union(self.compensation.judge(&settings.top_stop));
        const LATCHING: FaultSet = FaultSet::demanding(Reaction::TopStop);
        let is_healthy = !found.meets(LATCHING) && self.latch.latched().is_empty();
        let is_as_commissioned = is_air_ok(inputs) && inputs.brake_temperature_ok;
        if condition != Condition::Steady || !is_healthy || !is_as_commissioned {
            return standing;
        }
        let drift = self.trend.take(&settings.trend, &settings.stop, stop);
        if !self.teaches_the_release(stop) {
            return drift.union(self.compensation.judge(&settings.top_stop));
        }
        drift.union(self.compensation.learn(&settings.top_stop, stop.rest_angle))
    }

    /// A top stop of production at about the commissioned speed.
    fn teaches_the_release(&self, stop: &StopRecord) -> bool {
        let is_production = self.stroke
            == Stroke::TopStopping {
                purpose: Purpose::Production,
                reasons: StopReasons::NONE,
            };
        let commissioned = self.settings.get().top_stop.speed.as_counts_per_ms();
        let off = stop.speed.as_counts_per_ms().abs_diff(commissioned);
        is_production && off <= commissioned.unsigned_abs() / LEARN_SPEED_SHARE
    }
}

const fn is_air_ok(inputs: &Inputs<'_>) -> bool {
    inputs.clutch_air_ok && inputs.counterbalance_air_ok
}
