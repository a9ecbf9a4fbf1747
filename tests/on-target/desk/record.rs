//! Scenarios played on the bench with a controller that writes down what it is given and what it
//! answers. Early in each, at rest, commissioning asks something of it: settings to adopt and to
//! store, a job with every limit channel in use, an angle to capture.

use crate::flash::RamFlash;
use crate::job::full_job;
use crate::unit::Unit;
use crate::wire::{self, Answer, Ask};
use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;
use stopwright::control::{Control, Lost};
use stopwright::scenario::{Options, Scenario, run};
use stopwright_core::codec::{self, BLOCK_MAX, PressRecord, Stored};
use stopwright_core::contacts;
use stopwright_core::controller::{Inputs, Outputs, Service, ServiceReply, TICK};
use stopwright_core::fault::FaultSet;
use stopwright_core::peer::{self, Message, Received};
use stopwright_core::press_identity::{Fingerprint, Label};
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::time::Duration;

/// What is played: starts, stops, latches, resets, losses of supply; single, continuous and inch;
/// and one scenario with company.
const PLAYED: [(&str, Company); 15] = [
    ("first-stroke", Company::None),
    ("continuous-and-top-stop", Company::None),
    ("continuous-at-another-speed", Company::None),
    ("oil-on-the-brake", Company::None),
    ("who-may-reset", Company::None),
    ("power-is-no-reset", Company::None),
    ("power-cut-in-a-stroke", Company::None),
    ("emergency-stop-on-the-way-up", Company::None),
    ("one-valve-element-stuck", Company::None),
    ("noise-that-stays", Company::None),
    ("reach-in-while-closing", Company::None),
    ("a-fast-press", Company::None),
    ("a-late-tick", Company::None),
    ("continuous-and-top-stop", Company::SecondReceiver),
    ("continuous-and-top-stop", Company::Peer),
];
const PRESS_TIME_MIN_S: u32 = 60;
/// Ticks after power-up in which commissioning asks: each time as soon as the receivers have settled and
/// the crank is seen to stand, so that the operator finds the press ready.
const ADOPT_AT: u32 = 55;
const JOB_AT: u32 = 110;
const CAPTURE: std::ops::Range<u32> = 120..1_200;

/// Who is there beside the controller and its one receiver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Company {
    None,
    /// A second receiver, to which a second resolver shows what the first shows.
    SecondReceiver,
    /// A second controller that is given the same inputs; each hears of the other a tick later.
    Peer,
}

/// From a message's stamp to its reception.
const TRANSPORT: Duration = Duration::from_micros(500);

impl Company {
    /// What it adds to the name of a scenario.
    const fn words(self) -> &'static str {
        match self {
            Self::None => "",
            Self::SecondReceiver => wire::SECOND_RECEIVER,
            Self::Peer => wire::PEER,
        }
    }

    fn lay_over(self, mut schema: Schema) -> Schema {
        match self {
            Self::None => {}
            Self::SecondReceiver => {
                schema.second = Some(SecondSettings {
                    receiver: schema.receiver,
                    difference_millidegrees: 2_000,
                });
            }
            Self::Peer => {
                schema.peer = Some(peer::Config {
                    transport: TRANSPORT,
                    ..peer::Config::DEFAULT
                });
            }
        }
        schema
    }
}

/// What a recording must have met to be worth replaying.
#[derive(Debug, Default)]
struct Met {
    ticks: u32,
    starts: u32,
    stops: u32,
    latches: u32,
    resets: u32,
    captures: u32,
    jobs: u32,
    writes: u32,
}

/// Recording and answers as they grow.
#[derive(Debug, Default)]
struct Tape {
    recording: Vec<u8>,
    answers: Vec<u8>,
    met: Met,
}

