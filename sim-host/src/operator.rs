//! What a person does at the press: turn the selector, bar the crank, press and let go, reset.
//! Each act waits for what it is meant to bring about, and says so when that does not come.

use crate::bench::{Bench, MeasuredStop, Request};
use crate::control::Control;
use crate::units;
use stopwright_core::controller::{CapturedAngle, Outputs, ServiceReply};
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::Latched;
use stopwright_core::settings::Settings;
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::zero_offset::CaptureRefusal;

/// Barring speed, degrees per second: just under the bound of one stroke per minute.
const BARRING_DEG_S: f64 = 5.0;
/// Barring speed for the last bit, degrees per second.
const CREEP_DEG_S: f64 = 0.25;
/// How long a person waits for the press to answer, ms.
const PATIENCE_MS: u32 = 3_000;
/// Inches that bring a slide to the top at most.
const INCHES_MAX: usize = 12;

/// The press did not do what was waited for.
#[derive(Clone, Copy, Debug, thiserror::Error)]
#[error("waited for {waiting_for} in vain; the press is in state {stroke:?}{}{}", faults(*latched), place(*first))]
pub struct Trouble {
    /// What should have come about.
    pub waiting_for: &'static str,
    /// State of the stroke instead.
    pub stroke: Stroke,
    /// Faults latched meanwhile.
    pub latched: FaultSet,
    /// The first of them, with its evidence.
    pub first: Option<Latched>,
}

/// Electrical angles captured at standstill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Captured {
    /// Of the first resolver.
    pub first: CapturedAngle,
    /// Of the second, where fitted.
    pub second: Option<CapturedAngle>,
}

/// No angle was captured.
#[derive(Clone, Copy, Debug, thiserror::Error)]
pub enum CaptureTrouble {
    /// The controller refused.
    #[error("the capture was refused: {0:?}")]
    Refused(CaptureRefusal),
    /// It did not answer.
    #[error(transparent)]
    Stuck(#[from] Trouble),
}

fn place(first: Option<Latched>) -> String {
    let Some(Latched { code, evidence }) = first else {
        return String::new();
    };
    let angle = evidence
        .angle
        .map_or("an unknown angle".to_owned(), |angle| {
            format!("{:.1} degrees", units::angle_deg(angle))
        });
    let (at_s, spm) = (
        units::instant_s(evidence.at),
        units::speed_spm(evidence.speed),
    );
    format!(
        "; fault {} came first, at {angle} and {spm:.1} SPM, {at_s:.3} s",
        code.number()
    )
}

fn faults(latched: FaultSet) -> String {
    latched
        .iter()
        .map(|code| format!("; fault {} latched: {}", code.number(), code.row().name))
        .collect()
}

impl<C: Control> Bench<C> {
    /// Lets time pass.
    pub fn run_ms(&mut self, ms: u32) {
        for _ in 0..ms {
            self.tick();
        }
    }

    /// Lets time pass until `is_so`, at most `limit_ms`.
    ///
    /// # Errors
    /// [`Trouble`] when the time is over.
    pub fn until(
        &mut self,
        waiting_for: &'static str,
        limit_ms: u32,
        mut is_so: impl FnMut(&Outputs) -> bool,
    ) -> Result<(), Trouble> {
        for _ in 0..limit_ms {
            if is_so(self.tick()) {
                return Ok(());
            }
        }
        Err(self.trouble(waiting_for))
    }

    /// What to say when `waiting_for` did not come about.
    pub fn trouble(&self, waiting_for: &'static str) -> Trouble {
        Trouble {
            waiting_for,
            stroke: self
                .outputs()
                .map_or(Stroke::PowerUp, |outputs| outputs.stroke),
            latched: self
                .outputs()
                .map_or(FaultSet::EMPTY, |outputs| outputs.latched),
            first: self.outputs().and_then(|outputs| outputs.first_fault),
        }
    }

    /// Both palms down.
    pub fn press_both(&mut self) {
        self.panel.left_pressed = true;
        self.panel.right_pressed = true;
    }

    /// Both palms up.
    pub fn let_go(&mut self) {
        self.panel.left_pressed = false;
        self.panel.right_pressed = false;
    }

