//! `docs/SCENARIOS.md` and `docs/PROTOCOL.md`: their tables and lists are those of the code. With
//! `STOPWRIGHT_BLESS=1` the former are written anew.

use crate::root;
use std::fmt::Write;
use stopwright::scenario::disturb::KINDS;
use stopwright::scenario::file::words;
use stopwright::scenario::oracle::RULES;
use stopwright::scenario::trace::SIGNALS;

/// The text between two marks, replaced.
fn replaced(text: &str, mark: &str, inside: &str) -> String {
    let (begin, end) = (
        format!("<!-- {mark}: begin -->"),
        format!("<!-- {mark}: end -->"),
    );
    let from = text.find(&begin).unwrap_or_else(|| panic!("no {begin}")) + begin.len();
    let to = text.find(&end).unwrap_or_else(|| panic!("no {end}"));
    format!("{}\n{inside}{}", &text[..from], &text[to..])
}

fn kinds() -> String {
    let mut table =
        "| word | what | size | besides | family |\n| --- | --- | --- | --- | --- |\n".to_owned();
    for kind in KINDS {
        let size = kind.size.map_or("–".to_owned(), |size| {
            format!("`{}` {} to {}", size.key, size.least, size.most)
        });
        let which = match kind.one_of {
            0 => None,
            2 => Some("`which` 1 or 2".to_owned()),
            most => Some(format!("`which` 1 to {most}")),
        };
        let winding = kind.has_winding.then(|| "`winding`".to_owned());
        let resolver = kind.is_of_a_resolver().then(|| "`resolver`".to_owned());
        let besides: Vec<String> = [which, winding, resolver].into_iter().flatten().collect();
        let besides = match besides.is_empty() {
            true => "–".to_owned(),
            false => besides.join(", "),
        };
        let row = writeln!(
            table,
            "| `{}` | {} | {size} | {besides} | {} |",
            kind.word, kind.what, kind.family
        );
        row.expect("text");
    }
    table
}

fn rules() -> String {
    let mut table = "| rule | what it says |\n| --- | --- |\n".to_owned();
    for rule in RULES {
        writeln!(table, "| `{}` | {} |", rule.word(), rule.says()).expect("text");
    }
    table
}

fn signals() -> String {
    let mut table = "| signal | what it is |\n| --- | --- |\n".to_owned();
    for signal in SIGNALS {
        writeln!(table, "| `{}` | {} |", signal.name, signal.what).expect("text");
    }
    table
}

/// Instructions of each layer, as `tests/benches/speed_instructions.sh` counted them: its rows have
/// a layer and all before it.
fn instructions() -> String {
    const LAYERS: [(&str, &str); 4] = [
        (
            "plant",
            "the press: the step of the integration, twice its equations",
        ),
        (
            "resolver",
            "windings, noise and converter: sixteen samples a frame",
        ),
        (
            "controller",
            "the receiver on each frame, one tick, and the bench around it",
        ),
        ("whole", "judge, measured quantities, digest"),
    ];
    let counted = include_str!("../benches/speed_instructions.csv").lines();
    let counted: Vec<(&str, f64)> = counted
        .skip(1)
        .map(|row| {
            let (layer, count) = row.split_once(',').expect("two cells");
            (layer, count.parse().expect("a count"))
        })
        .collect();
    assert!(counted.iter().map(|row| row.0).eq(LAYERS.map(|row| row.0)));
    let whole = counted[LAYERS.len() - 1].1;
    let mut table = "| layer | instructions | share |\n| --- | --- | --- |\n".to_owned();
    let mut before = 0.0;
    for ((_, count), (_, what)) in counted.iter().zip(LAYERS) {
        let adds = count - before;
        let share = 100.0 * adds / whole;
        writeln!(table, "| {what} | {adds:.0} | {share:.0} % |").expect("text");
        before = *count;
    }
    table
}

#[test]
fn the_page_of_scenarios_has_the_words_of_the_code() {
    let path = root().join("docs/SCENARIOS.md");
    let text = std::fs::read_to_string(&path).expect("the page");
    let mut wanted = text.clone();
    for (name, list) in words() {
        let list: Vec<String> = list.iter().map(|word| format!("`{word}`")).collect();
        wanted = replaced(
            &wanted,
            &format!("words {name}"),
            &format!("{}\n", list.join(", ")),
        );
    }
    wanted = replaced(&wanted, "table of kinds", &kinds());
    wanted = replaced(&wanted, "table of rules", &rules());
    wanted = replaced(&wanted, "table of signals", &signals());
    wanted = replaced(&wanted, "table of instructions", &instructions());
    if std::env::var_os("STOPWRIGHT_BLESS").is_some() {
        std::fs::write(&path, &wanted).expect("written");
    } else {
        assert_eq!(text, wanted, "STOPWRIGHT_BLESS=1 writes it anew");
    }
}

/// Fields of a structure in the code, in order.
fn fields(name: &str) -> Vec<String> {
    let source = std::fs::read_to_string(root().join("sim-host/src/scenario/protocol.rs"));
    let source = source.expect("the source");
    let start = source
        .find(&format!("pub struct {name} {{"))
        .expect("a structure");
    let body = source[start..].split("\n}").next().expect("its end");
    let names = body
        .lines()
        .filter_map(|line| line.strip_prefix("    pub "));
    names
        .map(|line| line.split(':').next().expect("a name").to_owned())
        .collect()
}

#[test]
fn the_page_of_the_protocol_has_the_fields_of_the_messages_in_their_order() {
    let text = std::fs::read_to_string(root().join("docs/PROTOCOL.md")).expect("the page");
    for (name, mark) in [("Wired", "wired"), ("Said", "said")] {
        let begin = format!("<!-- fields of {mark}: begin -->");
        let part = text.split(&begin).nth(1).expect("a table");
        let part = part.split("<!--").next().expect("its end");
        let rows = part.lines().filter(|line| line.starts_with("| `"));
        let first = rows.filter_map(|line| line.split('|').nth(1));
        let told: Vec<&str> = first
            .flat_map(|cell| cell.split('`').skip(1).step_by(2))
            .collect();
        assert_eq!(told, fields(name), "{name}");
    }
}