/// A controller that is written down.
struct Written {
    unit: Option<Unit>,
    company: Company,
    /// The second controller, with what it said last.
    other: Option<(Unit, Option<Message>)>,
    settings: Settings,
    tape: Rc<RefCell<Tape>>,
    age: u32,
    is_captured: bool,
    said: Option<Outputs>,
}

impl std::fmt::Debug for Written {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("a controller that is written down")
    }
}

impl Written {
    fn new(company: Company, settings: Settings, tape: Rc<RefCell<Tape>>) -> Self {
        let mut new = Self {
            unit: None,
            company,
            other: None,
            settings,
            tape,
            age: 0,
            is_captured: false,
            said: None,
        };
        new.boot(FaultSet::EMPTY);
        new
    }

    fn boot(&mut self, stored: FaultSet) {
        let flash = self.unit.take().map_or(RamFlash::ERASED, Unit::into_flash);
        let block = stored_block(&press_record(*self.settings.get()));
        let tape = &mut *self.tape.borrow_mut();
        let mut put = |bytes: &[u8]| tape.recording.extend_from_slice(bytes);
        put(&[wire::BOOT]);
        wire::put_faults(stored, &mut put);
        wire::put_block(&block, &mut put);
        self.unit = Unit::boot(&block, stored, flash).ok();
        let other = Unit::boot(&block, stored, RamFlash::ERASED).ok();
        self.other = other
            .filter(|_| self.company == Company::Peer)
            .map(|unit| (unit, None));
        (self.age, self.is_captured) = (0, false);
    }

    /// What commissioning asks in this tick, and the block that goes with it.
    fn asked(&self) -> (u8, Vec<u8>) {
        match self.age {
            ADOPT_AT => {
                let mut schema = *self.settings.get();
                // Something that was not so before, for the store to hold.
                schema.run_in.warm_up_stops = schema.run_in.warm_up_stops.saturating_add(1);
                (2, stored_block(&press_record(schema)))
            }
            JOB_AT => (3, stored_block(&full_job(self.settings.get()))),
            age if CAPTURE.contains(&age) && !self.is_captured => (1, Vec::new()),
            _ => (0, Vec::new()),
        }
    }

    fn note(&mut self, said: Outputs) {
        let met = &mut self.tape.borrow_mut().met;
        met.ticks += 1;
        met.stops += u32::from(said.stop.is_some());
        met.starts += u32::from(said.start.is_some());
        met.latches += u32::from(!said.raised.is_empty());
        let was_latched = self.said.is_some_and(|it| !it.latched.is_empty());
        met.resets += u32::from(was_latched && said.latched.is_empty());
        match said.reply {
            ServiceReply::Captured { .. } => met.captures += 1,
            ServiceReply::Adopted if self.age == ADOPT_AT => met.writes += 1,
            ServiceReply::Adopted => met.jobs += 1,
            _ => {}
        }
        self.is_captured |= !matches!(said.reply, ServiceReply::None) && self.age >= CAPTURE.start;
        self.said = Some(said);
    }
}

impl Control for Written {
    fn contacts(&self) -> contacts::Config {
        self.settings.get().contacts
    }

    fn tick(&mut self, inputs: &Inputs<'_>) -> Result<Outputs, Lost> {
        let (what, block) = self.asked();
        let ask = match what {
            1 => Ask::CaptureAngle,
            2 => Ask::Adopt(&block),
            3 => Ask::AdoptJob(&block),
            _ => Ask::None,
        };
        let mut inputs = Inputs {
            service: Service::None,
            ..*inputs
        };
        if self.company == Company::SecondReceiver {
            inputs.second_frames = inputs.frames;
        }
        let received = |message| Received {
            message,
            at: inputs.now.saturating_sub(TICK).saturating_add(TRANSPORT),
        };
        let told = self.said.map(|said| received(said.peer));
        let mut answer = Answer::default();
        if let Some((unit, message)) = &mut self.other {
            inputs.peer = message.map(received);
            let inputs = Inputs {
                peer: told,
                ..inputs
            };
            *message = Some(ask_unit(unit, inputs, ask, &mut answer)?.peer);
            answer.clear();
        }
        let unit = self.unit.as_mut().ok_or_else(|| lost("no settings"))?;
        let said = ask_unit(unit, inputs, ask, &mut answer)?;
        {
            let tape = &mut *self.tape.borrow_mut();
            tape.recording.push(wire::TICK);
            wire::put_tick(&inputs, &ask, &mut |bytes| {
                tape.recording.extend_from_slice(bytes);
            });
            tape.answers.extend_from_slice(answer.bytes());
        }
        self.note(said);
        self.age = self.age.saturating_add(1);
        Ok(said)
    }

