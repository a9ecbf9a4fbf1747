//! The receiver: carrier frames in, a crank position that is trusted or is none out.
//!
//! Each frame runs through detection, balance, direct decode, the checks of the signal and the
//! tracking loop. The loop's angle, carried forward to the time it is asked for, is the crank
//! position; the direct decode stands beside it and contradicts it when one of them is wrong.
//!
//! ```text
//! frame -> demodulator -> balance -> atan2 ---> difference -> tracking -> zero offset -> position
//!              |             |                      |             |
//!              +-------------+------ integrity -----+-------------+----> faults
//! ```
//!
//! The receiver raises faults; it does not latch them. A reading can only be made here.

mod config;

pub use config::{Config, ConfigError, Settings};

use crate::angle::{CrankAngle, CrankTravel, ElectricalAngle};
use crate::demodulator::{self, Demodulated};
use crate::fault::{FaultCode, FaultSet};
use crate::integrity::{self, Findings};
use crate::signal::{CarrierFrame, WindingAmplitudes};
use crate::speed::CrankSpeed;
use crate::time::Instant;
use crate::tracking::Tracking;
use crate::trig;

/// Good frames in a row before a position is trusted: 5 ms at 5000 frames a second.
const ACQUIRING_FRAMES: u8 = 25;
/// Good frames in a row that end a burst: 2 ms at 5000 frames a second.
const QUIET_FRAMES: u8 = 10;

/// An angle, a speed and the instant they hold for. Only a receiver makes one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CrankReading {
    angle: CrankAngle,
    speed: CrankSpeed,
    at: Instant,
    measured: CrankAngle,
    measured_at: Instant,
    is_predicted: bool,
}

impl CrankReading {
    /// Tracked angle, carried forward to [`at`](Self::at).
    pub const fn angle(&self) -> CrankAngle {
        self.angle
    }

    /// Tracked speed.
    pub const fn speed(&self) -> CrankSpeed {
        self.speed
    }

    /// The instant that angle and speed hold for.
    pub const fn at(&self) -> Instant {
        self.at
    }

    /// Direct decode of the latest good frame: balanced, zeroed, not filtered, not carried forward.
    pub const fn measured(&self) -> CrankAngle {
        self.measured
    }

    /// The instant that [`measured`](Self::measured) holds for: the middle of its frame.
    pub const fn measured_at(&self) -> Instant {
        self.measured_at
    }

    /// Whether the latest frames were unusable and the angle is a prediction from before them.
    pub const fn is_predicted(&self) -> bool {
        self.is_predicted
    }
}

/// The crank position, if there is one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CrankPosition {
    /// Angle and speed may be used.
    Trusted(CrankReading),
    /// There is no position. `faults` is empty while the receiver is still acquiring.
    Untrusted {
        /// Signal faults of this tick.
        faults: FaultSet,
        /// The last reading that was trusted: evidence, not a position.
        last: Option<CrankReading>,
    },
}

impl CrankPosition {
    /// The reading, when trusted.
    pub const fn trusted(&self) -> Option<&CrankReading> {
        match self {
            Self::Trusted(reading) => Some(reading),
            Self::Untrusted { .. } => None,
        }
    }
}

/// What the latest frame showed: the evidence of a signal check.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SignalEvidence {
    /// In-phase amplitudes as detected.
    pub raw: WindingAmplitudes,
    /// In-phase amplitudes after the balance.
    pub balanced: WindingAmplitudes,
    /// Length of the balanced vector, 32 767 standing for the converter's range.
    pub amplitude: u16,
    /// Carrier phase against the configured phase, thousandths of a degree, ±180 000.
    pub phase_millidegrees: i32,
    /// Direct voltage of the sine winding, converter codes.
    pub sine_offset: i16,
    /// Direct voltage of the cosine winding, converter codes.
    pub cosine_offset: i16,
    /// Noise, converter codes peak to peak.
    pub noise: u16,
}

