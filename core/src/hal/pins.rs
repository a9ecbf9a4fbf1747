//! Binary inputs and outputs.

use crate::contacts::Levels;
use crate::limit_channels::ChannelSet;
use embedded_hal::digital::{InputPin, OutputPin};

/// Which level of a pin means yes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Polarity {
    /// High is yes.
    High,
    /// Low is yes.
    Low,
}

/// A binary fact at a pin. Facts are positive: yes permits. A broken wire should read as no, which
/// is what the polarity has to be chosen for.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Input<P> {
    pin: P,
    polarity: Polarity,
    errors: u32,
}

/// The two channels of one device.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct InputPair<A, B> {
    first: Input<A>,
    second: Input<B>,
}

/// An output pin would not take its level.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OutputFault;

/// The drives of both valve elements, high for on.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ValveOutputs<A, B> {
    first: A,
    second: B,
}

/// The drives of the first `N` limit channels, high for on.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LimitOutputs<P, const N: usize> {
    pins: [P; N],
}

impl<P: InputPin> Input<P> {
    /// A fact at `pin`.
    pub const fn new(pin: P, polarity: Polarity) -> Self {
        Self {
            pin,
            polarity,
            errors: 0,
        }
    }

    /// Whether the pin says yes; no when it can not be read.
    pub fn read(&mut self) -> bool {
        let level = match self.polarity {
            Polarity::High => self.pin.is_high(),
            Polarity::Low => self.pin.is_low(),
        };
        self.errors = self.errors.saturating_add(u32::from(level.is_err()));
        level.unwrap_or(false)
    }

    /// How often it could not be read.
    pub const fn errors(&self) -> u32 {
        self.errors
    }

    /// Gives the pin back.
    pub fn into_pin(self) -> P {
        self.pin
    }
}

impl<A: InputPin, B: InputPin> InputPair<A, B> {
    /// Two channels.
    pub const fn new(first: Input<A>, second: Input<B>) -> Self {
        Self { first, second }
    }

    /// What both say.
    pub fn read(&mut self) -> [bool; 2] {
        [self.first.read(), self.second.read()]
    }

    /// The same as the levels of a contact pair. A pin that can not be read is an open contact; the
    /// pair of a normally closed contact then disagrees, and that is a fault and not a permit.
    pub fn levels(&mut self) -> Levels {
        let [first, second] = self.read();
        Levels { first, second }
    }

    /// Gives the inputs back.
    pub fn into_inputs(self) -> (Input<A>, Input<B>) {
        (self.first, self.second)
    }
}

impl<A: OutputPin, B: OutputPin> ValveOutputs<A, B> {
    /// Takes both pins and switches them off.
    ///
    /// # Errors
    /// [`OutputFault`] when one of them would not go off.
    pub fn try_new(first: A, second: B) -> Result<Self, OutputFault> {
        let mut outputs = Self { first, second };
        outputs.drive(false)?;
        Ok(outputs)
    }

    /// Switches both on or off. Both are tried whatever the other does; when one would not go on,
    /// neither stays on.
    ///
    /// # Errors
    /// [`OutputFault`] when a pin would not take its level.
    pub fn drive(&mut self, is_on: bool) -> Result<(), OutputFault> {
        let driven = self.set(is_on);
        if is_on && driven.is_err() {
            // The fault is reported either way.
            let _ = self.set(false);
        }
        driven
    }

    fn set(&mut self, is_on: bool) -> Result<(), OutputFault> {
        let first = self.first.set_state(is_on.into()).is_ok();
        let second = self.second.set_state(is_on.into()).is_ok();
        if first && second {
            Ok(())
        } else {
            Err(OutputFault)
        }
    }

    /// Gives the pins back.
    pub fn into_pins(self) -> (A, B) {
        (self.first, self.second)
    }
}

impl<P: OutputPin, const N: usize> LimitOutputs<P, N> {
    /// Takes the pins and switches them off.
    ///
    /// # Errors
    /// [`OutputFault`] when one of them would not go off.
    pub fn try_new(pins: [P; N]) -> Result<Self, OutputFault> {
        let mut outputs = Self { pins };
        outputs.write(ChannelSet::EMPTY)?;
        Ok(outputs)
    }

    /// Switches every channel as `on` says; one that fails keeps none of the others.
    ///
    /// # Errors
    /// [`OutputFault`] when a pin would not take its level.
    pub fn write(&mut self, on: ChannelSet) -> Result<(), OutputFault> {
        let mut result = Ok(());
        for (channel, pin) in self.pins.iter_mut().enumerate() {
            if pin.set_state(on.contains(channel).into()).is_err() {
                result = Err(OutputFault);
            }
        }
        result
    }

    /// Gives the pins back.
    pub fn into_pins(self) -> [P; N] {
        self.pins
    }
}
