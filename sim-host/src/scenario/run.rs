//! One run: the script on the bench, with everything that breaks and everybody who watches between
//! press and controller.

use super::Scenario;
use super::act::Step;
use super::disturb::Disturbances;
use super::expect::{Finding, Line, Shown, end_word, line};
use super::measure::{Measures, Tally};
use super::oracle::{Oracle, REACHED};
use super::when::{Facts, Happening, Trigger};
use crate::bench::{Bench, Companion, Course, Equipment, Moment};
use crate::control::Control;
use crate::index_switch::IndexSwitch;
use crate::load::Loads;
use crate::plant::Mark;
use crate::prng;
use crate::resolver::Resolver;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::cell::RefCell;
use std::rc::Rc;
use stopwright_core::controller::{Controller, Inputs};
use stopwright_core::fault::{FaultCode, FaultSet};

/// How a run is made.
#[derive(Clone, Debug)]
pub struct Options {
    /// Every random draw follows from it.
    pub seed: u64,
}

/// Sees every millisecond of a run beside the judge.
pub trait Observer {
    /// One millisecond, as it was.
    fn see(&mut self, moment: &Moment<'_>);
}

/// What came of a run.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    /// The scenario's file.
    pub file: String,
    /// Its title.
    pub title: String,
    /// The seed of the run.
    pub seed: u64,
    /// The verdict.
    pub verdict: Finding,
    /// The exit status that says so.
    pub exit_status: u8,
    /// Every expectation with what became of it.
    pub lines: Vec<Line>,
    /// Simulated time, s.
    pub lasted_s: f64,
    /// State at the end.
    pub ended: &'static str,
    /// Rules that did not hold, meant or not.
    pub breaches: Vec<&'static str>,
    /// Cases that were reached.
    pub reached: Vec<&'static str>,
    /// Numbers of all faults that latched.
    pub faults: Vec<u8>,
    /// Everything measured.
    pub measured: Vec<Measured>,
    /// SHA-256 over crank angle and outputs of every millisecond.
    pub digest: String,
}

/// One measured quantity.
#[derive(Clone, Debug, Serialize)]
pub struct Measured {
    /// Its word.
    pub what: &'static str,
    /// The first value.
    pub first: f64,
    /// The last.
    pub last: f64,
    /// The least.
    pub least: f64,
    /// The most.
    pub most: f64,
}

/// Everything holds.
pub const HOLDS: u8 = 0;
/// Nothing is broken, but the run did not come to what it set out to show.
pub const NOT_REACHED: u8 = 3;
/// Something that must hold does not.
pub const BROKEN: u8 = 4;

/// The exit status of a verdict.
pub const fn exit_status(verdict: Finding) -> u8 {
    match verdict {
        Finding::Holds => HOLDS,
        Finding::NotReached => NOT_REACHED,
        Finding::Broken => BROKEN,
    }
}

/// Plays a scenario against the core in this process.
pub fn run_core(scenario: &Scenario, options: &Options) -> Report {
    let controller = Controller::new(scenario.settings, FaultSet::EMPTY);
    run(scenario, options, controller, None)
}

