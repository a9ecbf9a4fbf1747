//! The table of what was measured on the target, in the document that states it.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;

/// What is measured, by its name in an image's report, with the number aimed at.
const ROWS: [(&str, &str, Option<u32>); 16] = [
    ("frame", "one carrier frame", Some(400)),
    (
        "tick",
        "one tick: five frames, 16 limit channels of 4 windows",
        Some(4_000),
    ),
    (
        "tick in which a stop ends",
        "the tick in which a stop ends",
        Some(4_000),
    ),
    (
        "tick with a second receiver",
        "one tick with a second receiver",
        None,
    ),
    ("tick with a peer", "one tick with a peer", None),
    (
        "tick that adopts settings or a job",
        "a tick at rest that adopts settings or a job",
        None,
    ),
    (
        "write of settings",
        "one write of settings to both copies",
        None,
    ),
    ("stack of a tick", "stack of a tick, bytes", Some(2_048)),
    (
        "stack of a tick that adopts",
        "stack of a tick that adopts, bytes",
        None,
    ),
    (
        "stack of a write of settings",
        "stack of a write of settings, bytes",
        None,
    ),
    ("vectors", "flash: interrupt vectors, bytes", None),
    ("code", "flash: code, bytes", None),
    (
        "constants",
        "flash: constants and a stored block, bytes",
        None,
    ),
    ("flash", "flash in all, bytes", Some(49_152)),
    ("static RAM", "static RAM, bytes", Some(8_192)),
    (
        "flash of the store",
        "flash that the settings store adds, bytes",
        None,
    ),
];

const BEGIN: &str = "<!-- measured: tests/on-target/run --bless -->\n";
const END: &str = "<!-- end -->";

/// Another compiler may take this much more than the table says, in percent. What takes less by as
/// much wants a new table.
const SLACK_PERCENT: u32 = 5;

/// Worst and, of instructions, mean.
type Measured = (u32, Option<u32>);
type Report = BTreeMap<String, Measured>;

/// Holds the table of `page` against the reports of the images at opt-level s and 3, or writes it.
pub(crate) fn table(page: &Path, small: &Path, fast: &Path, bless: bool) -> Result<(), String> {
    let read = |path: &Path| {
        std::fs::read_to_string(path).map_err(|trouble| format!("{}: {trouble}", path.display()))
    };
    let reports = [report(&read(small)?)?, report(&read(fast)?)?];
    let fresh = draw(&reports)?;
    print!("{fresh}");
    let text = read(page)?;
    let (head, rest) = text
        .split_once(BEGIN)
        .ok_or("the page has no place for it")?;
    let (old, tail) = rest.split_once(END).ok_or("the table has no end")?;
    if bless {
        let text = format!("{head}{BEGIN}{fresh}{END}{tail}");
        return std::fs::write(page, text).map_err(|trouble| trouble.to_string());
    }
    let off: Vec<String> = old
        .lines()
        .zip(fresh.lines())
        .filter(|(old, fresh)| !agrees(old, fresh))
        .map(|(old, fresh)| format!("  the page  {old}\n  measured  {fresh}"))
        .collect();
    match off.is_empty() && old.lines().count() == fresh.lines().count() {
        true => Ok(()),
        false => Err(format!(
            "the table is out of date; tests/on-target/run --bless writes it anew\n{}",
            off.join("\n")
        )),
    }
}

/// Lines of `name,worst` or `name,worst,mean,where`.
fn report(text: &str) -> Result<Report, String> {
    let measured = text.lines().map(|line| {
        let mut parts = line.split(',');
        let name = parts.next().unwrap_or_default().to_owned();
        let mut number = || parts.next().map(str::parse).transpose();
        let (worst, mean) = match (number(), number()) {
            (Ok(Some(worst)), Ok(mean)) => (worst, mean),
            _ => return Err(format!("a line that reports nothing: {line}")),
        };
        Ok((name, (worst, mean)))
    });
    measured.collect()
}

fn draw(reports: &[Report; 2]) -> Result<String, String> {
    let mut text = "| what | aimed at | opt-level s: worst | mean | opt-level 3: worst | mean |\n\
                    | --- | --- | --- | --- | --- | --- |\n"
        .to_owned();
    for (name, words, aim) in ROWS {
        let aim = aim.map_or(String::new(), |aim| aim.to_string());
        let _ = write!(text, "| {words} | {aim} |");
        for report in reports {
            let missing = || format!("nothing was reported of: {name}");
            let (worst, mean) = report.get(name).ok_or_else(missing)?;
            let mean = mean.map_or(String::new(), |mean| mean.to_string());
            let _ = write!(text, " {worst} | {mean} |");
        }
        text.push('\n');
    }
    Ok(text)
}

/// Whether two rows say the same but for what another compiler may make of it.
fn agrees(old: &str, fresh: &str) -> bool {
    let (old, fresh): (Vec<&str>, Vec<&str>) =
        (old.split('|').collect(), fresh.split('|').collect());
    let close = |old: &str, fresh: &str| match (old.trim().parse(), fresh.trim().parse()) {
        (Ok(old), Ok(fresh)) => {
            let (old, fresh): (u32, u32) = (old, fresh);
            old.abs_diff(fresh) * 100 <= old * SLACK_PERCENT
        }
        _ => old == fresh,
    };
    old.len() == fresh.len() && old.iter().zip(&fresh).all(|(old, fresh)| close(old, fresh))
}
