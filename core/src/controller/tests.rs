//! What no input brings about: bits of the state turn over between two ticks.

use super::*;
use crate::angle::{AngleWindow, CrankAngle};
use crate::fault::ResetRule;
use crate::fault_latch::Standing;
use crate::limit_channels::{CHANNELS, Channel, TimedWindow, Windows};
use crate::settings::{Angles, Schema, Stage};
use crate::stop_curve::StopCurve;
use crate::stop_time::{self, StopLimits};
use crate::{motion, top_stop};

const STANDINGS: [Standing; 3] = [
    Standing::Operator,
    Standing::KeyHolder,
    Standing::Recommissioned,
];

fn settings() -> Settings {
    let travel = |degrees: i32| CrankTravel::from_millidegrees(degrees.saturating_mul(1_000));
    let angle = |degrees: i32| CrankAngle::TOP_DEAD_CENTRE.wrapping_add(travel(degrees));
    let speed = CrankSpeed::from_milli_spm(60_000);
    let curve = StopCurve {
        reaction: Duration::from_millis(60),
        braking_ns_per_spm: 2_094_395,
    };
    let limits = StopLimits {
        speed,
        time_advisory: Duration::from_millis(210),
        time_latch: Duration::from_millis(250),
        travel_advisory: travel(53),
        travel_latch: travel(56),
    };
    let stop = stop_time::Config::with_limits(limits, curve);
    let top_stop = top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: angle(315),
        speed,
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
    let motion = motion::Config::with_speed_max(speed);
    let control_response = Duration::from_millis(20);
    let schema = Schema {
        stage: Stage::Provisional,
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    };
    Settings::try_new(schema).unwrap()
}

fn tick(controller: &mut Controller, ms: u64, reset: Option<Standing>) -> Outputs {
    let inputs = Inputs {
        supply_ok: true,
        reset,
        ..Inputs::dead(Instant::from_micros(ms.wrapping_mul(1_000)))
    };
    controller.tick(&inputs)
}

/// The state is damaged, then mended by a reset of the standing it takes and of no less.
fn is_refused(damage: fn(&mut Controller)) {
    let mut controller = Controller::new(settings(), FaultSet::EMPTY);
    let outputs = tick(&mut controller, 1, None);
    assert!(outputs.latched.is_empty() && !outputs.second_means);
    damage(&mut controller);
    let outputs = tick(&mut controller, 2, None);
    let code = FaultCode::ImpossibleState;
    assert!(outputs.raised.contains(code), "{:?}", outputs.stroke);
    assert!(!outputs.valve.is_on && outputs.second_means);
    assert_eq!(outputs.stroke, Stroke::FaultLatched);
    assert_eq!(code.reset_rule(), ResetRule::Recommissioning);
    for (ms, standing) in (3..).zip(STANDINGS) {
        let outputs = tick(&mut controller, ms, Some(standing));
        let is_latched = outputs.latched.contains(code);
        assert_eq!(is_latched, standing != Standing::Recommissioned);
    }
}

#[test]
fn a_state_that_drives_what_nobody_started_is_refused_and_named() {
    is_refused(|controller| controller.stroke = Stroke::Opening);
    is_refused(|controller| controller.stroke = Stroke::ContinuousRunning);
}

#[test]
fn a_drive_that_no_state_knows_of_is_taken_away_and_named() {
    is_refused(|controller| {
        let now = Instant::from_micros(1_000);
        controller.valve.drive(true, now);
        controller
            .own_health
            .end(Flow::begin(), FaultSet::EMPTY, true);
    });
}

#[test]
fn a_latch_or_a_drive_that_turns_over_by_itself_is_damaged_memory() {
    let mut controller = Controller::new(settings(), FaultSet::EMPTY);
    let _ = tick(&mut controller, 1, None);
    controller.latch = FaultLatch::new();
    let evidence = Evidence {
        at: Instant::default(),
        angle: None,
        speed: CrankSpeed::ZERO,
    };
    let turned = FaultSet::EMPTY.with(FaultCode::Overspeed);
    controller.latch.raise(turned, evidence);
    let outputs = tick(&mut controller, 2, None);
    assert!(outputs.raised.contains(FaultCode::MemoryDamaged));
    assert!(!outputs.valve.is_on && outputs.second_means);
}

#[test]
fn settings_that_turn_over_by_themselves_are_damaged_memory() {
    let mut other = *settings().get();
    other.angles.mute_end = other
        .angles
        .mute_end
        .wrapping_add(CrankTravel::from_millidegrees(1));
    let other = Settings::try_new(other).unwrap();
    let mut controller = Controller::new(settings(), FaultSet::EMPTY);
    let _ = tick(&mut controller, 1, None);
    controller.settings = other;
    let code = FaultCode::MemoryDamaged;
    let seen = (2..)
        .take(crate::health::SECTIONS)
        .position(|ms| tick(&mut controller, ms, None).raised.contains(code));
    assert!(seen.is_some());
}