/// Plays a scenario against any controller.
pub fn run<C: Control>(
    scenario: &Scenario,
    options: &Options,
    controller: C,
    observer: Option<Box<dyn Observer>>,
) -> Report {
    let seed = prng::derived(options.seed, "scenario");
    let resolver = Resolver::new(&scenario.resolver, seed, "resolver");
    let mut bench =
        Bench::with_controller(&scenario.press, &scenario.setup, resolver, controller, seed);
    if let Some(bank) = &scenario.limit_channels {
        bench.fit_loads(Loads::new(bank.reactions));
        bench.set_job(bank.job);
    }
    if let Some(second) = &scenario.second_resolver {
        bench.fit_second_resolver(Resolver::new(second, seed, "second resolver"));
    }
    let index = scenario.index_switch.as_ref().map(|index| IndexSwitch {
        seed,
        ..index.clone()
    });
    if let Some(index) = &index {
        bench.fit_index_switch(index.clone());
    }
    let stage = Rc::new(RefCell::new(Stage::new(scenario, index, seed, observer)));
    bench.companion = Some(Box::new(Shared(Rc::clone(&stage))));
    let mut lines = play(scenario, &mut bench, &stage, seed);
    bench.run_ms(scenario.rest_ms);
    let stage = stage.borrow();
    let names: Vec<String> = scenario
        .disturbances
        .iter()
        .map(|it| it.name.clone())
        .collect();
    let end = bench.outputs().map(|outputs| outputs.stroke);
    lines.extend(scenario.expect.judge(&Shown {
        oracle: &stage.oracle,
        measures: &stage.measures,
        disturbances: &stage.disturbances,
        names: &names,
        end,
        lost: bench.lost().map(|lost| lost.0.clone()),
    }));
    let findings = lines.iter().map(|line| line.finding);
    let verdict = findings
        .max_by_key(|finding| exit_status(*finding))
        .unwrap_or(Finding::Holds);
    Report {
        file: scenario.file.clone(),
        title: scenario.title.clone(),
        seed: options.seed,
        verdict,
        exit_status: exit_status(verdict),
        lines,
        lasted_s: bench.now_s(),
        ended: end.map_or("power-up", end_word),
        breaches: stage
            .oracle
            .breaches()
            .iter()
            .map(|it| it.rule.word())
            .collect(),
        reached: REACHED
            .into_iter()
            .filter(|case| stage.oracle.has_reached(*case))
            .map(|case| case.word())
            .collect(),
        faults: stage.measures.ever.iter().map(FaultCode::number).collect(),
        measured: stage.measures.all().map(Measured::of).collect(),
        digest: stage.digest(),
    }
}

impl Measured {
    fn of((what, tally): (&'static str, Tally)) -> Self {
        Self {
            what,
            first: tally.first,
            last: tally.last,
            least: tally.least,
            most: tally.most,
        }
    }
}

/// Does all steps; what went otherwise than meant comes back as lines.
fn play<C: Control>(
    scenario: &Scenario,
    bench: &mut Bench<C>,
    stage: &Rc<RefCell<Stage>>,
    seed: u64,
) -> Vec<Line> {
    let mut lines = Vec::new();
    for (index, step) in scenario.steps.iter().enumerate() {
        // Who has no controller any more does nothing more at the press.
        if bench.lost().is_some() {
            break;
        }
        let stream = prng::numbered_stream(seed, "step", index as u64);
        let came = wait(step, bench, stage, Trigger::new(&step.when, stream));
        let number = index + 1;
        let about = format!("step {number}, {}", step.in_words());
        if !came && !scenario.expect.is_wild {
            let seen = format!(
                "its moment did not come within {} s",
                f64::from(step.within_ms) / 1e3
            );
            lines.push(line(Finding::NotReached, about, seen));
            continue;
        }
        let done = step.act(bench);
        bench.take_stops();
        if scenario.expect.is_wild {
            continue;
        }
        match (done, step.is_in_vain) {
            (Ok(()), false) => {}
            (Err(_), _) if bench.lost().is_some() => {}
            (Err(trouble), false) => lines.push(line(Finding::Broken, about, trouble.to_string())),
            (Err(trouble), true) => {
                lines.push(line(
                    Finding::Holds,
                    about,
                    format!("in vain, as meant: {trouble}"),
                ));
            }
            (Ok(()), true) => {
                lines.push(line(
                    Finding::Broken,
                    about,
                    "was meant to be in vain".to_owned(),
                ));
            }
        }
    }
    lines
}

/// Ticks until the step's moment has come; false when it does not.
fn wait<C: Control>(
    step: &Step,
    bench: &mut Bench<C>,
    stage: &Rc<RefCell<Stage>>,
    mut trigger: Trigger,
) -> bool {
    for _ in 0..step.within_ms {
        if trigger.is_due(&stage.borrow().facts) {
            return true;
        }
        bench.tick();
    }
    trigger.is_due(&stage.borrow().facts)
}

/// Everybody between press and controller.
struct Stage {
    facts: Facts,
    disturbances: Disturbances,
    oracle: Oracle,
    measures: Measures,
    names: Vec<String>,
    observer: Option<Box<dyn Observer>>,
    hash: Sha256,
    drive_on: bool,
    was_muted: bool,
    has_channels: bool,
}

impl Stage {
    fn new(
        scenario: &Scenario,
        index: Option<IndexSwitch>,
        seed: u64,
        observer: Option<Box<dyn Observer>>,
    ) -> Self {
        let plans = &scenario.disturbances;
        Self {
            facts: Facts::default(),
            disturbances: Disturbances::new(plans, &scenario.setup.faults, index, seed),
            oracle: Oracle::new(&scenario.settings, scenario.limit_channels.as_ref()),
            measures: Measures::new(plans.len(), scenario.limit_channels.as_ref()),
            names: plans.iter().map(|it| it.name.clone()).collect(),
            observer,
            hash: Sha256::new(),
            drive_on: false,
            was_muted: false,
            has_channels: scenario.limit_channels.is_some(),
        }
    }

