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

mod burst;
mod config;
mod liveness;

pub use config::{Config, ConfigError, Settings};

use crate::angle::{CrankAngle, CrankTravel, ElectricalAngle};
use crate::balance::Fingerprint;
use crate::balance::fingerprint::Drift;
use crate::demodulator::{self, Demodulated};
use crate::fault::{FaultCode, FaultSet};
use crate::integrity::{self, Findings};
use crate::signal::{CarrierFrame, WindingAmplitudes};
use crate::speed::CrankSpeed;
use crate::time::{Duration, Instant};
use crate::tracking::Tracking;
use crate::trig;
use burst::Burst;
use liveness::Liveness;

/// Good frames in a row before a position is trusted: 5 ms at 5000 frames a second.
const ACQUIRING_FRAMES: u8 = 25;
/// Findings that are shown but do not make an angle untrusted.
const ADVISORY: Findings = Findings::NONE.with_if(FaultCode::WindingDrift, true);

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

    /// When the crank passed `angle` on its way here from `earlier`, in normal travel, by linear
    /// interpolation. `None` when it did not, or went backward.
    pub fn crossing(&self, earlier: &Self, angle: CrankAngle) -> Option<Instant> {
        let travel = self.angle.offset_from(earlier.angle).as_counts();
        let part = angle.travel_since(earlier.angle).as_counts();
        if part == 0 || part > travel {
            return None;
        }
        let span = i64::from(self.at.saturating_since(earlier.at).as_micros());
        // Part and travel are below 2³², the span is below 2³².
        let micros = i128::from(part)
            .wrapping_mul(i128::from(span))
            .checked_div(i128::from(travel))?;
        Some(
            earlier
                .at
                .saturating_add(Duration::from_micros(micros as u32)),
        )
    }

    /// When the crank will reach `angle` in normal travel at its present speed; `None` when that
    /// is more than `within` away.
    pub fn reaching(&self, angle: CrankAngle, within: Duration) -> Option<Instant> {
        let way = angle.travel_since(self.angle).as_counts();
        let reach = self.speed.travel_in(within).as_counts();
        if way > reach {
            return None;
        }
        let span = i128::from(within.as_micros());
        let micros = i128::from(way)
            .wrapping_mul(span)
            .checked_div(i128::from(reach));
        Some(
            self.at
                .saturating_add(Duration::from_micros(micros.unwrap_or(0) as u32)),
        )
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
    at: Instant,
    measured: ElectricalAngle,
    measured_at: Instant,
    last: Option<CrankReading>,
    /// Findings of the last two frames, to be confirmed by the next.
    recent: [Findings; integrity::CONFIRMING_FRAMES - 1],
    faults: Findings,
    /// Good frames in a row, up to [`ACQUIRING_FRAMES`].
    acquired: u8,
    burst: Burst,
    liveness: Liveness,
    fingerprint: Fingerprint,
    drift: Option<Drift>,
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
            at: Instant::from_micros(0),
            measured: ElectricalAngle::from_bits(0),
            measured_at: Instant::from_micros(0),
            last: None,
            recent: [Findings::NONE; integrity::CONFIRMING_FRAMES - 1],
            faults: Findings::NONE,
            acquired: 0,
            burst: Burst::NONE,
            liveness: Liveness::new(),
            fingerprint: Fingerprint::new(),
            drift: None,
        }
    }

    /// Begins a tick: forgets the faults of the one before and keeps its reading as the last one,
    /// if it was trusted.
    pub fn start_tick(&mut self, config: &Config) {
        if self.is_trusted() {
            self.last = Some(self.reading(config, self.at));
        }
        self.faults = Findings::NONE;
    }

    /// Takes one carrier frame. `middle` is the instant of the middle of the frame, half an
    /// excitation period after its first sample. Frames follow each other by one period; after a
    /// gap or a repetition the receiver acquires anew.
    pub fn frame(&mut self, config: &Config, frame: &CarrierFrame, middle: Instant) {
        self.advance(config, config.at(middle));
        self.frame = demodulator::demodulate(&config.demodulator, frame);
        self.balanced = config.balance.apply(self.frame.in_phase);
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
        self.check_liveness(config);
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
        (self.is_trusted() && self.burst.coasted() == 0).then_some(self.measured)
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

    /// The drift of the windings over the last whole turn against the survey.
    pub const fn drift(&self) -> Option<Drift> {
        self.drift
    }

    fn is_trusted(&self) -> bool {
        self.acquired >= ACQUIRING_FRAMES && self.faults.without(ADVISORY).is_empty()
    }

    fn advance(&mut self, config: &Config, at: Instant) {
        if !config.is_next_frame(at.saturating_since(self.at)) {
            self.acquired = 0;
        }
        self.at = at;
    }

    /// Where the direct decode and the tracking loop differ by more than motion explains, each by
    /// its own arithmetic.
    fn compare(&self, config: &Config, angle: ElectricalAngle) -> Findings {
        let predicted = self.tracking.predicted();
        let limit = config.disagreement(self.burst.coasted());
        let difference = angle.counts_from(predicted).unsigned_abs();
        let is_off_track =
            integrity::is_off_track(self.balanced, predicted, limit.saturating_add(limit >> 3));
        let is_step = if self.burst.coasted() == 0 {
            angle.counts_from(self.measured).unsigned_abs() > config.step_max
        } else {
            self.burst.is_step()
        };
        let is_fast = self.tracking.speed().unsigned_abs() > config.speed_max;
        Findings::NONE
            .with_if(FaultCode::DecodesDisagree, difference > limit)
            .with_if(FaultCode::TrackingLost, is_off_track)
            .with_if(FaultCode::AccelerationImpossible, is_step)
            .with_if(FaultCode::SpeedBeyondTracking, is_fast)
    }

    fn good_frame(&mut self, config: &Config, angle: ElectricalAngle) {
        match self.acquired {
            0 => self.tracking = Tracking::new(angle, 0),
            1 => self.tracking = Tracking::new(angle, angle.counts_from(self.measured)),
            _ if self.burst.coasted() == 0 => {
                self.tracking.step(&config.tracking, angle);
            }
            _ => self.resume(config, angle),
        }
        self.measured = angle;
        self.measured_at = self.at;
        self.acquired = self.acquired.saturating_add(1).min(ACQUIRING_FRAMES);
        self.recent = [Findings::NONE; integrity::CONFIRMING_FRAMES - 1];
        self.burst.good_frame();
        self.compare_fingerprint(config, angle);
    }

    /// The first good frame after a burst. A prediction that motion has left behind is not pulled
    /// back by the loop over its settling time but set right at once.
    fn resume(&mut self, config: &Config, angle: ElectricalAngle) {
        let difference = angle.counts_from(self.tracking.predicted());
        if difference.unsigned_abs() <= config.disagreement(0) {
            self.tracking.step(&config.tracking, angle);
            return;
        }
        // A constant acceleration over n frames that left ½·a·n² behind left 2/n of it in the speed.
        let frames = i32::from(self.burst.coasted()).saturating_add(1);
        let gained = difference
            .saturating_mul(2)
            .checked_div(frames)
            .unwrap_or(0);
        self.tracking = Tracking::new(angle, self.tracking.speed().saturating_add(gained));
    }

    fn bad_frame(&mut self, config: &Config, findings: Findings) {
        self.tracking.coast();
        self.burst
            .bad_frame(findings.contains(FaultCode::AccelerationImpossible));
        let confirmed = self.confirm(config, findings);
        let is_long = confirmed.is_empty() && self.burst.age() > config.coast_frames_max;
        self.faults = self
            .faults
            .union(confirmed)
            .with_if(FaultCode::NoisePersistent, is_long);
        if self.acquired < ACQUIRING_FRAMES || is_long || !confirmed.is_empty() {
            self.acquired = 0;
        }
    }

    /// What this frame and the two before it have in common; a noisy frame confirms nothing.
    fn confirm(&mut self, config: &Config, findings: Findings) -> Findings {
        if integrity::is_noisy(&config.integrity, &self.frame) {
            self.recent = [Findings::NONE; integrity::CONFIRMING_FRAMES - 1];
            return Findings::NONE;
        }
        let [last, before] = self.recent;
        self.recent = [findings, last];
        findings.common(last).common(before)
    }

    fn check_liveness(&mut self, config: &Config) {
        let speed = self.tracking.speed().unsigned_abs();
        if self
            .liveness
            .step(&self.frame, speed, config.stopping_speed)
        {
            self.faults = self.faults.with_if(FaultCode::SamplesFrozen, true);
            self.acquired = 0;
        }
    }

    fn compare_fingerprint(&mut self, config: &Config, angle: ElectricalAngle) {
        let amplitude = config.amplitude_nominal;
        let Some(drift) = self.fingerprint.step(self.balanced, angle, amplitude) else {
            return;
        };
        self.drift = Some(drift);
        let error = drift.angle_error();
        let is_drifting = error > config.unbalance_advise
            || drift.amplitude.unsigned_abs() > config.amplitude_drift;
        self.faults = self
            .faults
            .with_if(FaultCode::WindingDrift, is_drifting)
            .with_if(FaultCode::WindingUnbalanced, error > config.unbalance_latch);
    }

    fn reading(&self, config: &Config, now: Instant) -> CrankReading {
        let age = now.saturating_since(self.at);
        let travel = config.travel(self.tracking.speed(), age);
        let electrical = self.tracking.angle().wrapping_add_counts(travel);
        CrankReading {
            angle: config.to_crank(electrical),
            speed: config.to_speed(self.tracking.speed()),
            at: now,
            measured: config.to_crank(self.measured),
            measured_at: self.measured_at,
            is_predicted: self.burst.coasted() > 0,
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
