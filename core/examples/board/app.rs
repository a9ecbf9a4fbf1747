//! One tick of a board: frames from the mailbox to the crank position, limit channels to their
//! pins, the watchdog at the end. The stroke logic (`stopwright_core::controller`) takes the place
//! of `release_valve` on a whole board; here the valve stays off.

#![warn(
    clippy::arithmetic_side_effects,
    clippy::expect_used,
    clippy::float_arithmetic,
    clippy::indexing_slicing
)]

use embedded_hal::digital::OutputPin;
use stopwright_core::hal::{LimitOutputs, Mailbox, ValveOutputs, Watchdog};
use stopwright_core::health::{Checkpoint, Flow, TickConfig, TickWatch, end_of_tick};
use stopwright_core::limit_channels::{self, ChannelSet, LimitChannels};
use stopwright_core::receiver::{self, CrankPosition, Receiver};
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK};
use stopwright_core::time::{Duration, Instant};

/// Frames of one tick, from the sampling interrupt.
pub(crate) type Frames = [CarrierFrame; FRAMES_PER_TICK];

/// Everything the board holds.
pub(crate) struct Board<'a, V1, V2, L, W> {
    /// From the sampling interrupt.
    pub(crate) frames: &'a Mailbox<(Instant, Frames)>,
    /// The valve elements.
    pub(crate) valve: ValveOutputs<V1, V2>,
    /// Four limit channels.
    pub(crate) limit_outputs: LimitOutputs<L, 4>,
    /// The watchdog.
    pub(crate) watchdog: W,
    /// How the resolver is read.
    pub(crate) receiver_config: receiver::Config,
    /// When the channels are on.
    pub(crate) channels_config: limit_channels::Config,
    /// State.
    pub(crate) receiver: Receiver,
    /// State.
    pub(crate) channels: LimitChannels,
    /// State.
    pub(crate) ticks: TickWatch,
}

impl<V1: OutputPin, V2: OutputPin, L: OutputPin, W: Watchdog> Board<'_, V1, V2, L, W> {
    /// One pass of the main loop: a tick when frames have come. Whether the watchdog was serviced.
    pub(crate) fn poll(&mut self) -> bool {
        let Some((now, frames)) = self.frames.take() else {
            return false;
        };
        let mut flow = Flow::begin();
        let ticked = self.ticks.step(&TickConfig::DEFAULT, now, None);
        flow.pass(Checkpoint::Sense);
        let position = self.locate(now, &frames);
        flow.pass(Checkpoint::Locate);
        for part in [
            Checkpoint::Judge,
            Checkpoint::Latch,
            Checkpoint::Compare,
            Checkpoint::Decide,
        ] {
            flow.pass(part);
        }
        let is_off = self.valve.drive(false).is_ok();
        flow.pass(Checkpoint::Act);
        let crank = position.trusted().map(|seen| (seen.angle(), seen.speed()));
        self.channels
            .step(&self.channels_config, crank, ChannelSet::EMPTY);
        let is_written = self.limit_outputs.write(self.channels.on()).is_ok();
        flow.pass(Checkpoint::LimitChannels);
        let token = end_of_tick(flow, ticked, Ok(())).filter(|_| is_off && is_written);
        token.is_some_and(|token| self.watchdog.service(token).is_ok())
    }

    fn locate(&mut self, now: Instant, frames: &Frames) -> CrankPosition {
        let config = &self.receiver_config;
        let frame_time = config.frame_time();
        let half = Duration::from_micros(frame_time.as_micros() / 2);
        let all = Duration::from_micros(
            frame_time
                .as_micros()
                .saturating_mul(FRAMES_PER_TICK as u32),
        );
        let mut middle = now.saturating_sub(all).saturating_add(half);
        self.receiver.start_tick(config);
        for frame in frames {
            self.receiver.frame(config, frame, middle);
            middle = middle.saturating_add(frame_time);
        }
        self.receiver.end_tick(config);
        self.receiver.position(config, now)
    }
}
