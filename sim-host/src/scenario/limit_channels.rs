//! Limit channels of a scenario: the job that a file writes down, checked with the press's settings,
//! and the loads that hang on them.
//!
//! A load reacts as slowly as the file says, which need not be what the leads are set to: that is
//! how a load comes late.

use crate::load::Reaction;
use crate::statistics::rest::signed_deg;
use crate::toml_check::{Key, Kind, Problem};
use crate::units;
use serde::Deserialize;
use std::fmt::Display;
use stopwright_core::angle::AngleWindow;
use stopwright_core::controller::TICK;
use stopwright_core::job::{self, AirWindow, CheckedJob, Job, RELEASES_MAX, Release};
use stopwright_core::limit_channels::{
    CHANNELS, Channel, ChannelProblem, ConfigError, Settings as BankSettings, TimedWindow, WINDOWS,
    Windows,
};
use stopwright_core::press_identity::Label;
use stopwright_core::settings::Settings;
use stopwright_core::time::Duration;

const ANGLES_DEG: Kind = Kind::Numbers(1, WINDOWS, 0.0, 360.0);
const REACTION_MS: Kind = Kind::Number(0.0, 500.0);

const CHANNEL_KEYS: &[Key] = &[
    Key::required("from_deg", ANGLES_DEG),
    Key::optional("to_deg", ANGLES_DEG),
    Key::optional("on_for_ms", Kind::Numbers(1, WINDOWS, 1.0, 10_000.0)),
    Key::optional("on_lead_ms", REACTION_MS),
    Key::optional("off_lead_ms", REACTION_MS),
    Key::optional("minimum_on_ms", Kind::Number(1.0, 10_000.0)),
    Key::optional("read_back", Kind::Flag),
    Key::optional("load_on_ms", REACTION_MS),
    Key::optional("load_off_ms", REACTION_MS),
];

pub(super) const KEYS: &[Key] = &[
    Key::optional("hysteresis_deg", Kind::Number(0.15, 10.0)),
    Key::optional("read_back_within_ms", Kind::Number(1.0, 1_000.0)),
    Key::required("channel", Kind::Tables(CHANNELS, CHANNEL_KEYS)),
];

/// The bank as a file has it.
#[derive(Debug, Deserialize)]
pub(super) struct Entry {
    hysteresis_deg: Option<f64>,
    read_back_within_ms: Option<f64>,
    channel: Vec<ChannelEntry>,
}

#[derive(Debug, Deserialize)]
struct ChannelEntry {
    from_deg: Vec<f64>,
    to_deg: Option<Vec<f64>>,
    on_for_ms: Option<Vec<f64>>,
    on_lead_ms: Option<f64>,
    off_lead_ms: Option<f64>,
    minimum_on_ms: Option<f64>,
    #[serde(default)]
    read_back: bool,
    load_on_ms: Option<f64>,
    load_off_ms: Option<f64>,
}

/// Limit channels and their loads.
#[derive(Clone, Debug, PartialEq)]
pub struct Bank {
    /// The job that brings the channels.
    pub job: CheckedJob,
    /// What the loads take to follow.
    pub reactions: [Reaction; CHANNELS],
    /// The channels that have a window, as they are judged.
    pub(super) plans: Vec<Plan>,
}

/// One channel in degrees and seconds.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Plan {
    /// Which, from 0.
    pub(super) channel: usize,
    pub(super) windows: Vec<Window>,
    /// Longest time by which output and load lead or follow each other, s.
    pub(super) slowest_s: f64,
    /// Once on, its load is on for at least this, s.
    pub(super) least_on_s: f64,
    /// By how much longer a load is on than its output, s.
    pub(super) stretched_s: f64,
    pub(super) hysteresis_deg: f64,
}

/// A window.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Window {
    pub(super) from_deg: f64,
    pub(super) span: Span,
}

/// Where a window ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Span {
    /// So many degrees on.
    Deg(f64),
    /// So much later.
    Seconds(f64),
}

