//! Disturbances: wrappers around the sample source, the inputs, the press, time and power. Any
//! number at once, each with its own beginning and end.
//!
//! A disturbance is a word out of [`KINDS`], the size it needs, and when. The table says where it
//! strikes; what is broken in one tick is always the whole of what is active, laid over the
//! scenario's set-up.

mod frames;
mod kinds;

pub use kinds::{KINDS, Kind, Size};

use super::when::{Facts, Trigger, When};
use crate::bench::{Course, Equipment};
use crate::index_switch::IndexSwitch;
use crate::load::LoadFaults;
use crate::plant::Faults;
use crate::prng::{self, Stream};
use crate::resolver::ResolverFaults;
use frames::Frames;
use kinds::Strike;
use stopwright_core::controller::Inputs;

/// How long the supply holds after it has been reported gone, s: what a controller has to put
/// itself in order (assumed; DESIGN).
const HOLD_UP_S: f64 = 0.020;

/// A winding or both.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Winding {
    /// Sine.
    Sine,
    /// Cosine.
    Cosine,
    /// Both.
    #[default]
    Both,
}

/// How much, and which part.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Detail {
    /// The size, in the unit of the kind.
    pub size: f64,
    /// Which of two (valve element, contact, hand), of the modes or of the limit channels, from 0.
    pub which: usize,
    /// Which resolver, 0 or 1.
    pub resolver: usize,
    /// Which winding.
    pub winding: Winding,
}

/// One disturbance as a file has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Disturbance {
    /// Its name in verdicts.
    pub name: String,
    /// What breaks.
    pub kind: &'static Kind,
    /// How much of it.
    pub detail: Detail,
    /// From when.
    pub from: When,
    /// Until when; for good without it.
    pub until: Option<When>,
    /// How long, ms, in place of `until`.
    pub for_ms: Option<f64>,
    /// After its end it waits to begin again.
    pub repeats: bool,
    /// It need not strike for the run to count.
    pub may_miss: bool,
}

/// A disturbance in a run.
#[derive(Clone, Debug)]
pub(super) struct Active {
    plan: Disturbance,
    from: Trigger,
    until: Option<Trigger>,
    since_s: Option<f64>,
    is_over: bool,
    /// When it first struck.
    pub(super) first_s: Option<f64>,
    frames: Frames,
}

/// All disturbances of a run.
#[derive(Clone, Debug)]
pub(super) struct Disturbances {
    base: Faults,
    /// The index switch as it was fitted.
    base_index: Option<IndexSwitch>,
    all: Vec<Active>,
}

impl Disturbances {
    pub(super) fn new(
        plans: &[Disturbance],
        base: &Faults,
        base_index: Option<IndexSwitch>,
        seed: u64,
    ) -> Self {
        let numbered = |name, index| prng::numbered_stream(seed, name, index);
        let all = plans.iter().enumerate().map(|(index, plan)| {
            let index = index as u64;
            Active::new(
                plan,
                [
                    numbered("disturbance from", index),
                    numbered("disturbance until", index),
                    numbered("disturbance frames", index),
                ],
            )
        });
        Self {
            base: base.clone(),
            base_index,
            all: all.collect(),
        }
    }

    /// When the disturbance of this name first struck, s.
    pub(super) fn struck_s(&self, name: &str) -> Option<f64> {
        let found = self.all.iter().find(|it| it.plan.name == name);
        found.and_then(|it| it.first_s)
    }

    /// Names of those that never struck though they had to.
    pub(super) fn missed(&self) -> impl Iterator<Item = &str> {
        let missed = |it: &&Active| it.first_s.is_none() && !it.plan.may_miss;
        self.all
            .iter()
            .filter(missed)
            .map(|it| it.plan.name.as_str())
    }

    /// Breaks and mends what is due at the beginning of a tick.
    pub(super) fn before(&mut self, mut equipment: Equipment<'_>, facts: &Facts) -> Course {
        let mut changed = false;
        let mut course = Course::default();
        for it in &mut self.all {
            let began = it.follow(facts);
            changed |= began || it.is_over;
            it.is_over = false;
            match it.plan.kind.strike {
                Strike::Once(act) if began => act(equipment.plant, &it.plan.detail),
                Strike::LateTick if began => course.late_us += (1e3 * it.plan.detail.size) as u64,
                Strike::Power => course.is_unpowered |= it.age_s(facts) >= Some(HOLD_UP_S),
                _ => {}
            }
        }
        if changed {
            self.renew(&mut equipment);
        }
        course
    }

