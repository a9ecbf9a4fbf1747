//! Every input of the controller can be broken, either way where that makes sense.

use super::*;
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::Standing;
use stopwright_core::two_hand::Station;
use stopwright_core::valve_pair::ElementFeedback;

const NOW: Instant = Instant::from_micros(1_000_000);

/// Every fact of the inputs, by its name. A new field does not compile here until somebody has
/// decided what breaks it.
fn facts(inputs: &Inputs<'_>) -> Vec<(String, bool)> {
    let Inputs {
        now,
        // Struck at their sources: converter, resolver, index switch.
        frames: _,
        second_frames: _,
        index_closed: _,
        // One controller runs here. Two, and what breaks between them: tests/channels.
        peer: _,
        supply_ok,
        stations,
        selector,
        emergency_chain,
        stop_control_closed,
        presence,
        guards,
        motor_forward,
        drive_at_rest,
        clutch_air_ok,
        counterbalance_air_ok,
        brake_temperature_ok,
        auxiliaries_ok,
        key_turned,
        valve,
        arm_pressed,
        top_stop_pressed,
        reset,
        test_angle,
        limit_read_back,
        second_clock,
        reported,
        service,
    } = inputs;
    let is_off_time = |it: Instant| it != *now;
    let mut all: Vec<(String, bool)> = [
        ("supply", *supply_ok),
        ("stop control", *stop_control_closed),
        ("motor", *motor_forward),
        ("drive at rest", *drive_at_rest),
        ("clutch air", *clutch_air_ok),
        ("counterbalance air", *counterbalance_air_ok),
        ("brake temperature", *brake_temperature_ok),
        ("auxiliaries", *auxiliaries_ok),
        ("key", *key_turned),
        ("arm", *arm_pressed),
        ("top stop", *top_stop_pressed),
        ("reset", reset.is_some()),
        ("test angle", test_angle.is_some()),
        ("second clock", second_clock.is_some_and(is_off_time)),
        ("reported", !reported.is_empty()),
        ("service", *service != Service::None),
    ]
    .map(|(name, is_on)| (name.to_owned(), is_on))
    .to_vec();
    for (name, Levels { first, second }) in [
        ("emergency chain", emergency_chain),
        ("presence", presence),
        ("guards", guards),
    ] {
        all.push((format!("{name} 1"), *first));
        all.push((format!("{name} 2"), *second));
    }
    for (number, station) in stations.iter().enumerate() {
        let Station {
            is_active,
            left,
            right,
        } = station;
        all.push((format!("station {number}"), *is_active));
        // Nobody is at the other one: its contacts are wired as those of the first.
        for (side, palm) in [("left", left), ("right", right)]
            .iter()
            .filter(|_| number == 0)
        {
            let PalmContacts {
                normally_open_closed,
                normally_closed_closed,
            } = palm;
            all.push((format!("{side} closing"), *normally_open_closed));
            all.push((format!("{side} opening"), *normally_closed_closed));
        }
    }
    for (number, ElementFeedback { coil, shifted: _ }) in valve.iter().enumerate() {
        // The spool's own feedback is struck at the valve.
        all.push((format!("coil {number}"), coil.is_on));
    }
    for position in 0..6 {
        let is_on = selector.contacts() & (1 << position) != 0;
        all.push((format!("selector {position}"), is_on));
    }
    for channel in 0..CHANNELS {
        all.push((
            format!("read-back {channel}"),
            limit_read_back.contains(channel),
        ));
    }
    all
}

fn on() -> Inputs<'static> {
    const PAIR: Levels = Levels {
        first: true,
        second: true,
    };
    const PALM: PalmContacts = PalmContacts {
        normally_open_closed: true,
        normally_closed_closed: true,
    };
    let mut on = Inputs {
        supply_ok: true,
        selector: Selector::from_contacts(0b11_1111),
        emergency_chain: PAIR,
        stop_control_closed: true,
        presence: PAIR,
        guards: PAIR,
        motor_forward: true,
        drive_at_rest: true,
        clutch_air_ok: true,
        counterbalance_air_ok: true,
        brake_temperature_ok: true,
        auxiliaries_ok: true,
        key_turned: true,
        arm_pressed: true,
        top_stop_pressed: true,
        reset: Some(Standing::Operator),
        test_angle: Some(units::angle(90.0)),
        limit_read_back: ChannelSet::from_bits(u16::MAX),
        second_clock: Some(Instant::from_micros(0)),
        reported: FaultSet::EMPTY.with(FaultCode::MemoryDamaged),
        service: Service::CaptureAngle,
        ..Inputs::dead(NOW)
    };
    for station in &mut on.stations {
        *station = Station {
            is_active: true,
            left: PALM,
            right: PALM,
        };
    }
    for element in &mut on.valve {
        element.coil.is_on = true;
    }
    on
}

fn off() -> Inputs<'static> {
    let mut off = Inputs::dead(NOW);
    for palm in off
        .stations
        .iter_mut()
        .flat_map(|it| [&mut it.left, &mut it.right])
    {
        palm.normally_closed_closed = false;
    }
    off
}

/// The facts that some kind makes of these inputs what they are not.
fn changed(before: &Inputs<'static>) -> Vec<String> {
    let mut changed = Vec::new();
    for kind in KINDS {
        let Strike::Inputs(act) = kind.strike else {
            continue;
        };
        for which in 0..kind.one_of.max(1) {
            let mut after = *before;
            let size = kind.size.map_or(0.0, |it| it.most);
            act(
                &mut after,
                &Detail {
                    which,
                    size,
                    ..Detail::default()
                },
            );
            let pairs = facts(before).into_iter().zip(facts(&after));
            changed.extend(pairs.filter(|(was, is)| was != is).map(|(was, _)| was.0));
        }
    }
    changed
}

#[test]
fn every_input_can_be_broken_either_way() {
    assert!(facts(&on()).iter().all(|(_, is_on)| *is_on));
    assert!(!facts(&off()).iter().any(|(_, is_on)| *is_on));
    let (goes_on, goes_off) = (changed(&off()), changed(&on()));
    for (name, _) in facts(&off()) {
        assert!(goes_on.contains(&name), "nothing makes it on: {name}");
        // Without these nothing is broken: no second oscillator, nothing found, nothing asked.
        let is_one_way = ["second clock", "reported", "service"].contains(&name.as_str());
        assert!(
            goes_off.contains(&name) || is_one_way,
            "nothing makes it off: {name}"
        );
    }
}

#[test]
fn a_feedback_of_the_valve_can_be_broken_either_way() {
    for element in 0..2 {
        for shows in [true, false] {
            let detail = Detail {
                which: element,
                ..Detail::default()
            };
            let breaks = |kind: &Kind| {
                let mut faults = Faults::default();
                if let Strike::Press(act) = kind.strike {
                    act(&mut faults, &detail);
                }
                faults.feedback_stuck[element] == Some(shows)
            };
            assert!(KINDS.iter().any(breaks), "{element} {shows}");
        }
    }
}

#[test]
fn an_index_switch_can_be_broken_either_way() {
    for shows in [true, false] {
        let breaks = |kind: &Kind| {
            let mut switch = IndexSwitch::default();
            if let Strike::Index(act) = kind.strike {
                act(&mut switch, &Detail::default());
            }
            switch.stuck == Some(shows)
        };
        assert!(KINDS.iter().any(breaks), "{shows}");
    }
}
