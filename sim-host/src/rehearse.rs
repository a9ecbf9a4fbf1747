//! The rehearsal: a whole commissioning on a simulated press, in the order in which it is done on
//! a real one. Sensor first, then zero, direction, first strokes, release angle, stop matrix,
//! limits, distance, and only then production strokes, drills and function checks under the
//! commissioned settings.
//!
//! Each step looks at the press through the controller, the dial and the panel alone. Plant truth
//! enters the record beside what was measured, never a decision.

mod bounds;
mod cautions;
mod commission;
mod conclude;
mod distances;
mod drills;
mod fill;
mod function_checks;
mod matrix;
mod preparation;
mod references;
mod release;
mod sensor;

pub(crate) use references::{learned_index, learned_second};

use crate::bench::Bench;
use crate::distance::Site;
use crate::index_switch::IndexSwitch;
use crate::limits::{self, Criteria, LimitsError, Proposal, Safeguard};
use crate::operator::{CaptureTrouble, Trouble};
use crate::plant::{Setup, Start};
use crate::press::Press;
use crate::record::csv::Trace;
use crate::record::{self, Record, SearchStep, Source};
use crate::resolver::{Resolver, ResolverSetup};
use cautions::Step;
use matrix::Cell;
use sensor::Which;
use stopwright_core::safety_distance::Rule;
use stopwright_core::settings::{Schema, Settings, Stage};
use stopwright_core::stroke::Mode;

/// Production strokes under compensation that a record shows.
const HOLD_STROKES: u32 = 30;
/// Earlier than this a single stroke is not released: the slide would still be near the bottom.
const RELEASE_EARLIEST_DEG: f64 = 200.0;
/// Where the crank is found at the beginning, degrees.
const FOUND_AT_DEG: f64 = 100.0;

/// Settings of a press that has only its data plate: wide limits, supervised work only.
pub fn data_plate(press: &Press) -> Schema {
    preparation::from_data_plate(press)
}

/// Watches a rehearsal go on.
pub trait Watch {
    /// A step of `parts` parts begins.
    fn step(&mut self, name: &str, parts: u32);
    /// One part of it is done.
    fn tick(&mut self);
    /// A caution, before a step that turns the crank.
    fn caution(&mut self, step: &str, text: &str);
}

/// What is rehearsed.
#[derive(Clone, Debug)]
pub struct Options {
    /// The press.
    pub press: Press,
    /// Its file or letter, as it was named.
    pub press_file: String,
    /// Every random draw follows from it.
    pub seed: u64,
    /// Stops in each cell of the matrix, 10 to 1000.
    pub stops: u32,
    /// The resolver and its converter.
    pub resolver: ResolverSetup,
    /// A second resolver, where one is fitted.
    pub second_resolver: Option<ResolverSetup>,
    /// An index switch, where one is fitted.
    pub index_switch: Option<IndexSwitch>,
    /// Rules that the presence sensing has to satisfy, all of them.
    pub rules: Vec<Rule>,
    /// Options as they were given, for the record.
    pub given: Vec<record::NamedText>,
}

/// What a rehearsal leaves behind.
#[derive(Clone, Debug)]
pub struct Rehearsed {
    /// The record.
    pub record: Record,
    /// Commissioned settings as TOML; none when the press is not commissionable.
    pub settings: Option<String>,
    /// A trace of every stop.
    pub traces: Vec<Trace>,
}

/// A rehearsal that could not go on.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The press did not answer.
    #[error("{step}: {trouble}")]
    Stuck {
        /// During which step.
        step: &'static str,
        /// What happened.
        trouble: Trouble,
    },
    /// The zero could not be captured.
    #[error("zero capture: {0}")]
    Capture(#[from] CaptureTrouble),
    /// The data plate predicts stops that no settings can hold.
    #[error(
        "the press file predicts stops that no controller settings can hold ({problems}): look at masses, brake torque and speed"
    )]
    DataPlate {
        /// What does not hold together.
        problems: String,
    },
    /// No limits could be proposed.
    #[error(transparent)]
    Limits(#[from] LimitsError),
}

/// Names the step in which the press did not answer.
trait During<T> {
    fn during(self, step: &'static str) -> Result<T, RehearsalError>;
}

impl<T> During<T> for Result<T, Trouble> {
    fn during(self, step: &'static str) -> Result<T, RehearsalError> {
        self.map_err(|trouble| RehearsalError::Stuck { step, trouble })
    }
}

/// What was measured at one speed.
struct AtSpeed {
    spm: f64,
    release_deg: f64,
    /// Mean crank speed at the release.
    release_spm: f64,
    search: Vec<SearchStep>,
    cells: Vec<Cell>,
}

/// A speed that was left out, and why.
struct LeftOut {
    spm: f64,
    release_deg: f64,
}

/// Everything the steps hand on.
struct Rehearsal<'a> {
    options: &'a Options,
    watch: &'a mut dyn Watch,
    bench: Bench,
    schema: Schema,
    record: Record,
}