    /// Waits for the self-test.
    ///
    /// # Errors
    /// [`Trouble`] when it does not pass.
    pub fn power_up(&mut self) -> Result<(), Trouble> {
        self.until("the self-test", PATIENCE_MS, |outputs| {
            outputs.stroke != Stroke::PowerUp
        })
    }

    /// Turns the selector, hands off, and waits until the mode is taken up.
    ///
    /// # Errors
    /// [`Trouble`] when it is not.
    pub fn select(&mut self, mode: Mode) -> Result<(), Trouble> {
        self.let_go();
        self.panel.mode = mode;
        self.until(
            "the mode to be taken up",
            PATIENCE_MS,
            |outputs| match outputs.stroke {
                Stroke::Off => mode == Mode::Off,
                Stroke::Barring => mode == Mode::Barring,
                Stroke::Ready | Stroke::ReadyAwayFromTop => outputs.mode == mode,
                _ => false,
            },
        )
    }

    /// Puts settings in force.
    ///
    /// # Errors
    /// [`Trouble`] when the controller does not take them.
    pub fn adopt(&mut self, settings: Settings) -> Result<(), Trouble> {
        self.request = Request::Adopt(Box::new(settings));
        let adopted = self.until("the settings to be put in force", PATIENCE_MS, |outputs| {
            outputs.reply == ServiceReply::Adopted
        });
        self.request = Request::None;
        adopted
    }

    /// Captures the electrical angle with the crank at rest.
    ///
    /// # Errors
    /// The controller's refusal, or that it did not answer.
    pub fn capture_angle(&mut self) -> Result<Captured, CaptureTrouble> {
        self.request = Request::CaptureAngle;
        let mut reply = ServiceReply::None;
        let answered = self.until("the captured angle", PATIENCE_MS, |outputs| {
            reply = outputs.reply;
            reply != ServiceReply::None
        });
        self.request = Request::None;
        answered?;
        match reply {
            ServiceReply::Captured { first, second } => Ok(Captured { first, second }),
            ServiceReply::CaptureRefused(refusal) => Err(CaptureTrouble::Refused(refusal)),
            _ => Err(self.trouble("the captured angle").into()),
        }
    }

    /// Bars the crank, positive in normal travel, until `is_there`, watching each tick; then
    /// holds it and waits until it rests.
    ///
    /// # Errors
    /// [`Trouble`] when it is not there within two turns.
    pub fn bar_until(
        &mut self,
        speed_deg_s: f64,
        mut is_there: impl FnMut(&Self) -> bool,
    ) -> Result<(), Trouble> {
        let limit_ms = (720.0 / speed_deg_s.abs() * 1e3) as u32;
        self.plant_mut().bar(speed_deg_s);
        for _ in 0..limit_ms {
            self.tick();
            let is_latched = self
                .outputs()
                .is_some_and(|outputs| !outputs.latched.is_empty());
            if is_latched {
                break;
            }
            if is_there(self) {
                self.plant_mut().bar(0.0);
                self.run_ms(300);
                return Ok(());
            }
        }
        self.plant_mut().bar(0.0);
        Err(self.trouble("the crank to be barred there"))
    }

    /// Bars at barring speed; see [`Bench::bar_until`].
    ///
    /// # Errors
    /// As [`Bench::bar_until`].
    pub fn bar(
        &mut self,
        direction: f64,
        is_there: impl FnMut(&Self) -> bool,
    ) -> Result<(), Trouble> {
        self.bar_until(direction.signum() * BARRING_DEG_S, is_there)
    }

    /// Bars slowly, for the last bit; see [`Bench::bar_until`].
    ///
    /// # Errors
    /// As [`Bench::bar_until`].
    pub fn creep(
        &mut self,
        direction: f64,
        is_there: impl FnMut(&Self) -> bool,
    ) -> Result<(), Trouble> {
        self.bar_until(direction.signum() * CREEP_DEG_S, is_there)
    }

    /// Bars through `travel_deg`, positive in normal travel, by a mark on the crank.
    ///
    /// # Errors
    /// As [`Bench::bar_until`].
    pub fn bar_by(&mut self, travel_deg: f64) -> Result<(), Trouble> {
        let goal = self.plant().state().angle_rad.to_degrees() + travel_deg;
        let direction = travel_deg.signum();
        self.bar(direction, |bench| {
            direction * (goal - bench.plant().state().angle_rad.to_degrees()) <= 0.0
        })
    }