/// State of one receiver.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Receiver {
    tracking: Tracking,
    frame: Demodulated,
    balanced: WindingAmplitudes,
    middle: Instant,
    measured: ElectricalAngle,
    measured_at: Instant,
    last: Option<CrankReading>,
    /// Findings of the last frame and of the two before it, to be confirmed.
    recent: [Findings; integrity::CONFIRMING_FRAMES - 1],
    faults: Findings,
    /// Good frames in a row, up to [`ACQUIRING_FRAMES`].
    acquired: u8,
    burst: Burst,
}

/// A run of unusable frames, and the good frames among them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Burst {
    /// Frames since it began; 0 when there is none.
    age: u16,
    /// Unusable frames at its end.
    coasted: u16,
    /// Good frames at its end.
    quiet: u8,
}

impl Burst {
    const NONE: Self = Self {
        age: 0,
        coasted: 0,
        quiet: 0,
    };

    const fn bad_frame(&mut self) {
        self.age = self.age.saturating_add(1);
        self.coasted = self.coasted.saturating_add(1);
        self.quiet = 0;
    }

    const fn good_frame(&mut self) {
        if self.age == 0 {
            return;
        }
        self.age = self.age.saturating_add(1);
        self.coasted = 0;
        self.quiet = self.quiet.saturating_add(1);
        if self.quiet >= QUIET_FRAMES {
            *self = Self::NONE;
        }
    }
}

impl Default for Receiver {
    fn default() -> Self {
        Self::new()
    }
}

impl Receiver {
    /// A receiver that has seen no frame.
    pub const fn new() -> Self {
        const DARK: WindingAmplitudes = WindingAmplitudes { sine: 0, cosine: 0 };
        Self {
            tracking: Tracking::new(ElectricalAngle::from_bits(0), 0),
            frame: Demodulated {
                in_phase: DARK,
                quadrature: DARK,
                sine_offset: 0,
                cosine_offset: 0,
                noise: 0,
                is_clipped: false,
            },
            balanced: DARK,
            middle: Instant::from_micros(0),
            measured: ElectricalAngle::from_bits(0),
            measured_at: Instant::from_micros(0),
            last: None,
            recent: [Findings::NONE; integrity::CONFIRMING_FRAMES - 1],
            faults: Findings::NONE,
            acquired: 0,
            burst: Burst::NONE,
        }
    }

    /// Begins a tick: forgets the faults of the one before and keeps its reading as the last one,
    /// if it was trusted.
    pub fn start_tick(&mut self, config: &Config) {
        if self.is_trusted() {
            self.last = Some(self.reading(config, self.middle));
        }
        self.faults = Findings::NONE;
    }

    /// Takes one carrier frame. `middle` is the instant of the middle of the frame, half an
    /// excitation period after its first sample.
    pub fn frame(&mut self, config: &Config, frame: &CarrierFrame, middle: Instant) {
        self.frame = demodulator::demodulate(&config.demodulator, frame);
        self.balanced = config.balance.apply(self.frame.in_phase);
        self.middle = middle;
        let mut findings = integrity::inspect(&config.integrity, &self.frame, self.balanced);
        let Ok(angle) = trig::atan2(self.balanced.sine, self.balanced.cosine) else {
            return self.bad_frame(config, findings);
        };
        if self.acquired >= 2 {
            findings = findings.union(self.compare(config, angle));
        }
        if findings.is_empty() && !integrity::is_noisy(&config.integrity, &self.frame) {
            self.good_frame(config, angle);
        } else {
            self.bad_frame(config, findings);
        }
    }

    /// Crank position at `now`.
    pub fn position(&self, config: &Config, now: Instant) -> CrankPosition {
        if self.is_trusted() {
            CrankPosition::Trusted(self.reading(config, now))
        } else {
            CrankPosition::Untrusted {
                faults: self.faults(),
                last: self.last,
            }
        }
    }

    /// Signal faults since the tick began.
    pub fn faults(&self) -> FaultSet {
        self.faults.faults()
    }

    /// Direct decode of the latest frame before the zero offset, when the signal is trusted: what
    /// a zero capture takes.
    pub fn electrical(&self) -> Option<ElectricalAngle> {
        (self.is_trusted() && self.burst.coasted == 0).then_some(self.measured)
    }

