//! Bad input: where it stands, what was found, what is allowed. All of it at once.

use crate::run::Place;

/// The file of press B, from which bad ones are made.
const PRESS: &str = include_str!("../../sim-host/presses/b.toml");

#[test]
fn an_unknown_press_is_told_with_the_letters_there_are() {
    let place = Place::new();
    let words = ["Z", "A, B, C, D, E, F, G, H"];
    place.call(&["rehearse", "Z"]).is_refused(1, &words);
    place
        .call(&["rehearse", "none.toml"])
        .is_refused(1, &["none.toml", "nor a file"]);
    assert!(!place.path("record").exists());
}

#[test]
fn a_folder_for_a_press_file_is_refused_by_its_name() {
    let place = Place::new();
    place.write("presses/a.toml", PRESS);
    place
        .call(&["rehearse", "presses"])
        .is_refused(1, &["presses"]);
}

#[test]
fn a_press_file_of_ones_own_is_rehearsed_under_its_name() {
    let place = Place::new();
    place.write(
        "own.toml",
        &PRESS.replace("Press B (invented)", "Own press"),
    );
    let said = place.call(&["rehearse", "own.toml", "--stops", "10", "--quiet"]);
    assert_eq!(said.is_sound().status, Some(0), "{said:?}");
    assert!(said.out.contains("Own press"), "{}", said.out);
}

/// One line of the press file changed; the number of that line.
fn change(text: &mut [String], key: &str, to: &str) -> usize {
    let start = format!("{key} = ");
    let place = text.iter().position(|line| line.starts_with(&start));
    let place = place.unwrap_or_else(|| panic!("no {key} in the press file"));
    text[place] = to.to_owned();
    place + 1
}

#[test]
fn every_problem_of_a_press_file_is_told_with_line_key_found_and_allowed() {
    let place = Place::new();
    let mut lines: Vec<String> = PRESS.lines().map(str::to_owned).collect();
    let out_of_range = change(&mut lines, "stroke_mm", "stroke_mm = -90");
    let wrong_type = change(&mut lines, "rod_mm", "rod_mm = \"long\"");
    let unknown = change(&mut lines, "nominal_spm", "nominal_spn = 85");
    let head = lines
        .iter()
        .position(|line| line == "[speed]")
        .expect("[speed]")
        + 1;
    place.write("own.toml", &lines.join("\n"));
    let said = place.call(&["rehearse", "own.toml"]);
    said.is_refused(1, &[]);
    let told = |line: usize, words: &[&str]| {
        let at = format!("own.toml:{line}:");
        let found = said
            .err
            .lines()
            .any(|text| text.contains(&at) && words.iter().all(|word| text.contains(word)));
        assert!(found, "{at} {words:?} is not in\n{}", said.err);
    };
    told(out_of_range, &["frame.stroke_mm", "-90", "allowed"]);
    told(wrong_type, &["frame.rod_mm", "\"long\"", "allowed"]);
    told(unknown, &["speed.nominal_spn", "allowed"]);
    told(head, &["speed.nominal_spm", "allowed"]);
    assert!(!said.err.contains("CAUTION"), "{}", said.err);
    assert!(!place.path("record").exists());
}

#[test]
fn a_press_file_that_is_not_toml_or_not_text_is_told_by_its_place() {
    let place = Place::new();
    place.write("own.toml", "[frame\nstroke_mm = = 3");
    place
        .call(&["rehearse", "own.toml"])
        .is_refused(1, &["own.toml:1:"]);
    std::fs::write(place.path("bytes.toml"), [0xff, 0xfe, 0, 1]).expect("a file");
    place
        .call(&["rehearse", "bytes.toml"])
        .is_refused(1, &["bytes.toml"]);
    place.write("empty.toml", "");
    place
        .call(&["rehearse", "empty.toml"])
        .is_refused(1, &["empty.toml", "frame"]);
}

#[test]
fn a_bad_distance_is_told_with_its_unit_and_range() {
    let place = Place::new();
    let call = |text: &str| place.call(&["rehearse", &format!("--distance={text}")]);
    call("420").is_refused(2, &["420", "unit", "420mm"]);
    call("").is_refused(2, &["--distance"]);
    call("long mm").is_refused(2, &["long", "not a number"]);
    for outside in ["0mm", "-5mm", "21m", "NaNmm", "infmm", "1e300in"] {
        call(outside).is_refused(2, &[outside, "1 mm to 20000 mm"]);
    }
    assert!(!place.path("record").exists());
}

#[test]
fn a_bad_number_of_stops_is_told_with_its_range() {
    let place = Place::new();
    for outside in ["0", "9", "1001"] {
        let said = place.call(&["rehearse", "--stops", outside]);
        said.is_refused(2, &[outside, "--stops", "10..=1000"]);
    }
    for text in ["x", "2.5", "99999999999999999999"] {
        place
            .call(&["rehearse", "--stops", text])
            .is_refused(2, &[text, "--stops"]);
    }
    place
        .call(&["rehearse", "--seed=-1"])
        .is_refused(2, &["-1", "--seed"]);
}

#[test]
fn a_bad_imperfection_of_the_resolver_is_told_with_what_is_allowed() {
    let place = Place::new();
    for (text, words) in [
        ("gain=99%", ["gain=99%", "gain=-50% to 50%"]),
        ("gain=2", ["gain=2", "gain=-50% to 50%"]),
        ("gain", ["gain", "gain=-50% to 50%"]),
        ("offset=1%,colour=red", ["colour=red", "quadrature"]),
    ] {
        let said = place.call(&["rehearse", "--resolver", text]);
        said.is_refused(BAD_TEXT, &words);
    }
    assert!(!place.path("record").exists());
}

#[test]
fn an_unknown_rule_is_told_with_the_rules_there_are() {
    let place = Place::new();
    let words = [
        "no rule is called \"mine\"",
        "us-stopping-time",
        "iso-orthogonal-2010",
    ];
    let said = place.call(&["rehearse", "--rule", "us-stopping-time", "--rule", "mine"]);
    said.is_refused(BAD_TEXT, &words);
    assert!(!place.path("record").exists());
}

/// Lists of the resolver and names of rules are part of the command line.
const BAD_TEXT: i32 = 2;

#[test]
fn a_rule_that_the_curtain_cannot_satisfy_is_told_or_judged() {
    let place = Place::new();
    let args = ["rehearse", "--stops", "10", "--quiet", "--rule"];
    for rule in stopwright_core::safety_distance::Rule::ALL {
        let out = format!("--out={}", rule.text().name);
        let said = place.call(&[&args[..], &[rule.text().name, &out]].concat());
        said.is_sound();
        assert_ne!(said.status, Some(2), "{said:?}");
        if said.status == Some(1) {
            assert!(said.err.contains(rule.text().name), "{said:?}");
        }
    }
}

#[test]
fn an_unknown_fault_is_told_with_the_numbers_there_are() {
    let place = Place::new();
    let said = place.call(&["explain", "200"]);
    said.is_refused(1, &["no fault 200", "the numbers are", "40"]);
    place
        .call(&["explain", "256"])
        .is_refused(2, &["256", "0..=255"]);
    place.call(&["explain", "forty"]).is_refused(2, &["forty"]);
}

#[test]
fn an_unknown_command_or_flag_is_told_by_its_name() {
    let place = Place::new();
    place.call(&["commission"]).is_refused(2, &["commission"]);
    place
        .call(&["rehearse", "--fast"])
        .is_refused(2, &["--fast"]);
    place.call::<&str>(&[]).is_refused(2, &["Usage"]);
}
