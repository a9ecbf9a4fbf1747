//! Bad recordings: an error that names the place, or a counted warning. Never silence.

use stopwright::study::{
    FindOptions, Found, ReadOptions, Recording, WarningKind, find_stops, read_bytes, study,
};

use crate::synthetic::{Angle, GOOD, HEALTHY, PLAIN, Recorder, Sample, Writing, press};

fn options() -> ReadOptions {
    ReadOptions::default()
}

/// What a person would read.
fn refusal(text: &str) -> String {
    read_bytes("press.csv", text.as_bytes(), &options())
        .expect_err("a refusal")
        .to_string()
}

fn recording(text: &str) -> Recording {
    read_bytes("press", text.as_bytes(), &options()).unwrap_or_else(|error| panic!("{error}"))
}

fn found(text: &str) -> Found {
    find_stops(&recording(text), &FindOptions::default())
}

fn warned(recording: &Recording, kind: WarningKind) -> usize {
    recording
        .warnings
        .iter()
        .filter(|w| w.kind == kind)
        .map(|w| w.count)
        .sum()
}

fn told(found: &Found, kind: WarningKind) -> usize {
    found
        .warnings
        .iter()
        .filter(|w| w.kind == kind)
        .map(|w| w.count)
        .sum()
}

/// A stop of press B at the top.
fn stop_of_b(recorder: Recorder, after_s: f64) -> Vec<Sample> {
    let stop = press("B").stop(313.4, 85.0, HEALTHY);
    recorder.watch(&stop, 0.5, stop.time_s + after_s, 1).samples
}

fn good() -> String {
    PLAIN.text(&stop_of_b(GOOD, 0.5))
}

/// `text` with line `number` (the first is 1) changed.
fn with_line(text: &str, number: usize, change: impl Fn(&str) -> String) -> String {
    let change = |(at, line): (usize, &str)| {
        let line = if at + 1 == number {
            change(line)
        } else {
            line.into()
        };
        line + "\n"
    };
    text.lines().enumerate().map(change).collect()
}

#[test]
fn a_good_recording_is_not_refused() {
    let found = found(&good());
    assert_eq!(
        (found.stops.len(), found.warnings.len()),
        (1, 0),
        "{found:?}"
    );
}

#[test]
fn an_empty_file_is_refused() {
    for text in ["", "\n\n", "# nothing but a remark\n", "\u{feff}"] {
        assert!(
            refusal(text).contains("press.csv: the file is empty"),
            "{text:?}"
        );
    }
    assert!(refusal("time_s,crank_deg,stop_cmd\n").contains("0 rows of numbers"));
    assert!(refusal("hello\n").contains("no table"));
}

#[test]
fn a_file_that_is_not_there_is_refused_by_its_name() {
    let files = ["no/such/file.csv", "nor/this.csv"];
    let errors = study(&files, &options(), &FindOptions::default()).expect_err("errors");
    assert_eq!(errors.len(), 2);
    assert!(errors[0].to_string().starts_with("no/such/file.csv: "));
}

#[test]
fn a_missing_column_lists_what_was_found_and_what_was_looked_for() {
    let text = refusal(&good().replace("stop_cmd", "temperature"));
    assert!(text.contains("press.csv:1: no stop column"), "{text}");
    assert!(
        text.contains("found `time_s`, `crank_deg`, `temperature`"),
        "{text}"
    );
    assert!(text.contains("looked for stop,"), "{text}");
    assert!(text.contains("--stop"), "{text}");
}

#[test]
fn all_missing_columns_are_told_at_once() {
    let text = refusal("a;b;c\n1;2;3\n");
    for role in ["time", "angle", "stop"] {
        assert!(text.contains(&format!("no {role} column")), "{text}");
    }
}

