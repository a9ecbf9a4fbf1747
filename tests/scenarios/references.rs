//! What is fitted beside the resolver: what it catches, and what breaks on it.

use crate::{complaints, played, refused, written};
use stopwright::scenario::Report;
use stopwright::scenario::expect::Finding;
use stopwright::units;

/// Press B in continuous for some turns, with what else a file says at its head and in its middle.
fn text(head: &str, disturb: &str, expect: &str) -> String {
    format!(
        "press = \"B\"\n{head}\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"continuous\"\n\
         [[step]]\nact = \"arm\"\n\
         [[step]]\nact = \"press-both\"\n\
         [[step]]\nact = \"let-go\"\nwhen = {{ stroke = 1, angle_deg = 200 }}\n\
         [[step]]\nact = \"wait\"\nwhen = {{ after_ms = 6000 }}\n\
         {disturb}\n[expect]\n{expect}\n"
    )
}

/// Disturbs press B in the first turn, with the hands off already.
fn disturbed(head: &str, what: &str, expect: &str) -> Report {
    let disturb =
        format!("[[disturb]]\nname = \"it\"\n{what}\nfrom = {{ stroke = 1, angle_deg = 280 }}");
    played(&written(&text(head, &disturb, expect)))
}

fn fault(number: u8) -> String {
    format!("[[expect.fault]]\nnumber = {number}\nafter = \"it\"\n")
}

const INDEX: &str = "[index_switch]\ncloses_deg = 215\nopens_deg = 260";

