//! Names of states, events and circumstances for the page. A new one does not compile until it has
//! a name here.

use crate::all::{EVENTS, states};
use std::fmt::Write;
use stopwright_core::stroke::{Event, Purpose, Rest, Stroke};

/// Short code of a state; states that differ in their memory alone share one.
pub(crate) const fn code(stroke: Stroke) -> &'static str {
    words_of(stroke).0
}

/// Short code, name in the code, what it is.
const fn words_of(stroke: Stroke) -> (&'static str, &'static str, &'static str) {
    match stroke {
        Stroke::PowerUp => ("PWR", "PowerUp", "self-test"),
        Stroke::Off => ("OFF", "Off", "mode off, or a mode not yet taken up"),
        Stroke::Barring => (
            "BAR",
            "Barring",
            "turned by hand or turning gear, motor off",
        ),
        Stroke::WaitRelease => ("WRL", "WaitRelease", "until every hand control is released"),
        Stroke::Ready => ("RDT", "Ready", "ready, slide in the top window"),
        Stroke::ReadyAwayFromTop => ("RNT", "ReadyAwayFromTop", "ready, slide elsewhere"),
        Stroke::Inching => ("INC", "Inching", "inching, hands held"),
        Stroke::Closing => ("SCL", "Closing", "single stroke, closing, hands held"),
        Stroke::Opening => ("SOP", "Opening", "single stroke, opening, hands free"),
        Stroke::TopStopping { .. } => ("SST", "TopStopping", "the top stop runs"),
        Stroke::Interrupted { .. } => ("INT", "Interrupted", "a stroke cut short, at rest"),
        Stroke::Armed => ("CAR", "Armed", "continuous, armed by the prior action"),
        Stroke::ContinuousClosing { .. } => (
            "CCL",
            "ContinuousClosing",
            "continuous, first closing, hands held",
        ),
        Stroke::ContinuousRunning => ("CRN", "ContinuousRunning", "continuous, running"),
        Stroke::ContinuousTopStop => (
            "CTS",
            "ContinuousTopStop",
            "continuous, ends at the next release angle",
        ),
        Stroke::TestStroke => ("TST", "TestStroke", "supervised test stroke, hands held"),
        Stroke::ImmediateStopping { .. } => ("IMS", "ImmediateStopping", "an immediate stop runs"),
        Stroke::EmergencyStopped => ("EST", "EmergencyStopped", "stopped by emergency stop"),
        Stroke::FaultLatched => ("FLT", "FaultLatched", "a fault is latched"),
    }
}

pub(crate) const fn event(event: Event) -> &'static str {
    match event {
        Event::PowerFails => "supply fails",
        Event::FaultImmediate => "immediate fault",
        Event::EmergencyStop => "emergency stop",
        Event::StopOverdue => "stop overdue",
        Event::PermissiveLost => "immediate permissive lost",
        Event::StopControl => "stop control",
        Event::ModeChanged => "mode selector",
        Event::PresenceBlocked => "field blocked",
        Event::HandReleased => "hand let go",
        Event::FaultTop => "top-stop fault",
        Event::PermissiveLostTop => "top-stop permissive lost",
        Event::TopStopRequested => "top stop asked",
        Event::TakeOver => "take-over angle",
        Event::MuteEnd => "mute end",
        Event::TestAngle => "test angle",
        Event::ReleaseAngle => "release angle",
        Event::Standstill => "standstill",
        Event::HandsLate => "hands not together",
        Event::HandsReleased => "all hands off",
        Event::ArmRequested => "prior action",
        Event::ArmTimeout => "prior action expired",
        Event::Reset => "reset",
        Event::SelfTestPassed => "self-test passed",
        Event::HandsBoth => "both hands",
    }
}

/// What the valve does, and what the stroke remembers besides its state.
fn remarks(stroke: Stroke) -> (&'static str, &'static str) {
    let valve = match stroke {
        _ if stroke.drives_valve() => "on",
        _ if stroke.is_stopping() => "off, stopping",
        _ => "off",
    };
    let memory = match stroke {
        Stroke::TopStopping { .. } => "what it ends; reasons",
        Stroke::ImmediateStopping { .. } => "reasons",
        Stroke::Interrupted { .. } => "whether all hands were off since",
        Stroke::ContinuousClosing { .. } => "whether a top stop was asked for",
        _ => "",
    };
    (valve, memory)
}

/// The codes, once each, in the order of the enum.
pub(crate) fn codes() -> Vec<(&'static str, Stroke)> {
    let mut codes: Vec<(&str, Stroke)> = Vec::new();
    for state in states() {
        if codes.iter().all(|(known, _)| *known != code(state)) {
            codes.push((code(state), state));
        }
    }
    codes
}

/// The table of states.
pub(crate) fn legend() -> String {
    let mut text = "| code | state | what it is | valve | remembers |\n".to_owned();
    text.push_str("| --- | --- | --- | --- | --- |\n");
    for (code, state) in codes() {
        let (_, name, what) = words_of(state);
        let (valve, memory) = remarks(state);
        let row = writeln!(text, "| {code} | `{name}` | {what} | {valve} | {memory} |");
        row.expect("text");
    }
    let names: Vec<&str> = EVENTS.into_iter().map(event).collect();
    let events = names.join(", ");
    writeln!(
        text,
        "\nEvents, in the order in which those of one tick are taken: {events}."
    )
    .expect("text");
    text
}

pub(crate) const fn purpose(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Production => "top stop of a production stroke",
        Purpose::Inch => "top stop of an inch",
        Purpose::Test => "top stop of a test stroke",
    }
}

pub(crate) const fn rest(rest: Rest) -> &'static str {
    match rest {
        Rest::Short => "short of the window",
        Rest::InWindow => "in the window",
        Rest::Late => "past the window",
        Rest::Overrun => "past the overrun limit",
    }
}
