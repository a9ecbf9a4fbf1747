//! Long random sequences of events: the core's stroke against the [`Machine`] written from the
//! trade's table. A difference is shrunk to the fewest events and printed as a line that can be
//! replayed:
//!
//! ```text
//! STOPWRIGHT_REPLAY="SelfTestPassed:0 ModeChanged:1800" cargo test -p stopwright-tests --test stroke replay
//! ```

use crate::all::{CIRCUMSTANCES, EVENTS};
use crate::reference::{Happening, Machine, Place, Row, TABLE};
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};
use proptest_state_machine::ReferenceStateMachine;
use std::fmt;
use std::marker::PhantomData;
use std::str::FromStr;
use std::sync::atomic::{AtomicU64, Ordering};
use stopwright_core::stroke::{Circumstances, Event, Stroke};

/// Sequences of a whole run; `STOPWRIGHT_SEQUENCES` asks for another number.
const SEQUENCES: u32 = 10_000;
/// Events of a sequence.
const EVENTS_EACH: usize = 200;
/// The draw; `STOPWRIGHT_SEED` asks for another.
const SEED: u64 = 4;

/// Circumstances that let a stroke start: permit, hands off the buttons, a clear field.
const FAVOURABLE: u32 = 1 << 0 | 1 << 4 | 1 << 7;

fn from_environment<T: FromStr>(name: &str, otherwise: T) -> T {
    let value = std::env::var(name).ok();
    value.map_or(otherwise, |text| {
        text.parse()
            .unwrap_or_else(|_| panic!("{name} is a number, not {text:?}"))
    })
}

fn config(sequences: u32) -> Config {
    Config {
        cases: sequences,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(from_environment("STOPWRIGHT_SEED", SEED)),
        max_shrink_iters: 10_000,
        ..Config::default()
    }
}

/// As it stands in a replay line.
impl fmt::Debug for Happening {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}:{:x}", self.event, self.number)
    }
}

impl FromStr for Happening {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let refused =
            || format!("{text:?} is not an event, a colon and a number below 0x{CIRCUMSTANCES:x}");
        let (name, number) = text.split_once(':').ok_or_else(refused)?;
        let event = EVENTS
            .into_iter()
            .find(|event| format!("{event:?}") == name);
        let number = u32::from_str_radix(number, 16)
            .ok()
            .filter(|&it| it < CIRCUMSTANCES);
        match (event, number) {
            (Some(event), Some(number)) => Ok(Self { event, number }),
            _ => Err(refused()),
        }
    }
}

/// How often each row of the table decided.
static USED: [AtomicU64; TABLE.len()] = [const { AtomicU64::new(0) }; TABLE.len()];

impl ReferenceStateMachine for Machine {
    type State = Self;
    type Transition = Happening;

    fn init_state() -> BoxedStrategy<Self> {
        Just(Self::new()).boxed()
    }

    /// Mostly what leads on, so that sequences come far; and everything else too.
    fn transitions(state: &Self) -> BoxedStrategy<Happening> {
        let event = prop_oneof![
            12 => prop::sample::select(state.expected()),
            1 => prop::sample::select(&EVENTS[..]),
        ];
        let favourable = (0..CIRCUMSTANCES).prop_map(|number| number | FAVOURABLE);
        let number = prop_oneof![1 => 0..CIRCUMSTANCES, 2 => favourable];
        (event, number)
            .prop_map(|(event, number)| Happening { event, number })
            .boxed()
    }

    fn apply(mut state: Self, &happening: &Happening) -> Self {
        state.latch(happening);
        let now = state.circumstances(happening);
        state.step(happening.event, &now);
        state
    }
}

/// A stroke machine to be held against the reference.
trait UnderTest {
    fn step(stroke: Stroke, event: Event, now: &Circumstances) -> Stroke;
}

/// The core.
struct Core;

impl UnderTest for Core {
    fn step(stroke: Stroke, event: Event, now: &Circumstances) -> Stroke {
        stroke.step(event, now)
    }
}

/// The core with a mistake that takes a whole stroke and a half to show.
struct Flawed;

impl UnderTest for Flawed {
    fn step(stroke: Stroke, event: Event, now: &Circumstances) -> Stroke {
        match (stroke, event) {
            (Stroke::TopStopping { .. }, Event::EmergencyStop) => stroke,
            _ => stroke.step(event, now),
        }
    }
}

