//! One run drawn from a seed: press, story, and what breaks.

use super::fittings::Fittings;
use crate::plant::Setup;
use crate::press::Press;
use crate::prng::{self, Stream};
use crate::resolver::ResolverSetup;
use crate::scenario::act::{Act, Step};
use crate::scenario::commissioned;
use crate::scenario::disturb::{Detail, Disturbance, KINDS, Kind, Winding};
use crate::scenario::expect::Expectations;
use crate::scenario::oracle::Rule;
use crate::scenario::{Happening, Scenario, When};
use crate::settings_file;
use rand::RngExt;
use std::sync::OnceLock;
use stopwright_core::fault_latch::Standing;
use stopwright_core::settings::Settings;
use stopwright_core::stroke::Mode;

/// Presses, the quick ones more often: a stroke of press D takes as long as six of press B.
const PRESSES: [&str; 16] = [
    "B", "B", "B", "B", "G", "G", "G", "G", "E", "E", "E", "A", "A", "C", "D", "H",
];
/// Families of faults that are switched on or off as a whole.
const FAMILIES: [&str; 8] = [
    "samples", "resolver", "index", "inputs", "press", "channels", "time", "power",
];
const DISTURBANCES_MOST: u32 = 3;

/// The run of this number.
pub fn draw(seed: u64, index: u64) -> Scenario {
    let mut stream = prng::numbered_stream(seed, "swarm draw", index);
    let letter = PRESSES[stream.random_range(0..PRESSES.len())];
    let (press, settings) = commissioned(letter);
    let mode = story_mode(&mut stream);
    let fittings = Fittings::draw(&mut stream, press, settings);
    let disturbances = disturbances(&mut stream, &fittings);
    let mut setup = Setup::nominal(press);
    // Single strokes of press A are commissioned at its lowest speed only.
    if letter == "A" {
        setup.spm = press.speed.min_spm;
    }
    setup.work_share = if stream.random_bool(0.3) { 1.0 } else { 0.0 };
    setup.elastic_train = stream.random_bool(0.1);
    let (title, steps) = story(&mut stream, mode);
    let may_break = excused(&disturbances, &steps);
    Scenario {
        file: format!("run {index} of swarm {seed}"),
        title,
        lesson: String::new(),
        course: None,
        question: None,
        answer: None,
        resolver: ResolverSetup::of_press(press),
        press: press.clone(),
        setup,
        second_resolver: fittings.second_resolver,
        index_switch: fittings.index_switch,
        settings: fittings.settings,
        limit_channels: fittings.limit_channels,
        seed: super::seed_of(seed, index),
        steps,
        expect: Expectations {
            may_break,
            is_wild: true,
            ..Expectations::default()
        },
        disturbances,
        rest_ms: 100,
    }
}

/// A built-in press with its settings, read once.
fn commissioned(letter: &str) -> &'static (Press, Settings) {
    static READ: OnceLock<Vec<(&str, (Press, Settings))>> = OnceLock::new();
    let all = READ.get_or_init(|| {
        let read = |letter: &'static str| {
            let press = Press::builtin(letter)?;
            let table = settings_file::table(letter, commissioned::shipped(letter)?).ok()?;
            let settings = commissioned::settings(&press, table).ok()?;
            Some((letter, (press, settings)))
        };
        ["B", "A", "C", "D", "E", "G", "H"]
            .into_iter()
            .filter_map(read)
            .collect()
    });
    let found = all.iter().find(|(it, _)| *it == letter);
    // The shipped settings are read by a test; the first is there in any case.
    found.map_or(&all[0].1, |(_, it)| it)
}

fn story_mode(stream: &mut Stream) -> Mode {
    match stream.random_range(0..10) {
        0..=5 => Mode::Single,
        6..=7 => Mode::Continuous,
        8 => Mode::Inch,
        _ => Mode::Test,
    }
}

fn disturbances(stream: &mut Stream, fittings: &Fittings) -> Vec<Disturbance> {
    let on: Vec<&str> = FAMILIES
        .into_iter()
        .filter(|_| stream.random_bool(0.5))
        .filter(|family| fittings.has(family))
        .collect();
    let kinds: Vec<&'static Kind> = KINDS.iter().filter(|it| on.contains(&it.family)).collect();
    if kinds.is_empty() {
        return Vec::new();
    }
    let count = stream.random_range(0..=DISTURBANCES_MOST);
    (0..count)
        .map(|number| disturbance(stream, fittings, &kinds, number))
        .collect()
}

