//! The given recordings as other recorders would have written them: other rates, resolutions,
//! separators, names, units and conventions, and with what goes wrong in a workshop.

use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use stopwright::study::{
    FindOptions, Found, ReadOptions, WarningKind, find_stops, read, read_bytes,
};

use crate::synthetic::{Angle, PLAIN, Sample, Writing};
use crate::truth::{folder, names, stops_of, truth};

/// Samples of a given recording, the angle continuous.
fn samples(name: &str) -> Vec<Sample> {
    let mut reader = csv::Reader::from_path(folder().join(format!("{name}.csv"))).expect("a file");
    let rows = reader.records().map(|row| row.expect("a row"));
    let mut turns = 0.0;
    let mut before = 0.0;
    rows.map(|row| {
        let number = |column: usize| row[column].parse::<f64>().expect("a number");
        let deg = number(1);
        if (deg - before).abs() > 180.0 {
            turns += (before - deg).signum() * 360.0;
        }
        before = deg;
        (number(0), deg + turns, &row[2] == "1")
    })
    .collect()
}

fn study(name: &str, text: &[u8], options: &ReadOptions) -> Found {
    let recording = read_bytes(name, text, options).unwrap_or_else(|error| panic!("{error}"));
    let mut found = find_stops(&recording, &FindOptions::default());
    found.warnings.splice(0..0, recording.warnings);
    found
}

/// All stops and all positioning moves, nothing else; each within `worst_ms` of the truth, and at
/// most one in ten outside its own uncertainty.
fn agrees(name: &str, found: &Found, offset_s: f64, worst_ms: f64) {
    agrees_to(name, found, offset_s, (worst_ms, 0.15));
}

/// The same, with how far a rest angle may be off.
fn agrees_to(name: &str, found: &Found, offset_s: f64, (worst_ms, worst_deg): (f64, f64)) {
    let rows = stops_of(name);
    let moves = truth()
        .into_iter()
        .filter(|row| row.recording == name && !row.is_stop)
        .count();
    assert_eq!(
        found.stops.len(),
        rows.len(),
        "{name}: {:?}",
        found.warnings
    );
    assert_eq!(
        found.positioning_moves.len(),
        moves,
        "{name}: {:?}",
        found.positioning_moves
    );
    let mut outside = 0;
    for (stop, row) in found.stops.iter().zip(&rows) {
        let error = stop.time_ms - row.time_ms;
        let late_s = stop.command_time_s - offset_s - row.command_time_s;
        let apart = (stop.rest_deg - row.rest_deg + 180.0).rem_euclid(360.0) - 180.0;
        assert!(late_s.abs() < 0.02, "{name} {stop:?}");
        assert!(
            error.abs() < worst_ms,
            "{name}: off by {error:.3} ms; {stop:?}"
        );
        assert!(
            apart.abs() < worst_deg,
            "{name}: rests {apart:.3} degrees off"
        );
        outside += usize::from(error.abs() > stop.time_uncertainty_ms);
    }
    assert!(
        10 * outside <= rows.len() + 9,
        "{name}: {outside} of {} outside",
        rows.len()
    );
}

fn every_recording(worst_ms: f64, change: impl Fn(Vec<Sample>) -> Vec<Sample>) {
    every_recording_to((worst_ms, 0.15), change);
}

fn every_recording_to(worst: (f64, f64), change: impl Fn(Vec<Sample>) -> Vec<Sample>) {
    for name in names() {
        let text = PLAIN.text(&change(samples(&name)));
        let found = study(&name, text.as_bytes(), &ReadOptions::default());
        agrees_to(&name, &found, 0.0, worst);
    }
}

/// Two recordings are enough for each way of writing: one with top stops, and the one with
/// mid-stroke stops and positioning moves.
fn written(writing: &Writing, prepare: impl Fn(String) -> Vec<u8>) {
    for name in [
        "stops-variable-speed-70-spm",
        "stops-straight-side-90-degrees",
    ] {
        let bytes = prepare(writing.text(&samples(name)));
        let found = study(name, &bytes, &ReadOptions::default());
        agrees(name, &found, writing.time_offset_s, 0.9);
    }
}

fn every(samples: Vec<Sample>, stride: usize, first: usize) -> Vec<Sample> {
    samples.into_iter().skip(first).step_by(stride).collect()
}

#[test]
fn slower_sampling_costs_no_more_than_its_own_period() {
    for (stride, first) in [(2, 1), (4, 0), (5, 3), (10, 7)] {
        let worst_ms = 0.6 * stride as f64 + 0.9;
        every_recording(worst_ms, |samples| every(samples, stride, first));
    }
}