#[test]
fn a_column_named_twice_is_refused_until_one_is_chosen() {
    let doubled = good().replace("crank_deg", "crank_deg,crank_deg");
    let doubled: String = doubled
        .lines()
        .map(|line| match line.split(',').collect::<Vec<_>>()[..] {
            [time, deg, stop] => format!("{time},{deg},{deg},{stop}\n"),
            _ => format!("{line}\n"),
        })
        .collect();
    let text = refusal(&doubled);
    assert!(
        text.contains("2 columns could be the angle: `crank_deg` (column 2)"),
        "{text}"
    );
    let chosen = ReadOptions {
        angle: Some("3".into()),
        ..options()
    };
    assert!(read_bytes("press", doubled.as_bytes(), &chosen).is_ok());
}

#[test]
fn a_named_column_that_is_not_there_is_refused() {
    let named = ReadOptions {
        stop: Some("halt".into()),
        ..options()
    };
    let error = read_bytes("press", good().as_bytes(), &named).expect_err("a refusal");
    assert!(
        error
            .to_string()
            .contains("a column named or numbered `halt`"),
        "{error}"
    );
}

#[test]
fn time_that_goes_back_is_refused_with_its_line() {
    let text = refusal(&with_line(&good(), 200, |_| "0.0500000,10.0,0".into()));
    assert!(
        text.contains("press.csv:200: time goes back: 0.05 s after 0.197 s"),
        "{text}"
    );
}

#[test]
fn text_in_a_number_is_refused_with_line_and_column() {
    let bad = with_line(&good(), 300, |_| "0.298,abc,0".into());
    let bad = with_line(&bad, 305, |_| "0.303,12.5,maybe".into());
    let text = refusal(&bad);
    assert!(
        text.contains("press.csv:300:2: `abc` is no number (column `crank_deg`)"),
        "{text}"
    );
    assert!(
        text.contains("press.csv:305:3: `maybe` is no number (column `stop_cmd`)"),
        "{text}"
    );
}

#[test]
fn a_thousand_bad_cells_are_counted_not_listed() {
    let bad: String = good()
        .lines()
        .map(|line| line.replace("0.", "o.") + "\n")
        .collect();
    let text = refusal(&bad);
    assert!(text.contains("more"), "{text}");
    assert!(text.lines().count() < 20, "{text}");
}

#[test]
fn a_line_number_counts_remarks_and_blank_lines() {
    let bad = with_line(&good(), 300, |_| "0.298,abc,0".into());
    let text = refusal(&format!("# one\n\n# three\n{bad}"));
    assert!(text.contains("press.csv:303:2:"), "{text}");
}

#[test]
fn cells_without_a_number_are_left_out_and_counted() {
    let mut text = good();
    for (line, cell) in [(100, "NaN"), (150, ""), (700, "inf"), (800, "null")] {
        text = with_line(&text, line, |old| {
            let cells: Vec<&str> = old.split(',').collect();
            format!("{},{cell},{}", cells[0], cells[2])
        });
    }
    let recording = recording(&text);
    assert_eq!(warned(&recording, WarningKind::MissingValues), 4);
    assert_eq!(recording.warnings[0].line, Some(100));
    assert_eq!(
        find_stops(&recording, &FindOptions::default()).stops.len(),
        1
    );
}

#[test]
fn a_column_of_nothing_but_missing_values_is_refused() {
    let empty: String = good()
        .lines()
        .map(|line| match line.split(',').collect::<Vec<_>>()[..] {
            ["time_s", ..] => format!("{line}\n"),
            [time, _, stop] => format!("{time},NaN,{stop}\n"),
            _ => unreachable!("three cells"),
        })
        .collect();
    assert!(refusal(&empty).contains("0 angles in the file"));
}

#[test]
fn a_header_in_the_middle_is_left_out_and_counted() {
    let text = with_line(&good(), 400, |line| {
        format!("time_s,crank_deg,stop_cmd\n{line}")
    });
    let recording = recording(&text);
    assert_eq!(warned(&recording, WarningKind::HeaderRepeated), 1);
    assert_eq!(recording.warnings[0].line, Some(400));
}

#[test]
fn lines_before_the_header_are_counted() {
    let recording = recording(&format!("recorder 7, channel list\npress, B\n{}", good()));
    assert_eq!(warned(&recording, WarningKind::LinesBeforeHeader), 1);
    assert!(recording.warnings[0].message.starts_with("2 lines"));
}