/// Carries a commissioning through on a simulated press.
///
/// # Errors
/// [`RehearsalError`] when the press does not answer. A press that is not fit is not an error: its
/// record says so.
pub fn rehearse(options: &Options, watch: &mut dyn Watch) -> Result<Rehearsed, RehearsalError> {
    // A rule that does not cover the device is told before hours are spent on stops.
    limits::headroom::allowed_mid_ms(&safeguard(options))?;
    let mut rehearsal = Rehearsal::begin(options, watch)?;
    if !rehearsal.prove_the_sensor()? {
        return Ok(rehearsal.end_early());
    }
    let (speeds, left_out) = rehearsal.measure_stops()?;
    if speeds.is_empty() {
        return Ok(rehearsal.end_without_a_speed(&left_out));
    }
    let proposal = rehearsal.propose(&speeds)?;
    rehearsal.conclude(&speeds, &left_out, &proposal)
}

impl<'a> Rehearsal<'a> {
    fn begin(options: &'a Options, watch: &'a mut dyn Watch) -> Result<Self, RehearsalError> {
        let press = &options.press;
        let mut schema = preparation::from_data_plate(press);
        schema.second = options
            .second_resolver
            .as_ref()
            .map(|_| references::second_unknown(press));
        let setup = Setup {
            start: Start::Cold(FOUND_AT_DEG),
            ..Setup::nominal(press)
        };
        let source = Source::Rehearsal {
            press_file: options.press_file.clone(),
            seed: options.seed,
            options: options.given.clone(),
        };
        Ok(Self {
            bench: bench(
                options,
                &setup,
                preparation::settings(&schema)?,
                "commissioning",
            ),
            record: Record::new(source, fill::press(press)),
            options,
            watch,
            schema,
        })
    }

    fn caution(&mut self, step: Step) {
        for text in step.cautions() {
            self.watch.caution(step.name(), text);
            self.record.cautions.push(record::Caution {
                step: step.name().to_owned(),
                text: (*text).to_owned(),
            });
        }
    }

    /// Signal, zero, direction. Whether all passed.
    fn prove_the_sensor(&mut self) -> Result<bool, RehearsalError> {
        let press = &self.options.press;
        self.caution(Step::Barring);
        self.watch.step("signal over one barred turn", 1);
        self.bench.panel.key_turned = true;
        self.bench.power_up().during("power-up")?;
        self.bench.select(Mode::Barring).during("barring")?;
        let (signal, found) =
            sensor::check_signal(&mut self.bench, &self.schema.receiver, Which::First)
                .during("signal check")?;
        let mut pass = signal.pass;
        self.record.signal_check = Some(signal);
        if let Some(surveyed) = found {
            self.schema.receiver.balance = surveyed.balance;
            self.schema.receiver.amplitude_nominal = surveyed.amplitude;
            self.schema.receiver.is_surveyed = true;
        }
        if let Some(second) = &mut self.schema.second {
            let reference =
                references::survey_second(&mut self.bench, second).during("signal check")?;
            self.record.references.push(reference);
        }
        release::put_in_force(&mut self.bench, &self.schema).during("balance")?;
        self.watch.tick();

        self.watch.step("zero by equal heights", 1);
        let direction = self.schema.receiver.direction;
        let truth_deg = self.options.resolver.zero_deg;
        let (zero, [offset, second_offset]) =
            sensor::capture_zero(&mut self.bench, press, direction, truth_deg)?;
        pass &= zero.pass;
        self.record.zero_capture = Some(zero);
        let Some(offset) = offset else {
            return Ok(false);
        };
        self.schema.receiver.zero_offset = offset;
        if let (Some(second), Some(reference)) =
            (&mut self.schema.second, self.record.references.last_mut())
        {
            references::set_second_zero(second, second_offset, reference);
        }
        self.schema.stage = Stage::Provisional;
        release::put_in_force(&mut self.bench, &self.schema).during("zero")?;
        self.watch.tick();

        self.watch.step("direction and ratio against the dial", 1);
        let proof = sensor::prove_direction(&mut self.bench, press).during("direction proof")?;
        pass &= proof.pass;
        self.record.direction_proof = Some(proof);
        if self.options.index_switch.is_some() {
            let reference = references::learn_index(&mut self.bench, &mut self.schema)
                .during("learning the index switch")?;
            self.record.references.push(reference);
            release::put_in_force(&mut self.bench, &self.schema).during("index switch")?;
        }
        pass &= self.record.references.iter().all(|one| one.pass);
        sensor::bring_to_top(&mut self.bench).during("barring to the top")?;
        self.watch.tick();
        Ok(pass)
    }

