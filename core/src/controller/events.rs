//! The events of one tick, made from what was seen, and their order.

use super::{Controller, Inputs, TICK};
use crate::angle::{AngleWindow, CrankAngle, CrankTravel};
use crate::fault::{FaultSet, Reaction};
use crate::interlock::Permit;
use crate::receiver::CrankReading;
use crate::stop_time::Progress;
use crate::stroke::{Event, Mode, Stroke};
use crate::time::Duration;
use crate::top_stop::{self, Due};
use crate::two_hand::HandEvent;

/// The prior action for continuous holds this long.
const ARMED_WITHIN: Duration = Duration::from_millis(10_000);

/// Faults that stop at once.
const STOP_NOW: FaultSet = FaultSet::demanding(Reaction::ImmediateStop);
/// Faults that stop at the next release angle.
const STOP_AT_THE_TOP: FaultSet = FaultSet::demanding(Reaction::TopStop).without(STOP_NOW);

/// Events of one tick, taken in the order of [`Event`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Events(u32);

impl Events {
    fn note(&mut self, event: Event, happened: bool) {
        self.0 |= u32::from(happened).wrapping_shl(event as u32);
    }

    pub(super) fn iter(self) -> impl Iterator<Item = Event> {
        let mut left = self.0;
        core::iter::from_fn(move || {
            // 32 when nothing is left, and there are fewer events.
            let next = left.trailing_zeros() as usize;
            left &= left.wrapping_sub(1);
            Event::ALL.get(next).copied()
        })
    }
}

/// What the events of one tick are made from.
pub(super) struct Seen<'a> {
    pub(super) inputs: &'a Inputs<'a>,
    pub(super) reading: Option<&'a CrankReading>,
    pub(super) progress: &'a Progress,
    pub(super) raised: FaultSet,
    pub(super) permit: Permit,
    pub(super) mode_shown: Mode,
    pub(super) hand: Option<HandEvent>,
}

impl Controller {
    /// The events of this tick, and how long until the angle that ends the run is reached.
    pub(super) fn events(&self, seen: &Seen<'_>) -> (Events, Duration) {
        let mut events = Events::default();
        self.note_faults(&mut events, seen);
        self.note_inputs(&mut events, seen);
        let after = self.note_angles(&mut events, seen);
        (events, after)
    }

    fn note_faults(&self, events: &mut Events, seen: &Seen<'_>) {
        let stands_latched = self.stroke.is_standing()
            && !matches!(self.stroke, Stroke::PowerUp | Stroke::FaultLatched)
            && !self.latch.latched().is_empty();
        let immediate = seen.raised.meets(STOP_NOW);
        events.note(Event::FaultImmediate, immediate || stands_latched);
        events.note(Event::FaultTop, seen.raised.meets(STOP_AT_THE_TOP));
        events.note(Event::StopOverdue, *seen.progress == Progress::Overdue);
        let at_rest = matches!(
            seen.progress,
            Progress::Standstill(_) | Progress::AssumedStandstill
        );
        events.note(Event::Standstill, at_rest);
    }

    fn note_inputs(&self, events: &mut Events, seen: &Seen<'_>) {
        let inputs = seen.inputs;
        events.note(Event::PowerFails, !inputs.supply_ok);
        events.note(Event::EmergencyStop, !self.devices.emergency_closed());
        let may_go_on = match self.stroke {
            Stroke::Barring => seen.permit.bar,
            _ => seen.permit.run,
        };
        let goes_on = may_go_on && !self.stops_with_the_other(seen);
        events.note(Event::PermissiveLost, !goes_on);
        events.note(Event::PermissiveLostTop, !seen.permit.run_on);
        events.note(Event::StopControl, !inputs.stop_control_closed);
        let is_waiting_in_off = self.stroke == Stroke::Off && seen.mode_shown != Mode::Off;
        events.note(
            Event::ModeChanged,
            seen.mode_shown != self.mode || is_waiting_in_off,
        );
        events.note(Event::PresenceBlocked, !self.devices.presence_clear());
        events.note(Event::HandReleased, !self.hands.is_held());
        events.note(Event::HandsReleased, self.hands.is_released());
        events.note(Event::HandsLate, seen.hand == Some(HandEvent::Late));
        events.note(Event::HandsBoth, seen.hand == Some(HandEvent::Both));
        events.note(Event::ArmRequested, inputs.arm_pressed);
        let is_arm_over = self.stroke == Stroke::Armed && self.state_age > ARMED_WITHIN;
        events.note(Event::ArmTimeout, is_arm_over);
        events.note(Event::TopStopRequested, inputs.top_stop_pressed);
        events.note(Event::Reset, inputs.reset.is_some());
        events.note(Event::SelfTestPassed, self.sensing.is_settled());
    }