#[test]
fn a_few_ragged_rows_are_counted_many_are_refused() {
    let mut text = good();
    for line in [50, 60, 900] {
        text = with_line(&text, line, |old| format!("{old},7"));
    }
    assert_eq!(warned(&recording(&text), WarningKind::RaggedRows), 3);
    let comma = good().replace("0.", "0,");
    assert!(
        refusal(&comma).contains("decimal comma"),
        "{}",
        refusal(&comma)
    );
}

#[test]
fn a_row_cut_off_at_the_end_is_counted() {
    let text = good();
    let cut = &text[..text.len() - 6];
    let recording = recording(cut);
    let left_out = warned(&recording, WarningKind::RaggedRows)
        + warned(&recording, WarningKind::MissingValues);
    assert_eq!(left_out, 1, "{:?}", recording.warnings);
}

#[test]
fn a_quotation_mark_left_open_is_refused_with_its_line() {
    let text = refusal(&with_line(&good(), 40, |line| format!("\"{line}")));
    assert!(text.contains("press.csv:40: a quotation mark"), "{text}");
}

#[test]
fn times_written_too_coarsely_are_refused() {
    let coarse: String = stop_of_b(
        Recorder {
            rate_hz: 10_000.0,
            ..GOOD
        },
        0.5,
    )
    .iter()
    .map(|(time, deg, stop)| format!("{time:.3},{deg:.3},{}\n", u8::from(*stop)))
    .collect();
    let text = refusal(&format!("time_s,crank_deg,stop_cmd\n{coarse}"));
    assert!(text.contains("too coarse"), "{text}");
}

#[test]
fn a_time_repeated_now_and_then_is_counted() {
    let text = with_line(&good(), 100, |line| format!("{line}\n{line}"));
    assert_eq!(warned(&recording(&text), WarningKind::RepeatedTimes), 1);
}

#[test]
fn a_recording_without_a_stop_says_so() {
    let running: String = good()
        .lines()
        .map(|line| line.replace(",1", ",0") + "\n")
        .collect();
    assert!(
        refusal(&running).contains("no stop in it: the stop command"),
        "{}",
        refusal(&running)
    );
    // A command at standstill is no stop either.
    let still = stop_of_b(GOOD, 0.5)
        .into_iter()
        .map(|(time, _, stop)| (time, 12.0, stop));
    let found = found(&PLAIN.text(&still.collect::<Vec<_>>()));
    assert_eq!(found.stops.len(), 0);
    assert_eq!(told(&found, WarningKind::CommandAtStandstill), 1);
    assert_eq!(told(&found, WarningKind::NoStop), 1);
}

#[test]
fn an_angle_that_never_passes_the_top_is_told() {
    let stop = press("C").stop(90.0, 40.0, HEALTHY);
    let text = PLAIN.text(&GOOD.watch(&stop, 0.3, 0.6, 1).samples);
    let recording = recording(&text);
    assert_eq!(warned(&recording, WarningKind::TopNeverPassed), 1);
    assert_eq!(
        find_stops(&recording, &FindOptions::default()).stops.len(),
        1
    );
}

#[test]
fn too_few_samples_for_a_stop_are_told() {
    let stop = press("A").stop(316.0, 200.0, HEALTHY);
    let slow = Recorder {
        rate_hz: 40.0,
        ..GOOD
    };
    let found = found(&PLAIN.text(&slow.watch(&stop, 1.0, 1.0, 1).samples));
    assert_eq!(found.stops.len(), 0);
    assert_eq!(
        told(&found, WarningKind::SampleRateTooLow),
        1,
        "{:?}",
        found.warnings
    );
    assert!(found.warnings[0].message.contains("record faster"));
}

