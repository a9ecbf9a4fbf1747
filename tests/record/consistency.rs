//! A record that contradicts itself is not written.

use crate::fixture;
use stopwright::record::consistency::contradictions;
use stopwright::record::folder::{self, Contents, FolderError, IfNotEmpty};
use stopwright::record::{Outcome, Record};

/// The one contradiction that a change to a sound record brings about.
fn after(change: impl FnOnce(&mut Record)) -> String {
    let mut record = fixture::rehearsal();
    change(&mut record);
    let found = contradictions(&record);
    assert_eq!(found.len(), 1, "{found:?}");
    found.into_iter().next().unwrap()
}

#[test]
fn sound_records_are_sound() {
    for record in [
        fixture::rehearsal(),
        fixture::failed_rehearsal(),
        fixture::study(),
        fixture::hostile(),
    ] {
        assert_eq!(contradictions(&record), Vec::<String>::new());
    }
}

#[test]
fn commissionable_is_never_said_over_a_failed_part() {
    assert_eq!(
        after(|r| r.drills[2].pass = false),
        "commissionable, yet the drill of fault 33 failed"
    );
    assert!(after(|r| r.signal_check.as_mut().unwrap().pass = false).contains("signal check"));
    assert!(after(|r| r.zero_capture.as_mut().unwrap().pass = false).contains("zero capture"));
    assert!(
        after(|r| r.direction_proof.as_mut().unwrap().pass = false).contains("direction proof")
    );
    assert!(after(|r| r.function_checks[1].pass = false).contains("Both hands held"));
    assert!(after(|r| r.distances[0].pass = Some(false)).contains("us-stopping-time"));
    assert!(
        after(|r| r.top_stops[1].rest_criterion.as_mut().unwrap().pass = false)
            .contains("at 55 SPM")
    );
}

#[test]
fn the_exit_status_follows_the_verdict() {
    assert!(after(|r| r.verdict.exit_status = 3).contains("exit status is not 0"));
    let mut record = fixture::failed_rehearsal();
    record.verdict.exit_status = 0;
    assert!(contradictions(&record)[0].contains("exit status is 0"));
}

#[test]
fn a_restriction_is_named_where_there_is_one_and_only_there() {
    assert!(after(|r| r.verdict.outcome = Outcome::Restricted).contains("names no restriction"));
    assert!(after(|r| r.verdict.restricted_to = vec!["35 SPM".into()]).contains("yet names one"));
}

#[test]
fn only_a_plain_yes_may_stand_without_a_reason() {
    let without = |mut record: Record| {
        record.verdict.reasons.clear();
        contradictions(&record)
    };
    assert_eq!(
        without(fixture::failed_rehearsal()),
        ["the verdict has no reason"]
    );
    assert_eq!(without(fixture::study()), ["the verdict has no reason"]);
    assert_eq!(without(fixture::rehearsal()), Vec::<String>::new());
}

#[test]
fn a_latch_limit_stays_within_what_the_distance_allows() {
    assert!(
        after(|r| r.limits[2].distance_ceiling_ms = Some(170.5))
            .contains("at 70 SPM the latch limit is above")
    );
    assert!(after(|r| r.limits[0].advisory_ms = Some(131.0)).contains("advisory limit is above"));
}

#[test]
fn a_distance_that_is_too_short_never_passes() {
    let found = after(|r| {
        r.distances[1].installed_mm = Some(400.0);
        r.distances[1].margin_mm = Some(400.0 - r.distances[1].required_mm);
    });
    assert!(found.contains("too short"), "{found}");
    assert!(after(|r| r.distances[1].margin_mm = Some(80.0)).contains("margin"));
}

#[test]
fn cells_and_stops_count_alike() {
    assert!(after(|r| r.stop_matrix.cells[0].n = 24).contains("counts 24 stops, 25 are there"));
    assert!(after(|r| r.stop_matrix.stops[1].number = 1).contains("two stops bear number 1"));
    assert!(after(|r| r.stop_signatures[0].stop = 999).contains("stop 999 is drawn"));
}

#[test]
fn a_contradiction_leaves_no_folder_behind() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("record");
    let mut record = fixture::rehearsal();
    record.drills[0].pass = false;
    let contents = Contents {
        record: &record,
        settings: None,
        traces: &[],
    };
    let error = folder::write(&folder, &contents, IfNotEmpty::Refuse).unwrap_err();
    assert!(matches!(&error, FolderError::Contradiction(_)));
    assert!(
        error.to_string().contains("the drill of fault 3 failed"),
        "{error}"
    );
    assert!(!folder.exists());
}
