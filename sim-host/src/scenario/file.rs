//! The scenario file: keys, ranges, and the rules between them. Whatever is wrong is told at once,
//! each thing with file, line and column.

use super::act::{ACTS, Act, MODES, STANDINGS, Step, mode_named, standing_named};
use super::disturb::{Detail, Disturbance, KINDS, Kind as Broken, Winding};
use super::expect::{self, Expectations};
use super::limit_channels::{self, Bank};
use super::when::{HAPPENINGS, When};
use super::{commissioned, measure, oracle, references};
use crate::index_switch::IndexSwitch;
use crate::plant::{Setup, Start};
use crate::press::{LETTERS, Press};
use crate::resolver::ResolverSetup;
use crate::settings_file;
use crate::toml_check::{self, Key, Kind, Places, Problem, Problems};
use serde::Deserialize;
use std::path::Path;
use stopwright_core::fault_latch::Standing;
use stopwright_core::limit_channels::CHANNELS;
use stopwright_core::settings::Settings;
use stopwright_core::stroke::Mode;

/// How long a step waits for its moment unless the file says otherwise, s.
const WITHIN_S: f64 = 10.0;
/// How long a run goes on after its last step, s.
const REST_S: f64 = 1.0;

/// A scenario, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Scenario {
    /// The file, as it was named.
    pub file: String,
    /// What it is about, in one line.
    pub title: String,
    /// What it teaches.
    pub lesson: String,
    /// Its place in the course, from 1.
    pub course: Option<u32>,
    /// What a student is asked before the run.
    pub question: Option<String>,
    /// What the run shows; a test holds it.
    pub answer: Option<String>,
    /// The press.
    pub press: Press,
    /// How it is set up.
    pub setup: Setup,
    /// The resolver.
    pub resolver: ResolverSetup,
    /// The second resolver, where one is fitted.
    pub second_resolver: Option<ResolverSetup>,
    /// The index switch, where one is fitted.
    pub index_switch: Option<IndexSwitch>,
    /// Settings in force at power-up.
    pub settings: Settings,
    /// Limit channels and their loads, where there are some.
    pub limit_channels: Option<Bank>,
    /// Every random draw follows from it, unless the command line names another.
    pub seed: u64,
    /// What the operator does.
    pub steps: Vec<Step>,
    /// What breaks.
    pub disturbances: Vec<Disturbance>,
    /// How long the run goes on after the last step, ms.
    pub rest_ms: u32,
    /// What must hold.
    pub expect: Expectations,
}

const TIME_S: Kind = Kind::Number(0.0, 86_400.0);
const TURN_DEG: Kind = Kind::Number(0.0, 360.0);

const WHEN: Kind = Kind::Table(&[
    Key::optional("time_s", TIME_S),
    Key::optional("stroke", Kind::Integer(1, 1_000_000)),
    Key::optional("event", Kind::OneOf(HAPPENINGS)),
    Key::optional("angle_deg", TURN_DEG),
    Key::optional("chance", Kind::Number(0.0, 1.0)),
    Key::optional("after_ms", Kind::Number(0.0, 3_600_000.0)),
]);

const KEYS: &[Key] = &[
    Key::required("title", Kind::Text(100)),
    Key::required("lesson", Kind::Text(1_200)),
    Key::optional("course", Kind::Integer(1, 99)),
    Key::optional("question", Kind::Text(600)),
    Key::optional("answer", Kind::Text(1_200)),
    Key::required("press", Kind::Text(200)),
    Key::optional("settings_file", Kind::Text(200)),
    Key::optional("seed", Kind::Integer(0, i64::MAX)),
    Key::optional("resolver", Kind::Text(300)),
    Key::optional("second_resolver", Kind::Text(300)),
    Key::optional("index_switch", Kind::Table(references::INDEX_KEYS)),
    Key::optional("rest_s", Kind::Number(0.0, 3_600.0)),
    Key::optional("setup", Kind::Table(SETUP_KEYS)),
    Key::optional("settings", Kind::Part(settings_file::KEYS)),
    Key::optional("limit_channels", Kind::Table(limit_channels::KEYS)),
    Key::required("step", Kind::Tables(200, STEP_KEYS)),
    Key::optional("disturb", Kind::Tables(50, DISTURB_KEYS)),
    Key::table("expect", expect::KEYS),
];

