//! Settings of the rig: 60 strokes per minute, 60 ms from the command until the brake bites and
//! 126 ms of braking (12 kg·m² under 600 N·m), stopped at the top from 315 degrees.

use stopwright_core::angle::{AngleWindow, CrankAngle, CrankTravel};
use stopwright_core::job::{AirWindow, Job, RELEASES_MAX, Release};
use stopwright_core::limit_channels::{self, Channel, Windows};
use stopwright_core::press_identity::Label;
use stopwright_core::receiver;
use stopwright_core::receiver::index_switch::IndexSettings;
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Schema, Stage};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::time::Duration;
use stopwright_core::{motion, peer, run_in, stop_trend, top_stop, valve_pair};

pub(crate) const SPEED_DEG_S: f64 = 360.0;
/// From coil off until the brake bites; the coil takes another 5 ms.
pub(crate) const REACTION_MS: f64 = 55.0;
/// 600 N·m over 12 kg·m².
pub(crate) const BRAKING_DEG_S2: f64 = 2_864.8;

pub(crate) const fn deg(value: i32) -> CrankAngle {
    CrankAngle::from_millidegrees(value * 1_000)
}

pub(crate) const fn travel(value: i32) -> CrankTravel {
    CrankTravel::from_millidegrees(value * 1_000)
}

const fn ms(value: u32) -> Duration {
    Duration::from_millis(value)
}

/// What the clutch can do, three times over: a sharper bound finds what a wide one must let pass.
const RECEIVER: receiver::Settings = receiver::Settings {
    acceleration_max_deg_s2: 10_000,
    ..receiver::Settings::DEFAULT
};

/// One resolver, no index switch.
pub(crate) fn plain() -> Schema {
    let speed = CrankSpeed::from_milli_spm(60_000);
    let curve = StopCurve {
        reaction: ms(60),
        braking_ns_per_spm: 2_094_395,
    };
    let limits = StopLimits {
        speed,
        time_advisory: ms(210),
        time_latch: ms(250),
        travel_advisory: travel(53),
        travel_latch: travel(56),
    };
    let stop = stop_time::Config::with_limits(limits, curve);
    let top_stop = top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: deg(315),
        speed,
        curve,
        late_bound: travel(2),
        early_bound: travel(8),
        deadband: travel(1),
    };
    let angles = Angles {
        take_over: deg(190),
        mute_end: deg(310),
        window_before: travel(8),
        window_after: travel(12),
        overrun_limit: travel(14),
    };
    let motion = motion::Config::with_speed_max(CrankSpeed::from_milli_spm(90_000));
    let control_response = ms(20);
    Schema {
        stage: Stage::Commissioned,
        receiver: RECEIVER,
        valve_pair: valve_pair::Config::with_off_within(ms(100)),
        // No stop of the rig is one of a cold brake.
        run_in: run_in::Config {
            warm_up_stops: 0,
            ..run_in::Config::DEFAULT
        },
        guards: [
            Some(Guard {
                rule: Rule::UsStoppingTime,
                approach: Approach::default(),
                installed: Distance::from_millimetres(700),
                device: ms(20),
            }),
            None,
            None,
            None,
        ],
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    }
}

/// A press that is released at 203 degrees, just past its take-over angle, and comes to rest at the
/// top after 157 degrees.
pub(crate) fn long_stop() -> Schema {
    let mut schema = plain();
    schema.top_stop.release = deg(203);
    schema.top_stop.early_bound = travel(3);
    schema.top_stop.curve.reaction = ms(213);
    schema.top_stop.curve.braking_ns_per_spm = 7_440_000;
    schema
}

/// With what commissioning found of the stops.
pub(crate) fn followed() -> Schema {
    let baseline = Some(stop_trend::Baseline {
        time: ms(186),
        deviation: ms(4),
    });
    Schema {
        trend: stop_trend::Config {
            top: baseline,
            mid_stroke: baseline,
        },
        ..plain()
    }
}

/// With a survey of the resolver.
pub(crate) fn surveyed() -> Schema {
    let mut schema = plain();
    schema.receiver.is_surveyed = true;
    schema
}

/// With a second resolver and an index switch.
pub(crate) fn corroborated() -> Schema {
    Schema {
        second: Some(SecondSettings {
            receiver: RECEIVER,
            difference_millidegrees: 2_000,
        }),
        index: Some(IndexSettings {
            closed: AngleWindow {
                from: deg(210),
                to: deg(270),
            },
            tolerance_millidegrees: 3_000,
            contradiction_millidegrees: 8_000,
            wander_millidegrees: 1_000,
            response_us: 2_000,
        }),
        ..plain()
    }
}

/// With a receiver that follows no further than the press is meant to run.
pub(crate) fn slow_receiver() -> Schema {
    let mut schema = plain();
    schema.receiver.speed_max_milli_spm = 70_000;
    schema
}

/// With a second channel.
pub(crate) fn paired() -> Schema {
    Schema {
        peer: Some(peer::Config::DEFAULT),
        ..plain()
    }
}

/// A job with one limit channel that is read back.
pub(crate) fn job() -> Job {
    let mut limit_channels = limit_channels::Settings::UNUSED;
    limit_channels.channels[0] = Channel {
        windows: Windows::Angles([
            Some(AngleWindow {
                from: deg(20),
                to: deg(200),
            }),
            None,
            None,
            None,
        ]),
        has_read_back: true,
        ..Channel::UNUSED
    };
    let mut releases = [None; RELEASES_MAX];
    releases[0] = Some(Release {
        speed: CrankSpeed::from_milli_spm(60_000),
        angle: deg(315),
    });
    Job {
        label: Label::try_new("die").expect("a label"),
        take_over: deg(190),
        mute_end: deg(310),
        counterbalance: AirWindow {
            lowest_kpa: 300,
            highest_kpa: 450,
        },
        releases,
        limit_channels,
    }
}
