//! The controller's own health in one tick: its time, its memory, its program flow.

use super::{Inputs, TICK_CONFIG};
use crate::fault::{FaultCode, FaultSet};
use crate::health::{
    Damaged, Flow, Guarded, LimitChannelsWatch, ServiceToken, SettingsWatch, TickProblem,
    TickWatch, end_of_tick,
};
use crate::limit_channels;
use crate::settings::Settings;

/// State of the watch.
#[derive(Clone, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct OwnHealth {
    ticks: TickWatch,
    settings: SettingsWatch,
    /// Of the job in force.
    limit_channels: Option<LimitChannelsWatch>,
    /// What was latched, and whether the valve was driven, at the end of the last tick.
    latched: Guarded<u32>,
    driven: Guarded<bool>,
    ticked: Result<(), TickProblem>,
    words: Result<(), Damaged>,
    /// A tick that has ended, until its token is taken.
    ended: Option<Flow>,
}

impl OwnHealth {
    /// Watches settings that were just checked.
    pub(super) fn new(settings: &Settings, latched: FaultSet) -> Self {
        Self {
            ticks: TickWatch::new(),
            settings: SettingsWatch::new(settings),
            limit_channels: None,
            latched: Guarded::new(latched.to_word()),
            driven: Guarded::new(false),
            ticked: Ok(()),
            words: Ok(()),
            ended: None,
        }
    }

    /// Other settings were checked and adopted, with a job's limit channels or without.
    pub(super) fn adopt(&mut self, settings: &Settings, job: Option<&limit_channels::Config>) {
        self.settings = SettingsWatch::new(settings);
        self.limit_channels = job.map(LimitChannelsWatch::new);
    }

    /// The beginning of a tick: whether it came in time, and its words are what was written.
    pub(super) fn step(
        &mut self,
        inputs: &Inputs<'_>,
        settings: &Settings,
        job: Option<&limit_channels::Config>,
        latched: FaultSet,
        is_driven: bool,
    ) -> FaultSet {
        self.ended = None;
        self.ticked = self
            .ticks
            .step(&TICK_CONFIG, inputs.now, inputs.second_clock);
        self.words = self.settings.step(settings);
        self.words = self.words.and(self.look_at(job));
        if self.latched.get() != Ok(latched.to_word()) || self.driven.get() != Ok(is_driven) {
            self.words = Err(Damaged);
        }
        FaultSet::EMPTY
            .with_if(FaultCode::TickLate, self.ticked.is_err())
            .with_if(FaultCode::MemoryDamaged, self.words.is_err())
    }

    /// A job in force, or none, is still the one that was adopted.
    fn look_at(&mut self, job: Option<&limit_channels::Config>) -> Result<(), Damaged> {
        match (&mut self.limit_channels, job) {
            (Some(watch), Some(job)) => watch.step(job),
            (None, None) => Ok(()),
            (Some(_), None) | (None, Some(_)) => Err(Damaged),
        }
    }

    /// The end of a tick.
    pub(super) fn end(&mut self, flow: Flow, latched: FaultSet, is_driven: bool) {
        self.latched.set(latched.to_word());
        self.driven.set(is_driven);
        self.ended = Some(flow);
    }

    /// The token of the last tick, once.
    pub(super) fn service_token(&mut self) -> Option<ServiceToken> {
        end_of_tick(self.ended.take()?, self.ticked, self.words)
    }
}