const SETUP_KEYS: &[Key] = &[
    Key::optional("start", Kind::OneOf(&["ready", "cold"])),
    Key::optional("start_deg", TURN_DEG),
    Key::optional("spm", Kind::Number(1.0, 2_000.0)),
    Key::optional("die_kg", Kind::Number(0.0, 200_000.0)),
    Key::optional("counterbalance_share", Kind::Number(0.0, 1.5)),
    Key::optional("work_share", Kind::Number(0.0, 5.0)),
    Key::optional("brake_c", Kind::Number(-40.0, 400.0)),
    Key::optional("lining_wear_mm", Kind::Number(0.0, 20.0)),
    Key::optional("cold_start_ms", Kind::Number(0.0, 500.0)),
    Key::optional("scatter", Kind::Flag),
    Key::optional("elastic_train", Kind::Flag),
];

const STEP_KEYS: &[Key] = &[
    Key::required("act", Kind::OneOf(ACTS)),
    Key::optional("when", WHEN),
    Key::optional("within_s", TIME_S),
    Key::optional("mode", Kind::OneOf(MODES)),
    Key::optional("angle_deg", Kind::Number(-360.0, 360.0)),
    Key::optional("standing", Kind::OneOf(STANDINGS)),
    Key::optional("spm", Kind::Number(1.0, 2_000.0)),
    Key::optional("count", Kind::Integer(1, 10_000)),
    Key::optional("in_vain", Kind::Flag),
];

const DISTURB_KEYS: &[Key] = &[
    Key::required("name", Kind::Text(80)),
    Key::required("what", Kind::Text(60)),
    Key::optional("percent", Kind::Number(-1e6, 1e6)),
    Key::optional("deg", Kind::Number(-1e6, 1e6)),
    Key::optional("ms", Kind::Number(-1e6, 1e6)),
    Key::optional("bar", Kind::Number(-1e6, 1e6)),
    Key::optional("codes", Kind::Number(-1e6, 1e6)),
    Key::optional("count", Kind::Number(-1e6, 1e6)),
    Key::optional("spm", Kind::Number(-1e6, 1e6)),
    Key::optional("which", Kind::Integer(1, CHANNELS as i64)),
    Key::optional("resolver", Kind::Integer(1, 2)),
    Key::optional("winding", Kind::OneOf(&["sine", "cosine", "both"])),
    Key::required("from", WHEN),
    Key::optional("until", WHEN),
    Key::optional("for_ms", Kind::Number(0.0, 3_600_000.0)),
    Key::optional("repeats", Kind::Flag),
    Key::optional("may_miss", Kind::Flag),
];

#[derive(Debug, Deserialize)]
struct File {
    title: String,
    lesson: String,
    course: Option<u32>,
    question: Option<String>,
    answer: Option<String>,
    press: String,
    settings_file: Option<String>,
    seed: Option<u64>,
    resolver: Option<String>,
    second_resolver: Option<String>,
    index_switch: Option<references::IndexEntry>,
    rest_s: Option<f64>,
    #[serde(default)]
    setup: SetupEntry,
    #[serde(default)]
    settings: toml::Table,
    limit_channels: Option<limit_channels::Entry>,
    step: Vec<StepEntry>,
    #[serde(default)]
    disturb: Vec<DisturbEntry>,
    expect: expect::Entry,
}

#[derive(Debug, Default, Deserialize)]
struct SetupEntry {
    start: Option<String>,
    start_deg: Option<f64>,
    spm: Option<f64>,
    die_kg: Option<f64>,
    counterbalance_share: Option<f64>,
    work_share: Option<f64>,
    brake_c: Option<f64>,
    lining_wear_mm: Option<f64>,
    cold_start_ms: Option<f64>,
    scatter: Option<bool>,
    elastic_train: Option<bool>,
}

#[derive(Debug, Deserialize)]
struct StepEntry {
    act: Act,
    #[serde(default)]
    when: When,
    within_s: Option<f64>,
    mode: Option<String>,
    angle_deg: Option<f64>,
    standing: Option<String>,
    spm: Option<f64>,
    count: Option<u32>,
    #[serde(default)]
    in_vain: bool,
}

