//! A second resolver and an index switch: learned on the barred crank, silent on a healthy press,
//! and the first to say that a coupling drags.

use crate::support::{options, press, run};
use stopwright::index_switch::IndexSwitch;
use stopwright::record::{Outcome, Record};
use stopwright::rehearse::Options;
use stopwright::resolver::ResolverSetup;
use stopwright_core::fault::FaultCode;

/// Fewest stops a rehearsal makes: what is asked here does not hang on the matrix.
const FEW_STOPS: u32 = 10;

fn fitted(letter: &str, second: bool, index: bool) -> Options {
    let press = press(letter);
    // A resolver of its own make: another zero, other windings, play in its drive.
    let mut other = ResolverSetup::of_press(&press);
    other
        .apply("zero=200deg,gain=2%,offset=1%,lash=0.2deg")
        .expect("options");
    Options {
        second_resolver: second.then_some(other),
        index_switch: index.then(IndexSwitch::default),
        stops: FEW_STOPS,
        ..options(&press)
    }
}

fn drill_of(record: &Record, code: FaultCode) -> bool {
    let number = u16::from(code.number());
    let mut drills = record.drills.iter();
    drills.any(|drill| drill.fault_number == number && drill.pass)
}

fn finding(record: &Record, reference: &str, name: &str) -> String {
    let reference = record.references.iter().find(|one| one.name == reference);
    let findings = &reference.expect("a reference").findings;
    let found = findings.iter().find(|one| one.name == name);
    found.expect("a finding").value.clone()
}

#[test]
fn what_is_fitted_stays_silent_on_a_healthy_press_and_finds_a_dragging_coupling() {
    for (letter, second, index) in [("B", true, true), ("C", false, true), ("G", true, false)] {
        let run = run(&Options {
            stops: 25,
            ..fitted(letter, second, index)
        });
        let record = run.record();
        // Some four hundred starts and stops at every speed, without one latch.
        assert_eq!(
            record.verdict.outcome,
            Outcome::Commissionable,
            "{letter}: {:?}",
            record.verdict.reasons
        );
        let expected = usize::from(second) + usize::from(index);
        assert_eq!(record.references.len(), expected, "{letter}");
        let seen_by = match second {
            true => FaultCode::ReceiversDisagree,
            false => FaultCode::IndexContradicts,
        };
        assert!(drill_of(record, seen_by), "{letter}: {:?}", record.drills);
    }
}

#[test]
fn the_learned_zero_and_edges_are_where_they_were_mounted() {
    let run = run(&fitted("B", true, true));
    let record = run.record();
    let number = |text: &str| -> f64 {
        let digits = text.split('°').next().expect("degrees");
        digits.trim().parse().expect("a number")
    };
    let zero = finding(
        record,
        "second resolver",
        "electrical angle at top dead centre",
    );
    // Half the play of the second resolver's drive, and half that of the first.
    assert!((number(&zero) - 200.0).abs() < 0.2, "{zero}");
    for (name, place) in [("closes at", 210.0), ("opens at", 270.0)] {
        let edge = finding(record, "index switch", name);
        assert!((number(&edge) - place).abs() < 0.3, "{edge}");
    }
    let settings = run.done.settings.as_deref().expect("settings");
    let settings: toml::Value = toml::from_str(settings).expect("TOML");
    let closes = settings["index_switch"]["closes_deg"].as_float();
    assert!((closes.expect("a number") - 210.0).abs() < 0.3);
    let zero = settings["second_resolver"]["receiver"]["zero_offset_deg"].as_float();
    assert!((zero.expect("a number") - 200.0).abs() < 0.2);
}

#[test]
fn a_switch_that_does_not_change_state_ends_the_commissioning() {
    let mut options = fitted("B", false, true);
    options.index_switch = Some(IndexSwitch {
        stuck: Some(true),
        ..IndexSwitch::default()
    });
    let run = run(&options);
    let record = run.record();
    assert_eq!(record.verdict.outcome, Outcome::NotCommissionable);
    assert!(record.drills.is_empty() && run.done.settings.is_none());
    let notes = record.references[0].notes.join(" ");
    assert!(notes.contains("close once and open once"), "{notes}");
}
