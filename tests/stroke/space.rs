//! The stroke logic in a reduced press, walked whole: the core's own transition function, latch,
//! interlock and muting, with everything that people, machine and faults may do.
//!
//! Each invariant has mutants: the same press with one guard of the logic taken away. A mutant must
//! break exactly the invariant that the guard is there for.

mod invariants;
mod logic;
mod mutants;
mod press;
mod readings;

use press::Press;
use stateright::{Checker, Expectation, Model};

/// One command prints the number of states and the invariants:
/// `cargo test -p stopwright-tests --test stroke space -- --nocapture`.
#[test]
fn no_reachable_state_of_the_reduced_press_breaks_an_invariant() {
    let checker = Press::WHOLE.checker().threads(2).spawn_bfs().join();
    println!(
        "{} states reached by {} ticks, the farthest {} ticks away",
        checker.unique_state_count(),
        checker.state_count(),
        checker.max_depth()
    );
    let discoveries = checker.discoveries();
    for property in Press::WHOLE.properties() {
        let path = discoveries.get(property.name);
        let is_met = property.expectation == Expectation::Sometimes;
        let verdict = match (is_met, path.is_some()) {
            (false, false) => "holds ",
            (true, true) => "met   ",
            (false, true) => "BROKEN",
            (true, false) => "MISSED",
        };
        println!("{verdict} {}", property.name);
        if let Some(path) = path.filter(|_| !is_met) {
            println!("{path}");
        }
    }
    checker.assert_properties();
    assert!(checker.unique_state_count() >= 1_000_000);
}

#[test]
fn every_guard_taken_away_breaks_exactly_its_own_invariant() {
    let mut guarded = Vec::new();
    for mutant in mutants::MUTANTS {
        // Walked whole: no other invariant may break on any path.
        let checker = mutant.press().checker().spawn_bfs().join();
        let discoveries = checker.discoveries();
        let invariants = checker.model().properties().into_iter();
        let broken: Vec<&str> = invariants
            .filter(|property| property.expectation == Expectation::Always)
            .map(|property| property.name)
            .filter(|name| discoveries.contains_key(name))
            .collect();
        println!(
            "{} states: {} -> {broken:?}",
            checker.unique_state_count(),
            mutant.what
        );
        assert_eq!(broken, [mutant.breaks], "{}", mutant.what);
        guarded.push(mutant.breaks);
    }
    for property in Press::WHOLE.properties() {
        let is_invariant = property.expectation == Expectation::Always;
        assert!(
            !is_invariant || guarded.contains(&property.name),
            "no mutant: {}",
            property.name
        );
    }
}
