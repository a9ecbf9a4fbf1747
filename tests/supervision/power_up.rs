//! From the store to the tick: what the flash holds at power-up decides whether the press may start.

use crate::flash::RamFlash;
use crate::schema::{press, record};
use std::f64::consts::TAU;
use stopwright_core::codec::PressRecord;
use stopwright_core::contacts::{self, Levels};
use stopwright_core::controller::{Controller, Inputs, Outputs, Selector, Service};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::Standing;
use stopwright_core::poll;
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::signal::{CarrierFrame, SAMPLES_PER_FRAME};
use stopwright_core::store::{LoadError, Loaded, Slot, Standstill, Store};
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::time::Instant;
use stopwright_core::two_hand::PalmContacts;

type Flash = RamFlash<2048>;

const REGION: u32 = 3 * 2048;

fn run<T>(future: impl Future<Output = T>) -> T {
    poll::run(future, 10).expect("flash in memory is ready at once")
}

fn standstill() -> Standstill {
    Standstill::of(Stroke::PowerUp).expect("a press stands at power-up")
}

/// A press with one resolver and one channel, stored twice over.
fn stored() -> Store<Flash> {
    let mut store = Store::try_new(Flash::new(6), [0..REGION, REGION..2 * REGION]).unwrap();
    let schema = Schema {
        second: None,
        index: None,
        peer: None,
        ..press()
    };
    let whole = PressRecord {
        schema,
        ..record(0)
    };
    run(store.save(Slot::PRESS, &whole, standstill())).unwrap();
    store
}

/// A board at power-up: the controller is made from what the store says.
struct Board {
    controller: Controller,
    /// What the store found, for as long as it stands.
    reported: FaultSet,
    inputs: Inputs<'static>,
    dither: u32,
}

impl Board {
    /// Power comes on; `saved` is the generation that the journal knows of.
    fn power_up(store: &mut Store<Flash>, saved: u32) -> (Self, Option<LoadError>) {
        let loaded: Result<Loaded<PressRecord>, LoadError> =
            run(store.load(Slot::PRESS, saved, standstill()));
        let error = loaded.as_ref().err().copied();
        let fault = error.and_then(|error| error.fault());
        let schema = loaded.map_or(nothing_known(), |loaded| loaded.value.schema);
        let settings = Settings::try_new(schema).expect("settings that hold together");
        let board = Self {
            controller: Controller::new(settings, FaultSet::EMPTY),
            reported: fault.map_or(FaultSet::EMPTY, |code| FaultSet::EMPTY.with(code)),
            inputs: calm(),
            dither: 1,
        };
        (board, error)
    }

    fn run_ms(&mut self, ms: u32) -> Vec<Outputs> {
        (0..ms).map(|_| self.tick()).collect()
    }

    fn tick(&mut self) -> Outputs {
        let now = self.inputs.now.as_micros() + 1_000;
        self.inputs.now = Instant::from_micros(now);
        self.inputs.reported = self.reported;
        for place in 0..self.inputs.frames.len() {
            self.inputs.frames[place] = self.frame();
        }
        let outputs = self.controller.tick(&self.inputs);
        (self.inputs.reset, self.inputs.service) = (None, Service::None);
        outputs
    }

    /// A crank at the top, a resolver whose own zero lies 45 degrees from it, no converter quite still.
    fn frame(&mut self) -> CarrierFrame {
        let mut codes = || {
            std::array::from_fn(|sample| {
                self.dither = self
                    .dither
                    .wrapping_mul(1_664_525)
                    .wrapping_add(1_013_904_223);
                let still = f64::from(self.dither >> 30) / 2.0 - 0.75;
                let phase = sample as f64 / SAMPLES_PER_FRAME as f64 * TAU;
                let winding = std::f64::consts::FRAC_1_SQRT_2;
                (2_048.0 + 1_800.0 * winding * phase.sin() + still).round() as u16
            })
        };
        CarrierFrame {
            sine: codes(),
            cosine: codes(),
        }
    }

    /// What an operator does to start a stroke: wait for the self-test, select, press both hands.
    /// All outputs of it.
    fn tries_to_start(&mut self) -> Vec<Outputs> {
        let mut seen = self.run_ms(300);
        self.inputs.selector = Selector::at(Mode::Single);
        seen.extend(self.run_ms(200));
        let station = &mut self.inputs.stations[0];
        (station.left, station.right) = (PalmContacts::PRESSED, PalmContacts::PRESSED);
        seen.extend(self.run_ms(40));
        seen
    }
}

