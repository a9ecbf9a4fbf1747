//! Whatever stands in a file, reading and searching it ends in an answer or an error.

use proptest::prelude::*;
use stopwright::study::{FindOptions, ReadOptions, find_stops, read_bytes, stop_table};

use crate::synthetic::{GOOD, HEALTHY, PLAIN, Recorder, press};

/// Reads and searches; returns what was found to be checked for sense.
fn study(bytes: &[u8], options: &ReadOptions) {
    let Ok(recording) = read_bytes("any", bytes, options) else {
        return;
    };
    assert!(recording.time_s.windows(2).all(|pair| pair[0] < pair[1]));
    assert_eq!(recording.time_s.len(), recording.crank_deg.len());
    let found = find_stops(&recording, &FindOptions::default());
    for stop in &found.stops {
        assert!(stop.time_ms.is_finite() && stop.time_ms > 0.0, "{stop:?}");
        assert!(
            stop.time_uncertainty_ms.is_finite() && stop.time_uncertainty_ms > 0.0,
            "{stop:?}"
        );
        assert!((0.0..=360.0).contains(&stop.rest_deg), "{stop:?}");
        assert!(
            stop.reaction_ms >= 0.0 && stop.braking_ms >= 0.0,
            "{stop:?}"
        );
    }
    assert_eq!(
        stop_table(&found.stops).lines().count(),
        found.stops.len() + 1
    );
    // A recording with nothing in it says so.
    assert!(!found.stops.is_empty() || !found.warnings.is_empty());
}

fn short_recording() -> String {
    let stop = press("B").stop(313.4, 85.0, HEALTHY);
    let recorder = Recorder {
        rate_hz: 250.0,
        ..GOOD
    };
    PLAIN.text(&recorder.watch(&stop, 0.3, 0.5, 5).samples)
}

/// One change to a text.
#[derive(Clone, Debug)]
enum Change {
    Byte(usize, u8),
    Cut(usize, usize),
    Double(usize, usize),
    Number(usize, String),
    Stop(usize),
}

fn change() -> impl Strategy<Value = Change> {
    let number = prop_oneof![
        any::<f64>().prop_map(|value| value.to_string()),
        (-1e4..1e4f64).prop_map(|value| format!("{value:.3}")),
        Just("NaN".to_owned()),
        Just("1e308".to_owned()),
        Just("-0".to_owned()),
        Just("\"".to_owned()),
    ];
    prop_oneof![
        (any::<usize>(), any::<u8>()).prop_map(|(at, byte)| Change::Byte(at, byte)),
        (any::<usize>(), 0..200usize).prop_map(|(at, length)| Change::Cut(at, length)),
        (any::<usize>(), 0..200usize).prop_map(|(at, length)| Change::Double(at, length)),
        (any::<usize>(), number).prop_map(|(at, number)| Change::Number(at, number)),
        any::<usize>().prop_map(Change::Stop),
    ]
}

fn changed(mut text: Vec<u8>, change: &Change) -> Vec<u8> {
    let length = text.len().max(1);
    match change {
        Change::Byte(at, byte) => {
            if let Some(place) = text.get_mut(at % length) {
                *place = *byte;
            }
        }
        Change::Cut(at, count) => {
            let from = at % length;
            text.drain(from..(from + count).min(text.len()));
        }
        Change::Double(at, count) => {
            let from = at % length;
            let part = text[from..(from + count).min(text.len())].to_vec();
            text.splice(from..from, part);
        }
        Change::Number(at, number) => {
            // From the next separator to the one after it.
            let from = at % length;
            let next = |from: usize| text[from..].iter().position(|byte| b",\n".contains(byte));
            if let Some(start) = next(from).map(|step| from + step + 1)
                && let Some(end) = next(start).map(|step| start + step)
            {
                text.splice(start..end, number.bytes());
            }
        }
        Change::Stop(at) => {
            let from = at % length;
            if let Some(step) = text[from..].windows(2).position(|pair| pair == b"1\n") {
                text[from + step] = b'0';
            }
        }
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn any_bytes_end_in_an_answer(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        study(&bytes, &ReadOptions::default());
    }

    #[test]
    fn any_numbers_under_a_header_end_in_an_answer(
        rows in prop::collection::vec((1e-9..10.0f64, any::<f64>(), 0..3u8), 12..80),
    ) {
        let mut time = 0.0;
        let mut text = String::from("time_s,crank_deg,stop_cmd\n");
        for (step, deg, stop) in rows {
            time += step;
            text += &format!("{time},{deg},{stop}\n");
        }
        study(text.as_bytes(), &ReadOptions::default());
    }

    #[test]
    fn any_motion_ends_in_an_answer(
        rows in prop::collection::vec((-40.0..40.0f64, 0..20u8), 30..200),
        step_s in 1e-5..0.05f64,
    ) {
        let mut deg = 0.0;
        let mut text = String::from("time_s,sin,cos,crank_deg,stop_cmd\n");
        for (row, (travel, stop)) in rows.into_iter().enumerate() {
            deg += travel;
            let (sine, cosine) = f64::to_radians(deg).sin_cos();
            let time = row as f64 * step_s;
            text += &format!("{time},{sine},{cosine},{deg},{}\n", u8::from(stop > 9));
        }
        study(text.as_bytes(), &ReadOptions::default());
        let pair = ReadOptions { sine: Some("2".into()), cosine: Some("3".into()), ..ReadOptions::default() };
        study(text.as_bytes(), &pair);
    }

    #[test]
    fn a_recording_changed_at_random_ends_in_an_answer(
        changes in prop::collection::vec(change(), 1..12),
    ) {
        let text = changes.iter().fold(short_recording().into_bytes(), changed_by);
        study(&text, &ReadOptions::default());
    }
}

fn changed_by(text: Vec<u8>, change: &Change) -> Vec<u8> {
    changed(text, change)
}