fn disturbance(
    stream: &mut Stream,
    fittings: &Fittings,
    kinds: &[&'static Kind],
    number: u32,
) -> Disturbance {
    let kind = kinds[stream.random_range(0..kinds.len())];
    let size = kind.size.map_or(0.0, |it| {
        let drawn = it.least + stream.random::<f64>() * (it.most - it.least);
        if it.key == "count" {
            drawn.round()
        } else {
            drawn
        }
    });
    let winding = [Winding::Sine, Winding::Cosine, Winding::Both];
    let from = if stream.random_bool(0.7) {
        When {
            stroke: Some(1),
            angle_deg: Some(stream.random_range(5.0..355.0)),
            ..When::default()
        }
    } else {
        When {
            time_s: Some(stream.random_range(0.2..2.0)),
            ..When::default()
        }
    };
    let is_short = stream.random_bool(0.5) || kind.family == "power";
    Disturbance {
        name: format!("{} {number}", kind.word),
        kind,
        detail: Detail {
            size,
            resolver: match fittings.second_resolver {
                Some(_) if kind.is_of_a_resolver() => stream.random_range(0..2),
                _ => 0,
            },
            which: which(stream, fittings, kind),
            winding: winding[stream.random_range(0..winding.len())],
        },
        from,
        until: None,
        for_ms: is_short.then(|| stream.random_range(1.0..400.0)),
        repeats: is_short && stream.random_bool(0.2),
        may_miss: true,
    }
}

/// One of those that the kind strikes: of the limit channels, one that there is.
fn which(stream: &mut Stream, fittings: &Fittings, kind: &Kind) -> usize {
    let channels = fittings
        .limit_channels
        .as_ref()
        .map(|bank| bank.plans.len());
    match (kind.family, channels) {
        ("channels", Some(count)) => stream.random_range(0..count),
        _ => stream.random_range(0..kind.one_of.max(2)),
    }
}

fn step(act: Act, when: When) -> Step {
    Step {
        act,
        when,
        within_ms: 900,
        mode: Mode::Off,
        angle_deg: None,
        standing: Standing::Operator,
        spm: 1.0,
        count: 1,
        is_in_vain: false,
    }
}

/// What the operator does: one stroke, with or without something going on in it, and then an
/// attempt to start again.
fn story(stream: &mut Stream, mode: Mode) -> (String, Vec<Step>) {
    let now = When::default;
    let at = |angle_deg: f64| When {
        angle_deg: Some(angle_deg),
        ..When::default()
    };
    let later = |ms: f64| When {
        after_ms: Some(ms),
        ..When::default()
    };
    let mut steps = vec![
        step(Act::TurnKey, now()),
        step(Act::PowerUp, now()),
        Step {
            mode,
            ..step(Act::Select, now())
        },
    ];
    if mode == Mode::Continuous {
        steps.push(step(Act::Arm, later(60.0)));
    }
    steps.push(step(Act::PressBoth, later(60.0)));
    let angle_deg = stream.random_range(20.0..340.0);
    let happens = stream.random_range(0..9);
    let (word, act) = match happens {
        0 => ("reach", Some(Act::Reach)),
        1 => ("let go", Some(Act::LetGo)),
        2 => ("let one go", Some(Act::LetGoLeft)),
        3 => ("emergency stop", Some(Act::EmergencyStop)),
        4 => ("stop", Some(Act::Stop)),
        5 => ("turn the selector", Some(Act::TurnSelector)),
        6 => ("open the guard", Some(Act::OpenGuard)),
        _ => ("whole stroke", None),
    };
    if let Some(act) = act {
        steps.push(step(act, at(angle_deg)));
    }
    if mode == Mode::Continuous {
        steps.push(step(Act::LetGo, at(200.0)));
        steps.push(step(Act::TopStop, at(stream.random_range(0.0..360.0))));
    }
    let rest = When {
        event: Some(Happening::Standstill),
        ..When::default()
    };
    steps.push(step(Act::Wait, rest));
    steps.extend([
        step(Act::LetGo, now()),
        step(Act::Withdraw, now()),
        step(Act::EmergencyRelease, now()),
        step(Act::StopRelease, now()),
        step(Act::CloseGuard, now()),
    ]);
    if stream.random_bool(0.5) {
        let standings = [
            Standing::Operator,
            Standing::KeyHolder,
            Standing::Recommissioned,
        ];
        steps.push(Step {
            standing: standings[stream.random_range(0..standings.len())],
            ..step(Act::Reset, later(100.0))
        });
    }
    steps.push(step(Act::PressBoth, later(120.0)));
    steps.push(step(Act::LetGo, later(150.0)));
    let mode = format!("{mode:?}").to_lowercase();
    (format!("{mode}, {word}"), steps)
}

/// Rules that what breaks can break without the controller's doing. What is left belongs to the
/// controller alone.
fn excused(disturbances: &[Disturbance], steps: &[Step]) -> Vec<Rule> {
    let asks = |act: Act| steps.iter().any(|step| step.act == act);
    let mut excused = Vec::new();
    for it in disturbances {
        let more: &[Rule] = match (it.kind.family, it.kind.word) {
            (_, "output-shorted") => &[
                Rule::OneStroke,
                Rule::StandsUnlessDriven,
                Rule::HandComesLater,
                Rule::OffMeansOff,
            ],
            (_, "palm-tied-down" | "palm-contact-welded") => &[
                Rule::HandsHoldTheSlide,
                Rule::StartsOnActuation,
                Rule::HandComesLater,
            ],
            ("press", _) => &[
                Rule::OneStroke,
                Rule::StandsUnlessDriven,
                Rule::HandComesLater,
            ],
            // One contact, and nobody hears whoever asks by it.
            (_, "stop-control-welded") if asks(Act::Stop) => &[Rule::NoDriveWithoutPermit],
            (_, "top-stop-button-open") if asks(Act::TopStop) => &[Rule::ReleaseInTime],
            (_, "channel-output-welded" | "channel-output-dead") => &[Rule::LoadInWindow],
            // The second resolver is heard and not followed.
            ("samples" | "resolver", _) if it.detail.resolver == 1 => &[],
            // An angle that lies hides a late stop as well.
            ("samples" | "resolver", _) => &[
                Rule::LoadInWindow,
                Rule::LateStopHolds,
                Rule::OneStroke,
                Rule::ReleaseInTime,
                Rule::MutesInOpeningOnly,
                Rule::HandComesLater,
                Rule::NoDriveWithoutPermit,
                Rule::HandsHoldTheSlide,
            ],
            // The frames of a late tick are lost, and with them the angle at which a stop began.
            ("time", _) => &[
                Rule::LateStopHolds,
                Rule::LoadInWindow,
                Rule::OneStroke,
                Rule::ReleaseInTime,
                Rule::MutesInOpeningOnly,
                Rule::HandComesLater,
                Rule::NoDriveWithoutPermit,
                Rule::HandsHoldTheSlide,
            ],
            _ => &[],
        };
        excused.extend_from_slice(more);
    }
    excused
}
