//! Cautions stand before each step that turns the crank.

use crate::support::{Run, Told, all, c_at_420};

/// The caution that has to be the last one given before a step, by how the step's name begins.
const BEFORE: [(&str, &str); 9] = [
    ("signal over one barred turn", "barring"),
    ("zero by equal heights", "barring"),
    ("direction and ratio", "barring"),
    ("release angle", "stop matrix"),
    ("stops", "stop matrix"),
    ("more stops", "stop matrix"),
    ("single strokes", "strokes under compensation"),
    ("drills", "drills"),
    ("function checks", "drills"),
];

/// The caution that was given last before each step, beside the step.
fn steps(run: &Run) -> Vec<(&str, &str)> {
    let (mut last, mut steps) = ("none", Vec::new());
    for told in &run.told {
        match told {
            Told::Caution(before, _) => last = before,
            Told::Step(name) => steps.push((name.as_str(), last)),
        }
    }
    steps
}

#[test]
fn every_step_that_turns_the_crank_is_told_its_caution_before() {
    for (letter, run) in all() {
        let steps = steps(run);
        assert!(steps.len() > 5, "{letter}");
        for (step, given) in steps {
            let wanted = BEFORE.iter().find(|(start, _)| step.starts_with(start));
            let (_, wanted) = wanted.unwrap_or_else(|| panic!("{step:?} has no caution here"));
            assert_eq!(given, *wanted, "{letter}: before {step:?}");
        }
    }
}

#[test]
fn the_motor_is_started_only_after_the_caution_of_the_first_strokes() {
    for (letter, run) in all() {
        let place = |is: &dyn Fn(&Told) -> bool| run.told.iter().position(is);
        let cautioned =
            place(&|told| matches!(told, Told::Caution(it, _) if it == "first strokes"));
        let barred =
            place(&|told| matches!(told, Told::Step(name) if name.starts_with("direction")));
        let searched =
            place(&|told| matches!(told, Told::Step(name) if name.starts_with("release angle")));
        assert!(barred < cautioned && cautioned < searched, "{letter}");
    }
}

#[test]
fn every_speed_begins_with_the_caution_of_the_stop_matrix() {
    for (letter, run) in all() {
        let searches = run.told.windows(2).filter(
            |pair| matches!(&pair[1], Told::Step(name) if name.starts_with("release angle")),
        );
        let mut speeds = 0;
        for pair in searches {
            let is_caution = matches!(&pair[0], Told::Caution(it, _) if it == "stop matrix");
            assert!(is_caution, "{letter}: {pair:?}");
            speeds += 1;
        }
        assert_eq!(speeds, run.record().top_stops.len(), "{letter}");
    }
}

#[test]
fn the_record_keeps_every_caution_that_was_given() {
    for (letter, run) in all().into_iter().chain([("C at 420 mm", c_at_420())]) {
        let told: Vec<(&str, &str)> = run
            .told
            .iter()
            .filter_map(|told| match told {
                Told::Caution(step, text) => Some((step.as_str(), text.as_str())),
                Told::Step(_) => None,
            })
            .collect();
        let kept: Vec<(&str, &str)> = run
            .record()
            .cautions
            .iter()
            .map(|caution| (caution.step.as_str(), caution.text.as_str()))
            .collect();
        assert_eq!(kept, told, "{letter}");
    }
}

/// Lock-out and safety blocks before barring; bar removed, safety blocks and guards before power.
#[test]
fn cautions_name_what_has_to_be_done() {
    let run = c_at_420();
    let text_of = |step: &str| -> String {
        let cautions = run.record().cautions.iter();
        let texts = cautions.chain(&all()[0].1.record().cautions);
        let texts = texts.filter(|caution| caution.step == step);
        texts
            .map(|caution| caution.text.to_lowercase() + " ")
            .collect()
    };
    for (step, words) in [
        (
            "barring",
            ["lock out", "safety blocks", "flywheel is at rest"],
        ),
        (
            "first strokes",
            ["bar removed", "safety blocks", "guards closed"],
        ),
        (
            "stop matrix",
            ["bar removed", "safety blocks", "guards closed"],
        ),
        (
            "strokes under compensation",
            ["bar removed", "safety blocks", "guards closed"],
        ),
        ("drills", ["bar removed", "safety blocks", "guards closed"]),
    ] {
        let text = text_of(step);
        for word in words {
            assert!(text.contains(word), "{step}: {word} not in {text:?}");
        }
    }
}
