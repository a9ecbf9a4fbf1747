//! What can go wrong between converter and controller: a wrapper over any source of carrier
//! frames.

use super::{Detail, Winding};
use crate::prng::Stream;
use rand::RngExt;
use rand_distr::StandardNormal;
use stopwright_core::signal::{
    CODE_MAX, CODE_ZERO, CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME,
};

/// A fault of the samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::scenario) enum FrameFault {
    /// No signal: every code is the middle of the range.
    Dropout,
    /// Noise on top, codes, one sigma.
    Noise,
    /// One code, whatever the winding does.
    StuckCode,
    /// A direct voltage on top, percent of full scale.
    Offset,
    /// Part of the signal lost, percent.
    GainLoss,
    /// Sine and cosine exchanged.
    Exchanged,
    /// The pair of a winding reversed.
    Reversed,
    /// The last good frame again and again.
    Frozen,
}

/// The wrapper.
#[derive(Clone, Debug)]
pub(super) struct Frames {
    stream: Stream,
    last: Option<CarrierFrame>,
}

impl Frames {
    pub(super) fn new(stream: Stream) -> Self {
        Self { stream, last: None }
    }

    /// Sound frames go by.
    pub(super) fn watch(&mut self, frames: &[CarrierFrame; FRAMES_PER_TICK]) {
        self.last = frames.last().copied();
    }

    pub(super) fn spoil(
        &mut self,
        fault: FrameFault,
        detail: &Detail,
        frames: &mut [CarrierFrame; FRAMES_PER_TICK],
    ) {
        for frame in frames {
            match fault {
                FrameFault::Exchanged => std::mem::swap(&mut frame.sine, &mut frame.cosine),
                FrameFault::Frozen => {
                    let held = *self.last.get_or_insert(*frame);
                    self.each(detail.winding, frame, |winding, _| {
                        *winding.0 = if winding.1 { held.sine } else { held.cosine };
                    });
                }
                _ => self.each(detail.winding, frame, |winding, stream| {
                    for code in winding.0.iter_mut() {
                        *code = spoilt(fault, detail.size, *code, stream);
                    }
                }),
            }
        }
    }

    /// Calls `act` with each winding asked for, and whether it is the sine.
    fn each(
        &mut self,
        which: Winding,
        frame: &mut CarrierFrame,
        mut act: impl FnMut((&mut [u16; SAMPLES_PER_FRAME], bool), &mut Stream),
    ) {
        if which != Winding::Cosine {
            act((&mut frame.sine, true), &mut self.stream);
        }
        if which != Winding::Sine {
            act((&mut frame.cosine, false), &mut self.stream);
        }
    }
}

fn spoilt(fault: FrameFault, size: f64, code: u16, stream: &mut Stream) -> u16 {
    let (middle, signal) = (f64::from(CODE_ZERO), f64::from(code) - f64::from(CODE_ZERO));
    let value = match fault {
        FrameFault::Dropout => middle,
        FrameFault::StuckCode => size,
        FrameFault::Noise => middle + signal + size * stream.sample::<f64, _>(StandardNormal),
        FrameFault::Offset => middle + signal + size / 100.0 * middle,
        FrameFault::GainLoss => middle + signal * (1.0 - size / 100.0),
        FrameFault::Reversed => middle - signal,
        FrameFault::Exchanged | FrameFault::Frozen => middle + signal,
    };
    value.round().clamp(0.0, f64::from(CODE_MAX)) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(sine: u16, cosine: u16) -> CarrierFrame {
        CarrierFrame {
            sine: [sine; SAMPLES_PER_FRAME],
            cosine: [cosine; SAMPLES_PER_FRAME],
        }
    }

    fn spoil(fault: FrameFault, size: f64, winding: Winding) -> CarrierFrame {
        let mut source = Frames::new(crate::prng::stream(1, "test"));
        source.watch(&[frame(9, 8); FRAMES_PER_TICK]);
        let mut frames = [frame(3_048, 1_048); FRAMES_PER_TICK];
        let detail = Detail {
            size,
            winding,
            ..Detail::default()
        };
        source.spoil(fault, &detail, &mut frames);
        frames[4]
    }

    #[test]
    fn each_fault_does_to_the_codes_what_its_name_says() {
        use FrameFault as F;
        let cases = [
            (F::Dropout, 0.0, Winding::Sine, frame(2_048, 1_048)),
            (F::StuckCode, 100.0, Winding::Cosine, frame(3_048, 100)),
            (F::Offset, 10.0, Winding::Both, frame(3_253, 1_253)),
            (F::GainLoss, 50.0, Winding::Both, frame(2_548, 1_548)),
            (F::Exchanged, 0.0, Winding::Both, frame(1_048, 3_048)),
            (F::Reversed, 0.0, Winding::Sine, frame(1_048, 1_048)),
            (F::Frozen, 0.0, Winding::Both, frame(9, 8)),
            (F::Frozen, 0.0, Winding::Cosine, frame(3_048, 8)),
        ];
        for (fault, size, winding, expected) in cases {
            assert_eq!(spoil(fault, size, winding), expected, "{fault:?}");
        }
        let noisy = spoil(F::Noise, 30.0, Winding::Sine);
        assert_ne!(noisy.sine, frame(3_048, 1_048).sine);
        assert_eq!(noisy.cosine, frame(3_048, 1_048).cosine);
    }
}
