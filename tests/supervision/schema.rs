//! Settings of an invented press, commissioned and whole, and jobs for it.

use stopwright_core::angle::{AngleWindow, CrankAngle, CrankTravel};
use stopwright_core::codec::PressRecord;
use stopwright_core::job::{AirWindow, Job, Release};
use stopwright_core::limit_channels::{self, Channel, TimedWindow, Windows};
use stopwright_core::press_identity::{Fingerprint, Label};
use stopwright_core::receiver;
use stopwright_core::receiver::index_switch::IndexSettings;
use stopwright_core::receiver::second::SecondSettings;
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Problem, Schema, Settings, Stage};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::time::Duration;
use stopwright_core::{motion, peer, stop_trend, top_stop, valve_pair};

pub(crate) fn deg(value: i32) -> CrankAngle {
    CrankAngle::from_millidegrees(value * 1_000)
}

fn travel(value: i32) -> CrankTravel {
    CrankTravel::from_millidegrees(value * 1_000)
}

pub(crate) fn spm(value: i32) -> CrankSpeed {
    CrankSpeed::from_milli_spm(value * 1_000)
}

pub(crate) fn ms(value: u32) -> Duration {
    Duration::from_millis(value)
}

/// 60 strokes per minute, 60 ms of reaction and 126 ms of braking: the worked example of a
/// stop curve (12 kg·m², 600 N·m).
pub(crate) const CURVE: StopCurve = StopCurve {
    reaction: Duration::from_millis(60),
    braking_ns_per_spm: 2_094_395,
};

pub(crate) fn press() -> Schema {
    let limits = StopLimits {
        speed: spm(60),
        time_advisory: ms(210),
        time_latch: ms(250),
        travel_advisory: travel(54),
        travel_latch: travel(60),
    };
    let stop = stop_time::Config::with_limits(limits, CURVE);
    let top_stop = top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: deg(315),
        speed: spm(60),
        curve: CURVE,
        late_bound: travel(2),
        early_bound: travel(8),
        deadband: travel(1),
    };
    let angles = Angles {
        take_over: deg(190),
        mute_end: deg(320),
        window_before: travel(8),
        window_after: travel(8),
        overrun_limit: travel(20),
    };
    let motion = motion::Config::with_speed_max(spm(90));
    let control_response = ms(20);
    Schema {
        stage: Stage::Commissioned,
        second: Some(SecondSettings {
            receiver: receiver::Settings::DEFAULT,
            difference_millidegrees: 2_000,
        }),
        index: Some(IndexSettings {
            closed: AngleWindow {
                from: deg(210),
                to: deg(270),
            },
            tolerance_millidegrees: 3_000,
            contradiction_millidegrees: 5_000,
            wander_millidegrees: 1_000,
            response_us: 2_000,
        }),
        peer: Some(peer::Config::DEFAULT),
        valve_pair: valve_pair::Config::with_off_within(ms(100)),
        trend: stop_trend::Config {
            top: Some(stop_trend::Baseline {
                time: ms(186),
                deviation: ms(3),
            }),
            mid_stroke: None,
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

pub(crate) fn record(braking_ns_per_spm: u32) -> PressRecord {
    let mut schema = press();
    schema.stop.curve.braking_ns_per_spm = braking_ns_per_spm;
    PressRecord {
        press: Label::try_new("invented press").unwrap(),
        fingerprint: Fingerprint {
            balance: schema.receiver.balance,
            index_angle: Some(deg(90)),
            stops: CURVE,
        },
        schema,
    }
}

/// A job with every channel and every window in use.
pub(crate) fn job(label: &str) -> Job {
    let window = |index: i32| {
        Some(AngleWindow {
            from: deg(10 + 80 * index),
            to: deg(50 + 80 * index),
        })
    };
    let timed = TimedWindow {
        from: deg(180),
        on_for: ms(60),
    };
    let mut channels = [Channel {
        windows: Windows::Angles([0, 1, 2, 3].map(window)),
        on_lead: ms(10),
        off_lead: ms(5),
        minimum_on: ms(10),
        has_read_back: false,
    }; limit_channels::CHANNELS];
    channels[15].windows = Windows::Timed([Some(timed), None, None, None]);
    let release = |speed, angle| Some(Release { speed, angle });
    Job {
        label: Label::try_new(label).unwrap(),
        take_over: deg(185),
        mute_end: deg(318),
        counterbalance: AirWindow {
            lowest_kpa: 300,
            highest_kpa: 450,
        },
        releases: [
            release(spm(40), deg(332)),
            release(spm(60), deg(315)),
            None,
            None,
            None,
            None,
            None,
            None,
        ],
        limit_channels: limit_channels::Settings {
            channels,
            ..limit_channels::Settings::UNUSED
        },
    }
}

#[test]
fn a_valve_that_may_shift_too_late_for_its_stop_is_refused_with_the_longest_time() {
    let mut schema = press();
    let allowed = schema.longest_shift_off();
    schema.valve_pair.shift[1].off_within = allowed;
    assert!(Settings::try_new(schema).is_ok());
    schema.valve_pair.shift[1].off_within = allowed.saturating_add(Duration::from_micros(1));
    let problems = Settings::try_new(schema).unwrap_err();
    assert_eq!(
        problems.as_slice(),
        [Problem::ShiftBeyondStop {
            element: 1,
            allowed
        }]
    );
}
