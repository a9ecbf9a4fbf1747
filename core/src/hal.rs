//! Bindings to a board, over the traits of `embedded-hal`: pins, a converter on a serial bus, a
//! mailbox from an interrupt, a watchdog. Nothing here decides anything; what can not be read is
//! read as the value that denies.
//!
//! The caller owns clock and timer. A tick looks like this:
//!
//! ```text
//! sampling interrupt --pairs--> FrameBuilder --frames--> TickBuilder --> Mailbox
//! main loop: Mailbox --> controller <-- Input, InputPair
//!                           +--> ValveOutputs, LimitOutputs
//!                           +--> Watchdog (only with the token of a good tick)
//! ```

mod converter;
mod mailbox;
mod pins;
mod watchdog;

pub use converter::{Command, FrameBuilder, SamplePair, SpiConverter, TickBuilder};
pub use mailbox::Mailbox;
pub use pins::{Input, InputPair, LimitOutputs, OutputFault, Polarity, ValveOutputs};
pub use watchdog::{PinWatchdog, Watchdog};