const WINDOW: AngleWindow = AngleWindow {
    from: CrankAngle::from_millidegrees(40_000),
    to: CrankAngle::from_millidegrees(80_000),
};

const fn on_in(window: AngleWindow) -> Windows {
    Windows::Angles([Some(window), None, None, None])
}

/// A bank with a window in every channel.
fn bank() -> limit_channels::Settings {
    let channel = Channel {
        windows: on_in(WINDOW),
        ..Channel::UNUSED
    };
    limit_channels::Settings {
        channels: [channel; CHANNELS],
        ..limit_channels::Settings::UNUSED
    }
}

fn ready_for_use(settings: &limit_channels::Settings) -> limit_channels::Config {
    let speed_max = CrankSpeed::from_milli_spm(60_000);
    limit_channels::Config::try_new(settings, speed_max, TICK).unwrap()
}

/// A controller with that bank in force.
fn with_a_job() -> Controller {
    let mut controller = Controller::new(settings(), FaultSet::EMPTY);
    controller.job = Some(ready_for_use(&bank()));
    controller.take_up();
    for ms in 1..=100 {
        assert!(tick(&mut controller, ms, None).latched.is_empty());
    }
    controller
}

/// Damage to the job in force is latched and named in as many ticks as there are parts.
#[track_caller]
fn is_found(controller: &mut Controller) {
    let within = limit_channels::PARTS;
    let mut ticks = (101..).take(within);
    let found = ticks.find_map(|ms| {
        let outputs = tick(controller, ms, None);
        outputs
            .raised
            .contains(FaultCode::MemoryDamaged)
            .then_some(outputs)
    });
    let outputs = found.unwrap();
    assert!(!outputs.valve.is_on && outputs.second_means);
    assert!(controller.service_token().is_none());
}

#[test]
fn a_bit_that_turns_over_in_a_window_of_a_limit_channel_is_damaged_memory() {
    for channel in 0..CHANNELS {
        // Each bit of where the window begins but the highest ones, which would let it touch itself.
        for bit in 0..26 {
            let mut turned = bank();
            let turned_channel = turned.channels.get_mut(channel).unwrap();
            let from = WINDOW.from.to_bits() ^ (1 << bit);
            turned_channel.windows = on_in(AngleWindow {
                from: CrankAngle::from_bits(from),
                ..WINDOW
            });
            let mut controller = with_a_job();
            controller.job = Some(ready_for_use(&turned));
            is_found(&mut controller);
        }
    }
}

#[test]
fn whatever_else_turns_over_in_a_job_is_damaged_memory() {
    let changes: [fn(&mut limit_channels::Settings); 8] = [
        |bank| bank.hysteresis = CrankTravel::from_millidegrees(501),
        |bank| bank.read_back_within = Duration::from_millis(51),
        |bank| bank.channels[9].has_read_back = true,
        |bank| bank.channels[0].on_lead = Duration::from_millis(1),
        |bank| bank.channels[15].off_lead = Duration::from_millis(1),
        |bank| bank.channels[3].minimum_on = Duration::from_millis(2),
        |bank| bank.channels[7].windows = Windows::Angles([None; limit_channels::WINDOWS]),
        |bank| {
            bank.channels[2].windows = Windows::Timed([
                Some(TimedWindow {
                    from: CrankAngle::from_millidegrees(40_000),
                    on_for: Duration::from_millis(20),
                }),
                None,
                None,
                None,
            ]);
        },
    ];
    for change in changes {
        let mut turned = bank();
        change(&mut turned);
        let mut controller = with_a_job();
        controller.job = Some(ready_for_use(&turned));
        is_found(&mut controller);
    }
    let mut controller = with_a_job();
    controller.job = None;
    is_found(&mut controller);
}

#[test]
fn no_token_is_given_before_a_tick_after_a_late_one_or_twice() {
    let mut controller = Controller::new(settings(), FaultSet::EMPTY);
    assert!(controller.service_token().is_none());
    for ms in 1..=2 {
        let _ = tick(&mut controller, ms, None);
        assert!(controller.service_token().is_some());
        assert!(controller.service_token().is_none());
    }
    let outputs = tick(&mut controller, 4, None);
    assert!(outputs.raised.contains(FaultCode::TickLate));
    assert!(controller.service_token().is_none());
}