#[test]
fn coarser_codes_cost_little() {
    for (step, worst_ms) in [(360.0 / 4096.0, 1.3), (0.1, 1.5), (0.25, 3.0), (0.5, 6.0)] {
        let coded = |(time, deg, stop): Sample| (time, (deg / step).round() * step, stop);
        // Noise does not move the coarse ones: a rest is known to half a step.
        let worst = (worst_ms, 0.05 + step / 2.0);
        every_recording_to(worst, |samples| samples.into_iter().map(coded).collect());
    }
}

#[test]
fn coarse_codes_at_a_low_rate_are_still_honest() {
    let step = 360.0 / 4096.0;
    let coded = |(time, deg, stop): Sample| (time, (deg / step).floor() * step, stop);
    every_recording(6.5, |samples| {
        every(samples, 10, 3).into_iter().map(coded).collect()
    });
}

#[test]
fn missing_samples_and_an_uneven_clock_do_no_harm() {
    every_recording(2.0, |samples| {
        let mut random = Pcg64::seed_from_u64(7);
        samples
            .into_iter()
            .filter(|_| random.random::<f64>() > 0.15)
            .collect()
    });
}

#[test]
fn spikes_are_left_out_and_counted() {
    for name in names() {
        let mut random = Pcg64::seed_from_u64(11);
        let spoilt = samples(&name).into_iter().map(|(time, deg, stop)| {
            let spike = random.random::<f64>() < 0.004;
            let size = 400.0 * (random.random::<f64>() - 0.5);
            (time, if spike { deg + size } else { deg }, stop)
        });
        let text = PLAIN.text(&spoilt.collect::<Vec<_>>());
        let found = study(&name, text.as_bytes(), &ReadOptions::default());
        agrees(&name, &found, 0.0, 1.2);
        let spikes = found
            .warnings
            .iter()
            .find(|warning| warning.kind == WarningKind::Spikes);
        assert!(
            spikes.is_some_and(|warning| warning.count > 20),
            "{:?}",
            found.warnings
        );
    }
}

#[test]
fn every_way_of_writing_a_recording_is_read_alike() {
    let german = Writing {
        header: "Zeit [s];Kurbelwinkel [°];Stopp",
        separator: ';',
        decimal: ',',
        ..PLAIN
    };
    let writings = [
        german,
        Writing {
            header: "t_ms\tangle_deg\tstop",
            separator: '\t',
            time_scale: 1e3,
            ..PLAIN
        },
        Writing {
            header: "Time (us),Crank angle (rad),valve",
            time_scale: 1e6,
            angle: Angle::Wrapped(std::f64::consts::TAU),
            active_low: true,
            ..PLAIN
        },
        Writing {
            header: "time_s,theta_deg,stop",
            angle: Angle::Signed(360.0),
            ..PLAIN
        },
        Writing {
            header: "time_s,crank_deg,stop_cmd",
            angle: Angle::Continuous(360.0),
            ..PLAIN
        },
        Writing {
            header: "time_s,position_turns,stop_cmd",
            angle: Angle::Continuous(1.0),
            ..PLAIN
        },
        Writing {
            header: "time_s,encoder_counts,coil",
            angle: Angle::Wrapped(65_536.0),
            active_low: true,
            ..PLAIN
        },
        Writing {
            header: "time_s;crank_deg;stop_cmd",
            separator: ';',
            angle: Angle::Falling(360.0),
            ..PLAIN
        },
        Writing {
            header: "time,angle,stop",
            time_scale: 1e3,
            ..PLAIN
        },
        Writing {
            header: "t,angle,run",
            angle: Angle::Wrapped(1.0),
            active_low: true,
            ..PLAIN
        },
        Writing {
            header: "time_s,crank_angle_0.1deg,stop",
            angle: Angle::Wrapped(3600.0),
            ..PLAIN
        },
        Writing {
            header: "elapsed_ms,phi_deg,Halt",
            time_scale: 1e3,
            ..PLAIN
        },
        Writing {
            time_offset_s: 86_400.0,
            ..PLAIN
        },
        Writing {
            time_offset_s: -12.5,
            ..PLAIN
        },
        Writing {
            header: "time_s,sin,cos,stop",
            angle: Angle::Pair,
            ..PLAIN
        },
    ];
    for writing in writings {
        written(&writing, String::into_bytes);
    }
    written(&german, |text| [b"\xEF\xBB\xBF", text.as_bytes()].concat());
    written(&german, |text| {
        text.chars().map(|sign| sign as u32 as u8).collect()
    });
    written(&german, |text| {
        format!("\u{feff}{text}")
            .encode_utf16()
            .flat_map(u16::to_le_bytes)
            .collect()
    });
    written(&PLAIN, |text| format!("# {text}").into_bytes());
    written(&PLAIN, |text| text.replace('\n', "\r\n").into_bytes());
    written(&PLAIN, |text| {
        format!("# press, invented\n\n# 1 kHz\n{text}").into_bytes()
    });
    written(&PLAIN, |text| text.replace(',', "   ").into_bytes());
    written(&PLAIN, |text| {
        text.replace("time_s,crank_deg,stop_cmd\n", "time,angle,stop\ns,deg,-\n")
            .into_bytes()
    });
}