#[derive(Debug, Deserialize)]
struct DisturbEntry {
    name: String,
    what: String,
    percent: Option<f64>,
    deg: Option<f64>,
    ms: Option<f64>,
    bar: Option<f64>,
    codes: Option<f64>,
    count: Option<f64>,
    spm: Option<f64>,
    which: Option<usize>,
    resolver: Option<usize>,
    winding: Option<Winding>,
    from: When,
    until: Option<When>,
    for_ms: Option<f64>,
    #[serde(default)]
    repeats: bool,
    #[serde(default)]
    may_miss: bool,
}

/// Collects what is wrong between keys.
struct Check<'a> {
    places: &'a Places,
    problems: Vec<Problem>,
}

impl Check<'_> {
    fn note(&mut self, key: &str, found: impl std::fmt::Display, allowed: impl std::fmt::Display) {
        self.problems.push(self.places.problem(key, found, allowed));
    }
}

impl Scenario {
    /// Reads a scenario file; other files it names are sought beside it.
    ///
    /// # Errors
    /// Everything wrong with it, with its places; or that it could not be read.
    pub fn load(path: &Path) -> Result<Self, Box<dyn std::error::Error>> {
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
        let folder = path.parent().unwrap_or(Path::new("."));
        Ok(Self::from_toml(&name, &text, folder)?)
    }

    /// Reads a scenario. `folder` is where other files named in it are sought.
    ///
    /// # Errors
    /// Everything wrong with it, with its places.
    pub fn from_toml(file: &str, text: &str, folder: &Path) -> Result<Self, Problems> {
        let (entry, places): (File, Places) = toml_check::read(file, text, KEYS)?;
        let mut check = Check {
            places: &places,
            problems: Vec::new(),
        };
        let press = press(&entry, folder, &mut check);
        let settings = press.as_ref().and_then(|press| {
            let settings = settings(&entry, press, folder, &mut check)?;
            fitted(&entry, press, &settings, &mut check)
        });
        let (settings, fitted) = settings.unzip();
        let steps: Vec<Step> = entry
            .step
            .iter()
            .enumerate()
            .map(|(index, step)| step.checked(index, &mut check))
            .collect();
        let disturbances: Vec<Disturbance> = entry
            .disturb
            .iter()
            .enumerate()
            .filter_map(|(index, it)| it.checked(index, &mut check))
            .collect();
        let resolver = press
            .as_ref()
            .map(|press| resolver(&entry, press, &mut check));
        let bank = settings
            .as_ref()
            .and_then(|settings| bank(&entry, settings, &mut check));
        check_names(&entry, &mut check);
        check_fitted(&disturbances, fitted.as_ref(), bank.as_ref(), &mut check);
        let expect = entry.expect.checked(&|key, found, allowed| {
            places.problem(&format!("expect.{key}"), found, allowed)
        });
        let expect = expect.map_err(|problems| check.problems.extend(problems));
        let mut problems = check.problems;
        problems.sort_by_key(|problem| (problem.line, problem.column));
        let (Some(press), Some(settings), Some(fitted), Some(resolver), Ok(expect), true) = (
            press,
            settings,
            fitted,
            resolver,
            expect,
            problems.is_empty(),
        ) else {
            return Err(Problems(problems));
        };
        Ok(Self {
            file: file.to_owned(),
            setup: entry.setup.over(&press),
            title: entry.title,
            lesson: entry.lesson,
            course: entry.course,
            question: entry.question,
            answer: entry.answer,
            press,
            resolver,
            second_resolver: fitted.second_resolver,
            index_switch: fitted.index_switch,
            settings,
            limit_channels: bank,
            seed: entry.seed.unwrap_or(1),
            steps,
            disturbances,
            rest_ms: (1e3 * entry.rest_s.unwrap_or(REST_S)) as u32,
            expect,
        })
    }
}

