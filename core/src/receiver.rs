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
//! The receiver raises faults; it does not latch them. A reading can only be made here. What one
//! resolver cannot know about itself, an [`index_switch`] or a [`second`] receiver contradicts.

mod acceleration;
mod burst;
mod config;
pub mod index_switch;
mod liveness;
mod reading;
pub mod second;

pub use config::{Config, ConfigError, Settings};
pub use reading::{CrankPosition, CrankReading, SignalEvidence};

use crate::angle::{CrankTravel, ElectricalAngle};
use crate::balance::Fingerprint;
use crate::balance::fingerprint::Drift;
use crate::demodulator::{self, Demodulated};
use crate::fault::{FaultCode, FaultSet};
use crate::integrity::{self, Findings};
use crate::signal::{CarrierFrame, WindingAmplitudes};
use crate::time::Instant;
use crate::tracking::Tracking;
use crate::trig;
use acceleration::AccelerationWatch;
use burst::Burst;
use liveness::Liveness;
use reading::Trace;

/// Good frames in a row before a position is trusted: 5 ms at 5000 frames a second.
const ACQUIRING_FRAMES: u8 = 25;
/// Good frames over whose way the first speed is taken. Over a single one the noise of two decodes
/// would start the loop with tens of degrees per second.
const FIRST_SPEED_FRAMES: u8 = 16;
/// Frames of prediction from which on motion, not noise, is what has left it behind.
const RESUMING_FRAMES: u16 = 10;
/// Findings that are shown but do not make an angle untrusted.
const ADVISORY: Findings = Findings::NONE.with_if(FaultCode::WindingDrift, true);

/// State of one receiver.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Receiver {
    tracking: Tracking,
    frame: Demodulated,
    noise: u16,
    raw: WindingAmplitudes,
    balanced: WindingAmplitudes,
    /// Quadrature amplitudes of the latest frame that was examined.
    quadrature: WindingAmplitudes,
    middle: Instant,
    measured: ElectricalAngle,
    /// The last trusted state: evidence once the position is none.
    last: Option<Trace>,
    recent: Recent,
    examined: Recent,
    faults: Findings,
    /// Good frames in a row, up to [`ACQUIRING_FRAMES`].
    acquired: u8,
    burst: Burst,
    acceleration: AccelerationWatch,
    liveness: Liveness,
    fingerprint: Fingerprint,
    drift: Option<Drift>,
    /// What the last whole turn against the survey gave rise to: it stands until the next.
    drifted: Findings,
}

/// Findings of the last two frames that were looked at, to be confirmed by the next.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Recent([Findings; integrity::CONFIRMING_FRAMES - 1]);

impl Recent {
    const NONE: Self = Self([Findings::NONE; integrity::CONFIRMING_FRAMES - 1]);

