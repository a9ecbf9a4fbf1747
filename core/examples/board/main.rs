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
use stopwright_core::angle::{AngleWindow, CrankAngle};
use stopwright_core::contacts::Levels;
use stopwright_core::hal::{
    Command, FrameBuilder, Input, InputPair, LimitOutputs, Mailbox, PinWatchdog, Polarity,
    SamplePair, SpiConverter, TickBuilder, ValveOutputs,
};
use stopwright_core::health::TickWatch;
use stopwright_core::limit_channels::{self, LimitChannels, Windows};
use stopwright_core::receiver::{self, Receiver};
use stopwright_core::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::{Duration, Instant};

/// As an interrupt handler needs it.
static FRAMES: Mailbox<(Instant, Frames)> = Mailbox::new();

/// Ticks of the demonstration; the receiver trusts its angle after 25 frames, in the fifth.
const TICKS: usize = 10;
const TRUSTED_FROM: usize = 5;

fn main() {
    read_inputs();
    sample_once();
    run_board();
    println!("{TICKS} ticks: valve off, channel on from tick {TRUSTED_FROM} on, watchdog serviced");
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
    let always_low = [State::Low; TICKS + 1];
    let mut first_channel = always_low;
    first_channel[TRUSTED_FROM..].fill(State::High);
    let watchdog: Vec<State> = (0..TICKS)
        .map(|tick| {
            if tick % 2 == 0 {
                State::High
            } else {
                State::Low
            }
        })
        .collect();

    let receiver_config = receiver::Config::new(receiver::Settings::DEFAULT);
    let channels_config = limit_channels::Config::try_new(
        &around(90_000),
        CrankSpeed::from_milli_spm(150_000),
        Duration::from_millis(1),
    )
    .expect("the window works");
    let valve = ValveOutputs::try_new(pin(&always_low), pin(&always_low));
    let outputs = [&first_channel, &always_low, &always_low, &always_low].map(|levels| pin(levels));
    let mut board = Board {
        frames: &FRAMES,
        valve: valve.expect("the mocked pins go off"),
        limit_outputs: LimitOutputs::try_new(outputs).expect("the mocked pins go off"),
        watchdog: PinWatchdog::new(pin(&watchdog)),
        receiver_config,
        channels_config,
        receiver: Receiver::new(),
        channels: LimitChannels::new(),
        ticks: TickWatch::new(),
    };
    assert!(!board.poll(), "nothing came: nothing is serviced");
    let mut interrupt = Interrupt::default();
    for tick in 1..=TICKS as u64 {
        interrupt.tick(Instant::from_micros(tick * 1_000), 90.0);
        assert!(board.poll(), "tick {tick}");
    }
    assert_eq!(FRAMES.missed(), 0);
    let (first, second) = board.valve.into_pins();
    let all = board.limit_outputs.into_pins().into_iter();
    for mut pin in all.chain([first, second, board.watchdog.into_pin()]) {
        pin.done();
    }
}

fn around(millidegrees: i32) -> limit_channels::Settings {
    let mut settings = limit_channels::Settings::UNUSED;
    let window = AngleWindow {
        from: CrankAngle::from_millidegrees(millidegrees - 20_000),
        to: CrankAngle::from_millidegrees(millidegrees + 20_000),
    };
    settings.channels[0].windows = Windows::Angles([Some(window), None, None, None]);
    settings
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