    /// A hand let go when this channel has taken over and the other, a fraction of a degree behind,
    /// has not: the other stops, and so does this one, for the same reason and not as a disagreement.
    fn stops_with_the_other(&self, seen: &Seen<'_>) -> bool {
        let has_taken_over = matches!(self.stroke, Stroke::Opening | Stroke::ContinuousRunning);
        let speed = seen.reading.map(CrankReading::speed).unwrap_or_default();
        let peer = self.settings.get().peer.as_ref();
        has_taken_over
            && !self.hands.is_held()
            && self
                .channel
                .stopped_at_take_over(peer, self.state_age, speed)
    }

    fn note_angles(&self, events: &mut Events, seen: &Seen<'_>) -> Duration {
        let (Some(reading), Some(run)) = (seen.reading, self.run) else {
            return Duration::ZERO;
        };
        let angles = &self.settings.get().angles;
        let from_there_to_the_top = |from| AngleWindow {
            from,
            to: CrankAngle::from_bits(u32::MAX),
        };
        // To the top, wherever the release angle lies: a window that ended there would wrap round
        // when speed moves the release before the take-over, and free the hands while closing.
        let takeover = from_there_to_the_top(angles.take_over);
        let has_turned = self.motion.travel().saturating_sub(run.from) > angles.window_before;
        events.note(
            Event::TakeOver,
            has_turned && takeover.contains(reading.angle()),
        );
        let past_mute = from_there_to_the_top(angles.mute_end);
        events.note(Event::MuteEnd, past_mute.contains(reading.angle()));

        let ahead = self
            .ahead_of_release()
            .filter(|_| self.stroke.awaits_release());
        let due = ahead.map(|ahead| top_stop::due(ahead, reading.speed(), TICK));
        let mut after = Duration::ZERO;
        if let Some(wait) = due.and_then(wait) {
            events.note(Event::ReleaseAngle, true);
            after = wait;
        }
        let test = seen
            .inputs
            .test_angle
            .filter(|_| self.stroke == Stroke::TestStroke);
        let test = test.map(|angle| angle.offset_from(reading.angle()));
        let test = test.map(|ahead| top_stop::due(ahead, reading.speed(), TICK));
        if let Some(Due::After(wait)) = test {
            events.note(Event::TestAngle, true);
            after = wait;
        }
        after
    }

    /// Travel left to the release angle in force, less than nothing once it is passed. Counted by
    /// travel from where the run began, so that no run is too long or too short for it.
    pub(super) fn ahead_of_release(&self) -> Option<CrankTravel> {
        let run = self.run?;
        let since_start = self.motion.travel().saturating_sub(run.from);
        let to_end = run.to_release.saturating_add(self.release_moved());
        Some(to_end.max(run.not_before).saturating_sub(since_start))
    }

    /// How far the release angle in force lies past the commissioned one.
    pub(super) fn release_moved(&self) -> CrankTravel {
        self.release_shift
            .get()
            .saturating_add(self.compensation.offset())
    }

    pub(super) fn release_now(&self) -> CrankAngle {
        let release = self.settings.get().top_stop.release;
        release.wrapping_add(self.release_moved())
    }
}

const fn wait(due: Due) -> Option<Duration> {
    match due {
        Due::NotYet => None,
        Due::After(wait) => Some(wait),
        Due::Passed => Some(Duration::ZERO),
    }
}
