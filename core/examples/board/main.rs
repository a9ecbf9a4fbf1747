//! A board on the host: the application of `app.rs`, generic over `embedded-hal`, on mocked pins
//! and a mocked bus. On a target the same file runs on the pins of its chip's own crate.
//!
//! A model and a verification aid; not certified, and never the safeguard of a real press.

// The mocks run on the host, where a failed expectation may panic. `app.rs` would run on a target
// and takes none of this.
#![allow(
    clippy::arithmetic_side_effects,
    clippy::expect_used,
    clippy::float_arithmetic,
    clippy::indexing_slicing
)]

mod app;

use app::{Board, Frames};
use embedded_hal_mock::eh1::digital::{Mock as Pin, State, Transaction as Edge};
use embedded_hal_mock::eh1::spi::{Mock as Bus, Transaction as Transfer};
use stopwright_core::angle::{AngleWindow, CrankAngle, CrankTravel};
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Controller, Service, ServiceReply};
use stopwright_core::fault::FaultSet;
use stopwright_core::hal::{
    Command, FrameBuilder, Input, InputPair, LimitOutputs, Mailbox, PinWatchdog, Polarity,
    SamplePair, SpiConverter, TickBuilder, ValveOutputs,
};
use stopwright_core::job::{AirWindow, CheckedJob, Job, RELEASES_MAX, Release};
use stopwright_core::limit_channels::{self, Windows};
use stopwright_core::press_identity::Label;
use stopwright_core::safety_distance::{Approach, Distance, Rule};
use stopwright_core::settings::{Angles, Guard, Schema, Settings, Stage};
use stopwright_core::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::time::{Duration, Instant};
use stopwright_core::{motion, top_stop, valve_pair};

/// As an interrupt handler needs it.
static FRAMES: Mailbox<(Instant, Frames)> = Mailbox::new();

/// Ticks of the demonstration.
const TICKS: usize = 90;
/// The receiver trusts its angle after 25 frames, in the fifth tick, and has settled 50 ticks later:
/// then the crank is seen to stand, and the job is adopted. Everything begins anew with it.
const ADOPTED_IN: usize = 60;
const TRUSTED_AGAIN_IN: usize = ADOPTED_IN + 5;

fn main() {
    read_inputs();
    sample_once();
    run_board();
    println!(
        "{TICKS} ticks: valve off, channel on from tick {TRUSTED_AGAIN_IN} on, watchdog serviced"
    );
}

#[test]
fn the_board_runs() {
    main();
}

/// A guard with a normally open and a normally closed contact.
fn read_inputs() {
    let open = Pin::new(&[Edge::get(State::High)]);
    let closed = Pin::new(&[Edge::get(State::Low)]);
    let mut guard = InputPair::new(
        Input::new(open, Polarity::High),
        Input::new(closed, Polarity::High),
    );
    let expected = Levels {
        first: true,
        second: false,
    };
    assert_eq!(guard.levels(), expected);
    let (open, closed) = guard.into_inputs();
    open.into_pin().done();
    closed.into_pin().done();
}

/// One pair of samples over the bus.
fn sample_once() {
    let command = |first| Command {
        bytes: [first, 0, 0],
        shift: 0,
    };
    let mut bus = Bus::new(&[
        Transfer::transaction_start(),
        Transfer::transfer_in_place(vec![0x10, 0, 0], vec![0xFF, 0x0A, 0xBC]),
        Transfer::transaction_end(),
        Transfer::transaction_start(),
        Transfer::transfer_in_place(vec![0x20, 0, 0], vec![0xFF, 0x01, 0x23]),
        Transfer::transaction_end(),
    ]);
    let mut converter = SpiConverter::new(bus.clone(), command(0x10), command(0x20));
    let pair = converter.sample().expect("the mocked bus answers");
    assert_eq!((pair.sine, pair.cosine), (0xABC, 0x123));
    bus.done();
}