fn press(entry: &File, folder: &Path, check: &mut Check<'_>) -> Option<Press> {
    if let Some(press) = Press::builtin(&entry.press) {
        return Some(press);
    }
    let path = folder.join(&entry.press);
    let allowed = format!("a press ({}) or a press file", LETTERS.join(", "));
    match std::fs::read_to_string(&path) {
        Err(error) => {
            check.note("press", format!("{:?}: {error}", entry.press), allowed);
            None
        }
        Ok(text) => match Press::from_toml(&path.display().to_string(), &text) {
            Ok(press) => Some(press),
            Err(Problems(problems)) => {
                check.problems.extend(problems);
                None
            }
        },
    }
}

/// The settings file named, or what the rehearsal of a built-in press releases, with the
/// scenario's own values over it.
fn settings(entry: &File, press: &Press, folder: &Path, check: &mut Check<'_>) -> Option<Settings> {
    let table = match entry.settings_file.as_deref() {
        Some("provisional") => {
            let provisional = commissioned::provisional(press);
            if let Err(problem) = &provisional {
                check.note("settings_file", problem, "settings that hold together");
            }
            return provisional.ok();
        }
        Some(name) => {
            let path = folder.join(name);
            let text = std::fs::read_to_string(&path).map_err(|error| {
                check.note("settings_file", format!("{name:?}: {error}"), SETTINGS_FILE);
            });
            let table = settings_file::table(&path.display().to_string(), &text.ok()?);
            table
                .map_err(|problems| check.problems.extend(problems.0))
                .ok()?
        }
        None => {
            let Some(text) = commissioned::shipped(&entry.press) else {
                check.note(
                    "press",
                    format!("{:?} without settings", entry.press),
                    SETTINGS_FILE,
                );
                return None;
            };
            let table = settings_file::table("the settings shipped with the press", text);
            table
                .map_err(|problems| check.problems.extend(problems.0))
                .ok()?
        }
    };
    let mut table = table;
    commissioned::lay_over(&mut table, &entry.settings);
    match commissioned::settings(press, table) {
        Ok(settings) => Some(settings),
        Err(problem) => {
            check.note("settings", problem, "settings that hold together");
            None
        }
    }
}

const SETTINGS_FILE: &str = "a `settings_file` that a rehearsal left behind, or \"provisional\"; \
built-in presses that can be commissioned bring their own";

/// What is fitted beside the resolver, and the settings with it.
fn fitted(
    entry: &File,
    press: &Press,
    settings: &Settings,
    check: &mut Check<'_>,
) -> Option<(Settings, Fitted)> {
    let mut schema = *settings.get();
    let second = entry.second_resolver.as_deref();
    let second = references::second_resolver(second, press, &mut schema);
    if let Err(error) = &second {
        check.note(
            "second_resolver",
            error,
            "a list of resolver options, or \"plain\"",
        );
    }
    let fitted = Fitted {
        second_resolver: second.ok()?,
        index_switch: references::index_switch(entry.index_switch.as_ref(), &mut schema),
    };
    match Settings::try_new(schema) {
        Ok(settings) => Some((settings, fitted)),
        Err(problems) => {
            let problems: Vec<_> = problems.iter().map(|it| format!("{it:?}")).collect();
            let allowed = "an arc of 4 to 350 degrees, wider than twice its tolerance";
            check.note("index_switch", problems.join("; "), allowed);
            None
        }
    }
}

/// What is fitted beside the resolver.
struct Fitted {
    second_resolver: Option<ResolverSetup>,
    index_switch: Option<IndexSwitch>,
}

fn bank(entry: &File, settings: &Settings, check: &mut Check<'_>) -> Option<Bank> {
    let place = |key: &str, found: &str, allowed: &dyn std::fmt::Display| {
        let key = format!("limit_channels.{key}");
        check.places.problem(&key, found, allowed)
    };
    match entry.limit_channels.as_ref()?.checked(settings, &place) {
        Ok(bank) => Some(bank),
        Err(problems) => {
            check.problems.extend(problems);
            None
        }
    }
}

