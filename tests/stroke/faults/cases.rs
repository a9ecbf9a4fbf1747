//! How each fault is made to show.

use super::rig::Rig;
use super::settings::{
    corroborated, followed, job, long_stop, paired, plain, slow_receiver, surveyed, travel,
};
use stopwright_core::controller::Selector;
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::peer::Message;
use stopwright_core::settings::Schema;
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::two_hand::PalmContacts;

/// A fault, the settings it needs, and what brings it about.
pub(crate) struct Case {
    pub(crate) code: FaultCode,
    pub(crate) schema: fn() -> Schema,
    pub(crate) raise: fn(&mut Rig),
}

const fn case(code: FaultCode, raise: fn(&mut Rig)) -> Case {
    Case {
        code,
        schema: plain,
        raise,
    }
}

const fn case_with(schema: fn() -> Schema, code: FaultCode, raise: fn(&mut Rig)) -> Case {
    Case {
        code,
        schema,
        raise,
    }
}

pub(crate) const CASES: &[Case] = &[
    case(FaultCode::SignalLow, |rig| rig.resolver.gain = [0.7; 2]),
    case(FaultCode::SignalHigh, |rig| rig.resolver.gain = [1.2; 2]),
    case(FaultCode::ExcitationLost, |rig| {
        rig.resolver.gain = [0.0; 2]
    }),
    case(FaultCode::SignalClipped, |rig| rig.resolver.gain = [1.7; 2]),
    case(FaultCode::SignalOffset, |rig| rig.resolver.offset = 150.0),
    case(FaultCode::CarrierPhase, |rig| {
        rig.resolver.carrier_phase_deg = 25.0
    }),
    case(FaultCode::SamplesFrozen, |rig| {
        rig.stroke_to(90.0);
        rig.resolver.is_frozen = true;
    }),
    case(FaultCode::TrackingLost, |rig| {
        rig.resolver.slip_last_deg = 1.0
    }),
    case(FaultCode::DecodesDisagree, |rig| {
        rig.resolver.slip_deg = 1.0
    }),
    case(FaultCode::AccelerationImpossible, |rig| {
        rig.resolver.slip_deg = 10.0
    }),
    case_with(slow_receiver, FaultCode::SpeedBeyondTracking, |rig| {
        rig.crank.drive_deg_s = 500.0;
        rig.stroke_to(180.0);
    }),
    case_with(surveyed, FaultCode::WindingDrift, |rig| {
        rig.drift_to([0.985, 1.015]);
        rig.stroke();
        rig.stroke();
    }),
    case(FaultCode::NoisePersistent, |rig| rig.resolver.noise = 200.0),
    case_with(surveyed, FaultCode::WindingUnbalanced, |rig| {
        // Little by little: as one drift at rest it would look like a slide that sinks.
        for percent in [2.0, 4.0, 6.0, 7.0] {
            rig.drift_to([1.0 - percent / 100.0, 1.0 + percent / 100.0]);
            rig.stroke();
        }
        rig.stroke();
    }),
    case_with(corroborated, FaultCode::ReceiversDisagree, |rig| {
        rig.second.slip_deg = 3.0
    }),
    case_with(corroborated, FaultCode::IndexContradicts, |rig| {
        rig.index_stuck = Some(true)
    }),
    case_with(corroborated, FaultCode::IndexShifted, |rig| {
        rig.index_slip_deg = 5.0;
        rig.stroke();
    }),
    case_with(corroborated, FaultCode::IndexWanders, |rig| {
        for slip_deg in [-1.5, 1.5, -1.5, 1.5] {
            rig.index_slip_deg = slip_deg;
            rig.stroke();
        }
    }),
    case(FaultCode::BrakeTemperature, |rig| {
        rig.inputs.brake_temperature_ok = false;
    }),
    case(FaultCode::NoMotion, |rig| {
        rig.crank.forced_deg_s = Some(0.0);
        rig.stroke_to(10.0);
    }),
    case(FaultCode::SlowStart, |rig| {
        rig.crank.forced_deg_s = Some(30.0);
        rig.stroke_to(1.0);
        // Gains speed evenly for longer than the clutch may take to lock.
        for gained in 0..260 {
            rig.crank.forced_deg_s = Some(30.0 + 0.5 * f64::from(gained));
            rig.run_ms(5);
        }
    }),
    case(FaultCode::MotionAtRest, |rig| {
        rig.select(Mode::Single);
        rig.crank.forced_deg_s = Some(30.0);
    }),
    case(FaultCode::ReverseMotion, |rig| {
        rig.stroke_to(20.0);
        // As fast as a clutch could, and then backward.
        for speed in (-20..36).rev() {
            rig.crank.forced_deg_s = Some(f64::from(speed) * 10.0);
            rig.run_ms(5);
        }
    }),
    case(FaultCode::Overspeed, |rig| {
        rig.crank.drive_deg_s = 600.0;
        rig.stroke_to(300.0);
    }),
    case(FaultCode::BarringTooFast, |rig| {
        (rig.inputs.motor_forward, rig.inputs.drive_at_rest) = (false, true);
        rig.select(Mode::Barring);
        rig.crank.forced_deg_s = Some(20.0);
    }),
    // Speed has moved the release angle so far before the take-over that the slide still closes.
    case_with(long_stop, FaultCode::ReleasePassed, |rig| {
        rig.crank.drive_deg_s = 500.0;
        rig.stroke_to(250.0);
    }),
    case(FaultCode::StopTimeExceeded, |rig| {
        rig.crank.reaction_ms = 200.0;
        rig.stroke_to(90.0);
        rig.let_go();
    }),
    case(FaultCode::StopTravelExceeded, |rig| {
        rig.crank.reaction_ms = 200.0;
        rig.stroke_to(90.0);
        rig.let_go();
    }),
    case(FaultCode::StopTimeAdvisory, |rig| {
        rig.crank.reaction_ms = 90.0;
        rig.stroke_to(90.0);
        rig.let_go();
    }),
    case(FaultCode::StopNotEnding, |rig| {
        rig.crank.reaction_ms = 1e9;
        rig.stroke_to(90.0);
        rig.let_go();
    }),
    case(FaultCode::TopStopOverrun, |rig| {
        rig.crank.reaction_ms = 130.0;
        rig.stroke();
    }),
    case(FaultCode::TopStopShort, |rig| {
        rig.crank.reaction_ms = 5.0;
        rig.stroke();
    }),
    case(FaultCode::CompensationHalf, |rig| {
        rig.crank.reaction_ms = 75.0;
        (0..3).for_each(|_| rig.stroke());
    }),
    case(FaultCode::CompensationBound, |rig| {
        for reaction_ms in [75.0, 85.0] {
            rig.crank.reaction_ms = reaction_ms;
            (0..4).for_each(|_| rig.stroke());
        }
    }),
    case(FaultCode::ValveElementStuck, |rig| {
        rig.elements[0].spool_stuck = Some(false);
        rig.stroke_to(10.0);
    }),
    case(FaultCode::CoilReadBack, |rig| {
        rig.elements[1].coil_stuck = Some(true)
    }),
    case(FaultCode::HandContactsDisagree, |rig| {
        rig.inputs.stations[0].left = PalmContacts {
            normally_open_closed: true,
            normally_closed_closed: true,
        };
    }),
    case(FaultCode::ModeSelector, |rig| {
        rig.inputs.selector = Selector::from_contacts(0)
    }),
    case(FaultCode::PermissiveAir, |rig| {
        rig.stroke_to(90.0);
        rig.inputs.clutch_air_ok = false;
    }),
    case(FaultCode::TickLate, |rig| rig.late_us = 500),
    case(FaultCode::StoredFault, |rig| {
        rig.stroke_to(90.0);
        rig.inputs.supply_ok = false;
        rig.until("power-up", |outputs| outputs.stroke == Stroke::PowerUp);
    }),
    case(FaultCode::LimitChannelReadBack, |rig| {
        rig.adopt(job());
        rig.read_back_is_dead = true;
        rig.stroke_to(120.0);
    }),
    case(FaultCode::EmergencyContactsDisagree, |rig| {
        rig.inputs.emergency_chain.second ^= true
    }),
    case(FaultCode::PresenceContactsDisagree, |rig| {
        rig.inputs.presence.second ^= true
    }),
    case(FaultCode::GuardContactsDisagree, |rig| {
        rig.inputs.guards.second ^= true
    }),
    case_with(paired, FaultCode::PeerSilent, |rig| {
        rig.peer_says = |_| None
    }),
    case_with(paired, FaultCode::PeerDisagrees, |rig| {
        rig.peer_says = |message| {
            let (angle, speed) = message.crank?;
            let crank = Some((angle.wrapping_add(travel(5)), speed));
            Some(Message { crank, ..message })
        };
    }),
    case_with(paired, FaultCode::PeerStopped, |rig| {
        rig.peer_says = latched
    }),
    case_with(paired, FaultCode::PeerLatched, |rig| {
        rig.stroke_to(90.0);
        rig.peer_says = latched;
    }),
    case_with(followed, FaultCode::StopTrend, |rig| {
        rig.crank.reaction_ms += 16.0;
        (0..14).for_each(|_| rig.stroke());
    }),
    case_with(followed, FaultCode::StopRatio, |rig| {
        let healthy_ms = rig.crank.reaction_ms;
        for _ in 0..20 {
            rig.crank.reaction_ms = healthy_ms + 12.0;
            rig.stroke_to(90.0);
            rig.let_go();
            rig.until("the slide to rest", |outputs| outputs.stroke.is_standing());
            rig.run_ms(100);
            rig.crank.reaction_ms = healthy_ms;
            rig.stroke();
        }
    }),
    // What the store, the journal, the press identity and a memory test find is reported to the tick.
    case(FaultCode::MemoryDamaged, |rig| {
        rig.inputs.reported = only(FaultCode::MemoryDamaged)
    }),
    case(FaultCode::SettingsInvalid, |rig| {
        rig.inputs.reported = only(FaultCode::SettingsInvalid)
    }),
    case(FaultCode::JournalGap, |rig| {
        rig.inputs.reported = only(FaultCode::JournalGap)
    }),
    case(FaultCode::OtherPress, |rig| {
        rig.inputs.reported = only(FaultCode::OtherPress)
    }),
];

fn latched(mut message: Message) -> Option<Message> {
    message.consent.is_latched = true;
    Some(message)
}

const fn only(code: FaultCode) -> FaultSet {
    FaultSet::EMPTY.with(code)
}

/// Faults that nothing brings about through a tick, with the reason.
pub(crate) const NOT_RAISED: &[(FaultCode, &str)] = &[(
    FaultCode::ImpossibleState,
    "no table leads there: a test beside the controller turns bits of its state and resets it",
)];