#[test]
fn a_polarity_against_the_name_of_its_column_is_found_and_told() {
    let name = &names()[0];
    let text = Writing {
        active_low: true,
        ..PLAIN
    }
    .text(&samples(name));
    let found = study(name, text.as_bytes(), &ReadOptions::default());
    agrees(name, &found, 0.0, 0.8);
    let told = |found: &Found| {
        found
            .warnings
            .iter()
            .any(|w| w.kind == WarningKind::PolarityContradictsName)
    };
    assert!(told(&found));
    let known = ReadOptions {
        stop_active_low: Some(true),
        ..ReadOptions::default()
    };
    assert!(!told(&study(name, text.as_bytes(), &known)));
}

#[test]
fn a_signal_lost_for_some_milliseconds_during_a_stop_is_bridged() {
    for name in names() {
        let mut lost = samples(&name);
        let edges: Vec<usize> = (1..lost.len())
            .filter(|&at| lost[at].2 && !lost[at - 1].2)
            .collect();
        for at in edges {
            lost[at + 20..at + 32]
                .iter_mut()
                .for_each(|sample| sample.1 = 0.0);
        }
        let found = study(&name, PLAIN.text(&lost).as_bytes(), &ReadOptions::default());
        agrees(&name, &found, 0.0, 1.2);
    }
}

#[test]
fn other_columns_and_text_levels_are_read_past() {
    for name in names() {
        let mut text = String::from("n,time_s,speed_spm,crank_deg,slide_mm,stop_cmd,remark\n");
        for (n, (time, deg, stop)) in samples(&name).into_iter().enumerate() {
            let stop = if stop { "TRUE" } else { "FALSE" };
            text += &format!(
                "{n},{time:.4},85,{:.3},1.25,{stop},ok\n",
                deg.rem_euclid(360.0)
            );
        }
        agrees(
            &name,
            &study(&name, text.as_bytes(), &ReadOptions::default()),
            0.0,
            0.8,
        );
    }
}

#[test]
fn columns_can_be_mapped_by_name_and_by_number() {
    let options = ReadOptions {
        time: Some("a".into()),
        angle: Some("2".into()),
        stop: Some("C".into()),
        ..ReadOptions::default()
    };
    let name = &names()[0];
    let text = Writing {
        header: "a,b,c",
        ..PLAIN
    }
    .text(&samples(name));
    agrees(name, &study(name, text.as_bytes(), &options), 0.0, 0.8);
    let numbered = ReadOptions {
        time: Some("1".into()),
        stop: Some("3".into()),
        ..options
    };
    let bare = text.split_once('\n').expect("a header").1;
    agrees(name, &study(name, bare.as_bytes(), &numbered), 0.0, 0.8);
}

#[test]
fn a_bounced_command_counts_from_its_first_edge() {
    for name in names() {
        let mut bounced = samples(&name);
        let edges: Vec<usize> = (1..bounced.len())
            .filter(|&at| bounced[at].2 && !bounced[at - 1].2)
            .collect();
        for at in edges {
            for off in [1, 2, 5] {
                bounced[at + off].2 = false;
            }
        }
        let found = study(
            &name,
            PLAIN.text(&bounced).as_bytes(),
            &ReadOptions::default(),
        );
        agrees(&name, &found, 0.0, 0.8);
        let warning = found
            .warnings
            .iter()
            .find(|w| w.kind == WarningKind::CommandBounced);
        assert!(
            warning.is_some_and(|w| w.count >= found.stops.len()),
            "{:?}",
            found.warnings
        );
    }
}

#[test]
fn a_recording_cut_in_the_last_stop_loses_that_stop_and_says_so() {
    for name in names() {
        let rows = stops_of(&name);
        let last = rows.last().expect("a stop");
        let end = last.command_time_s + 0.9 * last.time_ms * 1e-3;
        let cut: Vec<Sample> = samples(&name)
            .into_iter()
            .filter(|sample| sample.0 < end)
            .collect();
        let found = study(&name, PLAIN.text(&cut).as_bytes(), &ReadOptions::default());
        assert_eq!(found.stops.len(), rows.len() - 1);
        let warning = found
            .warnings
            .iter()
            .find(|w| w.kind == WarningKind::EndsTooSoon);
        assert!(warning.is_some_and(|w| (w.time_s.unwrap() - last.command_time_s).abs() < 2e-3));
    }
}

#[test]
fn a_given_recording_reads_the_same_from_its_file_and_from_its_bytes() {
    let file = folder().join(format!("{}.csv", names()[0]));
    let bytes = std::fs::read(&file).expect("a file");
    let from_bytes = read_bytes(&names()[0], &bytes, &ReadOptions::default());
    assert_eq!(read(&file, &ReadOptions::default()), from_bytes);
}
