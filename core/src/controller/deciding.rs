//! Decide: permit, events and circumstances, and the one step of the stroke table for each event.

use super::events::Events;
use super::{Controller, Inputs};
use crate::angle::{AngleWindow, CrankAngle, CrankTravel};
use crate::interlock::{self, Permit};
use crate::muting;
use crate::receiver::CrankReading;
use crate::settings::Stage;
use crate::stop_time::StopRecord;
use crate::stroke::{Circumstances, Mode, Rest};
use crate::time::Duration;

impl Controller {
    pub(super) fn permit(
        &self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
        mode: Mode,
    ) -> Permit {
        let stage = self.settings.get().stage;
        let evidence = interlock::Evidence {
            emergency_chain_closed: self.devices.emergency_closed(),
            stop_control_closed: inputs.stop_control_closed,
            motor_forward: inputs.motor_forward,
            drive_at_rest: inputs.drive_at_rest,
            clutch_air_ok: inputs.clutch_air_ok,
            counterbalance_air_ok: inputs.counterbalance_air_ok,
            angle_trusted: reading.is_some() && self.sensing.may_be_acted_on(),
            guards_closed: self.devices.guards_closed(),
            auxiliaries_ok: inputs.auxiliaries_ok,
            is_zeroed: stage >= Stage::Provisional,
            is_commissioned: stage >= Stage::Commissioned,
            key_turned: inputs.key_turned,
        };
        interlock::permit(&evidence, mode)
    }

    pub(super) fn is_muted(&self, reading: Option<&CrankReading>) -> bool {
        muting::is_muted(
            self.stroke,
            reading,
            self.sensing.is_proven(),
            self.settings.get().angles.mute_end,
        )
    }

    pub(super) fn circumstances(
        &self,
        reading: Option<&CrankReading>,
        permit: Permit,
        mode: Mode,
        stop: Option<&StopRecord>,
    ) -> Circumstances {
        let settings = self.settings.get();
        let target = settings.top_stop.target;
        let window = AngleWindow {
            from: target
                .wrapping_add(CrankTravel::ZERO.saturating_sub(settings.angles.window_before)),
            to: target.wrapping_add(settings.angles.window_after),
        };
        let angle = reading.map(|reading| reading.angle());
        Circumstances {
            mode,
            may_start: permit.start() && self.channel.permits_start(settings.peer.as_ref()),
            may_bar: permit.bar,
            is_latched: !self.latch.latched().is_empty(),
            is_emergency: !self.devices.emergency_closed(),
            hands_released: self.hands.is_released(),
            is_in_top_window: angle.is_some_and(|angle| window.contains(angle)),
            // Not knowing is closing: the cautious side.
            is_closing: angle.is_none_or(CrankAngle::is_downstroke),
            presence_clear: self.devices.presence_clear(),
            is_muted: self.is_muted(reading),
            is_two_hand_setup: true,
            rest: stop.map_or(Rest::Overrun, |stop| self.rest(stop)),
            is_past_latch_limit: stop.is_none() && self.stroke.is_stopping(),
        }
    }

    pub(super) fn decide(&mut self, events: Events, now: &Circumstances, mode_shown: Mode) {
        let before = self.stroke;
        for event in events.iter() {
            self.stroke = self.stroke.step(event, now);
        }
        // The selector is read again on entering Off, so a mode taken up there is the mode.
        self.mode = mode_shown;
        if self.stroke != before {
            self.state_age = Duration::ZERO;
        }
    }
}
