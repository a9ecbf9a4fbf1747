//! The file of settings: what is written is read, and the other way round.

use stopwright::press::Press;
use stopwright::settings_file::{schema, table, write};
use stopwright::{record, rehearse, units};
use stopwright_core::angle::AngleWindow;
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
