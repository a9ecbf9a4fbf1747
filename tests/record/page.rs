//! The page, read as text. What only a browser can tell is in `browser.rs`.

use crate::fixture;
use stopwright::record::{Record, html};

fn page(record: &Record) -> String {
    html::page(record, &"c0ffee".repeat(11)[..64])
}

#[test]
fn the_page_says_what_it_is_not_before_anything_else() {
    let page = page(&fixture::rehearsal());
    let notice = page.find("never the safeguard of a real press").unwrap();
    assert!(notice < page.find("<main>").unwrap());
}

#[test]
fn verdict_and_cautions_come_before_the_evidence() {
    let page = page(&fixture::rehearsal());
    let place = |id: &str| page.find(&format!("<section id=\"{id}\"")).unwrap();
    assert!(place("verdict") < place("cautions") && place("cautions") < place("sensor"));
}

#[test]
fn nothing_in_the_page_points_outside_it() {
    for record in [
        fixture::rehearsal(),
        fixture::failed_rehearsal(),
        fixture::study(),
    ] {
        let page = page(&record).replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        for way_out in [
            "http:", "https:", "src=", "url(", "@import", "<script", "<iframe", "<object",
        ] {
            assert!(!page.contains(way_out), "{way_out}");
        }
        assert!(page.contains("default-src 'none'"));
    }
}

#[test]
fn texts_of_the_user_stay_texts() {
    let page = page(&fixture::hostile());
    assert!(!page.contains("<script"));
    assert!(!page.contains("<img"));
    assert_eq!(page.matches("</style>").count(), 1);
    assert!(page.contains("&lt;script&gt;"));
}

#[test]
fn a_part_a_study_cannot_have_is_named_as_missing() {
    let page = page(&fixture::study());
    for missing in [
        "raw signals of the resolver",
        "how the zero was found",
        "injected on purpose",
    ] {
        assert!(page.contains(missing), "{missing}");
    }
}

#[test]
fn a_missing_limit_is_never_shown_as_a_number() {
    let page = page(&fixture::failed_rehearsal());
    assert!(page.contains("<dt>Latch limit</dt><dd><b>none</b>"));
    assert!(page.contains("FAIL"));
}

#[test]
fn every_figure_has_a_name_a_description_units_and_a_legend() {
    let page = page(&fixture::rehearsal());
    let figures: Vec<&str> = page.split("<figure ").skip(1).collect();
    // Signatures 2, matrix, curve, convergence 3, distance 1.
    assert_eq!(figures.len(), 8);
    for figure in figures {
        let figure = figure.split("</figure>").next().unwrap();
        let has = |part: &str| assert!(figure.contains(part), "{part} in {figure:.200}");
        has("<title id=");
        has("<desc id=");
        has("<g class=\"legend\"><");
        has("<figcaption>");
        assert!(
            ["(ms)", "(deg)", "(SPM)", "(mm)"]
                .iter()
                .any(|unit| figure.contains(unit))
        );
    }
}

#[test]
fn an_empty_record_still_makes_a_page_that_does_not_pass() {
    let page = page(&Record::default());
    assert!(page.contains("not commissionable"));
    assert!(page.contains("stops at speed"));
}
