//! The watchdog. It must be a windowed one with a clock of its own that cuts the valve's supply:
//! one inside the processor shares the processor's faults.

use crate::hal::OutputFault;
use crate::health::ServiceToken;
use embedded_hal::digital::OutputPin;

/// Something that wants to be serviced in time, by the end of a good tick only.
pub trait Watchdog {
    /// What may go wrong.
    type Error;

    /// Services it. The token is used up.
    ///
    /// # Errors
    /// The watchdog's own.
    fn service(&mut self, token: ServiceToken) -> Result<(), Self::Error>;
}

/// A watchdog that is serviced by an edge on a pin, one each time.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PinWatchdog<P> {
    pin: P,
    is_high: bool,
}

impl<P: OutputPin> PinWatchdog<P> {
    /// A watchdog at `pin`, which is low.
    pub const fn new(pin: P) -> Self {
        Self {
            pin,
            is_high: false,
        }
    }

    /// Gives the pin back.
    pub fn into_pin(self) -> P {
        self.pin
    }
}

impl<P: OutputPin> Watchdog for PinWatchdog<P> {
    type Error = OutputFault;

    fn service(&mut self, _token: ServiceToken) -> Result<(), OutputFault> {
        self.is_high = !self.is_high;
        self.pin
            .set_state(self.is_high.into())
            .map_err(|_| OutputFault)
    }
}
