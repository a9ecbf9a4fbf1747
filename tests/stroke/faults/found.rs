//! What the rig has found, and the core does now.

use super::rig::Rig;
use super::settings::{REACTION_MS, corroborated, long_stop, paired, plain};
use stopwright_core::angle::CrankTravel;
use stopwright_core::controller::{Inputs, ServiceReply};
use stopwright_core::fault::FaultCode;
use stopwright_core::fault_latch::Standing;
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::time::Duration;
use stopwright_core::valve_pair;

/// The window in which take-over counts must not wrap round when speed moves the release angle
/// before the take-over angle: the hands would be free while the slide closes.
#[test]
fn a_stroke_a_little_too_fast_is_not_taken_over_while_it_closes() {
    let mut rig = Rig::new(long_stop());
    // 65 strokes per minute instead of 60, and far below the speed that is a fault.
    rig.crank.drive_deg_s = 390.0;
    rig.stroke_to(150.0);
    assert!(rig.crank.angle_deg < 180.0);
    assert_eq!(rig.outputs.stroke, Stroke::Closing);
    rig.let_go();
    rig.run_ms(10);
    assert!(
        !rig.outputs.valve.is_on,
        "hands off, the slide closes, the valve is on"
    );
}

/// A crank that stalls in mid-stroke, or a converter that freezes where the bound on acceleration
/// is too wide to show it, leaves the valve on without end.
#[test]
fn a_driven_crank_that_is_seen_to_stand_stops_the_press() {
    let mut rig = Rig::new(plain());
    rig.stroke_to(90.0);
    for speed_deg_s in (0..36).rev().map(|tens| f64::from(tens) * 10.0) {
        rig.crank.forced_deg_s = Some(speed_deg_s);
        rig.run_ms(5);
    }
    rig.run_ms(1_000);
    assert!(!rig.outputs.valve.is_on, "{:?}", rig.outputs.stroke);
}

/// A slip of a few degrees ends the stroke at the top: a stop in mid-stroke would be the worse one.
#[test]
fn a_shifted_index_lets_the_stroke_end_at_the_top() {
    let mut rig = Rig::new(corroborated());
    rig.index_slip_deg = 5.0;
    rig.stroke_to(200.0);
    rig.until("the fault", |outputs| {
        outputs.latched.contains(FaultCode::IndexShifted)
    });
    assert!(!rig.outputs.is_muted);
    while rig.outputs.valve.is_on {
        rig.tick();
    }
    let off_at_deg = rig.crank.angle_deg.rem_euclid(360.0);
    assert!((off_at_deg - 315.0).abs() < 2.0, "{off_at_deg}");
    rig.until("the slide to rest", |outputs| outputs.stroke.is_standing());
    assert_eq!(rig.outputs.stroke, Stroke::FaultLatched);
}

/// The supply comes back while the crank coasts: the state is that of power-up, and settings put in
/// force now would be put in force in motion.
#[test]
fn nothing_is_adopted_while_the_crank_still_turns() {
    let mut rig = Rig::new(plain());
    rig.stroke_to(90.0);
    rig.power_up();
    let mut refused = 0;
    loop {
        let before_deg = rig.crank.angle_deg;
        let reply = rig.ask_to_adopt();
        match reply {
            ServiceReply::NotAtStandstill => refused += 1,
            _ => {
                assert_eq!(reply, ServiceReply::Adopted);
                assert_eq!(rig.crank.angle_deg, before_deg, "after {refused} ticks");
                break;
            }
        }
    }
    assert!((100..600).contains(&refused), "{refused}");
}

/// The travel that was the fault is counted on for as long as the press stands.
#[test]
fn motion_at_rest_can_be_reset_once_the_crank_stands_again() {
    let mut rig = Rig::new(plain());
    rig.select(Mode::Single);
    rig.crank.forced_deg_s = Some(30.0);
    rig.until("the fault", |outputs| {
        outputs.latched.contains(FaultCode::MotionAtRest)
    });
    rig.mend();
    rig.run_ms(5_000);
    rig.inputs.reset = Some(Standing::Recommissioned);
    rig.tick();
    assert!(!rig.is_latched(FaultCode::MotionAtRest));
}