/// A machine under test, beside a reference of its own that tells it what is latched.
struct Run<U> {
    stroke: Stroke,
    reference: Machine,
    so_far: Vec<Happening>,
    under_test: PhantomData<U>,
}

impl<U: UnderTest> Run<U> {
    const fn new() -> Self {
        Self {
            stroke: Stroke::PowerUp,
            reference: Machine::new(),
            so_far: Vec::new(),
            under_test: PhantomData,
        }
    }

    /// One event for both; the replay line when they part.
    fn step(&mut self, happening: Happening) -> Result<(), String> {
        self.so_far.push(happening);
        self.reference.latch(happening);
        let now = self.reference.circumstances(happening);
        self.reference.step(happening.event, &now);
        self.stroke = U::step(self.stroke, happening.event, &now);
        if let Some(row) = self.reference.row {
            USED[row].fetch_add(1, Ordering::Relaxed);
        }
        let expected = self.reference.as_stroke();
        if self.stroke == expected {
            return Ok(());
        }
        let line: Vec<String> = self.so_far.iter().map(|it| format!("{it:?}")).collect();
        Err(format!(
            "{:?} instead of {expected:?}; STOPWRIGHT_REPLAY=\"{}\"",
            self.stroke,
            line.join(" ")
        ))
    }
}

/// Runs sequences against the reference; what was found, shrunk.
fn compare<U: UnderTest>(sequences: u32) -> Result<(), String> {
    let strategy = Machine::sequential_strategy(EVENTS_EACH);
    let found = TestRunner::new(config(sequences)).run(&strategy, |(_, happenings, seen)| {
        let mut run = Run::<U>::new();
        for happening in happenings {
            // Tells the shrinking how far the sequence came.
            if let Some(seen) = &seen {
                seen.fetch_add(1, Ordering::SeqCst);
            }
            run.step(happening).map_err(TestCaseError::fail)?;
        }
        Ok(())
    });
    found.map_err(|error| error.to_string())
}

/// Steps through a replay line.
fn replay<U: UnderTest>(line: &str) -> Result<(), String> {
    let mut run = Run::<U>::new();
    for word in line.split_whitespace() {
        run.step(word.parse()?)?;
        println!("{word:<28} {:?}", run.stroke);
    }
    Ok(())
}

#[test]
fn the_core_and_the_table_of_the_trade_agree_over_long_random_sequences() {
    let sequences = from_environment("STOPWRIGHT_SEQUENCES", SEQUENCES);
    if let Err(difference) = compare::<Core>(sequences) {
        panic!("{difference}");
    }
    let used: Vec<u64> = USED
        .iter()
        .map(|used| used.load(Ordering::Relaxed))
        .collect();
    let unused: Vec<&Row> = (0..)
        .zip(TABLE)
        .filter(|(row, _)| used[*row] == 0)
        .map(|(_, row)| row)
        .collect();
    println!(
        "{sequences} sequences of {EVENTS_EACH} events; {} rows, {} unused",
        TABLE.len(),
        unused.len()
    );
    // A latched fault never leads into an emergency stop: the row is there in case it should.
    let is_second_line = |row: &Row| (row.0, row.1) == (&[Place::Est], Event::Reset);
    let is_whole = unused.iter().all(|row| is_second_line(row));
    assert!(
        sequences < SEQUENCES || is_whole,
        "{} rows never decided",
        unused.len()
    );
}

#[test]
fn a_mistake_is_found_and_shrunk_to_a_line_that_replays() {
    let difference = compare::<Flawed>(1_000).expect_err("the mistake is found");
    let line = difference
        .split("STOPWRIGHT_REPLAY=\"")
        .nth(1)
        .expect("a line");
    let line = line.split('"').next().expect("a line");
    println!("{line}");
    // Six would do: self-test, selector, release, press, release angle, emergency stop.
    assert!(line.split_whitespace().count() <= 10, "{line}");
    assert!(replay::<Flawed>(line).is_err());
    assert_eq!(replay::<Core>(line), Ok(()));
}

#[test]
fn a_replay_line_is_replayed() {
    let line = std::env::var("STOPWRIGHT_REPLAY");
    let line =
        line.unwrap_or_else(|_| "SelfTestPassed:0 ModeChanged:1800 EmergencyStop:8".to_owned());
    if let Err(difference) = replay::<Core>(&line) {
        panic!("{difference}");
    }
    assert!(replay::<Core>("NoSuchEvent:0").is_err());
    assert!(replay::<Core>("Reset:fffffff").is_err());
}
