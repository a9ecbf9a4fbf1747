//! The exit status is the verdict.

use crate::run::{Place, Said};

/// A rehearsal with few stops.
fn rehearse(place: &Place, arguments: &[&str]) -> Said {
    let short = ["rehearse", "--stops", "10", "--quiet"];
    place.call(&[&short, arguments].concat())
}

#[test]
fn a_sound_press_ends_with_0_and_a_record() {
    let place = Place::new();
    let said = place.call(&["rehearse", "--stops", "10"]);
    assert_eq!(said.is_sound().status, Some(0), "{said:?}");
    assert!(said.out.starts_with("COMMISSIONABLE"), "{}", said.out);
    assert!(said.out.contains("record/record.html"), "{}", said.out);
    for file in [
        "record.html",
        "record.json",
        "settings.toml",
        "stops.csv",
        "traces/stop-001.csv",
    ] {
        assert!(place.path("record").join(file).is_file(), "{file}");
    }
    // Cautions are for people in front of the press, and never left out.
    assert!(said.err.contains("CAUTION (barring)"), "{}", said.err);
    assert!(said.err.contains("CAUTION (drills)"), "{}", said.err);
}

#[test]
fn quiet_shows_the_cautions_nevertheless() {
    let place = Place::new();
    let said = rehearse(&place, &["B"]);
    assert_eq!(said.is_sound().status, Some(0), "{said:?}");
    let only_cautions = said.err.lines().all(|line| line.starts_with("CAUTION"));
    assert!(
        said.err.contains("CAUTION") && only_cautions,
        "{}",
        said.err
    );
}

#[test]
fn a_press_held_to_some_speeds_ends_with_3() {
    let said = rehearse(&Place::new(), &["A"]);
    assert_eq!(said.is_sound().status, Some(3), "{said:?}");
    assert!(
        said.out.contains("single stroke at 200 SPM"),
        "{}",
        said.out
    );
}

#[test]
fn press_f_ends_with_4_and_the_brake_to_be_repaired() {
    let place = Place::new();
    let said = rehearse(&place, &["F"]);
    assert_eq!(said.is_sound().status, Some(4), "{said:?}");
    let way_out = "repair the brake before commissioning";
    assert!(said.out.starts_with("NOT COMMISSIONABLE"), "{}", said.out);
    assert!(said.out.contains(way_out), "{}", said.out);
    assert!(place.path("record/record.html").is_file());
    assert!(!place.path("record/settings.toml").exists());
}

#[test]
fn press_c_at_420_mm_ends_with_4_the_cause_and_the_way_out() {
    for distance in ["420mm", "0.42m"] {
        let said = rehearse(&Place::new(), &["C", "--distance", distance]);
        assert_eq!(said.is_sound().status, Some(4), "{said:?}");
        assert!(said.out.contains("420 mm allow"), "{}", said.out);
        assert!(said.out.contains("move the device to"), "{}", said.out);
    }
}

#[test]
fn the_help_page_lists_the_statuses() {
    let said = Place::new().call(&["--help"]);
    assert_eq!(said.is_sound().status, Some(0));
    let help = said.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for text in [
        "0 commissionable (or done)",
        "1 the work could not be done",
        "2 the command line is wrong",
        "3 commissionable with restrictions",
        "4 not commissionable",
        "never the safeguard of a real press",
    ] {
        assert!(help.contains(text), "{text:?} is not in {help}");
    }
}

#[test]
fn the_record_as_json_is_what_stands_in_the_folder() {
    let place = Place::new();
    let said = rehearse(&place, &["--json", "--out", "here"]);
    assert_eq!(said.is_sound().status, Some(0), "{said:?}");
    let printed = stopwright::record::json::read(&said.out).expect("a record");
    let text = std::fs::read_to_string(place.path("here/record.json")).expect("a file");
    let kept = stopwright::record::json::read(&text).expect("a record");
    assert_eq!(printed.verdict, kept.verdict);
    assert_eq!(printed.stop_matrix, kept.stop_matrix);
}

#[test]
fn explain_lists_the_faults_and_explains_one() {
    let place = Place::new();
    let list = place.call(&["explain"]);
    assert_eq!(list.is_sound().status, Some(0));
    let numbers: Vec<&str> = list
        .out
        .lines()
        .filter_map(|line| line.split_whitespace().next())
        .collect();
    assert!(numbers.len() > 10 && numbers.contains(&"40"), "{numbers:?}");
    for number in numbers {
        let said = place.call(&["explain", number]);
        assert_eq!(said.is_sound().status, Some(0), "{number}");
        for part in ["what", "why", "check", "demands", "within", "reset"] {
            let line = said.out.lines().find(|line| line.trim().starts_with(part));
            let says = line.is_some_and(|line| line.trim().len() > part.len() + 5);
            assert!(says, "{number}: {part} in {}", said.out);
        }
    }
}

#[test]
fn a_reader_that_goes_away_is_not_an_error() {
    for arguments in [&["explain"][..], &["distance", "--list"]] {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_stopwright"))
            .args(arguments)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the command starts");
        drop(child.stdout.take());
        let ended = child.wait_with_output().expect("the command ends");
        assert_eq!(ended.status.code(), Some(0), "{ended:?}");
    }
}