    const fn confirm(&mut self, findings: Findings) -> Findings {
        let [last, before] = self.0;
        self.0 = [findings, last];
        findings.common(last).common(before)
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
            frame: Demodulated::NONE,
            noise: 0,
            raw: DARK,
            balanced: DARK,
            quadrature: DARK,
            middle: Instant::from_micros(0),
            measured: ElectricalAngle::from_bits(0),
            last: None,
            recent: Recent::NONE,
            examined: Recent::NONE,
            faults: Findings::NONE,
            acquired: 0,
            burst: Burst::NONE,
            acceleration: AccelerationWatch::new(0),
            liveness: Liveness::new(),
            fingerprint: Fingerprint::new(),
            drift: None,
            drifted: Findings::NONE,
        }
    }

    /// Begins a tick: forgets the faults of the one before and keeps its reading as the last one,
    /// if it was trusted.
    pub fn start_tick(&mut self, _config: &Config) {
        if self.is_trusted() {
            self.last = Some(self.trace());
        }
        self.faults = Findings::NONE;
    }

    /// Takes one carrier frame. `middle` is the instant of the middle of the frame, half an
    /// excitation period after its first sample. Frames follow each other by one period; after a
    /// gap or a repetition the receiver acquires anew.
    #[inline(never)]
    pub fn frame(&mut self, config: &Config, frame: &CarrierFrame, middle: Instant) {
        self.advance(config, middle);
        let frame = demodulator::demodulate(frame);
        self.noise = frame.noise(&self.frame);
        self.frame = frame;
        self.raw = frame.in_phase(&config.demodulator);
        self.balanced = config.balance.apply(self.raw);
        let mut findings = integrity::inspect(&config.integrity, self.balanced, frame.is_clipped());
        let Ok(angle) = trig::atan2(self.balanced.sine, self.balanced.cosine) else {
            return self.bad_frame(config, findings);
        };
        if self.acquired > FIRST_SPEED_FRAMES {
            findings = findings.union(self.compare(config, angle));
        }
        if findings.is_empty() && !self.is_noisy(config) {
            self.good_frame(config, angle);
        } else {
            self.bad_frame(config, findings);
        }
    }

    /// Ends a tick: the slower checks, on its last frame. In the dark there is nothing to examine.
    pub fn end_tick(&mut self, config: &Config) {
        if integrity::squared_amplitude(self.balanced) == 0 {
            return;
        }
        self.quadrature = self.frame.quadrature(&config.demodulator);
        let confirmed = self.examine_frame(config);
        let speed = self.tracking.speed();
        let is_sudden = self.acquired > FIRST_SPEED_FRAMES
            && self.acceleration.step(&config.acceleration, speed);
        let is_frozen =
            self.liveness
                .step(self.balanced, speed.unsigned_abs(), config.stopping_speed);
        let found = confirmed
            .with_if(FaultCode::AccelerationImpossible, is_sudden)
            .with_if(FaultCode::SamplesFrozen, is_frozen);
        if !found.is_empty() {
            self.acquired = 0;
        }
        self.faults = self.faults.union(found).union(self.fingerprint(config));
    }

    /// Crank position at `now`.
    pub fn position(&self, config: &Config, now: Instant) -> CrankPosition {
        if self.is_trusted() {
            CrankPosition::Trusted(self.trace().reading(config, now))
        } else {
            CrankPosition::Untrusted {
                faults: self.faults(),
                last: self
                    .last
                    .map(|trace| trace.reading(config, trace.at(config))),
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
        let [sine_offset, cosine_offset] = self.frame.offsets();
        SignalEvidence {
            raw: self.raw,
            balanced: self.balanced,
            amplitude: integrity::squared_amplitude(self.balanced).isqrt() as u16,
            phase_millidegrees: phase_millidegrees(self.balanced, self.quadrature),
            sine_offset,
            cosine_offset,
            noise: self.noise,
        }
    }

    /// The drift of the windings over the last whole turn against the survey; none before a turn, or
    /// without a survey.
    pub const fn drift(&self) -> Option<Drift> {
        self.drift
    }

    fn is_trusted(&self) -> bool {
        self.acquired >= ACQUIRING_FRAMES && self.faults.without(ADVISORY).is_empty()
    }

    const fn is_noisy(&self, config: &Config) -> bool {
        self.noise > config.integrity.noise
    }

    fn advance(&mut self, config: &Config, middle: Instant) {
        if !config.is_next_frame(middle, self.middle) {
            self.acquired = 0;
        }
        self.middle = middle;
    }

    /// Where the direct decode and the tracking loop differ by more than motion explains.
    fn compare(&self, config: &Config, angle: ElectricalAngle) -> Findings {
        let limit = config.disagreement(self.burst.coasted());
        let difference = angle.counts_from(self.tracking.predicted()).unsigned_abs();
        let is_far = difference > limit;
        let is_step = if self.burst.coasted() == 0 {
            angle.counts_from(self.measured).unsigned_abs() > config.step_max
        } else {
            self.burst.is_step() && is_far
        };
        let is_fast = self.tracking.speed().unsigned_abs() > config.speed_max;
        Findings::NONE
            .with_if(FaultCode::DecodesDisagree, is_far)
            .with_if(FaultCode::AccelerationImpossible, is_step)
            .with_if(FaultCode::SpeedBeyondTracking, is_fast)
    }

    fn good_frame(&mut self, config: &Config, angle: ElectricalAngle) {
        match self.acquired {
            0 => self.tracking = Tracking::new(angle, 0),
            1..FIRST_SPEED_FRAMES => (),
            FIRST_SPEED_FRAMES => {
                let way = angle.counts_from(self.tracking.angle());
                let speed = way >> FIRST_SPEED_FRAMES.ilog2();
                self.tracking = Tracking::new(angle, speed);
                self.acceleration = AccelerationWatch::new(speed);
            }
            _ if self.burst.coasted() == 0 => {
                self.tracking.step(&config.tracking, angle);
            }
            _ => self.resume(config, angle),
        }
        self.measured = angle;
        self.acquired = self.acquired.saturating_add(1).min(ACQUIRING_FRAMES);
        self.recent = Recent::NONE;
        self.burst.good_frame();
    }

    /// The first good frame after a burst. A prediction that motion has left behind is not pulled
    /// back by the loop over its settling time but set right at once.
    fn resume(&mut self, config: &Config, angle: ElectricalAngle) {
        let difference = angle.counts_from(self.tracking.predicted());
        let is_short = self.burst.coasted() < RESUMING_FRAMES;
        if is_short || difference.unsigned_abs() <= config.disagreement(0) {
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
        if self.is_noisy(config) {
            self.recent = Recent::NONE;
            return Findings::NONE;
        }
        self.recent.confirm(findings)
    }

    /// What the last frames of this tick and of the two before it have in common.
    fn examine_frame(&mut self, config: &Config) -> Findings {
        if self.is_noisy(config) {
            self.examined = Recent::NONE;
            return Findings::NONE;
        }
        let is_off_track = self.acquired > FIRST_SPEED_FRAMES
            && integrity::is_off_track(
                self.balanced,
                self.tracking.angle(),
                config.disagreement(self.burst.coasted()),
            );
        let carrier = integrity::inspect_carrier(
            &config.integrity,
            self.balanced,
            self.quadrature,
            self.frame.offsets(),
        );
        self.examined
            .confirm(carrier.with_if(FaultCode::TrackingLost, is_off_track))
    }

    fn fingerprint(&mut self, config: &Config) -> Findings {
        let Some(surveyed) = &config.fingerprint else {
            return Findings::NONE;
        };
        if self.burst.coasted() > 0 {
            return self.drifted;
        }
        let drift = self
            .fingerprint
            .step(surveyed, self.balanced, self.measured);
        let Some(drift) = drift else {
            return self.drifted;
        };
        self.drift = Some(drift);
        let error = drift.angle_error();
        let is_drifting = error > config.unbalance_advise
            || drift.amplitude.unsigned_abs() > config.amplitude_drift;
        self.drifted = Findings::NONE.with_if(FaultCode::WindingDrift, is_drifting);
        self.drifted
            .with_if(FaultCode::WindingUnbalanced, error > config.unbalance_latch)
    }

    const fn trace(&self) -> Trace {
        Trace {
            tracking: self.tracking,
            middle: self.middle,
            measured: self.measured,
            coasted: self.burst.coasted(),
        }
    }
}

/// Angle of the quadrature amplitudes seen along the in-phase vector.
fn phase_millidegrees(i: WindingAmplitudes, q: WindingAmplitudes) -> i32 {
    let dot = |a: WindingAmplitudes, b: WindingAmplitudes| {
        let sine = i32::from(a.sine).wrapping_mul(i32::from(b.sine));
        sine.saturating_add(i32::from(a.cosine).wrapping_mul(i32::from(b.cosine)))
    };
    let (along, across) = ((dot(i, i) >> 16) as i16, (dot(i, q) >> 16) as i16);
    let phase = trig::atan2(across, along).unwrap_or_default();
    CrankTravel::from_counts(i64::from(phase.to_bits() as i32)).as_millidegrees()
}
