//! Whatever is typed, the command answers.

use crate::run::Place;
use proptest::prelude::*;
use stopwright::press::Press;

/// A short text, from what people type by mistake to what nobody types.
fn text() -> impl Strategy<Value = String> {
    prop_oneof![
        4 => "[-+=.,:%/0-9a-zA-Z°µ ]{1,10}",
        2 => "[-+]?[0-9]{1,4}(\\.[0-9]{1,3})?(e[0-9]{1,3})?(mm|in|m|ms|s|deg|%)?",
        1 => "[^\0]{1,6}",
        1 => prop::sample::select(vec![
            "", "-", "--", "nan", "inf", "-inf", "1e999mm", "-0mm", "..", "/", "~", "\u{feff}", "=",
            "gain=", ",,,", "gain=nan%", "A,B", "b.toml", "--help", "-V", "\u{202e}",
        ])
        .prop_map(str::to_owned),
    ]
}

const FLAGS: [&str; 14] = [
    "--stops",
    "--seed",
    "--distance",
    "--resolver",
    "--rule",
    "--json",
    "--quiet",
    "--replace",
    "--stopping",
    "--installed",
    "--detection",
    "--time",
    "--angle-unit",
    "--list",
];

fn arguments() -> impl Strategy<Value = Vec<String>> {
    let one = prop_oneof![
        text(),
        prop::sample::select(FLAGS.to_vec()).prop_map(str::to_owned),
        (prop::sample::select(FLAGS.to_vec()), text())
            .prop_map(|(flag, text)| flag.to_owned() + "=" + &text),
    ];
    let command = prop::sample::select(vec!["rehearse", "study", "distance", "explain"]);
    (command, prop::collection::vec(one, 0..4)).prop_map(|(command, rest)| {
        let mut all = vec![command.to_owned()];
        all.extend(rest);
        all
    })
}

proptest! {
    // Each case is a process.
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..Default::default() })]

    /// The folder for the record is taken, so that nobody waits for a rehearsal here.
    #[test]
    fn no_arguments_make_the_command_panic(arguments in arguments()) {
        let place = Place::new();
        place.write("record/mine.txt", "mine");
        let said = place.call(&arguments);
        prop_assert!(matches!(said.status, Some(0..=4)), "{arguments:?}: {said:?}");
        prop_assert!(!said.err.contains("panicked"), "{arguments:?}: {said:?}");
    }

    /// The folder is free, and everything else is read before the work begins.
    #[test]
    fn no_text_of_an_option_makes_the_command_panic(
        flag in prop::sample::select(vec!["--resolver", "--rule", "--distance"]),
        text in "[-+=.,:%/0-9a-zA-Z° ]{1,8}|[^\0]{1,4}",
    ) {
        // A distance with its unit would be a good one.
        prop_assume!(!text.ends_with('m') && !text.ends_with("in"));
        let place = Place::new();
        let said = place.call(&["rehearse", "A", "--stops=10", &format!("{flag}={text}")]);
        prop_assert!(matches!(said.status, Some(0..=4)), "{flag}={text}: {said:?}");
        prop_assert!(!said.err.contains("panicked"), "{flag}={text}: {said:?}");
    }

    /// Read in this process: a file that happens to be good would be rehearsed.
    #[test]
    fn no_press_file_makes_its_reader_panic(
        line in 0..80_usize,
        text in "[-+=.,\\[\\]\"#0-9a-z_ ]{0,12}",
    ) {
        let mut lines: Vec<&str> = include_str!("../../sim-host/presses/b.toml").lines().collect();
        let line = line % lines.len();
        lines[line] = &text;
        if let Err(problems) = Press::from_toml("own.toml", &lines.join("\n")) {
            prop_assert!(!problems.0.is_empty());
            let text = problems.to_string();
            prop_assert!(text.lines().all(|line| line.starts_with("own.toml:")), "{text}");
        }
    }
}