    fn digest(&self) -> String {
        let bytes = self.hash.clone().finalize();
        bytes.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    fn after(&mut self, moment: &Moment<'_>) {
        self.note_facts(moment);
        self.oracle.judge(moment);
        let struck = self
            .names
            .iter()
            .map(|name| self.disturbances.struck_s(name));
        self.measures.take(moment, &self.facts, struck);
        self.note_digest(moment);
        if let Some(observer) = &mut self.observer {
            observer.see(moment);
        }
    }

    fn note_facts(&mut self, moment: &Moment<'_>) {
        let said = moment.outputs;
        self.facts
            .next(moment.now_s, moment.plant.state().angle_rad.to_degrees());
        for event in moment.events {
            match event.mark {
                Mark::StartOfMotion => self.facts.note(Happening::Motion),
                Mark::Standstill => self.facts.note(Happening::Standstill),
                Mark::BrakeTouch => self.facts.note(Happening::BrakeTouch),
                Mark::LockUp => self.facts.note(Happening::LockUp),
                _ => {}
            }
        }
        if said.valve.is_on != self.drive_on {
            self.facts.strokes += u32::from(said.valve.is_on);
            self.facts.note(match said.valve.is_on {
                true => Happening::DriveOn,
                false => Happening::DriveOff,
            });
        }
        if !said.raised.is_empty() {
            self.facts.note(Happening::Fault);
        }
        if said.is_muted && !self.was_muted {
            self.facts.note(Happening::Muting);
        }
        (self.drive_on, self.was_muted) = (said.valve.is_on, said.is_muted);
    }

    fn note_digest(&mut self, moment: &Moment<'_>) {
        let said = moment.outputs;
        let angle = moment.plant.state().angle_rad.to_bits();
        self.hash.update(angle.to_le_bytes());
        self.hash.update(said.release.to_bits().to_le_bytes());
        self.hash.update(said.valve.after.as_micros().to_le_bytes());
        let flags = [
            said.valve.is_on,
            said.second_means,
            said.is_muted,
            said.permit.run,
            said.permit.run_on,
        ];
        self.hash.update(flags.map(u8::from));
        for code in said.raised.iter() {
            self.hash.update([code.number()]);
        }
        if self.has_channels {
            self.hash
                .update(said.limit_channels.to_bits().to_le_bytes());
            self.hash.update(moment.loads.to_bits().to_le_bytes());
        }
    }
}

/// The stage as the bench knows it.
struct Shared(Rc<RefCell<Stage>>);

impl std::fmt::Debug for Shared {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("the stage of a scenario")
    }
}

impl Companion for Shared {
    fn before(&mut self, equipment: Equipment<'_>) -> Course {
        let stage = &mut *self.0.borrow_mut();
        stage.disturbances.before(equipment, &stage.facts)
    }

    fn between(&mut self, inputs: &mut Inputs<'_>) {
        self.0.borrow_mut().disturbances.between(inputs);
    }

    fn after(&mut self, moment: &Moment<'_>) {
        self.0.borrow_mut().after(moment);
    }
}