    /// What the latest frame showed, trusted or not.
    pub fn signal(&self) -> SignalEvidence {
        SignalEvidence {
            raw: self.frame.in_phase,
            balanced: self.balanced,
            amplitude: integrity::squared_amplitude(self.balanced).isqrt() as u16,
            phase_millidegrees: self.phase_millidegrees(),
            sine_offset: self.frame.sine_offset,
            cosine_offset: self.frame.cosine_offset,
            noise: self.frame.noise,
        }
    }

    fn is_trusted(&self) -> bool {
        self.acquired >= ACQUIRING_FRAMES && self.faults.is_empty()
    }

    /// Where the direct decode and the tracking loop differ by more than motion explains.
    fn compare(&self, config: &Config, angle: ElectricalAngle) -> Findings {
        let difference = angle.counts_from(self.tracking.predicted()).unsigned_abs();
        let step = angle.counts_from(self.measured).unsigned_abs();
        let is_consecutive = self.burst.coasted == 0;
        Findings::NONE
            .with_if(
                FaultCode::DecodesDisagree,
                difference > config.disagreement(self.burst.coasted),
            )
            .with_if(
                FaultCode::AccelerationImpossible,
                is_consecutive && step > config.step_max,
            )
            .with_if(
                FaultCode::SpeedBeyondTracking,
                self.tracking.speed().unsigned_abs() > config.speed_max,
            )
    }

    fn good_frame(&mut self, config: &Config, angle: ElectricalAngle) {
        match self.acquired {
            0 => self.tracking = Tracking::new(angle, 0),
            1 => self.tracking = Tracking::new(angle, angle.counts_from(self.measured)),
            _ => {
                self.tracking.step(&config.tracking, angle);
            }
        }
        self.measured = angle;
        self.measured_at = self.middle;
        self.acquired = self.acquired.saturating_add(1).min(ACQUIRING_FRAMES);
        self.recent = [Findings::NONE; integrity::CONFIRMING_FRAMES - 1];
        self.burst.good_frame();
    }

    fn bad_frame(&mut self, config: &Config, findings: Findings) {
        self.tracking.coast();
        self.burst.bad_frame();
        if integrity::is_noisy(&config.integrity, &self.frame) {
            self.recent = [Findings::NONE; integrity::CONFIRMING_FRAMES - 1];
        } else {
            let [last, before] = self.recent;
            self.faults = self.faults.union(findings.common(last).common(before));
            self.recent = [findings, last];
        }
        self.faults = self.faults.with_if(
            FaultCode::NoisePersistent,
            self.burst.age > config.coast_frames_max,
        );
        if !self.faults.is_empty() || self.acquired < ACQUIRING_FRAMES {
            self.acquired = 0;
        }
    }

    fn reading(&self, config: &Config, now: Instant) -> CrankReading {
        let age = now.saturating_since(self.middle);
        let electrical = self
            .tracking
            .angle()
            .wrapping_add_counts(config.travel(self.tracking.speed(), age));
        CrankReading {
            angle: config.to_crank(electrical),
            speed: config.to_speed(self.tracking.speed()),
            at: now,
            measured: config.to_crank(self.measured),
            measured_at: self.measured_at,
            is_predicted: self.burst.coasted > 0,
        }
    }

    fn phase_millidegrees(&self) -> i32 {
        let (i, q) = (self.balanced, self.frame.quadrature);
        let dot = |a: WindingAmplitudes, b: WindingAmplitudes| {
            (a.sine as i32)
                .wrapping_mul(b.sine as i32)
                .saturating_add((a.cosine as i32).wrapping_mul(b.cosine as i32))
        };
        let (along, across) = ((dot(i, i) >> 16) as i16, (dot(i, q) >> 16) as i16);
        let phase = trig::atan2(across, along).unwrap_or_default();
        CrankTravel::from_counts(phase.to_bits() as i32 as i64).as_millidegrees()
    }
}