/// A standing crank at 90 degrees with one channel on around it.
fn run_board() {
    let pin = |levels: &[State]| {
        let edges: Vec<Edge> = levels.iter().map(|&level| Edge::set(level)).collect();
        Pin::new(&edges)
    };
    let read = |level: State| Pin::new(&vec![Edge::get(level); TICKS]);
    let always_low = [State::Low; TICKS + 1];
    let mut first_channel = always_low;
    first_channel[TRUSTED_AGAIN_IN..].fill(State::High);
    let alternating = |tick: usize| [State::High, State::Low][tick % 2];
    let watchdog: Vec<State> = (0..TICKS).map(alternating).collect();

    let settings = settings();
    let job = CheckedJob::try_new(job(), &settings, Duration::from_millis(1)).expect("a job");
    let valve = ValveOutputs::try_new(pin(&always_low), pin(&always_low));
    let outputs = [&first_channel, &always_low, &always_low, &always_low].map(|levels| pin(levels));
    let mut board = Board {
        frames: &FRAMES,
        guards: InputPair::new(
            Input::new(read(State::High), Polarity::High),
            Input::new(read(State::Low), Polarity::High),
        ),
        valve: valve.expect("the mocked pins go off"),
        limit_outputs: LimitOutputs::try_new(outputs).expect("the mocked pins go off"),
        watchdog: PinWatchdog::new(pin(&watchdog)),
        controller: Controller::new(settings, FaultSet::EMPTY),
    };
    let nothing_came = board.poll(Service::None);
    assert!(nothing_came.is_none(), "nothing is serviced");
    let mut interrupt = Interrupt::default();
    for tick in 1..=TICKS {
        interrupt.tick(Instant::from_micros(tick as u64 * 1_000), 90.0);
        let service = match tick {
            ADOPTED_IN => Service::AdoptJob(&job),
            _ => Service::None,
        };
        let ticked = board.poll(service).expect("frames have come");
        assert!(ticked.is_serviced, "tick {tick}");
        assert!(ticked.outputs.latched.is_empty(), "tick {tick}");
        let is_adopted = ticked.outputs.reply == ServiceReply::Adopted;
        assert_eq!(is_adopted, tick == ADOPTED_IN);
    }
    assert_eq!(FRAMES.missed(), 0);
    let (first, second) = board.valve.into_pins();
    let (open, closed) = board.guards.into_inputs();
    let all = board.limit_outputs.into_pins().into_iter();
    let others = [first, second, board.watchdog.into_pin()];
    for mut pin in all
        .chain(others)
        .chain([open.into_pin(), closed.into_pin()])
    {
        pin.done();
    }
}

/// Settings of an invented press.
fn settings() -> Settings {
    let travel = |degrees: i32| CrankTravel::from_millidegrees(degrees * 1_000);
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
    let guard = Guard {
        rule: Rule::UsStoppingTime,
        approach: Approach::default(),
        installed: Distance::from_millimetres(700),
        device: Duration::from_millis(20),
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
    let motion = motion::Config::with_speed_max(speed);
    let control_response = Duration::from_millis(20);
    let schema = Schema {
        stage: Stage::Commissioned,
        valve_pair: valve_pair::Config::with_off_within(Duration::from_millis(100)),
        guards: [Some(guard), None, None, None],
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    };
    Settings::try_new(schema).expect("the settings agree with each other")
}

/// A job with one limit channel, on from 70 to 110 degrees.
fn job() -> Job {
    let mut limit_channels = limit_channels::Settings::UNUSED;
    let window = AngleWindow {
        from: deg(70),
        to: deg(110),
    };
    limit_channels.channels[0].windows = Windows::Angles([Some(window), None, None, None]);
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

fn deg(degrees: i32) -> CrankAngle {
    CrankAngle::from_millidegrees(degrees * 1_000)
}

/// What the sampling interrupt does.
#[derive(Default)]
struct Interrupt {
    frame: FrameBuilder,
    tick: TickBuilder,
}

impl Interrupt {
    fn tick(&mut self, now: Instant, crank_deg: f64) {
        // The windings' own zero lies 45 degrees from the top in the default settings.
        let (sine, cosine) = (crank_deg + 45.0).to_radians().sin_cos();
        for sample in 0..FRAMES_PER_TICK * SAMPLES_PER_FRAME {
            let phase = sample as f64 / SAMPLES_PER_FRAME as f64 * std::f64::consts::TAU;
            let code = |winding: f64| (2_048.0 + 1_800.0 * winding * phase.sin()).round() as u16;
            let pair = SamplePair {
                sine: code(sine),
                cosine: code(cosine),
            };
            let frame = self.frame.push(pair);
            if let Some(frames) = frame.and_then(|frame| self.tick.push(frame)) {
                FRAMES.put((now, frames));
            }
        }
    }
}
