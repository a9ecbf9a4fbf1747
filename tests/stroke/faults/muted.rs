//! Muting through whole ticks, on a press with an index switch that closes at 210 degrees.

use super::rig::Rig;
use super::settings::{corroborated, plain};
use stopwright_core::contacts::{self, Levels};
use stopwright_core::settings::Schema;
use stopwright_core::stroke::Stroke;

/// A single stroke; the crank angle at which it was first muted.
fn muted_from(rig: &mut Rig) -> Option<f64> {
    rig.stroke_to(150.0);
    let mut from = None;
    while rig.outputs.valve.is_on {
        rig.tick();
        if rig.outputs.is_muted {
            from = from.or(Some(rig.crank.angle_deg.rem_euclid(360.0)));
        }
    }
    rig.let_go();
    rig.until("the slide to rest", |outputs| outputs.stroke.is_standing());
    rig.run_ms(200);
    from
}

#[track_caller]
fn begins_at(schema: Schema, first_deg: f64, second_deg: f64) {
    let mut rig = Rig::new(schema);
    for wanted in [first_deg, second_deg] {
        let from = muted_from(&mut rig).expect("muted in the opening stroke");
        // A tick is 0.36 degrees, the switch answers within 2 ms.
        assert!((wanted..wanted + 2.0).contains(&from), "{wanted}: {from}");
    }
}

#[test]
fn the_first_stroke_is_muted_only_after_the_index_has_proven_the_angle() {
    begins_at(plain(), 190.0, 190.0);
    begins_at(corroborated(), 210.0, 190.0);
}

#[test]
fn a_field_blocked_before_the_index_has_proven_the_angle_stops_the_stroke() {
    let mut rig = Rig::new(corroborated());
    for is_stopped in [true, false] {
        rig.stroke_to(200.0);
        assert!(rig.outputs.valve.is_on);
        rig.inputs.presence = Levels::of(contacts::Config::DEFAULT.presence.kind, false);
        rig.run_ms(10);
        assert_eq!(!rig.outputs.valve.is_on, is_stopped);
        rig.inputs.presence = Levels::of(contacts::Config::DEFAULT.presence.kind, true);
        rig.let_go();
        rig.until("the slide to rest", |outputs| outputs.stroke.is_standing());
        rig.run_ms(200);
        if is_stopped {
            // Inched to the top: the index proves the angle on the way.
            rig.inch_to_top();
        }
        assert_eq!(rig.trouble, None);
        assert_ne!(rig.outputs.stroke, Stroke::FaultLatched);
    }
}