    fn renew(&self, equipment: &mut Equipment<'_>) {
        let Equipment {
            plant,
            resolver,
            second,
            index,
            loads,
        } = equipment;
        let mut switch = self.base_index.clone();
        let mut load_faults = LoadFaults::default();
        let mut faults = self.base.clone();
        let mut resolver_faults = [ResolverFaults::default(), ResolverFaults::default()];
        for it in self.all.iter().filter(|it| it.since_s.is_some()) {
            match it.plan.kind.strike {
                Strike::Press(act) => act(&mut faults, &it.plan.detail),
                Strike::Resolver(act) => {
                    act(
                        &mut resolver_faults[it.plan.detail.resolver],
                        &it.plan.detail,
                    );
                }
                Strike::Index(act) => {
                    if let Some(switch) = &mut switch {
                        act(switch, &it.plan.detail);
                    }
                }
                Strike::Loads(act) => act(&mut load_faults, &it.plan.detail),
                _ => {}
            }
        }
        loads.set_faults(load_faults);
        if let (Some(index), Some(switch)) = (index, switch) {
            **index = switch;
        }
        if &faults != plant.faults() {
            plant.set_faults(faults);
        }
        let both = [Some(&mut **resolver), second.as_deref_mut()];
        for (resolver, faults) in both.into_iter().zip(resolver_faults) {
            if let Some(resolver) = resolver.filter(|it| it.faults() != &faults) {
                resolver.set_faults(faults);
            }
        }
    }

    /// Spoils what the controller is about to be given.
    pub(super) fn between(&mut self, inputs: &mut Inputs<'_>) {
        // First the supply itself: who watches it may be broken as well.
        let strikes = |it: &Active| it.since_s.is_some() && it.is_of_the_supply();
        inputs.supply_ok &= !self.all.iter().any(strikes);
        for it in &mut self.all {
            let frames = match it.plan.detail.resolver {
                0 => &mut inputs.frames,
                _ => &mut inputs.second_frames,
            };
            if it.since_s.is_none() {
                it.frames.watch(frames);
                continue;
            }
            match it.plan.kind.strike {
                Strike::Frames(fault) => it.frames.spoil(fault, &it.plan.detail, frames),
                Strike::Inputs(act) => act(inputs, &it.plan.detail),
                _ => {}
            }
        }
    }
}

impl Active {
    fn new(plan: &Disturbance, [from, until, frames]: [Stream; 3]) -> Self {
        let lasting = plan.for_ms.map(|ms| When {
            after_ms: Some(ms),
            ..When::default()
        });
        let end = plan.until.as_ref().or(lasting.as_ref());
        Self {
            from: Trigger::new(&plan.from, from),
            until: end.map(|when| Trigger::new(when, until)),
            plan: plan.clone(),
            since_s: None,
            is_over: false,
            first_s: None,
            frames: Frames::new(frames),
        }
    }

    const fn is_of_the_supply(&self) -> bool {
        matches!(self.plan.kind.strike, Strike::Power)
    }

    fn age_s(&self, facts: &Facts) -> Option<f64> {
        self.since_s.map(|since| facts.now_s - since)
    }

    /// Whether it begins in this tick.
    fn follow(&mut self, facts: &Facts) -> bool {
        if self.since_s.is_some() {
            let ends = self.until.as_mut().is_some_and(|until| until.is_due(facts));
            if ends {
                (self.since_s, self.is_over) = (None, true);
                if self.plan.repeats {
                    self.from.rearm();
                }
            }
            return false;
        }
        let may_begin = self.first_s.is_none() || self.plan.repeats;
        if !may_begin || !self.from.is_due(facts) {
            return false;
        }
        self.since_s = Some(facts.now_s);
        self.first_s.get_or_insert(facts.now_s);
        if let Some(until) = &mut self.until {
            until.rearm();
        }
        true
    }
}