    /// Release angle and stop matrix at every speed that allows single strokes.
    fn measure_stops(&mut self) -> Result<(Vec<AtSpeed>, Vec<LeftOut>), RehearsalError> {
        let press = &self.options.press;
        self.caution(Step::FirstStrokes);
        self.bench.plant_mut().set_motor(true);
        self.bench.select(Mode::Off).during("starting the motor")?;
        matrix::wait_for_speed(&mut self.bench, press.speed.nominal_spm)
            .during("starting the motor")?;
        let (mut speeds, mut left_out) = (Vec::new(), Vec::new());
        for &spm in &press.speed.verify_spm {
            let release_deg = preparation::predicted_release_deg(press, spm);
            if release_deg < RELEASE_EARLIEST_DEG {
                left_out.push(LeftOut { spm, release_deg });
                continue;
            }
            self.caution(Step::StopMatrix);
            speeds.push(self.measure_at(spm)?);
        }
        Ok((speeds, left_out))
    }

    fn measure_at(&mut self, spm: f64) -> Result<AtSpeed, RehearsalError> {
        let press = &self.options.press;
        self.bench.plant_mut().set_speed_spm(spm);
        matrix::wait_for_speed(&mut self.bench, spm).during("change of speed")?;
        self.watch
            .step(&format!("release angle at {spm:.0} SPM"), 24);
        let start = preparation::predicted_top_stop(press, spm);
        let mut found =
            release::search(&mut self.bench, press, &mut self.schema, start, self.watch)
                .during("search of the release angle")?;
        let stops = self.options.stops;
        let mut cells = matrix::measure(&mut self.bench, press, spm, stops, self.watch)
            .during("stop matrix")?;
        // The matrix knows the mean rest better than the search did; where that says so, a
        // correction that is left is spent on it and the top stops are made again.
        if let Some(by_deg) = matrix::off_target_deg(&cells)
            && release::may_correct(&found)
        {
            release::correct(
                &mut self.bench,
                &mut self.schema,
                &mut found,
                &cells,
                by_deg,
            )
            .during("correction of the release angle")?;
            matrix::measure_top_again(&mut self.bench, press, &mut cells, stops, self.watch)
                .during("stop matrix")?;
        }
        Ok(AtSpeed {
            spm,
            release_deg: found.release_deg,
            release_spm: found.release_spm,
            search: found.steps,
            cells,
        })
    }

    fn propose(&self, speeds: &[AtSpeed]) -> Result<Proposal, LimitsError> {
        let press = &self.options.press;
        let cells: Vec<limits::Cell> = speeds
            .iter()
            .flat_map(|speed| &speed.cells)
            .map(fill::evidence)
            .collect();
        let criteria = Criteria {
            overrun_limit_deg: commission::OVERRUN_DEG,
            friction_share: press.drive_train.friction_nm / press.brake.torque_nm,
            ..Criteria::default()
        };
        limits::propose(&cells, Some(&safeguard(self.options)), &criteria)
    }
}

/// The presence sensing as installed.
fn safeguard(options: &Options) -> Safeguard {
    let guarding = &options.press.guarding;
    Safeguard {
        rules: options.rules.clone(),
        site: Site {
            detection_mm: Some(guarding.detection_mm),
            ..Site::default()
        },
        installed_mm: guarding.installed_distance_mm,
        control_ms: preparation::control_response_ms(&options.press),
        device_ms: guarding.device_response_ms,
    }
}

/// A bench of this rehearsal; `name` keeps its random draws apart from the others'.
fn bench(options: &Options, setup: &Setup, settings: Settings, name: &str) -> Bench {
    let seed = crate::prng::derived(options.seed, name);
    let resolver = Resolver::new(&options.resolver, seed, "resolver");
    let mut bench = Bench::new(&options.press, setup, resolver, settings, seed);
    if let Some(second) = &options.second_resolver {
        bench.fit_second_resolver(Resolver::new(second, seed, "second resolver"));
    }
    if let Some(index) = &options.index_switch {
        bench.fit_index_switch(IndexSwitch {
            seed,
            ..index.clone()
        });
    }
    bench
}
