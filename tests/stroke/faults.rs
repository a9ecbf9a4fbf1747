//! Every fault, raised through a whole tick of the controller, and reset by its rule.

mod cases;
mod found;
mod muted;
mod rig;
mod settings;
mod stops;

use cases::{CASES, Case, NOT_RAISED};
use rig::Rig;
use stopwright_core::fault::{FaultCode, Reaction, ResetRule};
use stopwright_core::fault_latch::Standing;
use stopwright_core::stroke::Stroke;
use stopwright_core::time::Instant;

const STANDINGS: [Standing; 3] = [
    Standing::Operator,
    Standing::KeyHolder,
    Standing::Recommissioned,
];

fn enough(rule: ResetRule) -> Standing {
    match rule {
        ResetRule::ByItself | ResetRule::Operator => Standing::Operator,
        ResetRule::KeyHolder => Standing::KeyHolder,
        ResetRule::Recommissioning => Standing::Recommissioned,
    }
}

/// A rig on which the fault has just shown.
fn raised(case: &Case) -> Result<Rig, String> {
    let mut rig = Rig::new((case.schema)());
    rig.run_ms(500);
    let before: Vec<FaultCode> = rig.seen.iter().collect();
    if !before.is_empty() {
        return Err(format!("{before:?} before anything was wrong"));
    }
    (case.raise)(&mut rig);
    for _ in 0..5_000 {
        if rig.seen.contains(case.code) {
            return Ok(rig);
        }
        rig.tick();
    }
    let seen: Vec<FaultCode> = rig.seen.iter().collect();
    let trouble = rig.trouble.unwrap_or_default();
    Err(format!(
        "not seen, but {seen:?}; {:?} {trouble}",
        rig.outputs.stroke
    ))
}

/// Tries every case; everything that is wrong, at once.
#[track_caller]
fn try_all(are: fn(&Case) -> bool, attempt: fn(&Case) -> Result<(), String>) {
    let tried = CASES.iter().filter(|case| are(case));
    let wrong: Vec<String> = tried
        .filter_map(|case| Some(format!("{:?}: {}", case.code, attempt(case).err()?)))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn rests_latched(rig: &mut Rig) -> bool {
    rig.until("the latched fault", |outputs| {
        outputs.stroke == Stroke::FaultLatched
    });
    rig.outputs.stroke == Stroke::FaultLatched
}

fn must(is_so: bool, otherwise: &str) -> Result<(), String> {
    if is_so {
        Ok(())
    } else {
        Err(otherwise.to_owned())
    }
}

#[test]
fn every_fault_has_one_case_or_a_reason_for_none() {
    for &code in FaultCode::ALL {
        let cases = CASES.iter().filter(|case| case.code == code).count();
        let excused = NOT_RAISED
            .iter()
            .filter(|(other, _)| *other == code)
            .count();
        assert_eq!(cases + excused, 1, "{code:?}");
    }
}

#[test]
fn every_fault_shows_with_what_it_demands() {
    try_all(
        |_| true,
        |case| {
            let mut rig = raised(case)?;
            let is_advice = case.code.reaction() == Reaction::Advise;
            let is_latched = rig.is_latched(case.code);
            must(
                is_latched != is_advice,
                "latched, or not, against its class",
            )?;
            let stops_now = case.code.reaction() >= Reaction::ImmediateStop;
            must(!(stops_now && rig.outputs.valve.is_on), "the valve is on")?;
            let is_second = case.code.reaction() == Reaction::SecondMeans;
            must(
                rig.outputs.second_means || !is_second,
                "the second means are not used",
            )?;
            // Whatever demands a stop ends in one that says why.
            rig.mend();
            must(is_advice || rests_latched(&mut rig), "no latched state")
        },
    );
}

#[test]
fn every_latch_outlives_its_condition_and_bows_to_its_reset_rule() {
    let latches = |case: &Case| case.code.reaction() != Reaction::Advise;
    try_all(latches, |case| {
        let mut rig = raised(case)?;
        let evidence = rig.evidence(case.code);
        let now = rig.inputs.now;
        let is_of_then = evidence.is_some_and(|it| it.at > Instant::default() && it.at <= now);
        must(is_of_then, "no evidence")?;
        rig.mend();
        must(rests_latched(&mut rig), "no latched state")?;
        rig.run_ms(1_000);
        must(rig.is_latched(case.code), "went away by itself")?;
        must(rig.evidence(case.code) == evidence, "evidence not frozen")?;
        for standing in STANDINGS {
            rig.reset(standing);
            let may_clear = standing >= enough(case.code.reset_rule());
            let is_right = rig.is_latched(case.code) != may_clear;
            must(
                is_right,
                &format!("{standing:?} clears it against its rule, or does not"),
            )?;
        }
        let left: Vec<FaultCode> = rig.outputs.latched.iter().collect();
        must(left.is_empty(), &format!("leaves {left:?}"))?;
        must(
            rig.evidence(case.code).is_none(),
            "evidence without a latch",
        )?;
        must(
            rig.outputs.stroke != Stroke::FaultLatched,
            "the state stays",
        )
    });
}