    /// One supervised test stroke from the top, stopped at `angle_deg` or, without, at the top.
    ///
    /// # Errors
    /// [`Trouble`] when the stroke does not start or does not end.
    pub fn test_stroke(&mut self, angle_deg: Option<f64>) -> Result<MeasuredStop, Trouble> {
        self.ready_at_top(Mode::Test)?;
        self.panel.test_angle = angle_deg.map(units::angle);
        self.stroke("the test stroke to end")
    }

    /// One single stroke from the top.
    ///
    /// # Errors
    /// [`Trouble`] when the stroke does not start or does not end.
    pub fn single_stroke(&mut self) -> Result<MeasuredStop, Trouble> {
        self.ready_at_top(Mode::Single)?;
        self.stroke("the single stroke to end")
    }

    /// Presses, holds until the press is at rest, lets go.
    fn stroke(&mut self, waiting_for: &'static str) -> Result<MeasuredStop, Trouble> {
        self.take_stops();
        self.press_both();
        let turns_ms = self.turns_ms(3.0);
        let mut has_stopped = false;
        let ended = self.until(waiting_for, turns_ms, |outputs| {
            has_stopped |= outputs.stop.is_some();
            has_stopped || !outputs.latched.is_empty() && outputs.stroke.is_standing()
        });
        self.let_go();
        ended?;
        self.take_stops()
            .pop()
            .ok_or_else(|| self.trouble(waiting_for))
    }

    /// Mode taken up and slide in the top window, by inching where need be.
    ///
    /// # Errors
    /// [`Trouble`] when the slide cannot be brought there.
    pub fn ready_at_top(&mut self, mode: Mode) -> Result<(), Trouble> {
        for _ in 0..INCHES_MAX {
            self.wait_released();
            if self.is_in(Stroke::Ready, mode) {
                return Ok(());
            }
            // A stroke cut short is ended by the selector, an inch simply goes on.
            let is_interrupted = self
                .outputs()
                .is_some_and(|outputs| matches!(outputs.stroke, Stroke::Interrupted { .. }));
            if !is_interrupted {
                self.select(mode)?;
            }
            if self.is_in(Stroke::Ready, mode) {
                return Ok(());
            }
            let may_resume = is_interrupted && self.panel.mode == Mode::Inch;
            if !may_resume {
                self.select(Mode::Inch)?;
            }
            self.inch_to_top()?;
        }
        Err(self.trouble("the slide to be brought to the top"))
    }

    fn is_in(&self, stroke: Stroke, mode: Mode) -> bool {
        self.outputs()
            .is_some_and(|outputs| outputs.stroke == stroke && outputs.mode == mode)
    }

    /// Lets go, until the controller has seen it and is through with a stop that may be under way.
    fn wait_released(&mut self) {
        self.let_go();
        self.run_ms(100);
        // A stop that does not end is for the next act to complain of.
        let _ = self.until("the stop to end", PATIENCE_MS, |outputs| {
            !outputs.stroke.is_stopping()
        });
    }

    /// One inch, held until the controller stops it at the top.
    fn inch_to_top(&mut self) -> Result<(), Trouble> {
        if self
            .outputs()
            .is_some_and(|outputs| outputs.stroke == Stroke::Ready)
        {
            return Ok(());
        }
        self.press_both();
        let turns_ms = self.turns_ms(3.0);
        let mut has_stopped = false;
        let ended = self.until("the inch to end at the top", turns_ms, |outputs| {
            has_stopped |= outputs.stop.is_some();
            has_stopped || !outputs.latched.is_empty()
        });
        self.let_go();
        ended?;
        self.take_stops();
        Ok(())
    }

    /// The time of `turns` turns at the present flywheel speed, and a start and a stop.
    fn turns_ms(&self, turns: f64) -> u32 {
        let spm = self.plant().flywheel_spm().max(1.0);
        (turns * 60_000.0 / spm) as u32 + PATIENCE_MS
    }
}