/// What is not there cannot break.
fn check_fitted(
    disturbances: &[Disturbance],
    fitted: Option<&Fitted>,
    bank: Option<&Bank>,
    check: &mut Check<'_>,
) {
    let Some(fitted) = fitted else { return };
    for (index, it) in disturbances.iter().enumerate() {
        if it.detail.resolver == 1 && fitted.second_resolver.is_none() {
            let found = "the second of one resolver";
            let allowed = "`second_resolver` in the file";
            check.note(&format!("disturb[{index}].resolver"), found, allowed);
        }
        let has_channel = bank.is_some_and(|bank| bank.has(it.detail.which));
        let (is_there, allowed) = match it.kind.family {
            "channels" => (has_channel, "`which` of a channel in `[limit_channels]`"),
            "index" => (
                fitted.index_switch.is_some(),
                "`[index_switch]` in the file",
            ),
            _ => continue,
        };
        if !is_there {
            let found = format!("{:?} of what is not there", it.kind.word);
            check.note(&format!("disturb[{index}].what"), found, allowed);
        }
    }
}

fn resolver(entry: &File, press: &Press, check: &mut Check<'_>) -> ResolverSetup {
    let mut setup = ResolverSetup::of_press(press);
    if let Some(options) = &entry.resolver
        && let Err(error) = setup.apply(options)
    {
        check.note("resolver", error, "a list of resolver options");
    }
    setup
}

/// Names of disturbances are what expectations refer to: unique, and there.
fn check_names(entry: &File, check: &mut Check<'_>) {
    for (index, it) in entry.disturb.iter().enumerate() {
        if entry.disturb[..index]
            .iter()
            .any(|other| other.name == it.name)
        {
            let key = format!("disturb[{index}].name");
            check.note(&key, format!("{:?} again", it.name), "a name of its own");
        }
    }
    let names: Vec<_> = entry.disturb.iter().map(|it| it.name.as_str()).collect();
    let mut refer = |key: String, name: Option<&str>| {
        if let Some(name) = name.filter(|name| !names.contains(name)) {
            let allowed = format!("the name of a disturbance: {}", names.join(", "));
            check.note(&key, format!("the name {name:?}"), allowed);
        }
    };
    for (index, fault) in entry.expect.fault.iter().enumerate() {
        refer(
            format!("expect.fault[{index}].after"),
            fault.after.as_deref(),
        );
    }
    for (index, measure) in entry.expect.measure.iter().enumerate() {
        refer(
            format!("expect.measure[{index}].after"),
            measure.after.as_deref(),
        );
    }
}

impl SetupEntry {
    fn over(&self, press: &Press) -> Setup {
        let nominal = Setup::nominal(press);
        let deg = self.start_deg.unwrap_or(0.0);
        Setup {
            start: match self.start.as_deref() {
                Some("cold") => Start::Cold(deg),
                _ => Start::Ready(deg),
            },
            spm: self.spm.unwrap_or(nominal.spm),
            die_kg: self.die_kg.unwrap_or(nominal.die_kg),
            counterbalance_share: self
                .counterbalance_share
                .unwrap_or(nominal.counterbalance_share),
            work_share: self.work_share.unwrap_or(nominal.work_share),
            brake_c: self.brake_c.unwrap_or(nominal.brake_c),
            lining_wear_mm: self.lining_wear_mm.unwrap_or(nominal.lining_wear_mm),
            cold_start_ms: self.cold_start_ms.unwrap_or(nominal.cold_start_ms),
            scatter: self.scatter.unwrap_or(nominal.scatter),
            elastic_train: self.elastic_train.unwrap_or(nominal.elastic_train),
            ..nominal
        }
    }
}

impl StepEntry {
    fn checked(&self, index: usize, check: &mut Check<'_>) -> Step {
        let mut need = |key: &str, is_there: bool, needed_by: &[Act]| {
            let needs = needed_by.contains(&self.act);
            if needs && !is_there {
                let place = format!("step[{index}].act");
                let found = format!("{:?} without `{key}`", ACTS[self.act as usize]);
                check.note(&place, found, format!("`{key}` beside it"));
            }
        };
        need(
            "mode",
            self.mode.is_some(),
            &[Act::Select, Act::TurnSelector, Act::Ready],
        );
        need("standing", self.standing.is_some(), &[Act::Reset]);
        need("spm", self.spm.is_some(), &[Act::SetSpeed]);
        need("angle_deg", self.angle_deg.is_some(), &[Act::Bar]);
        Step {
            act: self.act,
            when: self.when.clone(),
            within_ms: (1e3 * self.within_s.unwrap_or(WITHIN_S)) as u32,
            mode: self
                .mode
                .as_deref()
                .and_then(mode_named)
                .unwrap_or(Mode::Off),
            angle_deg: self.angle_deg,
            standing: self
                .standing
                .as_deref()
                .and_then(standing_named)
                .unwrap_or(Standing::Operator),
            spm: self.spm.unwrap_or(1.0),
            count: self.count.unwrap_or(1),
            is_in_vain: self.in_vain,
        }
    }
}

