//! `stopwright rehearse`.

use super::progress::Progress;
use super::{Problem, quantity, say};
use crate::distance::rule_named;
use crate::index_switch::IndexSwitch;
use crate::press::{LETTERS, Press};
use crate::record::{self, folder, text};
use crate::rehearse::{self, Options};
use crate::resolver::ResolverSetup;
use std::path::{Path, PathBuf};
use stopwright_core::safety_distance::Rule;

#[derive(clap::Args)]
pub(super) struct Arguments {
    /// Letter of an invented press, A to H, or the TOML file of your own.
    #[arg(default_value = "B")]
    press: String,
    /// Folder for the record.
    #[arg(long, default_value = "record", value_name = "DIR")]
    out: PathBuf,
    /// Write into a folder that is not empty, taking the place of an earlier record there.
    #[arg(long)]
    replace: bool,
    /// Stops in each cell of the stop matrix.
    #[arg(long, default_value_t = 25, value_name = "N", value_parser = clap::value_parser!(u32).range(10..=1000))]
    stops: u32,
    /// Every random draw follows from it; equal seeds give equal records.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Installed distance of the presence sensing, with its unit.
    #[arg(long, value_name = "LENGTH", value_parser = quantity::length_mm)]
    distance: Option<f64>,
    /// Imperfections of the resolver and its converter, such as gain=2%,offset=2%,quadrature=1deg.
    #[arg(long, value_name = "LIST", default_value = "", value_parser = resolver_list)]
    resolver: String,
    /// Fit an index switch on the crank, to contradict the resolver.
    #[arg(long)]
    index_switch: bool,
    /// Fit a second resolver; imperfections as with --resolver, such as zero=200deg, or the word
    /// plain.
    #[arg(long, value_name = "LIST", value_parser = second_list)]
    second_resolver: Option<String>,
    /// Rule the presence sensing must satisfy, by name; may be given more than once.
    #[arg(long = "rule", value_name = "NAME", value_parser = rule_named)]
    rules: Vec<Rule>,
    /// Show cautions and the summary only.
    #[arg(long)]
    quiet: bool,
    /// Print the record as JSON instead of the summary.
    #[arg(long)]
    json: bool,
}

pub(super) fn run(arguments: &Arguments) -> Result<u8, Problem> {
    let if_not_empty = match arguments.replace {
        true => folder::IfNotEmpty::Replace,
        false => folder::IfNotEmpty::Refuse,
    };
    folder::check(&arguments.out, if_not_empty)?;
    let options = options(arguments)?;
    let mut progress = Progress::new(arguments.quiet);
    let done = rehearse::rehearse(&options, &mut progress);
    progress.finish();
    let done = done?;
    let contents = folder::Contents {
        record: &done.record,
        settings: done.settings.as_deref(),
        traces: &done.traces,
    };
    let written = folder::write(&arguments.out, &contents, if_not_empty)?;
    if arguments.json {
        say(&record::json::write(&done.record)?)?;
    } else {
        say(&text::summary(
            &done.record,
            Some(&written.page.display().to_string()),
        ))?;
    }
    Ok(done.record.verdict.exit_status)
}

fn options(arguments: &Arguments) -> Result<Options, Problem> {
    let (mut press, press_file) = press_named(&arguments.press)?;
    let mut given = Vec::new();
    let mut note = |name: &str, value: String| {
        given.push(record::NamedText {
            name: name.to_owned(),
            value,
        });
    };
    note("stops", arguments.stops.to_string());
    if let Some(mm) = arguments.distance {
        press.guarding.installed_distance_mm = mm;
        note("distance", format!("{mm} mm"));
    }
    let mut resolver = ResolverSetup::of_press(&press);
    if !arguments.resolver.is_empty() {
        resolver.apply(&arguments.resolver)?;
        note("resolver", arguments.resolver.clone());
    }
    let mut second_resolver = None;
    if let Some(list) = &arguments.second_resolver {
        let mut second = ResolverSetup::of_press(&press);
        second.apply(imperfections(list))?;
        note("second resolver", list.clone());
        second_resolver = Some(second);
    }
    let index_switch = arguments.index_switch.then(IndexSwitch::default);
    if index_switch.is_some() {
        note("index switch", "fitted".to_owned());
    }
    let mut rules = arguments.rules.clone();
    if rules.is_empty() {
        rules.extend(super::RULES);
    } else {
        let names: Vec<&str> = rules.iter().map(|rule| rule.text().name).collect();
        note("rule", names.join(", "));
    }
    Ok(Options {
        press,
        press_file,
        seed: arguments.seed,
        stops: arguments.stops,
        resolver,
        second_resolver,
        index_switch,
        rules,
        given,
    })
}

/// A list of imperfections that can be applied.
fn resolver_list(text: &str) -> Result<String, String> {
    if !text.is_empty() {
        let mut setup = ResolverSetup::default();
        setup.apply(text).map_err(|error| error.to_string())?;
    }
    Ok(text.to_owned())
}

/// The same for the second resolver, where `plain` is none.
fn second_list(text: &str) -> Result<String, String> {
    resolver_list(imperfections(text)).map(|_| text.to_owned())
}

fn imperfections(text: &str) -> &str {
    match text {
        "plain" => "",
        list => list,
    }
}

/// A built-in press by its letter, or a press file.
fn press_named(name: &str) -> Result<(Press, String), Problem> {
    if let Some(press) = Press::builtin(name) {
        return Ok((press, name.to_ascii_uppercase()));
    }
    let path = Path::new(name);
    if !path.exists() {
        let letters = LETTERS.join(", ");
        return Err(format!("{name:?} is neither a press ({letters}) nor a file").into());
    }
    let text = std::fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
    let press = Press::from_toml(name, &text)?;
    let file = path
        .file_name()
        .map_or(name.to_owned(), |file| file.to_string_lossy().into_owned());
    Ok((press, file))
}
