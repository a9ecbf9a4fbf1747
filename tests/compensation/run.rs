//! Production on one press, stroke by stroke.

use crate::commissioned;
use stopwright::bench::Bench;
use stopwright::plant::{Faults, Setup, StopTruth};
use stopwright::press::Press;
use stopwright::resolver::{Resolver, ResolverSetup};
use stopwright::units;
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::settings::Settings;
use stopwright_core::stroke::Mode;

pub(crate) const PRESSES: [&str; 4] = ["B", "C", "E", "G"];
/// Ticks that one stroke may take from the press of the buttons.
const STROKE_TICKS: u32 = 10_000;

/// What one stroke came to.
pub(crate) struct Stroke {
    /// The true stop.
    pub(crate) truth: StopTruth,
    /// When a stop fault latched, s, if one has.
    pub(crate) latched_s: Option<f64>,
    pub(crate) latched: FaultSet,
    pub(crate) advice: FaultSet,
    pub(crate) offset_deg: f64,
    pub(crate) authority_percent: u8,
}

/// Press and controller at work.
pub(crate) struct Production {
    pub(crate) settings: Settings,
    bench: Bench,
}

impl Production {
    /// In mode single at nominal speed, slide at the top, the brake warmed up.
    pub(crate) fn new(letter: &str) -> Self {
        let press = Press::builtin(letter).expect("a built-in press");
        let spm = press.speed.nominal_spm;
        let schema = commissioned::schema(&press, spm);
        let settings = Settings::try_new(schema).expect("settings that hold together");
        let setup = Setup {
            spm,
            ..Setup::nominal(&press)
        };
        let resolver = Resolver::new(&ResolverSetup::of_press(&press), 11, "resolver");
        let mut bench = Bench::new(&press, &setup, resolver, settings, 11);
        bench.panel.key_turned = true;
        bench.power_up().expect("a self-test that passes");
        bench.select(Mode::Single).expect("single");
        let mut production = Self { settings, bench };
        // The first stops of a cold brake teach it nothing.
        for _ in 0..settings.get().run_in.warm_up_stops {
            let stroke = production.stroke();
            assert_eq!(stroke.offset_deg, 0.0, "press {letter}");
        }
        production
    }

    /// Makes the brake weaker or stronger from now on.
    pub(crate) fn set_brake(&mut self, factor: f64) {
        self.bench.plant_mut().set_faults(Faults {
            brake_factor: factor,
            ..Faults::default()
        });
    }

    /// One single stroke from the top, with the palms held until the slide stands.
    pub(crate) fn stroke(&mut self) -> Stroke {
        self.bench.ready_at_top(Mode::Single).expect("the top");
        self.bench.take_stops();
        self.bench.press_both();
        let mut latched_s = None;
        for _ in 0..STROKE_TICKS {
            let said = *self.bench.tick();
            let of_the_stop = [FaultCode::StopTimeExceeded, FaultCode::StopTravelExceeded];
            if latched_s.is_none() && of_the_stop.iter().any(|&it| said.latched.contains(it)) {
                latched_s = Some(self.bench.now_s());
            }
            if said.stop.is_some() {
                break;
            }
        }
        self.bench.let_go();
        let said = *self.bench.outputs().expect("it has ticked");
        let measured = self.bench.take_stops().pop().expect("a stop");
        Stroke {
            truth: measured.truth.expect("a press that turned"),
            latched_s,
            latched: said.latched,
            advice: said.advice,
            offset_deg: units::travel_deg(said.compensation),
            authority_percent: said.authority_percent,
        }
    }

    /// Bounds of the compensation, degrees: earlier, later.
    pub(crate) fn bounds_deg(&self) -> (f64, f64) {
        let top = &self.settings.get().top_stop;
        let early_deg = units::travel_deg(top.early_bound);
        (-early_deg, units::travel_deg(top.late_bound))
    }
}