    fn restart(&mut self, stored: FaultSet) -> Result<(), Lost> {
        self.boot(stored);
        Ok(())
    }
}

fn ask_unit(
    unit: &mut Unit,
    inputs: Inputs<'_>,
    ask: Ask<'_>,
    answer: &mut Answer,
) -> Result<Outputs, Lost> {
    let mut heard = None;
    unit.tick(inputs, ask, answer, &mut |controller, inputs| {
        *heard.insert(controller.tick(inputs))
    })
    .map_err(|_| lost("a block that can not be read"))?;
    heard.ok_or_else(|| lost("it did not tick"))
}

fn lost(why: &str) -> Lost {
    Lost(why.to_owned())
}

fn press_record(schema: Schema) -> PressRecord {
    PressRecord {
        press: Label::try_new("on-target").expect("a label of nine letters"),
        fingerprint: Fingerprint {
            balance: schema.receiver.balance,
            index_angle: None,
            stops: schema.stop.curve,
        },
        schema,
    }
}

fn stored_block<T: Stored>(value: &T) -> Vec<u8> {
    let mut buffer = [0; BLOCK_MAX];
    let length = codec::encode(value, 1, &mut buffer).expect("room for the longest block");
    buffer[..length].to_vec()
}

/// Plays every scenario and writes recording and answers to `folder`.
pub(crate) fn record(folder: &Path) -> Result<(), String> {
    let scenarios = Path::new(env!("CARGO_MANIFEST_DIR")).join("../sim-host/scenarios");
    let tape = Rc::new(RefCell::new(Tape::default()));
    for (name, company) in PLAYED {
        let path = scenarios.join(name).with_extension("toml");
        let scenario = Scenario::load(&path).map_err(|trouble| trouble.to_string())?;
        let schema = company.lay_over(*scenario.settings.get());
        let settings = Settings::try_new(schema).map_err(|problems| format!("{problems:?}"))?;
        let name = format!("{name}{}", company.words());
        let head = [&[wire::NAME, name.len() as u8], name.as_bytes()].concat();
        tape.borrow_mut().recording.extend(head);
        let options = Options {
            seed: scenario.seed,
        };
        let written = Written::new(company, settings, Rc::clone(&tape));
        run(&scenario, &options, written, None);
    }
    let tape = tape.borrow();
    println!("recorded: {:?}", tape.met);
    tape.met.is_enough()?;
    let write = |name: &str, bytes: &[u8]| {
        let path = folder.join(name);
        std::fs::write(&path, bytes).map_err(|trouble| format!("{}: {trouble}", path.display()))
    };
    write("recording.bin", &tape.recording)?;
    write("answers.bin", &tape.answers)
}

impl Met {
    fn is_enough(&self) -> Result<(), String> {
        let has_all = [
            self.starts,
            self.stops,
            self.latches,
            self.resets,
            self.captures,
            self.jobs,
            self.writes,
        ]
        .into_iter()
        .all(|count| count > 0);
        match has_all && self.ticks >= PRESS_TIME_MIN_S * 1_000 {
            true => Ok(()),
            false => Err("the scenarios no longer reach all that a replay is to hold".to_owned()),
        }
    }
}