/// A stop at six times the speed of its limits takes longer than twice the limit there, and is well
/// within the limit of its own speed.
#[test]
fn a_long_stop_at_a_high_speed_is_not_taken_for_one_that_never_ends() {
    let mut schema = plain();
    schema.motion.speed_max = CrankSpeed::from_milli_spm(300_000);
    schema.valve_pair = valve_pair::Config::with_off_within(Duration::from_millis(50));
    let limits = &mut schema.stop.mid_stroke;
    limits.speed = CrankSpeed::from_milli_spm(20_000);
    limits.time_advisory = Duration::from_millis(110);
    limits.time_latch = Duration::from_millis(120);
    limits.travel_advisory = CrankTravel::from_millidegrees(11_000);
    limits.travel_latch = CrankTravel::from_millidegrees(12_000);
    let mut rig = Rig::new(schema);
    rig.crank.drive_deg_s = 720.0;
    rig.stroke_to(90.0);
    rig.let_go();
    rig.run_ms(1_000);
    assert!(
        rig.seen.is_empty(),
        "{:?}",
        rig.seen.iter().collect::<Vec<_>>()
    );
    assert!(rig.outputs.stroke.is_standing());
}

/// The table says of advice that it goes with its condition: one slow stop, then a good one.
#[test]
fn advice_goes_with_its_condition() {
    let mut rig = Rig::new(plain());
    rig.crank.reaction_ms = 86.0;
    rig.stroke();
    assert!(rig.outputs.advice.contains(FaultCode::StopTimeAdvisory));
    rig.crank.reaction_ms = 60.0;
    rig.run_ms(100);
    rig.stroke();
    assert!(rig.outputs.stroke.is_standing() && rig.outputs.latched.is_empty());
    assert!(!rig.outputs.advice.contains(FaultCode::StopTimeAdvisory));
}

/// A crank that never moved has stopped in no time, not in the time for which it is watched.
#[test]
fn a_tap_that_moves_nothing_is_no_slow_stop() {
    for tap_ms in [1, 10] {
        let mut rig = Rig::new(plain());
        rig.select(Mode::Single);
        rig.press_both();
        rig.until("the valve to go on", |outputs| outputs.valve.is_on);
        rig.run_ms(tap_ms);
        rig.let_go();
        rig.until("the stop to end", |outputs| outputs.stop.is_some());
        let stop = rig.outputs.stop.expect("waited for");
        assert!(stop.stopping_travel < CrankTravel::from_millidegrees(100));
        assert!(
            stop.stopping_time < Duration::from_millis(20),
            "{tap_ms} ms: {:?}",
            stop.stopping_time
        );
    }
}

/// A channel that loses its supply takes its element away and falls silent at once.
#[test]
fn silence_is_the_fault_and_not_the_element_that_goes_off_with_it() {
    let mut rig = Rig::new(paired());
    rig.stroke_to(90.0);
    (rig.elements[1].coil_stuck, rig.elements[1].spool_stuck) = (Some(false), Some(false));
    rig.peer_says = |_| None;
    for _ in 0..500 {
        rig.tick();
        assert!(!rig.outputs.second_means);
    }
    let latched: Vec<FaultCode> = rig.outputs.latched.iter().collect();
    assert_eq!(latched, [FaultCode::PeerSilent]);
}

/// One whose element goes off while it goes on saying that it drives has a fault of its own.
#[test]
fn an_element_that_goes_off_under_a_channel_that_drives_is_named() {
    let mut rig = Rig::new(paired());
    rig.stroke_to(90.0);
    rig.elements[1].coil_stuck = Some(false);
    rig.run_ms(10);
    assert!(rig.is_latched(FaultCode::CoilReadBack) && !rig.outputs.valve.is_on);
}

/// Strokes that rest a little late, with something done to the press while each of them stops; how far
/// the compensation has moved the release.
fn moved_by_late_stops(at_the_stop: fn(&mut Inputs<'static>)) -> CrankTravel {
    let mut rig = Rig::new(plain());
    rig.crank.reaction_ms = REACTION_MS + 12.0;
    for _ in 0..4 {
        let calm = rig.inputs;
        rig.stroke_to(250.0);
        rig.let_go();
        while rig.outputs.valve.is_on {
            rig.tick();
        }
        at_the_stop(&mut rig.inputs);
        rig.until("the slide to rest", |outputs| outputs.stroke.is_standing());
        let selector = rig.inputs.selector;
        rig.inputs = Inputs { selector, ..calm };
        rig.run_ms(200);
    }
    assert!(rig.outputs.latched.is_empty());
    rig.outputs.compensation
}

/// What a stop with a hot brake or the wrong air teaches is not what the next one needs.
#[test]
fn nothing_is_learned_outside_the_temperature_and_air_of_the_commissioning() {
    assert!(moved_by_late_stops(|_| {}) < CrankTravel::ZERO);
    let outside: [fn(&mut Inputs<'static>); 3] = [
        |inputs| inputs.brake_temperature_ok = false,
        |inputs| inputs.clutch_air_ok = false,
        |inputs| inputs.counterbalance_air_ok = false,
    ];
    for at_the_stop in outside {
        assert_eq!(moved_by_late_stops(at_the_stop), CrankTravel::ZERO);
    }
}
