//! Sense and locate: the carrier frames of one resolver or two and the index switch become one
//! crank position, and what contradicts it.
//!
//! The first receiver gives the position. The second and the index switch, where fitted, never
//! replace it: they corroborate it or raise a fault.

use super::TICK;
use super::inputs::Inputs;
use super::outputs::{CapturedAngle, ServiceReply};
use crate::fault::{FaultCode, FaultSet};
use crate::receiver::index_switch::IndexWatch;
use crate::receiver::second::Comparison;
use crate::receiver::{self, CrankPosition, Receiver, SignalEvidence};
use crate::settings::{Settings, Stage};
use crate::signal::{CarrierFrame, FRAMES_PER_TICK};
use crate::time::{Duration, Instant};
use crate::zero_offset::{AngleCapture, CaptureConfig, CaptureRefusal};

/// Spacing of the middles of the carrier frames.
const FRAME: Duration = Duration::from_micros(200);
/// Every receiver must have been trusted this long before the self-test passes.
const SETTLED_AFTER: Duration = Duration::from_millis(50);
/// It may take this long before faults of the signal count.
const SETTLE_WITHIN: Duration = Duration::from_millis(500);
/// An angle is captured over this time: 5000 frames.
const CAPTURE_TIME: Duration = Duration::from_millis(1_000);
/// What says that the position is not the crank's. A shift of a few degrees is not among them: it takes
/// muting away at once, and the stroke is ended at the top.
const CONTRADICTIONS: FaultSet = FaultSet::EMPTY
    .with(FaultCode::ReceiversDisagree)
    .with(FaultCode::IndexContradicts);

/// State of the sensing.
#[derive(Clone, Copy, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Sensing {
    first: Receiver,
    second: Receiver,
    comparison: Comparison,
    index: IndexWatch,
    /// How long every receiver has been trusted.
    settled_for: Duration,
    /// The receivers have begun anew, so long ago, and have not settled yet.
    settling: Option<Duration>,
    is_corroborated: bool,
    /// The index switch, where fitted, has proven the angle.
    is_indexed: bool,
    capture: Option<Capture>,
}

/// The capture under way, and for how long.
#[derive(Clone, Copy, Debug, Default, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Capture {
    first: AngleCapture,
    second: AngleCapture,
    age: Duration,
}

impl Sensing {
    /// Sensing that has seen nothing.
    pub(super) const fn new() -> Self {
        Self {
            first: Receiver::new(),
            second: Receiver::new(),
            comparison: Comparison::new(),
            index: IndexWatch::new(),
            settled_for: Duration::ZERO,
            settling: Some(Duration::ZERO),
            is_corroborated: false,
            is_indexed: false,
            capture: None,
        }
    }

    /// Takes the frames and the index switch of one tick.
    pub(super) fn step(
        &mut self,
        settings: &Settings,
        inputs: &Inputs<'_>,
    ) -> (CrankPosition, FaultSet) {
        let captures = self.capture.as_mut();
        let (capture, second_capture) = captures.map_or((None, None), |both| {
            (Some(&mut both.first), Some(&mut both.second))
        });
        let now = inputs.now;
        let config = settings.receiver();
        let position = locate(&mut self.first, config, &inputs.frames, now, capture);
        let mut faults = self.first.faults();
        let mut all_trusted = position.trusted().is_some();
        if let Some(fitted) = settings.second() {
            let (receiver, frames) = (&mut self.second, &inputs.second_frames);
            let other = locate(receiver, fitted.receiver(), frames, now, second_capture);
            faults = faults.union(self.second.faults());
            // Before the zero is captured neither angle is the crank's.
            if settings.get().stage >= Stage::Provisional {
                faults = faults.union(self.comparison.step(fitted, &position, &other));
            }
            all_trusted &= other.trusted().is_some();
        }
        if let Some(index) = settings.index() {
            let seen = self.index.step(index, inputs.index_closed, &position);
            faults = faults.union(seen);
        }
        self.is_indexed = settings.index().is_none() || self.index.is_proven();
        self.is_corroborated = all_trusted && faults.intersection(CONTRADICTIONS).is_empty();
        self.settle(all_trusted);
        (position, self.counted(faults))
    }

    /// Whether muting may rest on the position: whatever is fitted beside the first resolver says the
    /// same, and the index has shown it.
    pub(super) const fn is_proven(&self) -> bool {
        self.is_corroborated && self.is_indexed
    }

    /// Whether a start may rest on the position.
    pub(super) const fn may_be_acted_on(&self) -> bool {
        self.settling.is_none() && self.is_corroborated
    }

    /// Whether every receiver has settled: trusted for long enough now.
    pub(super) fn is_settled(&self) -> bool {
        self.settled_for >= SETTLED_AFTER
    }

    /// Whether the receivers, begun anew, still have time to settle.
    pub(super) fn is_settling(&self) -> bool {
        self.settling.is_some_and(|age| age < SETTLE_WITHIN)
    }

    /// What the latest frame of the first resolver showed.
    pub(super) fn signal(&self) -> SignalEvidence {
        self.first.signal()
    }

    /// What the latest frame of the second resolver showed.
    pub(super) fn second_signal(&self) -> SignalEvidence {
        self.second.signal()
    }

    fn settle(&mut self, all_trusted: bool) {
        self.settled_for = if all_trusted {
            self.settled_for.saturating_add(TICK)
        } else {
            Duration::ZERO
        };
        self.settling = self
            .settling
            .filter(|_| self.settled_for < SETTLED_AFTER)
            .map(|age| age.saturating_add(TICK));
    }

    /// Faults count once the receivers have settled, or should have.
    fn counted(&self, faults: FaultSet) -> FaultSet {
        if self.is_settling() {
            FaultSet::EMPTY
        } else {
            faults
        }
    }

    /// One tick of a capture at standstill.
    pub(super) fn serve_capture(&mut self, settings: &Settings) -> ServiceReply {
        let capture = self.capture.get_or_insert_default();
        if capture.age < CAPTURE_TIME {
            capture.age = capture.age.saturating_add(TICK);
            return ServiceReply::None;
        }
        let (first, second) = (result(&capture.first), result(&capture.second));
        self.capture = None;
        let second = settings.second().map(|_| second).transpose();
        match (first, second) {
            (Ok(first), Ok(second)) => ServiceReply::Captured { first, second },
            (Err(refusal), _) | (_, Err(refusal)) => ServiceReply::CaptureRefused(refusal),
        }
    }

    /// Forgets a capture under way.
    pub(super) fn end_capture(&mut self) {
        self.capture = None;
    }
}

/// Runs one tick's frames through a receiver.
fn locate(
    receiver: &mut Receiver,
    config: &receiver::Config,
    frames: &[CarrierFrame; FRAMES_PER_TICK],
    now: Instant,
    mut capture: Option<&mut AngleCapture>,
) -> CrankPosition {
    receiver.start_tick(config);
    // The middle of the last frame lies half a frame before `now`.
    let mut middle = now
        .saturating_sub(TICK)
        .saturating_add(Duration::from_micros(100));
    for frame in frames {
        receiver.frame(config, frame, middle);
        if let Some(capture) = capture.as_deref_mut() {
            capture.feed(receiver.electrical());
        }
        middle = middle.saturating_add(FRAME);
    }
    receiver.end_tick(config);
    receiver.position(config, now)
}

fn result(capture: &AngleCapture) -> Result<CapturedAngle, CaptureRefusal> {
    Ok(CapturedAngle {
        angle: capture.result(&CaptureConfig::DEFAULT)?,
        spread: capture.spread(),
    })
}
