//! What is wrong with one channel stops both: each failure ends with both elements off within its
//! bound and both channels latched, nothing starts until a reset, and once the failure is repaired
//! a reset brings both back. Each tells only of faults of its own, so neither holds the other.

use crate::pair::{Channel, Pair, resolver, schema};
use stopwright::press::Press;
use stopwright::resolver::ResolverFaults;
use stopwright_core::fault::FaultCode;
use stopwright_core::settings::Schema;
use stopwright_core::stroke::Mode;

const SPM: f64 = 55.0;
/// One message on its way, and one tick to act on it.
const TOLD_TICKS: u32 = 2;

/// A failure of the second channel and its repair.
struct Failure {
    name: &'static str,
    begin: fn(&mut Pair),
    /// After so many ticks both elements must be off.
    within_ticks: u32,
    /// What the first and the second channel latch.
    latched: [FaultCode; 2],
    repair: fn(&mut Pair, &Press),
}

fn press() -> Press {
    Press::builtin("E").expect("a built-in press")
}

fn pair_under(schemas: [Schema; 2]) -> Pair {
    let mut pair = Pair::new(&press(), SPM, schemas, 5);
    pair.power_up(Mode::Off);
    pair
}

fn pair() -> Pair {
    pair_under([schema(&press(), SPM); 2])
}

/// Runs continuously, with the slide closing in its second stroke.
fn running() -> Pair {
    let mut pair = pair();
    pair.select(Mode::Continuous);
    pair.start_continuous();
    pair.until_angle(20.0);
    pair.until_angle(60.0);
    pair
}

/// Whatever is pressed, nothing is driven.
#[track_caller]
fn nothing_starts(pair: &mut Pair, what: &str) {
    for mode in [Mode::Inch, Mode::Single] {
        pair.hands(false);
        pair.panel.mode = mode;
        pair.run_ms(400);
        pair.hands(true);
        for _ in 0..400 {
            pair.tick();
            assert!(pair.is_off(), "{what}: {}", pair.told());
        }
    }
    pair.hands(false);
    pair.run_ms(100);
}

/// Brings the slide to the top and makes a single stroke.
#[track_caller]
fn works_again(pair: &mut Pair, what: &str) {
    assert!(pair.is_healthy(), "{what}: {}", pair.told());
    pair.select(Mode::Inch);
    pair.start();
    pair.until_rest();
    pair.hands(false);
    pair.run_ms(300);
    pair.select(Mode::Single);
    pair.start();
    pair.until_rest();
    pair.hands(false);
    pair.run_ms(300);
    assert!(pair.is_healthy(), "{what}: {}", pair.told());
}

/// Told of each other, the resets of the two may need a second turn: what one has only heard is
/// still being told while the other is reset.
fn reset_twice(pair: &mut Pair) {
    pair.reset();
    pair.reset();
}

const FAILURES: [Failure; 7] = [
    Failure {
        name: "nothing comes from it any more",
        begin: |pair| pair.channels[1].is_mute = true,
        // Three ticks may pass without a message.
        within_ticks: 4 + TOLD_TICKS,
        latched: [FaultCode::PeerSilent, FaultCode::PeerStopped],
        repair: |pair, _| pair.channels[1].is_mute = false,
    },
    Failure {
        name: "it is stuck in its program",
        begin: |pair| pair.channels[1].is_stuck = true,
        // Its own output goes with its watchdog, five ticks after the last service.
        within_ticks: 6,
        // It comes up again and hears of the other's fault.
        latched: [FaultCode::PeerSilent, FaultCode::PeerStopped],
        repair: |_, _| {},
    },
    Failure {
        name: "it loses its supply",
        // Its output falls and it is silent from one tick to the next.
        begin: |pair| {
            let other = &mut pair.channels[1];
            (other.is_stuck, other.is_mute, other.is_dead) = (true, true, true);
        },
        within_ticks: 4,
        latched: [FaultCode::PeerSilent, FaultCode::PeerStopped],
        repair: |pair, _| pair.channels[1].is_mute = false,
    },
    Failure {
        name: "its coupling slips",
        begin: |pair| {
            pair.channels[1].resolver.set_faults(ResolverFaults {
                creep: 0.05,
                ..ResolverFaults::default()
            });
        },
        // The tolerance of 2 degrees, what the dating and the acceleration add (0.3 degree) and
        // what the two resolvers differ by (0.5 degree) are slipped through at a twentieth of
        // 330 degrees a second; three ticks more, and the telling.
        within_ticks: 170 + 3 + TOLD_TICKS,
        latched: [FaultCode::PeerDisagrees, FaultCode::PeerDisagrees],
        repair: |pair, press| {
            // Mounted anew with the power off: what is latched is stored.
            pair.channels[1].resolver = resolver(press, 1);
            pair.channels[1].restart();
        },
    },
    Failure {
        name: "its clock runs two per cent fast",
        begin: |pair| pair.set_clock_rate(1, 1.02),
        // The clocks are compared every half second; the first of them may hold both rates.
        within_ticks: 1_000 + TOLD_TICKS,
        latched: [FaultCode::PeerDisagrees, FaultCode::PeerDisagrees],
        repair: |pair, _| pair.set_clock_rate(1, 1.0),
    },
    Failure {
        name: "it no longer permits to run",
        begin: |pair| pair.channels[1].tamper = |inputs| inputs.motor_forward = false,
        // Ten ticks, and those in which the crank turns through two degrees at 330 degrees a second.
        within_ticks: 10 + 7 + TOLD_TICKS,
        latched: [FaultCode::PeerDisagrees, FaultCode::PeerDisagrees],
        repair: |pair, _| pair.channels[1].tamper = |_| {},
    },
    Failure {
        name: "it latches a fault that stops at once",
        begin: |pair| pair.channels[1].tamper = |inputs| inputs.clutch_air_ok = false,
        within_ticks: 1 + TOLD_TICKS,
        latched: [FaultCode::PeerStopped, FaultCode::PermissiveAir],
        repair: |pair, _| pair.channels[1].tamper = |_| {},
    },
];