impl Bank {
    /// A bank of these channels under the press's settings.
    ///
    /// # Errors
    /// What cannot work, as the core finds it.
    pub(super) fn try_new(
        channels: BankSettings,
        reactions: [Reaction; CHANNELS],
        settings: &Settings,
    ) -> Result<Self, Box<job::Problem>> {
        let schema = settings.get();
        let mut releases = [None; RELEASES_MAX];
        releases[0] = Some(Release {
            speed: schema.top_stop.speed,
            angle: schema.top_stop.release,
        });
        let job = Job {
            label: Label::try_new("scenario").unwrap_or_else(|_| unreachable!("a printable word")),
            take_over: schema.angles.take_over,
            mute_end: schema.angles.mute_end,
            counterbalance: AirWindow {
                lowest_kpa: 0,
                highest_kpa: 1_000,
            },
            releases,
            limit_channels: channels,
        };
        let plans = (0..CHANNELS).filter_map(|index| Plan::of(index, &channels, &reactions[index]));
        Ok(Self {
            plans: plans.collect(),
            job: CheckedJob::try_new(job, settings, TICK)?,
            reactions,
        })
    }

    /// Whether this channel, from 0, has a window.
    pub(super) fn has(&self, channel: usize) -> bool {
        self.plans.iter().any(|plan| plan.channel == channel)
    }
}

impl Plan {
    fn of(index: usize, bank: &BankSettings, reaction: &Reaction) -> Option<Self> {
        let channel = bank.channels.get(index)?;
        let windows: Vec<Window> = match &channel.windows {
            Windows::Angles(windows) => windows.iter().flatten().map(by_angle).collect(),
            Windows::Timed(windows) => windows.iter().flatten().map(by_time).collect(),
        };
        if windows.is_empty() {
            return None;
        }
        let seconds = |it: Duration| units::duration_ms(it) / 1e3;
        let (on_s, off_s) = (reaction.on_us as f64 / 1e6, reaction.off_us as f64 / 1e6);
        let leads = seconds(channel.on_lead).max(seconds(channel.off_lead));
        Some(Self {
            channel: index,
            windows,
            slowest_s: leads.max(on_s).max(off_s),
            least_on_s: seconds(channel.minimum_on) + off_s - on_s,
            stretched_s: off_s - on_s,
            hysteresis_deg: units::travel_deg(bank.hysteresis),
        })
    }

    /// How far past the nearest beginning of a window this angle is, degrees.
    pub(super) fn past_beginning_deg(&self, angle_deg: f64) -> Option<f64> {
        let beginnings = self.windows.iter().map(|window| window.from_deg);
        nearest_deg(beginnings, angle_deg)
    }

    /// How far past the nearest end of a window this angle is, degrees; none where windows end after
    /// a time.
    pub(super) fn past_end_deg(&self, angle_deg: f64) -> Option<f64> {
        let ends = self.windows.iter().filter_map(|window| match window.span {
            Span::Deg(width_deg) => Some(window.from_deg + width_deg),
            Span::Seconds(_) => None,
        });
        nearest_deg(ends, angle_deg)
    }
}

/// From the nearest of these angles to this one, degrees.
fn nearest_deg(places: impl Iterator<Item = f64>, angle_deg: f64) -> Option<f64> {
    let past = places.map(|place| signed_deg(angle_deg - place));
    past.min_by(|one, other| one.abs().total_cmp(&other.abs()))
}

fn by_angle(window: &AngleWindow) -> Window {
    Window {
        from_deg: units::angle_deg(window.from),
        span: Span::Deg(units::travel_deg(window.to.travel_since(window.from))),
    }
}

fn by_time(window: &TimedWindow) -> Window {
    Window {
        from_deg: units::angle_deg(window.from),
        span: Span::Seconds(units::duration_ms(window.on_for) / 1e3),
    }
}

type Place<'a> = dyn Fn(&str, &str, &dyn Display) -> Problem + 'a;