/// What is in force of a press of which nothing is known.
fn nothing_known() -> Schema {
    let it = press();
    Schema::zero_pending(
        it.motion,
        it.stop,
        it.top_stop,
        it.angles,
        it.control_response,
    )
}

/// Everything in order, nobody at the press.
fn calm() -> Inputs<'static> {
    let mut inputs = Inputs {
        supply_ok: true,
        selector: Selector::at(Mode::Off),
        emergency_chain: Levels::of(contacts::Config::DEFAULT.emergency.kind, true),
        stop_control_closed: true,
        presence: Levels::of(contacts::Config::DEFAULT.presence.kind, true),
        guards: Levels::of(contacts::Config::DEFAULT.guards.kind, true),
        motor_forward: true,
        clutch_air_ok: true,
        counterbalance_air_ok: true,
        brake_temperature_ok: true,
        auxiliaries_ok: true,
        key_turned: true,
        ..Inputs::dead(Instant::from_micros(0))
    };
    inputs.stations[0].is_active = true;
    inputs
}

/// Turns a bit over in the data of each copy: they begin behind page marker, header and key.
fn turn_both(store: &mut Store<Flash>) {
    for copy in 0..2 {
        store.flash().flip((copy * REGION as usize + 40) * 8);
    }
}

/// What happens to the flash while the power is away.
type Damage = fn(&mut Store<Flash>);

#[test]
fn whole_settings_on_flash_let_the_press_start() {
    let (mut board, error) = Board::power_up(&mut stored(), 1);
    assert_eq!(error, None);
    let seen = board.tries_to_start();
    assert!(seen.iter().all(|outputs| outputs.latched.is_empty()));
    assert!(seen.last().is_some_and(|outputs| outputs.valve.is_on));
}

#[test]
fn damage_to_both_copies_is_latched_and_named_from_the_first_tick_on() {
    let damages: [(&str, Damage); 3] = [
        ("a bit of each copy", turn_both),
        ("both regions, whole", |store| {
            // Every other bit of the pages in use, as nothing ever wrote them.
            for bit in (0..store.flash().bits()).step_by(2) {
                store.flash().flip(bit);
            }
        }),
        ("both erased", |store| {
            *store = Store::try_new(Flash::new(6), [0..REGION, REGION..2 * REGION]).unwrap();
        }),
    ];
    for (what, damage) in damages {
        let mut store = stored();
        damage(&mut store);
        let (mut board, error) = Board::power_up(&mut store, 1);
        assert!(
            matches!(error, Some(LoadError::BothDamaged(_))),
            "{what}: {error:?}"
        );
        let code = FaultCode::SettingsInvalid;
        let seen = board.tries_to_start();
        assert!(seen[0].raised.contains(code), "{what}");
        assert_eq!(seen[0].first_fault.map(|it| it.code), Some(code), "{what}");
        assert!(seen.iter().all(|outputs| outputs.latched.contains(code)));
        assert!(seen.iter().all(|outputs| !outputs.valve.is_on), "{what}");
        let last = seen.last().map(|outputs| outputs.stroke);
        assert_eq!(last, Some(Stroke::FaultLatched), "{what}");
    }
}

#[test]
fn the_latch_of_damaged_settings_is_left_by_new_ones_and_a_new_commissioning_alone() {
    let mut store = stored();
    turn_both(&mut store);
    let (mut board, _) = Board::power_up(&mut store, 1);
    let code = FaultCode::SettingsInvalid;
    board.run_ms(300);
    let is_latched_after = |board: &mut Board, standing| {
        board.inputs.reset = Some(standing);
        board.tick().latched.contains(code)
    };
    // Nobody clears it while the flash holds what it holds; not another power-up either.
    assert!(is_latched_after(&mut board, Standing::Recommissioned));
    let (mut board, _) = Board::power_up(&mut store, 1);
    assert!(board.tick().latched.contains(code));
    board.run_ms(300);
    board.reported = FaultSet::EMPTY;
    assert!(is_latched_after(&mut board, Standing::Operator));
    assert!(is_latched_after(&mut board, Standing::KeyHolder));
    assert!(!is_latched_after(&mut board, Standing::Recommissioned));
}
