//! The table of peers in docs/RECEIVER.md is what the benchmark measures.

#[path = "../benches/contenders.rs"]
mod contenders;

#[path = "../benches/loops.rs"]
mod loops;

use crate::document;
use contenders::{CONTENDERS, instructions, printed, worst_arc_seconds};

fn counted(name: &str) -> (u32, u32) {
    let counts = instructions();
    let row = counts.iter().find(|row| row.0 == name);
    row.map(|row| (row.1, row.2))
        .unwrap_or_else(|| panic!("no count of {name}"))
}

#[test]
fn the_document_carries_the_errors_and_counts_of_the_benchmark() {
    let rows: Vec<String> = instructions()
        .iter()
        .map(|(name, opt_3, opt_s)| {
            let contender = CONTENDERS.iter().find(|one| one.name == name);
            let error = contender.map(|one| format!("{} | ", printed(worst_arc_seconds(one))));
            format!(
                "| {name} | {}{opt_3} | {opt_s} |",
                error.unwrap_or_default()
            )
        })
        .collect();
    assert_eq!(rows.len(), 12);
    document::holds(&rows);
}

#[test]
fn nothing_measured_is_cheaper_at_a_usable_error() {
    let (ours_3, ours_s) = counted("stopwright");
    let ours = worst_arc_seconds(&CONTENDERS[0]);
    for peer in &CONTENDERS[1..] {
        let (opt_3, opt_s) = counted(peer.name);
        let error = worst_arc_seconds(peer);
        // A tenth of what 12 bits resolve, 32 arc-seconds, is no longer usable beside it.
        let is_usable = error < 32.0;
        assert!(
            !is_usable || (ours_3 < opt_3 && ours_s < opt_s),
            "{}",
            peer.name
        );
        // Only an f64 arctangent, at seventy times the cost, is closer.
        assert!(
            ours < error || opt_3 > 70 * ours_3,
            "{}: {error}",
            peer.name
        );
    }
}

#[test]
fn the_counts_are_within_what_the_project_set_itself() {
    let (opt_3, opt_s) = counted("stopwright");
    assert!(opt_3 <= 58 && opt_s <= 58, "{opt_3} {opt_s}");
    let (opt_3, opt_s) = counted("stopwright decode and loop");
    assert!(opt_3 <= 75 && opt_s <= 75, "{opt_3} {opt_s}");
    let (opt_3, opt_s) = counted("bytes of code of the decode");
    assert!(opt_3 <= 240 && opt_s <= 240, "{opt_3} {opt_s}");
    let (opt_3, opt_s) = counted("receiver frame");
    assert!(opt_3 <= 400 && opt_s <= 400, "{opt_3} {opt_s}");
    let (_, tick) = counted("receiver tick of five frames");
    // Of 4000 for a whole tick.
    assert!(tick <= 2_500, "{tick}");
}

#[test]
fn as_quiet_as_a_general_loop_ours_follows_a_clutch_more_closely() {
    let (ours, (hz, theirs)) = loops::compared();
    document::holds(&[
        loops::row("stopwright", f64::from(loops::BANDWIDTH_HZ), ours),
        loops::row("idsp", hz, theirs),
    ]);
    assert!((theirs.noise_mdeg / ours.noise_mdeg - 1.0).abs() < 0.01);
    assert!(ours.worst_mdeg < theirs.worst_mdeg, "{ours:?} {theirs:?}");
}