fn fails(failure: &Failure) {
    let what = failure.name;
    let mut pair = running();
    (failure.begin)(&mut pair);
    let took = pair.until("both elements off", failure.within_ticks, Pair::is_off);
    println!("{what}: both off after {took} ticks");
    if pair.channels[1].is_stuck {
        // Started again while the crank still turns, it would take that for motion at rest.
        pair.run_ms(1_000);
        pair.channels[1].restart();
    }
    pair.until_rest();
    pair.run_ms(300);
    for (channel, code) in pair.channels.iter().zip(failure.latched) {
        assert!(channel.latched().contains(code), "{what}: {}", pair.told());
    }
    let element = [FaultCode::CoilReadBack, FaultCode::ValveElementStuck];
    let is_blamed = |channel: &Channel| element.iter().any(|&it| channel.latched().contains(it));
    assert!(
        !pair.channels.iter().any(is_blamed),
        "{what}: {}",
        pair.told()
    );
    nothing_starts(&mut pair, what);
    (failure.repair)(&mut pair, &press());
    // Two comparisons of the clocks.
    pair.run_ms(1_100);
    nothing_starts(&mut pair, what);
    reset_twice(&mut pair);
    works_again(&mut pair, what);
}

#[test]
fn each_failure_of_one_channel_stops_both_and_ends_with_a_reset() {
    for failure in &FAILURES {
        fails(failure);
    }
}

#[test]
fn what_is_not_repaired_is_not_reset() {
    // Silence, another permit, another clock and low air are there at rest as well.
    for index in [0, 4, 6] {
        let failure = &FAILURES[index];
        let mut pair = running();
        (failure.begin)(&mut pair);
        pair.until_rest();
        pair.run_ms(1_100);
        reset_twice(&mut pair);
        let own_stays = [0, 1].map(|it| pair.channels[it].latched().contains(failure.latched[it]));
        assert!(
            own_stays.contains(&true),
            "{}: {}",
            failure.name,
            pair.told()
        );
        nothing_starts(&mut pair, failure.name);
    }
}

#[test]
fn a_fault_of_one_that_asks_for_the_top_brings_both_to_the_top() {
    let limit = stopwright::units::speed(1.05 * SPM);
    let narrow = |mut schema: Schema| {
        schema.motion.speed_max = limit;
        schema
    };
    let own = schema(&press(), SPM);
    let mut pair = pair_under([own, narrow(own)]);
    pair.select(Mode::Continuous);
    pair.start_continuous();
    pair.plant.set_speed_spm(1.12 * SPM);
    let is_overspeed = |pair: &Pair| pair.channels[1].latched().contains(FaultCode::Overspeed);
    pair.until("the limit of the second channel", 20_000, is_overspeed);
    assert!(!pair.is_off());
    // One turn, and the message to the other.
    let turn_ms = (60_000.0 / SPM) as u32;
    pair.until("both elements off", turn_ms + TOLD_TICKS, Pair::is_off);
    pair.until_rest();
    pair.run_ms(300);
    let rest_deg = pair.plant.state().angle_rad.to_degrees();
    let past_top_deg = (rest_deg + 180.0).rem_euclid(360.0) - 180.0;
    assert!(past_top_deg.abs() < 5.0, "at {past_top_deg} degrees");
    let [first, second] = &pair.channels;
    assert!(
        first.latched().contains(FaultCode::PeerLatched),
        "{}",
        pair.told()
    );
    assert!(second.latched().contains(FaultCode::Overspeed));
    nothing_starts(&mut pair, "overspeed");
    pair.plant.set_speed_spm(SPM);
    pair.run_ms(5_000);
    reset_twice(&mut pair);
    works_again(&mut pair, "overspeed");
}

#[test]
fn a_start_needs_the_permit_of_both() {
    for number in 0..2 {
        let mut pair = pair();
        pair.select(Mode::Single);
        pair.channels[number].tamper = |inputs| inputs.auxiliaries_ok = false;
        pair.run_ms(100);
        pair.hands(true);
        for _ in 0..400 {
            pair.tick();
            assert!(pair.is_off(), "{}", pair.told());
        }
        // Whatever comes back while the buttons are held starts nothing.
        pair.channels[number].tamper = |_| {};
        for _ in 0..400 {
            pair.tick();
            assert!(pair.is_off(), "{}", pair.told());
        }
        pair.hands(false);
        pair.run_ms(300);
        works_again(&mut pair, "one permit missing");
    }
}