impl DisturbEntry {
    fn checked(&self, index: usize, check: &mut Check<'_>) -> Option<Disturbance> {
        let key = |name: &str| format!("disturb[{index}].{name}");
        let Some(kind) = Broken::named(&self.what) else {
            let words: Vec<_> = KINDS.iter().map(|kind| kind.word).collect();
            let found = format!("the text {:?}", self.what);
            check.note(&key("what"), found, format!("one of {}", words.join(", ")));
            return None;
        };
        let detail = Detail {
            size: self.size(kind, &key, check),
            which: self.which.unwrap_or(1) - 1,
            resolver: self.resolver.unwrap_or(1) - 1,
            winding: self.winding.unwrap_or_default(),
        };
        if self.resolver.is_some() && !kind.is_of_a_resolver() {
            let found = format!("a resolver for {:?}", kind.word);
            check.note(&key("resolver"), found, "nothing");
        }
        if kind.one_of > 0 {
            let allowed = format!("`which` from 1 to {}", kind.one_of);
            match self.which {
                None => check.note(
                    &key("what"),
                    format!("{:?} without `which`", kind.word),
                    allowed,
                ),
                Some(which) if which > kind.one_of => {
                    check.note(&key("which"), format!("the number {which}"), allowed);
                }
                Some(_) => {}
            }
        }
        let has_end = self.until.is_some() || self.for_ms.is_some();
        if self.until.is_some() && self.for_ms.is_some() {
            check.note(&key("for_ms"), "an end beside `until`", "one of the two");
        }
        if self.repeats && !has_end {
            check.note(
                &key("repeats"),
                "true without an end",
                "`until` or `for_ms` beside it",
            );
        }
        Some(Disturbance {
            name: self.name.clone(),
            kind,
            detail,
            from: self.from.clone(),
            until: self.until.clone(),
            for_ms: self.for_ms,
            repeats: self.repeats,
            may_miss: self.may_miss,
        })
    }

    fn size(&self, kind: &Broken, key: &dyn Fn(&str) -> String, check: &mut Check<'_>) -> f64 {
        let given = [
            ("percent", self.percent),
            ("deg", self.deg),
            ("ms", self.ms),
            ("bar", self.bar),
            ("codes", self.codes),
            ("count", self.count),
            ("spm", self.spm),
        ];
        for (name, value) in given {
            let is_its_own = kind.size.is_some_and(|size| size.key == name);
            if value.is_some() && !is_its_own {
                let allowed = kind
                    .size
                    .map_or("nothing".to_owned(), |size| format!("`{}`", size.key));
                check.note(
                    &key(name),
                    format!("a size {:?} does not have", kind.word),
                    allowed,
                );
            }
        }
        let Some(size) = kind.size else { return 0.0 };
        let allowed = format!("`{}` from {} to {}", size.key, size.least, size.most);
        let value = given
            .iter()
            .find(|(name, _)| *name == size.key)
            .and_then(|it| it.1);
        match value {
            None => {
                check.note(
                    &key("what"),
                    format!("{:?} without its size", kind.word),
                    allowed,
                );
                0.0
            }
            Some(value) if !(size.least..=size.most).contains(&value) => {
                check.note(&key(size.key), format!("the number {value}"), allowed);
                value
            }
            Some(value) => value,
        }
    }
}

/// All words that a file may use where it has to choose one, for the documents.
pub fn words() -> [(&'static str, Vec<&'static str>); 4] {
    [
        ("acts", ACTS.to_vec()),
        ("events", HAPPENINGS.to_vec()),
        (
            "reached",
            oracle::REACHED.iter().map(|it| it.word()).collect(),
        ),
        ("measures", measure::MEASURES.to_vec()),
    ]
}