#[test]
fn a_stop_that_never_ends_is_told() {
    // The brake never acts.
    let runs_on = (0..5000)
        .map(|k| f64::from(k) * 1e-3)
        .map(|t| (t, 510.0 * t, t > 0.5));
    let found_running = found(&PLAIN.text(&runs_on.collect::<Vec<_>>()));
    assert_eq!(
        told(&found_running, WarningKind::NeverStops),
        1,
        "{:?}",
        found_running.warnings
    );
    // It acts, and the slide creeps on.
    let mut creeping = stop_of_b(GOOD, 2.0);
    let end = creeping
        .iter()
        .find(|sample| sample.2)
        .expect("a command")
        .0
        + 0.137;
    creeping
        .iter_mut()
        .for_each(|sample| sample.1 += 8.0 * (sample.0 - end).max(0.0));
    let found = found(&PLAIN.text(&creeping));
    assert_eq!(told(&found, WarningKind::NeverStops), 1, "{found:?}");
    assert!(found.stops.is_empty());
}

#[test]
fn a_rest_that_does_not_hold_is_told() {
    let mut slipping = stop_of_b(GOOD, 1.0);
    let end = slipping
        .iter()
        .find(|sample| sample.2)
        .expect("a command")
        .0
        + 0.137;
    slipping
        .iter_mut()
        .filter(|sample| sample.0 > end + 0.2)
        .for_each(|sample| sample.1 += 2.0);
    let found = found(&PLAIN.text(&slipping));
    assert_eq!(found.stops.len(), 1);
    assert!(
        found.stops[0]
            .remarks
            .iter()
            .any(|text| text.contains("did not hold"))
    );
    assert_eq!(told(&found, WarningKind::DoesNotHold), 1);
}

#[test]
fn a_recording_that_ends_before_standstill_is_told() {
    let found = found(&PLAIN.text(&stop_of_b(GOOD, -0.03)));
    assert_eq!(found.stops.len(), 0);
    assert_eq!(
        told(&found, WarningKind::EndsTooSoon),
        1,
        "{:?}",
        found.warnings
    );
}

#[test]
fn a_rest_watched_for_a_short_time_is_remarked() {
    let found = found(&PLAIN.text(&stop_of_b(GOOD, 0.1)));
    assert!(
        found.stops[0]
            .remarks
            .iter()
            .any(|text| text.contains("watched for")),
        "{found:?}"
    );
}

#[test]
fn a_command_withdrawn_on_the_way_is_told() {
    let mut samples = stop_of_b(GOOD, 0.5);
    let on = samples
        .iter()
        .position(|sample| sample.2)
        .expect("a command");
    samples
        .iter_mut()
        .skip(on + 60)
        .for_each(|sample| sample.2 = false);
    let found = found(&PLAIN.text(&samples));
    assert_eq!(told(&found, WarningKind::CommandWithdrawn), 1, "{found:?}");
}

#[test]
fn a_flicker_of_the_command_while_running_is_told() {
    let mut samples = stop_of_b(GOOD, 0.5);
    samples[200].2 = true;
    let found = found(&PLAIN.text(&samples));
    assert_eq!(found.stops.len(), 1);
    assert_eq!(told(&found, WarningKind::CommandWithdrawn), 1, "{found:?}");
}

#[test]
fn a_gap_at_the_command_widens_what_is_stated() {
    let mut samples = stop_of_b(GOOD, 0.5);
    let on = samples
        .iter()
        .position(|sample| sample.2)
        .expect("a command");
    samples.drain(on - 10..on + 9);
    let recording = recording(&PLAIN.text(&samples));
    assert_eq!(warned(&recording, WarningKind::Gaps), 1);
    let found = find_stops(&recording, &FindOptions::default());
    assert!(found.stops[0].time_uncertainty_ms > 10.0, "{found:?}");
    assert!(
        found.stops[0]
            .remarks
            .iter()
            .any(|text| text.contains("without a sample"))
    );
}

#[test]
fn a_step_of_the_sensor_is_told() {
    let mut samples = stop_of_b(GOOD, 0.5);
    samples
        .iter_mut()
        .skip(550)
        .for_each(|sample| sample.1 += 9.0);
    let recording = recording(&PLAIN.text(&samples));
    assert_eq!(warned(&recording, WarningKind::AngleJumps), 1);
}

