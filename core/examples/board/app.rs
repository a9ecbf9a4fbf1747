//! A board: frames from the mailbox and levels from the pins to one tick of the controller, and what
//! the controller answers to the pins. The watchdog is serviced with the token of that tick and by
//! nothing else.

#![warn(
    clippy::arithmetic_side_effects,
    clippy::expect_used,
    clippy::float_arithmetic,
    clippy::indexing_slicing
)]

use embedded_hal::digital::{InputPin, OutputPin};
use stopwright_core::controller::{Controller, Inputs, Outputs, Service};
use stopwright_core::hal::{InputPair, LimitOutputs, Mailbox, ValveOutputs, Watchdog};
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK};
use stopwright_core::time::Instant;

/// Frames of one tick, from the sampling interrupt.
pub(crate) type Frames = [CarrierFrame; FRAMES_PER_TICK];

/// Everything the board holds.
pub(crate) struct Board<'a, I, V, L, W> {
    /// From the sampling interrupt.
    pub(crate) frames: &'a Mailbox<(Instant, Frames)>,
    /// Both contacts of the guards. A whole board has a pin for every binary input; one that is not
    /// read denies.
    pub(crate) guards: InputPair<I, I>,
    /// The valve elements.
    pub(crate) valve: ValveOutputs<V, V>,
    /// Four limit channels.
    pub(crate) limit_outputs: LimitOutputs<L, 4>,
    /// The watchdog.
    pub(crate) watchdog: W,
    /// Everything that decides.
    pub(crate) controller: Controller,
}

/// What came of one tick.
pub(crate) struct Ticked {
    /// What the controller said: faults and stops are to be stored, the message is to be sent.
    pub(crate) outputs: Outputs,
    /// The watchdog was serviced.
    pub(crate) is_serviced: bool,
}

impl<I: InputPin, V: OutputPin, L: OutputPin, W: Watchdog> Board<'_, I, V, L, W> {
    /// One pass of the main loop: a tick when frames have come.
    pub(crate) fn poll(&mut self, service: Service<'_>) -> Option<Ticked> {
        let (now, frames) = self.frames.take()?;
        let inputs = Inputs {
            frames,
            guards: self.guards.levels(),
            supply_ok: true,
            service,
            ..Inputs::dead(now)
        };
        let outputs = self.controller.tick(&inputs);
        // Here at once; a board with a timer gives it `after` as well.
        let is_driven = self.valve.drive(outputs.valve.is_on).is_ok();
        let is_written = self.limit_outputs.write(outputs.limit_channels).is_ok();
        let token = self.controller.service_token();
        let token = token.filter(|_| is_driven && is_written);
        let is_serviced = token.is_some_and(|token| self.watchdog.service(token).is_ok());
        Some(Ticked {
            outputs,
            is_serviced,
        })
    }
}
