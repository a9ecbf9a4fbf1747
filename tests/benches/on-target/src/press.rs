//! A press in integers for the whole tick: what its operator does, what its crank answers, and the
//! inputs that come of both. Its settings have a job with sixteen limit channels of four windows.

use crate::motion::Motion;
use stopwright_core::angle::{AngleWindow, CrankAngle, CrankTravel};
use stopwright_core::contacts::{Levels, PairKind};
use stopwright_core::controller::{Inputs, Outputs, Selector, TICK};
use stopwright_core::job::{AirWindow, CheckedJob, Job, Release};
use stopwright_core::limit_channels::{self, Channel, Windows};
use stopwright_core::press_identity::Label;
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Schema, Settings, Stage};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::time::{Duration, Instant};
use stopwright_core::two_hand::PalmContacts;
use stopwright_core::valve_pair::{self, Captured, ElementFeedback};
use stopwright_core::{motion, receiver, run_in, stop_trend, top_stop};

const SPEED: CrankSpeed = CrankSpeed::from_milli_spm(60_000);
/// The same, counts of a sample: 40 samples a millisecond.
const SPEED_A_SAMPLE: i32 = SPEED.as_counts_per_ms() / 40;
/// From the drive to the crank's first answer, off and on, and from there to its new speed.
const VALVE_MS: u64 = 30;
const BRAKE_MS: i32 = 120;
const CLUTCH_MS: i32 = 60;

const fn angle(degrees: i32) -> CrankAngle {
    CrankAngle::from_millidegrees(degrees * 1_000)
}

const fn travel(degrees: i32) -> CrankTravel {
    CrankTravel::from_millidegrees(degrees * 1_000)
}

fn schema() -> Schema {
    let curve = StopCurve {
        reaction: Duration::from_millis(30),
        braking_ns_per_spm: 2_000_000,
    };
    let limits = StopLimits {
        speed: SPEED,
        time_advisory: Duration::from_millis(180),
        time_latch: Duration::from_millis(220),
        travel_advisory: travel(41),
        travel_latch: travel(43),
    };
    let stop = stop_time::Config::with_limits(limits, curve);
    let top_stop = top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: angle(328),
        speed: SPEED,
        curve,
        late_bound: travel(2),
        early_bound: travel(8),
        deadband: travel(1),
    };
    let angles = Angles {
        take_over: angle(190),
        mute_end: angle(310),
        window_before: travel(8),
        window_after: travel(12),
        overrun_limit: travel(14),
    };
    let motion = motion::Config::with_speed_max(CrankSpeed::from_milli_spm(66_000));
    let control_response = Duration::from_millis(20);
    Schema {
        stage: Stage::Commissioned,
        receiver: receiver::Settings {
            is_surveyed: true,
            ..receiver::Settings::DEFAULT
        },
        valve_pair: valve_pair::Config::with_off_within(Duration::from_millis(60)),
        run_in: run_in::Config {
            warm_up_stops: 1,
            ..run_in::Config::DEFAULT
        },
        trend: stop_trend::Config {
            top: Some(stop_trend::Baseline {
                time: Duration::from_millis(150),
                deviation: Duration::from_millis(4),
            }),
            mid_stroke: None,
        },
        guards: [
            Some(Guard {
                rule: Rule::UsStoppingTime,
                approach: Approach::default(),
                installed: Distance::from_millimetres(2_000),
                device: Duration::from_millis(20),
            }),
            None,
            None,
            None,
        ],
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    }
}

pub fn settings() -> Option<Settings> {
    Settings::try_new(schema()).ok()
}

/// Sixteen channels of four windows, each window a little further on, with leads of their own.
pub fn job(settings: &Settings) -> Option<CheckedJob> {
    let channel = |number: i32| {
        let from = |window: i32| angle(window * 90 + number * 5);
        let window = |window: i32| {
            Some(AngleWindow {
                from: from(window),
                to: from(window).wrapping_add(travel(40)),
            })
        };
        Channel {
            windows: Windows::Angles([window(0), window(1), window(2), window(3)]),
            on_lead: Duration::from_millis(10 + number.unsigned_abs()),
            off_lead: Duration::from_millis(20 - number.unsigned_abs()),
            minimum_on: Duration::from_millis(10),
            has_read_back: false,
        }
    };
    let job = Job {
        label: Label::try_new("Die 1").ok()?,
        take_over: angle(190),
        mute_end: angle(310),
        counterbalance: AirWindow {
            lowest_kpa: 300,
            highest_kpa: 400,
        },
        releases: [None; 8].map({
            let mut first = Some(Release {
                speed: SPEED,
                angle: angle(328),
            });
            move |_: Option<Release>| first.take()
        }),
        limit_channels: limit_channels::Settings {
            channels: core::array::from_fn(|number| channel(number as i32)),
            ..limit_channels::Settings::UNUSED
        },
    };
    CheckedJob::try_new(job, settings, TICK).ok()
}

/// The crank and who works it.
pub struct Press {
    pub ms: u64,
    motion: Motion,
    drive: Captured,
    hands: bool,
}

impl Press {
    pub const fn new() -> Self {
        Self {
            ms: 1_000,
            motion: Motion::new(),
            drive: Captured {
                is_on: false,
                changed_at: Instant::from_micros(0),
            },
            hands: false,
        }
    }

    /// What the controller sees next.
    pub fn inputs(&mut self) -> Inputs<'static> {
        self.ms += 1;
        let now = Instant::from_micros(self.ms * 1_000);
        let is_late =
            now.saturating_since(self.drive.changed_at) > Duration::from_millis(VALVE_MS as u32);
        let follows = is_late == self.drive.is_on;
        let (target, over) = match follows {
            true => (SPEED_A_SAMPLE, CLUTCH_MS),
            false => (0, BRAKE_MS),
        };
        let frames = self.motion.towards(target, SPEED_A_SAMPLE / over);
        let hand = if self.hands {
            PalmContacts::PRESSED
        } else {
            PalmContacts::RELEASED
        };
        let mut inputs = Inputs {
            frames,
            supply_ok: true,
            selector: Selector::at(Mode::Single),
            emergency_chain: Levels::of(PairKind::Equivalent, true),
            stop_control_closed: true,
            presence: Levels::of(PairKind::Equivalent, true),
            guards: Levels::of(PairKind::Complementary, true),
            motor_forward: true,
            clutch_air_ok: true,
            counterbalance_air_ok: true,
            brake_temperature_ok: true,
            auxiliaries_ok: true,
            valve: [ElementFeedback {
                coil: self.drive,
                shifted: self.drive,
            }; 2],
            ..Inputs::dead(now)
        };
        inputs.stations[0].is_active = true;
        inputs.stations[0].left = hand;
        inputs.stations[0].right = hand;
        inputs
    }

    /// What the press does with what the controller says; the operator presses both buttons as
    /// soon as there is a stroke to be had, and lets go once the slide opens or `lets_go` says so.
    pub fn obey(&mut self, outputs: &Outputs, lets_go: bool) {
        if outputs.valve.is_on != self.drive.is_on {
            let at = Instant::from_micros(self.ms * 1_000).saturating_add(outputs.valve.after);
            self.drive = Captured {
                is_on: outputs.valve.is_on,
                changed_at: at,
            };
        }
        self.hands = match outputs.stroke {
            Stroke::Ready | Stroke::Closing => !lets_go,
            _ => false,
        };
    }
}