#[test]
fn counts_that_do_not_tell_their_turn_are_refused() {
    let counts = Writing {
        header: "time_s,encoder_counts,stop",
        angle: Angle::Continuous(5000.0),
        ..PLAIN
    };
    let text = counts.text(&stop_of_b(GOOD, 0.5));
    assert!(
        refusal(&text).contains("how many make a turn"),
        "{}",
        refusal(&text)
    );
    let unit = ReadOptions {
        angle_unit: Some("5000".parse().expect("counts")),
        ..options()
    };
    let recording = read_bytes("press", text.as_bytes(), &unit).expect("a recording");
    assert_eq!(
        find_stops(&recording, &FindOptions::default()).stops.len(),
        1
    );
}

#[test]
fn a_unit_that_had_to_be_guessed_is_told() {
    let text = good().replace("time_s,crank_deg", "time,angle");
    assert_eq!(warned(&recording(&text), WarningKind::UnitGuessed), 2);
}

#[test]
fn options_out_of_range_are_refused() {
    let rate = ReadOptions {
        sample_rate_hz: Some(0.0),
        ..options()
    };
    let error = read_bytes("press", good().as_bytes(), &rate).expect_err("a refusal");
    assert!(error.to_string().contains("above 0"));
    assert!("gon".parse::<stopwright::study::AngleUnit>().is_err());
    assert!("hours".parse::<stopwright::study::TimeUnit>().is_err());
}

#[test]
fn a_slow_move_is_positioning_when_a_limit_says_so() {
    let limit = FindOptions {
        speed_min_spm: 100.0,
        ..FindOptions::default()
    };
    let found = find_stops(&recording(&good()), &limit);
    assert_eq!((found.stops.len(), found.positioning_moves.len()), (0, 1));
    assert!(
        found.positioning_moves[0]
            .reason
            .contains("slower than 100")
    );
}

#[test]
fn an_inch_that_ends_before_the_crank_is_at_speed_is_positioning() {
    // The clutch takes 80 ms to bring the crank to speed; the command comes after 50.
    let stop = press("B").stop(20.0, 50.0, HEALTHY);
    let samples: Vec<Sample> = GOOD
        .watch(&stop, 0.5, 0.6, 3)
        .samples
        .into_iter()
        .map(|(time, deg, given)| {
            let before = 0.5 - time;
            let started = 20.0 - 300.0 * 0.025;
            let starting = 20.0 - 300.0 * before + 300.0 * before * before / 0.1;
            match before {
                before if before > 0.05 => (time, started, given),
                before if before > 0.0 => (time, starting, given),
                _ => (time, deg, given),
            }
        })
        .collect();
    let found = found(&PLAIN.text(&samples));
    assert_eq!(
        (found.stops.len(), found.positioning_moves.len()),
        (0, 1),
        "{found:?}"
    );
}

#[test]
fn a_slow_return_from_mid_stroke_is_positioning() {
    let fast = press("E").stop(90.0, 70.0, HEALTHY);
    let rest = fast.command_deg + fast.travel_deg;
    let slow = press("E").stop(344.0, 35.0, HEALTHY);
    let first = GOOD.watch(&fast, 0.4, 0.8, 1).samples;
    let run_s = (344.0 - rest) / (35.0 * 6.0);
    let end = first.last().expect("a sample").0 + 1e-3;
    let second = GOOD.watch(&slow, run_s, 0.6, 2).samples;
    let second = second
        .into_iter()
        .map(|(time, deg, given)| (time + end, deg.max(rest), given));
    let both: Vec<Sample> = first.into_iter().chain(second).collect();
    let found = found(&PLAIN.text(&both));
    assert_eq!(
        (found.stops.len(), found.positioning_moves.len()),
        (1, 1),
        "{found:?}"
    );
    assert!(found.positioning_moves[0].reason.contains("slow return"));
}

#[test]
fn a_word_where_an_angle_should_stand_is_refused() {
    assert!(
        refusal(&with_line(&good(), 300, |_| "0.298,on,0".into())).contains("`on` is no number")
    );
}
