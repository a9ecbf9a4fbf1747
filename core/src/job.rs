//! Job data: what a die brings with it. A job stands on a commissioned press and is checked
//! together with it: each of its release angles must make settings that hold as a whole, and its
//! limit channels must work up to the press's highest speed.
//!
//! Jobs are chosen at standstill. Nothing of a press's own (limits on stopping, distances, times)
//! can be changed through a job.

use crate::angle::CrankAngle;
use crate::limit_channels;
use crate::press_identity::Label;
use crate::settings::{Problems, Schema, Settings, Stage};
use crate::speed::CrankSpeed;
use crate::time::Duration;

/// Release angles one job may have.
pub const RELEASES_MAX: usize = 8;
/// Highest counterbalance air, kilopascals.
const AIR_MAX_KPA: u16 = 1_000;

/// A release angle and the speed it was commissioned at with this die.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Release {
    /// The speed.
    pub speed: CrankSpeed,
    /// The release angle.
    pub angle: CrankAngle,
}

/// A window of air pressure, kilopascals, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AirWindow {
    /// Lower end.
    pub lowest_kpa: u16,
    /// Upper end, at most 1000.
    pub highest_kpa: u16,
}

/// One job in the open, unchecked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Job {
    /// Its name, as it stands in the record.
    pub label: Label,
    /// From here the hands are free.
    pub take_over: CrankAngle,
    /// Last muted angle.
    pub mute_end: CrankAngle,
    /// Counterbalance air for the weight of this die.
    pub counterbalance: AirWindow,
    /// Release angles, by ascending speed.
    pub releases: [Option<Release>; RELEASES_MAX],
    /// Limit channels.
    pub limit_channels: limit_channels::Settings,
}

/// Why a job can not run on a press.
// Without allocation the list of problems has nowhere else to be.
#[allow(clippy::large_enum_variant)]
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Problem {
    /// The press itself is not commissioned.
    PressNotCommissioned,
    /// The job has no release angle.
    NoRelease,
    /// The speeds of the release angles do not ascend, or are not from above 0 to the press's
    /// highest speed.
    ReleaseSpeed {
        /// Place in the list.
        release: usize,
    },
    /// The air window is empty or reaches above 1000 kPa.
    Counterbalance,
    /// With this release angle the press's settings do not hold together.
    Press {
        /// Place in the list.
        release: usize,
        /// What is wrong.
        problems: Problems,
    },
    /// The limit channels can not work.
    LimitChannels(limit_channels::ConfigError),
}

/// A job that has been checked with its press.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CheckedJob {
    job: Job,
    press: Schema,
    /// For the commissioned speed of the press.
    settings: Settings,
    limit_channels: limit_channels::Config,
}

impl CheckedJob {
    /// Checks `job` together with `press`, whose limit channels are stepped every `tick`.
    ///
    /// # Errors
    /// The first [`Problem`].
    // The list of problems travels by value without allocation, and only when a job is refused.
    #[allow(clippy::result_large_err)]
    pub fn try_new(job: Job, press: &Settings, tick: Duration) -> Result<Self, Problem> {
        let press = press.get();
        if press.stage != Stage::Commissioned {
            return Err(Problem::PressNotCommissioned);
        }
        let air = job.counterbalance;
        if air.lowest_kpa >= air.highest_kpa || air.highest_kpa > AIR_MAX_KPA {
            return Err(Problem::Counterbalance);
        }
        check_releases(&job, press)?;
        let limit_channels =
            limit_channels::Config::try_new(&job.limit_channels, press.motion.speed_max, tick)
                .map_err(Problem::LimitChannels)?;
        let settings = job
            .settings_at(press, press.top_stop.speed)
            // Every release has just been checked.
            .map_err(|_| Problem::NoRelease)?;
        Ok(Self {
            job,
            press: *press,
            settings,
            limit_channels,
        })
    }

    /// The job.
    pub const fn get(&self) -> &Job {
        &self.job
    }

    /// The settings it was checked with.
    pub const fn press(&self) -> &Schema {
        &self.press
    }

    /// Its limit channels, ready for use.
    pub const fn limit_channels(&self) -> &limit_channels::Config {
        &self.limit_channels
    }

    /// The settings for running this job at about the commissioned speed of the press.
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The settings for running this job at about `speed`: those of the press, with the job's
    /// angles and its release angle commissioned nearest to that speed.
    ///
    /// # Errors
    /// The settings' own problems; a job that has been checked has none.
    #[allow(clippy::result_large_err)]
    pub fn settings_at(&self, speed: CrankSpeed) -> Result<Settings, Problems> {
        self.job.settings_at(&self.press, speed)
    }
}

impl Job {
    #[allow(clippy::result_large_err)]
    fn settings_at(&self, press: &Schema, speed: CrankSpeed) -> Result<Settings, Problems> {
        let distance = |release: &&Release| {
            let (here, there) = (release.speed.as_counts_per_ms(), speed.as_counts_per_ms());
            here.abs_diff(there)
        };
        let nearest = self.releases.iter().flatten().min_by_key(distance);
        Settings::try_new(match nearest {
            Some(release) => self.on(press, release),
            None => *press,
        })
    }

    /// The press's settings with this job's angles and one of its releases. The compensation keeps the
    /// bounds of the press as far as that release leaves room for them: a slower stop has less.
    fn on(&self, press: &Schema, release: &Release) -> Schema {
        let mut schema = *press;
        schema.angles.take_over = self.take_over;
        schema.angles.mute_end = self.mute_end;
        schema.top_stop.release = release.angle;
        schema.top_stop.speed = release.speed;
        schema.top_stop.late_bound = press.top_stop.late_bound.min(schema.room_later());
        schema.top_stop.early_bound = press.top_stop.early_bound.min(schema.room_earlier());
        schema
    }
}

#[allow(clippy::result_large_err)]
fn check_releases(job: &Job, press: &Schema) -> Result<(), Problem> {
    let mut slowest = CrankSpeed::ZERO;
    let mut is_empty = true;
    for (place, release) in job.releases.iter().enumerate() {
        let Some(release) = release else { continue };
        is_empty = false;
        if release.speed <= slowest || release.speed > press.motion.speed_max {
            return Err(Problem::ReleaseSpeed { release: place });
        }
        slowest = release.speed;
        Settings::try_new(job.on(press, release)).map_err(|problems| Problem::Press {
            release: place,
            problems,
        })?;
    }
    if is_empty {
        return Err(Problem::NoRelease);
    }
    Ok(())
}
