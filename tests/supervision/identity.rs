//! Settings of another press: named when they are read, latched by name in the first tick.

use crate::schema::{CURVE, deg, record};
use stopwright_core::codec::{BLOCK_MAX, PressRecord, decode, encode};
use stopwright_core::controller::{Controller, Inputs};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::Standing;
use stopwright_core::press_identity::{Label, Measured};
use stopwright_core::settings::Settings;
use stopwright_core::stroke::Stroke;
use stopwright_core::time::{Duration, Instant};

const OTHER_PRESS: FaultSet = FaultSet::EMPTY.with(FaultCode::OtherPress);

fn label(text: &str) -> Label {
    Label::try_new(text).unwrap()
}

/// The record of the invented press as it comes back from its bytes.
fn read_back() -> PressRecord {
    let mut buffer = [0; BLOCK_MAX];
    let len = encode(&record(2_000_000), 1, &mut buffer).unwrap();
    decode(&buffer[..len]).unwrap().value
}

#[test]
fn a_record_fits_its_own_press_and_no_other_label() {
    let nothing = Measured::default();
    let record = read_back();
    assert!(
        record
            .faults_at(&label("invented press"), &nothing)
            .is_empty()
    );
    assert_eq!(
        record.faults_at(&label("other press"), &nothing),
        OTHER_PRESS
    );
}

#[test]
fn a_unit_that_was_moved_with_its_settings_is_told_by_what_it_measures() {
    let own = label("invented press");
    let record = read_back();
    let at_index = |degrees| Measured {
        index_angle: Some(deg(degrees)),
        ..Measured::default()
    };
    assert!(record.faults_at(&own, &at_index(92)).is_empty());
    assert_eq!(record.faults_at(&own, &at_index(95)), OTHER_PRESS);
    let mut stops = CURVE;
    stops.reaction = stops.reaction.saturating_add(Duration::from_millis(31));
    let slower = Measured {
        stops: Some(stops),
        ..Measured::default()
    };
    assert_eq!(record.faults_at(&own, &slower), OTHER_PRESS);
}

#[test]
fn what_belongs_to_another_press_latches_by_name_and_is_not_reset_while_it_is_in_force() {
    let record = read_back();
    let reported = record.faults_at(&label("other press"), &Measured::default());
    let settings = Settings::try_new(record.schema).unwrap();
    let mut controller = Controller::new(settings, FaultSet::EMPTY);
    let mut tick = |ms: u64, reported, reset| {
        controller.tick(&Inputs {
            supply_ok: true,
            reported,
            reset,
            ..Inputs::dead(Instant::from_micros(ms * 1_000))
        })
    };
    let outputs = tick(1, reported, None);
    assert_eq!(outputs.latched, OTHER_PRESS);
    assert!(!outputs.valve.is_on);
    assert_eq!(outputs.stroke, Stroke::FaultLatched);
    let outputs = tick(2, reported, Some(Standing::Recommissioned));
    assert_eq!(outputs.latched, OTHER_PRESS);
    // With settings of its own in force nothing is reported any more.
    let outputs = tick(3, FaultSet::EMPTY, Some(Standing::KeyHolder));
    assert_eq!(outputs.latched, OTHER_PRESS);
    let outputs = tick(4, FaultSet::EMPTY, Some(Standing::Recommissioned));
    assert!(outputs.latched.is_empty());
}
