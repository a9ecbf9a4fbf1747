//! A resolver and a receiver run in step, frame by frame, over a motion given as a function of
//! time: what every test of the whole receiver stands on.

use crate::synthesis::{FRAME_S, Noise, Resolver};
use std::f64::consts::TAU;
use stopwright_core::angle::CrankAngle;
use stopwright_core::fault::FaultSet;
use stopwright_core::receiver::{Config, CrankPosition, CrankReading, Receiver};
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK};
use stopwright_core::time::Instant;

/// Time of the first frame: past power-up, so that no instant saturates.
const START_US: u64 = 1_000_000;

pub(crate) struct Bench {
    pub(crate) config: Config,
    pub(crate) receiver: Receiver,
    pub(crate) resolver: Resolver,
    pub(crate) noise: Noise,
    /// Electrical angle at the top, degrees.
    pub(crate) zero_deg: f64,
    frames: u64,
}

/// One tick's outcome.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Tick {
    /// The end of the tick, seconds from the start.
    pub(crate) t: f64,
    pub(crate) position: CrankPosition,
    pub(crate) faults: FaultSet,
}

impl Bench {
    pub(crate) fn new(config: Config, resolver: Resolver) -> Self {
        Self {
            config,
            receiver: Receiver::new(),
            resolver,
            noise: Noise::new(1),
            zero_deg: 45.0,
            frames: 0,
        }
    }

    /// Time of the next frame's first sample, seconds from the start.
    pub(crate) fn time(&self) -> f64 {
        self.frames as f64 * FRAME_S
    }

    /// Lets the time of some frames pass without them.
    pub(crate) fn skip(&mut self, frames: u64) {
        self.frames += frames;
    }

    /// Runs one frame of a crank that stands at `angle(t)` degrees after top dead centre.
    pub(crate) fn frame(&mut self, angle: impl Fn(f64) -> f64) {
        self.frame_through(angle, |frame| frame);
    }

    /// Runs one frame that `disturb` has its way with between converter and receiver.
    pub(crate) fn frame_through(
        &mut self,
        angle: impl Fn(f64) -> f64,
        disturb: impl FnOnce(CarrierFrame) -> CarrierFrame,
    ) {
        let electrical = |t: f64| (angle(t) + self.zero_deg).to_radians();
        let frame = self
            .resolver
            .frame(self.time(), electrical, &mut self.noise);
        let middle = Instant::from_micros(START_US + self.frames * 200 + 100);
        self.receiver.frame(&self.config, &disturb(frame), middle);
        self.frames += 1;
        if self.frames.is_multiple_of(FRAMES_PER_TICK as u64) {
            self.receiver.end_tick(&self.config);
        }
    }

    /// Runs one tick.
    pub(crate) fn tick(&mut self, angle: impl Fn(f64) -> f64) -> Tick {
        self.receiver.start_tick(&self.config);
        for _ in 0..FRAMES_PER_TICK {
            self.frame(&angle);
        }
        self.outcome()
    }

    /// The position at the end of the latest frame.
    pub(crate) fn outcome(&self) -> Tick {
        let now = Instant::from_micros(START_US + self.frames * 200);
        Tick {
            t: self.time(),
            position: self.receiver.position(&self.config, now),
            faults: self.receiver.faults(),
        }
    }

    /// Runs 20 ms: longer than any loop here takes to settle after acquiring.
    pub(crate) fn settle(&mut self, angle: impl Fn(f64) -> f64) {
        for _ in 0..20 {
            self.tick(&angle).reading();
        }
    }

    /// Runs ticks until the position is trusted.
    pub(crate) fn acquire(&mut self, angle: impl Fn(f64) -> f64) {
        for _ in 0..10 {
            if self.tick(&angle).position.trusted().is_some() {
                return;
            }
        }
        panic!("never trusted: {:?}", self.receiver.faults());
    }
}

impl Tick {
    /// The reading, which must be trusted.
    pub(crate) fn reading(&self) -> CrankReading {
        *self
            .position
            .trusted()
            .unwrap_or_else(|| panic!("not trusted at {} s: {:?}", self.t, self.position))
    }
}

/// Seconds from the start of an instant.
pub(crate) fn seconds(instant: Instant) -> f64 {
    (instant.as_micros() as f64 - START_US as f64) * 1e-6
}

/// The shorter way from the true angle to the one read, degrees.
pub(crate) fn error_deg(angle: CrankAngle, truth_deg: f64) -> f64 {
    let angle = f64::from(angle.to_bits()) / 4_294_967_296.0 * TAU;
    let difference = angle - truth_deg.to_radians();
    difference.sin().atan2(difference.cos()).to_degrees()
}
