//! What is on record of a stop: its marks, its mode and every reason for it.

use super::rig::Rig;
use super::settings::{BRAKING_DEG_S2, REACTION_MS, SPEED_DEG_S, plain};
use stopwright_core::contacts::{self, Levels};
use stopwright_core::controller::Selector;
use stopwright_core::fault::FaultSet;
use stopwright_core::journal::{Bookkeeper, Entry};
use stopwright_core::stop_time::{STANDSTILL_HOLD, StopRecord};
use stopwright_core::stroke::{Mode, StopReasons, Stroke};
use stopwright_core::time::Instant;

/// The record of the stop that is running, or is about to.
fn finished(rig: &mut Rig) -> StopRecord {
    rig.until("the record of a stop", |outputs| outputs.stop.is_some());
    rig.outputs.stop.expect("a record")
}

fn ms_between(from: Instant, to: Instant) -> f64 {
    (to.as_micros() as f64 - from.as_micros() as f64) / 1e3
}

/// The rig's coil takes 5 ms and its spools 20; it brakes 55 ms after the coil.
#[test]
fn every_mark_of_a_stop_is_on_record() {
    let mut rig = Rig::new(plain());
    rig.stroke_to(100.0);
    rig.let_go();
    let stop = finished(&mut rig);
    assert!(stop.requested_at <= stop.commanded_at);
    let after_command_ms = |mark| ms_between(stop.commanded_at, mark);
    assert_eq!(after_command_ms(stop.coil_off_at), 5.0);
    assert_eq!(stop.valve_off_at.map(after_command_ms), Some(20.0));
    let braking_ms = SPEED_DEG_S / BRAKING_DEG_S2 * 1e3;
    let near = |mark, wanted_ms: f64| {
        let ms = after_command_ms(mark);
        assert!((ms - wanted_ms).abs() < 5.0, "{ms} ms, not {wanted_ms}");
    };
    near(stop.first_deceleration_at(), 5.0 + REACTION_MS);
    near(stop.standstill_at(), 5.0 + REACTION_MS + braking_ms);
    let held_ms = ms_between(stop.standstill_at(), rig.inputs.now);
    assert!(held_ms >= f64::from(STANDSTILL_HOLD.as_micros()) / 1e3);
}

/// A spool that sticks is named by its own fault; a stop says that it was not seen to shift.
#[test]
fn a_valve_that_is_not_seen_to_shift_has_no_mark() {
    let mut rig = Rig::new(plain());
    rig.stroke_to(100.0);
    rig.elements[1].spool_stuck = Some(true);
    rig.let_go();
    assert_eq!(finished(&mut rig).valve_off_at, None);
}

#[test]
fn a_stop_is_kept_with_its_mode_and_every_reason_for_it() {
    let interrupted = StopReasons::INTERRUPTED;
    let all = interrupted
        .and(StopReasons::EMERGENCY)
        .and(StopReasons::MODE);
    let open = Levels::of(contacts::Config::DEFAULT.emergency.kind, false);
    for (to_deg, is_worse, wanted) in [
        (100.0, false, interrupted),
        (100.0, true, all),
        (300.0, false, StopReasons::NONE),
    ] {
        let mut rig = Rig::new(plain());
        rig.stroke_to(to_deg);
        let mut book = Bookkeeper::new(FaultSet::EMPTY);
        let mut kept: Vec<Entry> = book.note(&rig.inputs, &rig.outputs).into_iter().collect();
        rig.let_go();
        for tick in 0..1_000 {
            if is_worse && tick == 20 {
                assert!(matches!(
                    rig.outputs.stroke,
                    Stroke::ImmediateStopping { .. }
                ));
                rig.inputs.emergency_chain = open;
                rig.inputs.selector = Selector::at(Mode::Inch);
            }
            rig.tick();
            kept.extend(book.note(&rig.inputs, &rig.outputs));
            if rig.outputs.stop.is_some() {
                break;
            }
        }
        let stops: Vec<_> = kept
            .iter()
            .filter_map(|entry| match entry {
                Entry::Stopped { mode, reasons, .. } => Some((*mode, *reasons)),
                _ => None,
            })
            .collect();
        assert_eq!(stops, [(Mode::Single, wanted)], "{to_deg}");
    }
}
