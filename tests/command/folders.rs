//! Nothing in a folder is lost, and nothing is begun that could not be written.

use crate::run::{Place, files};

const SHORT: [&str; 4] = ["rehearse", "--stops", "10", "--quiet"];

#[test]
fn a_folder_that_is_not_empty_is_refused_before_the_work_begins() {
    let place = Place::new();
    place.write("record/mine.txt", "what I measured on Monday");
    let before = files(&place.path("record"));
    let said = place.call(&SHORT);
    said.is_refused(1, &["record", "not empty", "--replace"]);
    assert!(!said.err.contains("CAUTION"), "{}", said.err);
    assert_eq!(files(&place.path("record")), before);
}

#[test]
fn replace_takes_the_place_of_an_earlier_record_and_leaves_the_rest() {
    let place = Place::new();
    assert_eq!(place.call(&SHORT).is_sound().status, Some(0));
    place.write("record/mine.txt", "what I measured on Monday");
    place.call(&SHORT).is_refused(1, &["--replace"]);
    let earlier = std::fs::read(place.path("record/record.json")).expect("a record");
    let said = place.call(&[&SHORT[..], &["--replace", "--seed", "2"]].concat());
    assert_eq!(said.is_sound().status, Some(0), "{said:?}");
    let now = std::fs::read(place.path("record/record.json")).expect("a record");
    assert_ne!(earlier, now);
    let mine = std::fs::read_to_string(place.path("record/mine.txt")).expect("my file");
    assert_eq!(mine, "what I measured on Monday");
}

#[test]
fn not_even_replace_writes_over_what_somebody_else_wrote() {
    let place = Place::new();
    place.write("record/record.html", "my own page");
    let said = place.call(&[&SHORT[..], &["--replace"]].concat());
    said.is_refused(1, &["record.html", "not written by this program"]);
    let left = files(&place.path("record"));
    assert_eq!(
        left,
        [(place.path("record/record.html"), b"my own page".to_vec())]
    );
}

#[test]
fn nor_over_a_record_that_somebody_changed() {
    let place = Place::new();
    assert_eq!(place.call(&SHORT).is_sound().status, Some(0));
    place.write("record/stops.csv", "corrected by hand");
    let before = files(&place.path("record"));
    let said = place.call(&[&SHORT[..], &["--replace"]].concat());
    said.is_refused(1, &["stops.csv", "changed"]);
    assert!(!said.err.contains("CAUTION"), "{}", said.err);
    assert_eq!(files(&place.path("record")), before);
}

#[test]
fn a_file_in_the_place_of_the_folder_is_refused() {
    let place = Place::new();
    place.write("record", "a file");
    place
        .call(&SHORT)
        .is_refused(1, &["record", "not a folder"]);
    let kept = std::fs::read_to_string(place.path("record")).expect("a file");
    assert_eq!(kept, "a file");
}