#[test]
fn a_sound_index_switch_contradicts_nothing() {
    let report = played(&written(&text(INDEX, "", "")));
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

/// Closed where it should be open the switch is found at once, open where it should be closed at its
/// next arc.
#[test]
fn a_stuck_index_switch_contradicts_the_angle() {
    for what in ["index-stuck-closed", "index-stuck-open"] {
        let expect = format!("may_latch = [17]\n{}", fault(16));
        let report = disturbed(INDEX, &format!("what = \"{what}\""), &expect);
        assert_eq!(
            report.verdict,
            Finding::Holds,
            "{what}\n{}",
            complaints(&report)
        );
    }
}

/// Of a shift the controller takes off what the switch may lag at this speed: a degree.
#[test]
fn a_shifted_index_switch_is_a_slip_first_and_a_contradiction_when_it_is_far() {
    for (deg, number) in [(5.0, 17), (-5.0, 17), (30.0, 16), (-30.0, 16)] {
        let what = format!("what = \"index-shifted\"\ndeg = {deg}");
        let may = if number == 16 {
            "may_latch = [17]\n"
        } else {
            ""
        };
        let report = disturbed(INDEX, &what, &format!("{may}{}", fault(number)));
        assert_eq!(
            report.verdict,
            Finding::Holds,
            "{deg}\n{}",
            complaints(&report)
        );
    }
    let report = disturbed(INDEX, "what = \"index-shifted\"\ndeg = 1.5", "");
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

#[test]
fn an_index_switch_whose_edges_scatter_is_advised_of() {
    let report = disturbed(
        INDEX,
        "what = \"index-wanders\"\ndeg = 0.8",
        "reached = [\"advised\"]",
    );
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let report = disturbed(INDEX, "what = \"index-wanders\"\ndeg = 0.05", "");
    assert!(!report.reached.contains(&"advised"), "{:?}", report.reached);
}

/// The resolver slips while nothing can see it: its signal is sound, and the index tells.
#[test]
fn the_index_switch_catches_a_slip_that_the_signal_hides() {
    let slip = |deg: f64| {
        format!(
            "[[disturb]]\nname = \"dark\"\nwhat = \"power-cut\"\nfrom = {{ time_s = 0.02 }}\nfor_ms = 300\n\
             [[disturb]]\nname = \"it\"\nwhat = \"coupling-slip\"\ndeg = {deg}\nfrom = {{ time_s = 0.2 }}"
        )
    };
    for (head, is_caught) in [(INDEX, true), ("", false)] {
        let faults = played(&written(&text(head, &slip(8.0), ""))).faults;
        assert_eq!(faults.contains(&16), is_caught, "{head}: {faults:?}");
    }
}

/// A switch that the settings know and the file does not name is fitted where they know it.
#[test]
fn an_index_switch_of_the_settings_is_fitted() {
    let head = "[settings.index_switch]\ncloses_deg = 80\nopens_deg = 100\ntolerance_deg = 3\n\
                contradiction_deg = 5\nwander_deg = 1\nresponse_ms = 2";
    let scenario = written(&text(head, "", ""));
    let index = scenario.index_switch.clone().expect("fitted");
    assert!((index.closes_deg - 80.0).abs() < 1e-3, "{index:?}");
    let report = played(&scenario);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    // One that stands elsewhere than the settings know is found.
    let elsewhere = format!("{head}\n[index_switch]\ncloses_deg = 100\nopens_deg = 130");
    let scenario = written(&text(&elsewhere, "", ""));
    let known = scenario.settings.get().index.expect("known");
    assert!((units::angle_deg(known.closed.from) - 80.0).abs() < 1e-3);
    assert!(played(&scenario).faults.contains(&16));
}

#[test]
fn an_index_switch_that_cannot_be_judged_and_one_that_is_not_there_are_told() {
    let narrow = "[index_switch]\ncloses_deg = 100\nopens_deg = 102";
    refused(&text(narrow, "", ""), "`index_switch`", "4 to 350 degrees");
    let stuck = "[[disturb]]\nname = \"it\"\nwhat = \"index-stuck-open\"\nfrom = { stroke = 1 }";
    refused(
        &text("", stuck, ""),
        "`disturb[0].what`",
        "`[index_switch]`",
    );
}

const SECOND: &str = "second_resolver = \"zero=200deg\"";

#[test]
fn a_sound_second_resolver_contradicts_nothing() {
    for list in ["plain", "zero=200deg", "zero=-20deg,noise=2codes"] {
        let head = format!("second_resolver = \"{list}\"");
        let report = played(&written(&text(&head, "", "")));
        assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    }
}

/// Slow enough for each receiver alone: together they tell within the angle it takes.
#[test]
fn either_coupling_that_drags_makes_the_receivers_disagree() {
    for resolver in [1, 2] {
        let what = format!("what = \"coupling-drags\"\npercent = 2\nresolver = {resolver}");
        let report = disturbed(SECOND, &what, &fault(15));
        assert_eq!(
            report.verdict,
            Finding::Holds,
            "{resolver}\n{}",
            complaints(&report)
        );
        let alone = disturbed("", "what = \"coupling-drags\"\npercent = 2", "");
        assert!(!alone.faults.contains(&15), "{:?}", alone.faults);
    }
}

/// Each disturbance of a resolver does to the second what it does to the first: the same fault of
/// the signal, or none, and the motion of the press aside.
#[test]
fn whatever_breaks_on_the_first_resolver_breaks_on_the_second() {
    let cases = [
        ("what = \"samples-dropout\"", 1),
        ("what = \"samples-stuck-code\"\ncodes = 4000", 0),
        ("what = \"samples-frozen\"", 0),
        ("what = \"samples-noise\"\ncodes = 900", 0),
        ("what = \"winding-open\"\nwinding = \"sine\"", 0),
        ("what = \"excitation-lost\"\npercent = 100", 1),
        ("what = \"coupling-slip\"\ndeg = 30", 0),
        ("what = \"body-turned\"\ndeg = 30", 0),
    ];
    for (what, number) in cases {
        let found = [1, 2].map(|resolver| {
            let what = format!("{what}\nresolver = {resolver}");
            let scenario = text(
                SECOND,
                &format!(
                    "[[disturb]]\nname = \"it\"\n{what}\nfrom = {{ stroke = 1, angle_deg = 280 }}"
                ),
                "",
            );
            played(&written(&scenario)).faults
        });
        assert!(found.iter().all(|it| !it.is_empty()), "{what}: {found:?}");
        let first = |faults: &[u8]| faults.iter().any(|it| (1..20).contains(it));
        assert!(found.iter().all(|it| first(it)), "{what}: {found:?}");
        if number != 0 {
            assert!(
                found.iter().all(|it| it.contains(&number)),
                "{what}: {found:?}"
            );
        }
    }
}

#[test]
fn a_trace_has_the_angle_of_the_second_resolver() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("second.toml");
    let head = "title = \"t\"\nlesson = \"l\"\n";
    let traced = |head: &str, signals: &str| {
        std::fs::write(&file, head).expect("written");
        crate::traces::rows_of(file.to_str().expect("text"), signals)
    };
    let with = format!("{head}{}", text(SECOND, "", ""));
    let rows = traced(&with, "crank_deg,second_deg,index");
    let apart = |row: &Vec<f64>| ((row[1] - row[0] + 180.0).rem_euclid(360.0) - 180.0).abs();
    // The frame is a fifth of a tick old, and the drive has its lash.
    assert!(rows.iter().all(|row| apart(row) < 1.0));
    assert!(rows.iter().any(|row| row[0] > 90.0 && row[0] < 270.0));
    let without = format!("{head}{}", text("", "", ""));
    assert!(
        traced(&without, "second_deg")
            .iter()
            .all(|row| row[0].is_nan())
    );
}

#[test]
fn a_second_resolver_of_the_settings_is_fitted_and_a_list_that_is_none_is_told() {
    let mut head = String::new();
    let shipped = include_str!("../../sim-host/settings/b.toml");
    let table: toml::Table = shipped.parse().expect("TOML");
    let mut receiver = table["receiver"].as_table().expect("a table").clone();
    receiver.insert("zero_offset_deg".to_owned(), toml::Value::Float(123.0));
    head +=
        "[settings.second_resolver]\ndifference_deg = 1.5\n[settings.second_resolver.receiver]\n";
    head += &toml::to_string(&receiver).expect("TOML");
    let scenario = written(&text(&head, "", ""));
    let second = scenario.second_resolver.clone().expect("fitted");
    assert!((second.zero_deg - 123.0).abs() < 1e-3, "{second:?}");
    let report = played(&scenario);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let wrong = text("second_resolver = \"gain=200%\"", "", "");
    refused(&wrong, "`second_resolver`", "gain=200%");
    let what = |what: &str| {
        format!(
            "[[disturb]]\nname = \"it\"\nwhat = \"{what}\"\nwhich = 1\nresolver = 2\nfrom = {{ stroke = 1 }}"
        )
    };
    refused(
        &text("", &what("coupling-broken"), ""),
        "`disturb[0].resolver`",
        "`second_resolver` in the file",
    );
    refused(
        &text(SECOND, &what("valve-stuck-on"), ""),
        "`disturb[0].resolver`",
        "a resolver for",
    );
}
