//! The study of all recordings together, as a program and a person get it.

use stopwright::study::{FindOptions, ReadOptions, stop_table, study};

use crate::truth::{folder, names, truth};

fn all() -> stopwright::study::Study {
    let files: Vec<_> = names()
        .iter()
        .map(|name| folder().join(format!("{name}.csv")))
        .collect();
    study(&files, &ReadOptions::default(), &FindOptions::default()).expect("a study")
}

#[test]
fn several_files_give_one_study() {
    let study = all();
    let stops = truth().iter().filter(|row| row.is_stop).count();
    assert_eq!(
        study
            .recordings
            .iter()
            .map(|r| r.name.clone())
            .collect::<Vec<_>>(),
        names()
    );
    assert_eq!(study.stops.len(), stops);
    assert_eq!(study.positioning_moves.len(), truth().len() - stops);
    assert_eq!(
        study
            .recordings
            .iter()
            .map(|recording| recording.stops)
            .sum::<usize>(),
        stops
    );
    let layout = &study.recordings[0].layout;
    assert_eq!(
        (layout.angle.as_str(), layout.angle_unit.as_str()),
        ("crank_deg", "deg")
    );
    assert_eq!((layout.angle_falls, layout.stop_active_low), (false, false));
    assert!((study.recordings[0].sample_period_ms - 1.0).abs() < 1e-6);
    assert!((study.recordings[0].noise_deg - 0.03).abs() < 0.004);
}

#[test]
fn the_table_has_a_line_a_stop_and_units_above() {
    let study = all();
    let table = stop_table(&study.stops);
    let lines: Vec<&str> = table.lines().collect();
    assert_eq!(lines.len(), study.stops.len() + 1);
    for heading in [
        "command s",
        "command deg",
        "speed SPM",
        "time ms",
        "+- ms",
        "travel deg",
    ] {
        assert!(lines[0].contains(heading), "{}", lines[0]);
    }
    // Numbers end where their heading ends.
    let end = lines[0].find("time ms").expect("a heading") + "time ms".len();
    for (line, stop) in lines[1..].iter().zip(&study.stops) {
        assert!(
            line[..end].ends_with(&format!("{:.1}", stop.time_ms)),
            "{line}"
        );
    }
    assert!(stop_table(&[]).starts_with("recording"));
}

#[test]
fn a_study_is_written_as_json_with_its_units_in_the_keys() {
    let json = serde_json::to_value(all()).expect("json");
    let stop = &json["stops"][0];
    for key in [
        "time_ms",
        "time_uncertainty_ms",
        "travel_deg",
        "rest_deg",
        "speed_spm",
    ] {
        assert!(stop[key].is_number(), "{key}: {}", stop[key]);
    }
    assert_eq!(stop["kind"], "top_stop");
    let signature = stop["signature"].as_array().expect("points");
    assert!((100..=310).contains(&signature.len()));
    assert!(signature.iter().all(|point| point["speed_spm"].is_number()));
}

#[test]
fn a_signature_runs_from_speed_to_rest() {
    for stop in all().stops {
        let (first, last) = (&stop.signature[0], stop.signature.last().expect("points"));
        assert!(
            first.t_ms < -25.0 && last.t_ms > stop.time_ms + 50.0,
            "{stop:?}"
        );
        assert!(
            (first.speed_spm - stop.speed_spm).abs() < 0.1 * stop.speed_spm,
            "{stop:?}"
        );
        assert!(last.speed_spm.abs() < 0.05 * stop.speed_spm, "{stop:?}");
        assert!((last.travel_deg - stop.travel_deg).abs() < 0.2, "{stop:?}");
    }
}
