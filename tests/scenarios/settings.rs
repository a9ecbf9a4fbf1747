//! The file of settings: what is written is read, and the other way round.

use stopwright::press::Press;
use stopwright::settings_file::{schema, table, write};
use stopwright::{record, rehearse, units};
use stopwright_core::angle::{AngleWindow, CrankAngle};
use stopwright_core::receiver::index_switch::IndexSettings;
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::settings::Schema;

const LETTERS: [&str; 7] = ["A", "B", "C", "D", "E", "G", "H"];

fn base(letter: &str) -> Schema {
    rehearse::data_plate(&Press::builtin(letter).expect("a built-in press"))
}

fn read(letter: &str, text: &str) -> Schema {
    schema(base(letter), table(letter, text).expect("sound")).expect("known rules")
}

fn text_of(letter: &str) -> String {
    let file = format!("sim-host/settings/{}.toml", letter.to_lowercase());
    std::fs::read_to_string(crate::root().join(file)).expect("a file")
}

/// Compared as text: two values that both come from the wrong key would read alike twice.
#[test]
fn what_is_read_is_written_again() {
    for letter in LETTERS {
        let text = text_of(letter);
        let written = write(&read(letter, &text), record::NOTICE);
        let parsed = |text: &str| text.parse::<toml::Table>().expect("TOML");
        assert_eq!(parsed(&written), parsed(&text), "press {letter}");
    }
}

#[test]
fn references_are_read_and_written_too() {
    let mut settings = read("B", &text_of("B"));
    settings.second = Some(SecondSettings {
        difference_millidegrees: 900,
        receiver: settings.receiver,
    });
    settings.index = Some(IndexSettings {
        closed: AngleWindow {
            from: units::angle(85.0),
            to: units::angle(95.0),
        },
        tolerance_millidegrees: 3_000,
        contradiction_millidegrees: 8_000,
        wander_millidegrees: 1_000,
        response_us: 500,
    });
    let again = read("B", &write(&settings, record::NOTICE));
    assert_eq!(again.second, settings.second);
    let closed = |it: &Schema| {
        let index = it.index.expect("fitted");
        let deg = |angle| (units::angle_deg(angle) * 1e3).round();
        (
            deg(index.closed.from),
            deg(index.closed.to),
            index.response_us,
        )
    };
    assert_eq!(closed(&again), closed(&settings));
}

/// A stop that takes its latch limit, commanded at the late bound, rests before the overrun limit.
#[test]
fn no_release_however_late_carries_a_stop_at_its_latch_limit_past_the_overrun_limit() {
    for letter in LETTERS {
        let settings = read(letter, &text_of(letter));
        let (top, stop) = (&settings.top_stop, &settings.stop);
        let output = top.curve.travel_at(top.speed);
        let output = output.saturating_sub(stop.curve.travel_at(top.speed));
        let latch = stop.top.at_speed(stop.curve, top.speed).travel_latch;
        let to_top = CrankAngle::TOP_DEAD_CENTRE.travel_since(top.release);
        let rests_deg = units::travel_deg(top.late_bound)
            + units::travel_deg(output)
            + units::travel_deg(latch)
            - units::travel_deg(to_top);
        let overrun_deg = units::travel_deg(settings.angles.overrun_limit);
        // The latch limit is rounded to a tenth of a degree.
        assert!(
            rests_deg <= overrun_deg + 0.1,
            "press {letter}: {rests_deg}"
        );
    }
}