impl Entry {
    /// # Errors
    /// What cannot work, at its place.
    pub(super) fn checked(
        &self,
        settings: &Settings,
        place: &Place<'_>,
    ) -> Result<Bank, Vec<Problem>> {
        let mut bank = BankSettings::UNUSED;
        if let Some(deg) = self.hysteresis_deg {
            bank.hysteresis = units::travel(deg);
        }
        if let Some(ms) = self.read_back_within_ms {
            bank.read_back_within = units::duration(ms);
        }
        let mut reactions = [Reaction::default(); CHANNELS];
        let mut problems = Vec::new();
        for (index, entry) in self.channel.iter().enumerate() {
            reactions[index] = entry.reaction();
            match entry.windows() {
                Ok(windows) => bank.channels[index] = entry.channel(windows),
                Err(allowed) => {
                    let key = format!("channel[{index}].from_deg");
                    problems.push(place(&key, "windows that do not fit together", &allowed));
                }
            }
        }
        if !problems.is_empty() {
            return Err(problems);
        }
        Bank::try_new(bank, reactions, settings).map_err(|problem| vec![told(&problem, place)])
    }
}

impl ChannelEntry {
    fn windows(&self) -> Result<Windows, &'static str> {
        let count = self.from_deg.len();
        match (&self.to_deg, &self.on_for_ms) {
            (Some(to_deg), None) if to_deg.len() == count => {
                let mut windows = [None; WINDOWS];
                let ends = self.from_deg.iter().zip(to_deg);
                for (window, (from, to)) in windows.iter_mut().zip(ends) {
                    *window = Some(AngleWindow {
                        from: units::angle(*from),
                        to: units::angle(*to),
                    });
                }
                Ok(Windows::Angles(windows))
            }
            (None, Some(on_for_ms)) if on_for_ms.len() == count => {
                let mut windows = [None; WINDOWS];
                let ends = self.from_deg.iter().zip(on_for_ms);
                for (window, (from, ms)) in windows.iter_mut().zip(ends) {
                    *window = Some(TimedWindow {
                        from: units::angle(*from),
                        on_for: units::duration(*ms),
                    });
                }
                Ok(Windows::Timed(windows))
            }
            _ => Err("for each angle in `from_deg` one in `to_deg`, or one time in `on_for_ms`"),
        }
    }

    fn channel(&self, windows: Windows) -> Channel {
        let unused = Channel::UNUSED;
        Channel {
            windows,
            on_lead: units::duration(self.on_lead_ms.unwrap_or(0.0)),
            off_lead: units::duration(self.off_lead_ms.unwrap_or(0.0)),
            minimum_on: self
                .minimum_on_ms
                .map_or(unused.minimum_on, units::duration),
            has_read_back: self.read_back,
        }
    }

    /// Without a word about it a load is as slow as its leads say.
    fn reaction(&self) -> Reaction {
        let us = |load: Option<f64>, lead: Option<f64>| {
            (1e3 * load.or(lead).unwrap_or(0.0)).round() as u64
        };
        Reaction {
            on_us: us(self.load_on_ms, self.on_lead_ms),
            off_us: us(self.load_off_ms, self.off_lead_ms),
        }
    }
}

/// What is wrong with a bank, at the key that it is about.
fn told(problem: &job::Problem, place: &Place<'_>) -> Problem {
    match problem {
        job::Problem::LimitChannels(ConfigError::Channel { channel, problem }) => place(
            &format!("channel[{channel}].from_deg"),
            "a channel that cannot work up to the highest speed",
            &needed(*problem),
        ),
        job::Problem::PressNotCommissioned => place(
            "channel[0].from_deg",
            "a press that is not commissioned",
            &"limit channels on commissioned settings",
        ),
        other => place(
            "channel[0].from_deg",
            "channels that do not fit the press's settings",
            &format!("what the core takes: {other:?}"),
        ),
    }
}

const fn needed(problem: ChannelProblem) -> &'static str {
    match problem {
        ChannelProblem::LeadTooLong => "leads of 500 ms and a quarter turn at most",
        ChannelProblem::MinimumOnOutOfRange => "a minimum on-time from one tick to 10 s",
        ChannelProblem::WindowTooNarrow => "a window wider than twice the hysteresis",
        ChannelProblem::WindowsTouch => "windows further apart than the hysteresis",
        ChannelProblem::OnTimeTooShort => "a window that lasts the minimum on-time",
        ChannelProblem::GapVanishes => "a gap between windows that the leads do not close",
        ChannelProblem::TimedTooLong => "a time that is over before the next window begins",
        ChannelProblem::ReadBackTooSlow => {
            "windows and gaps that last until the read-back is judged; `read_back_within_ms` sets when"
        }
    }
}
