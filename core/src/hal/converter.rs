//! From a two-channel converter on a serial bus to carrier frames.
//!
//! The two windings should be sampled together. A converter that takes them one after the other
//! skews the cosine by the time between; at 5 kHz carrier and 10 µs that is 18 degrees of carrier
//! phase on one winding, and the receiver will refuse the signal. Take one that holds both.

use crate::signal::{CODE_MAX, CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use embedded_hal::spi::{Operation, SpiDevice};

/// Bytes of one conversion on the bus.
const WORD: usize = 3;

/// How a converter is asked for one winding, and where in its answer the code stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Command {
    /// Bytes that are sent.
    pub bytes: [u8; WORD],
    /// Bits below the code in the answer, big end first, 0 to 12.
    pub shift: u8,
}

/// Converter codes of both windings, taken together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SamplePair {
    /// Sine winding, 0 to 4095.
    pub sine: u16,
    /// Cosine winding, 0 to 4095.
    pub cosine: u16,
}

/// A 12-bit converter.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SpiConverter<S> {
    bus: S,
    sine: Command,
    cosine: Command,
}

impl<S: SpiDevice> SpiConverter<S> {
    /// A converter on `bus`.
    pub const fn new(bus: S, sine: Command, cosine: Command) -> Self {
        Self { bus, sine, cosine }
    }

    /// One pair of samples.
    ///
    /// # Errors
    /// The bus's own. The frame is then lost: without its samples the receiver bridges it or stops
    /// trusting.
    pub fn sample(&mut self) -> Result<SamplePair, S::Error> {
        let sine = self.convert(self.sine)?;
        let cosine = self.convert(self.cosine)?;
        Ok(SamplePair { sine, cosine })
    }

    fn convert(&mut self, command: Command) -> Result<u16, S::Error> {
        let mut bytes = command.bytes;
        self.bus
            .transaction(&mut [Operation::TransferInPlace(&mut bytes)])?;
        let [a, b, c] = bytes;
        let answer = u32::from_be_bytes([0, a, b, c]).wrapping_shr(u32::from(command.shift));
        Ok(answer as u16 & CODE_MAX)
    }

    /// Gives the bus back.
    pub fn into_bus(self) -> S {
        self.bus
    }
}

/// Collects the sample pairs of one excitation period. The first belongs to the excitation's upward
/// zero crossing: [`restart`](Self::restart) there.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FrameBuilder {
    frame: CarrierFrame,
    filled: usize,
}

impl Default for FrameBuilder {
    fn default() -> Self {
        Self::new()
    }
}

impl FrameBuilder {
    /// No sample yet.
    pub const fn new() -> Self {
        Self {
            frame: CarrierFrame {
                sine: [0; SAMPLES_PER_FRAME],
                cosine: [0; SAMPLES_PER_FRAME],
            },
            filled: 0,
        }
    }

    /// Begins a frame, whatever has been collected.
    pub const fn restart(&mut self) {
        self.filled = 0;
    }

    /// Takes a pair; the frame when it is whole.
    pub fn push(&mut self, pair: SamplePair) -> Option<CarrierFrame> {
        let at = self.filled;
        let (sine, cosine) = (self.frame.sine.get_mut(at), self.frame.cosine.get_mut(at));
        if let (Some(sine), Some(cosine)) = (sine, cosine) {
            *sine = pair.sine;
            *cosine = pair.cosine;
        }
        self.filled = at.saturating_add(1);
        if self.filled < SAMPLES_PER_FRAME {
            return None;
        }
        self.filled = 0;
        Some(self.frame)
    }
}

/// Collects the frames of one tick.
#[derive(Clone, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TickBuilder {
    frames: heapless::Vec<CarrierFrame, FRAMES_PER_TICK>,
}

impl TickBuilder {
    /// No frame yet.
    pub const fn new() -> Self {
        Self {
            frames: heapless::Vec::new(),
        }
    }

    /// Takes a frame; all of a tick, oldest first, when it is the last.
    pub fn push(&mut self, frame: CarrierFrame) -> Option<[CarrierFrame; FRAMES_PER_TICK]> {
        // Cannot fail: the list is emptied as it fills.
        let _ = self.frames.push(frame);
        let whole = <[CarrierFrame; FRAMES_PER_TICK]>::try_from(self.frames.as_slice()).ok()?;
        self.frames.clear();
        Some(whole)
    }
}
