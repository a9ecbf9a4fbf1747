//! One stop command of a recording: a stop measured, a positioning move told apart, or nothing,
//! with the reason.
//!
//! Speed and angle at the command come from the samples before it; a sliding fit finds where the
//! crank has all but stopped; the brake curve through everything from the command to there and a
//! little beyond gives standstill; the watch over the rest confirms it.

use super::approach::{self, Approach};
use super::arrival::{Arrival, Sampling};
use super::brake_curve::{self, BrakeCurve, Known};
use super::codes::Coding;
use super::hold::Hold;
use super::motion::shortest;
use super::recording::{Command, Edge, Recording, Warning, WarningKind};
use super::signature::signature;
use super::{DEG_S_PER_SPM, PositioningMove, RecordedStop, StopKind};

/// No part-revolution clutch brakes a crank within this time of the command (the fastest of presses
/// A to H takes 49 ms): a crank that rests after less was not running freely.
const REACTION_MIN_S: f64 = 0.008;
/// Samples between command and standstill below which nothing is measured.
const SAMPLES_MIN: usize = 5;
/// Rest must be seen for this long, and in this many samples, to be believed.
const REST_MIN_S: f64 = 0.03;
const REST_SAMPLES: usize = 3;
/// Rest that takes part in the fit.
const REST_FITTED_S: f64 = 0.15;
/// A crank still turning so long after the command is not stopping.
const STOP_MAX_S: f64 = 3.0;
/// Time between two samples, over the usual, that a stop should not have.
const GAP: f64 = 2.5;
/// Standard deviations in a 95 % interval.
const COVERAGE: f64 = 2.0;
/// No brake follows the curve exactly: one sigma of what that does to the stopping time, as a share
/// of it (simulated stops of presses A to H, `tests/study`). The slide changes the inertia on the
/// way, so it grows once the stop takes a good part of a turn.
const SHAPE_SIGMA: f64 = 0.0008;
const SHAPE_TRAVEL_DEG: f64 = 180.0;

/// What counts as a stop at speed, and where the top is.
#[derive(Clone, Debug, PartialEq)]
pub struct FindOptions {
    /// How long the rest is watched; 0.3 s by default.
    pub hold_s: f64,
    /// Crank speed below which the crank stands; 0.5 strokes per minute by default.
    pub standstill_spm: f64,
    /// A rest this close to top dead centre is a top stop; 30 degrees by default.
    pub top_window_deg: f64,
    /// Slower commands are positioning moves; 0 by default.
    pub speed_min_spm: f64,
}

impl Default for FindOptions {
    fn default() -> Self {
        Self {
            hold_s: 0.3,
            standstill_spm: 0.5,
            top_window_deg: 30.0,
            speed_min_spm: 0.0,
        }
    }
}

/// What became of one command.
pub(super) enum Outcome {
    Stop(Box<RecordedStop>),
    Move(PositioningMove),
    LeftOut(Warning),
}

/// One command of one recording; times within are seconds after the command.
pub(super) struct StopSearch<'a> {
    pub(super) recording: &'a Recording,
    pub(super) command: &'a Command,
    /// The command's first edge.
    pub(super) on: Edge,
    pub(super) options: &'a FindOptions,
    pub(super) coding: Coding,
}

/// Why a command gave neither a stop nor a move.
struct Trouble {
    kind: WarningKind,
    message: String,
}

impl Trouble {
    fn new(kind: WarningKind, message: impl Into<String>) -> Self {
        Self {
            kind,
            message: message.into(),
        }
    }
}

impl StopSearch<'_> {
    pub(super) fn outcome(&self) -> Outcome {
        self.measure().unwrap_or_else(|trouble| {
            Outcome::LeftOut(Warning {
                recording: self.recording.name.clone(),
                kind: trouble.kind,
                count: 1,
                line: None,
                time_s: Some(self.on.middle_s()),
                message: trouble.message,
            })
        })
    }

    fn measure(&self) -> Result<Outcome, Trouble> {
        let approach = self.approach()?;
        let samples = self.travel_from(&approach);
        let arrival = self.arrival(&samples, &approach)?;
        if let Some(reason) = self.positioning_reason(&approach, &arrival) {
            return Ok(Outcome::Move(self.positioning(&approach, &arrival, reason)));
        }
        self.require_samples(&samples, &arrival)?;
        let curve = self.brake_curve(&samples, &approach, &arrival)?;
        let hold = self.hold(&samples, &curve)?;
        Ok(Outcome::Stop(Box::new(
            self.stop(&samples, &approach, &curve, &hold),
        )))
    }

    /// How long after the command the recording and the command last.
    fn end_s(&self) -> f64 {
        let last = self.recording.time_s.last().copied().unwrap_or(0.0);
        self.command.off.map_or(last, |off| off.earliest_s) - self.on.middle_s()
    }

    fn approach(&self) -> Result<Approach, Trouble> {
        let standstill = self.options.standstill_spm * DEG_S_PER_SPM;
        let is_turning = |approach: &Approach| {
            approach.speed_deg_s >= f64::max(standstill, 3.0 * approach.speed_sigma)
        };
        let approach = Approach::before(self.recording, self.on.middle_s()).filter(is_turning);
        approach.ok_or_else(|| {
            let message = "stop command given while the crank stood still";
            Trouble::new(WarningKind::CommandAtStandstill, message)
        })
    }

    /// Samples from the command on, as travel since it, along the sense of motion.
    fn travel_from(&self, approach: &Approach) -> Vec<(f64, f64)> {
        let mut samples = self
            .recording
            .samples_after(self.on.middle_s(), 0.0, self.end_s());
        for sample in &mut samples {
            sample.1 = approach.sense * (sample.1 - approach.deg);
        }
        samples
    }

    fn arrival(&self, samples: &[(f64, f64)], approach: &Approach) -> Result<Arrival, Trouble> {
        let sampling = Sampling {
            period_s: self.recording.sample_period_s,
            noise_deg: self.recording.noise_deg,
        };
        let arrival = Arrival::find(samples, approach.speed_deg_s, sampling)
            .map_err(|speed| self.no_arrival(speed))?;
        let rest = samples
            .iter()
            .filter(|sample| sample.0 > arrival.standstill_s)
            .count();
        let watched_s = self.end_s() - arrival.standstill_s;
        if watched_s >= REST_MIN_S && rest >= REST_SAMPLES {
            return Ok(arrival);
        }
        let watched_ms = watched_s.max(0.0) * 1e3;
        let message = format!("only {watched_ms:.0} ms of rest to be seen: standstill is not sure");
        Err(Trouble::new(self.cut_short_by(), message))
    }

    fn cut_short_by(&self) -> WarningKind {
        match self.command.off {
            Some(_) => WarningKind::CommandWithdrawn,
            None => WarningKind::EndsTooSoon,
        }
    }

    fn no_arrival(&self, speed_deg_s: f64) -> Trouble {
        let (watched_ms, spm) = (self.end_s() * 1e3, speed_deg_s / DEG_S_PER_SPM);
        let kind = if self.end_s() > STOP_MAX_S {
            WarningKind::NeverStops
        } else {
            self.cut_short_by()
        };
        let what = match kind {
            WarningKind::NeverStops => "never came to a standstill",
            WarningKind::CommandWithdrawn => "stop command withdrawn before standstill",
            _ => "the recording ends before standstill",
        };
        let seen = format!(
            "{watched_ms:.0} ms after the command the crank still made {spm:.1} strokes per minute"
        );
        Trouble::new(kind, format!("{what}: {seen}"))
    }

    fn positioning_reason(&self, approach: &Approach, arrival: &Arrival) -> Option<String> {
        let limit = self.options.speed_min_spm;
        let shortest_run = approach.speed_deg_s * (REACTION_MIN_S + self.recording.sample_period_s);
        if approach.sense < 0.0 {
            Some("against the direction of travel".into())
        } else if approach.speed_deg_s < limit * DEG_S_PER_SPM {
            Some(format!("slower than {limit} strokes per minute"))
        } else if arrival.rest_deg < shortest_run {
            Some("no travel after the command: the crank was not running freely".into())
        } else {
            approach
                .is_starting
                .then(|| "the crank was still being started".into())
        }
    }

    fn positioning(
        &self,
        approach: &Approach,
        arrival: &Arrival,
        reason: String,
    ) -> PositioningMove {
        PositioningMove {
            recording: self.recording.name.clone(),
            command_time_s: self.on.middle_s(),
            command_deg: approach.deg.rem_euclid(360.0),
            speed_spm: approach.sense * approach.speed_deg_s / DEG_S_PER_SPM,
            rest_deg: (approach.deg + approach.sense * arrival.rest_deg).rem_euclid(360.0),
            reason,
        }
    }

    fn require_samples(&self, samples: &[(f64, f64)], arrival: &Arrival) -> Result<(), Trouble> {
        let moving = samples
            .iter()
            .filter(|sample| sample.0 < arrival.standstill_s)
            .count();
        if moving >= SAMPLES_MIN {
            return Ok(());
        }
        let period_ms = self.recording.sample_period_s * 1e3;
        let message = format!(
            "{moving} samples between command and standstill, {SAMPLES_MIN} are the least that \
             resolve a stop: record faster than every {period_ms:.1} ms"
        );
        Err(Trouble::new(WarningKind::SampleRateTooLow, message))
    }

    fn brake_curve(
        &self,
        samples: &[(f64, f64)],
        approach: &Approach,
        arrival: &Arrival,
    ) -> Result<BrakeCurve, Trouble> {
        let end = arrival.standstill_s + REST_FITTED_S;
        let part = &samples[..samples.partition_point(|sample| sample.0 <= end)];
        let known = Known {
            speed_deg_s: approach.speed_deg_s,
            speed_sigma: approach.speed_sigma,
            standstill_s: arrival.standstill_s,
            braking_s: arrival.braking_s,
            rest_deg: arrival.rest_deg,
        };
        let reach = 0.5 * arrival.braking_s + 4.0 * self.recording.sample_period_s + 0.02;
        let is_near =
            |curve: &BrakeCurve| (curve.standstill_s - arrival.standstill_s).abs() < reach;
        let points = self.coding.points(part, arrival.standstill_s);
        brake_curve::fit(&points, &known)
            .filter(is_near)
            .ok_or_else(|| {
                let message = "no brake curve fits the samples from command to standstill";
                Trouble::new(WarningKind::FitFailed, message)
            })
    }

    fn hold(&self, samples: &[(f64, f64)], curve: &BrakeCurve) -> Result<Hold, Trouble> {
        let watched_s = (self.end_s() - curve.standstill_s).min(self.options.hold_s);
        let rest = (curve.standstill_s, curve.rest_deg);
        let hold = Hold::watch(samples, rest, watched_s, self.recording.noise_deg);
        match hold.creep_deg_s(self.options.standstill_spm * DEG_S_PER_SPM) {
            None => Ok(hold),
            Some(speed) => {
                let spm = speed / DEG_S_PER_SPM;
                let message =
                    format!("never came to a standstill: creeps on at {spm:.2} strokes per minute");
                Err(Trouble::new(WarningKind::NeverStops, message))
            }
        }
    }

    fn stop(
        &self,
        samples: &[(f64, f64)],
        approach: &Approach,
        curve: &BrakeCurve,
        hold: &Hold,
    ) -> RecordedStop {
        let rest = approach.deg + curve.rest_deg;
        let overrun_deg = shortest(rest);
        let braking_s = (approach.speed_deg_s / curve.deceleration_deg_s2).min(curve.standstill_s);
        let is_top = overrun_deg.abs() <= self.options.top_window_deg;
        let moving = samples
            .iter()
            .filter(|sample| sample.0 <= curve.standstill_s)
            .count();
        RecordedStop {
            recording: self.recording.name.clone(),
            index: 0,
            command_time_s: self.on.middle_s(),
            command_deg: approach.deg.rem_euclid(360.0),
            speed_spm: approach.speed_deg_s / DEG_S_PER_SPM,
            time_ms: curve.standstill_s * 1e3,
            time_uncertainty_ms: COVERAGE * self.time_sigma_s(curve) * 1e3,
            travel_deg: curve.rest_deg,
            travel_uncertainty_deg: COVERAGE * self.travel_sigma_deg(approach, curve),
            rest_deg: rest.rem_euclid(360.0),
            overrun_deg,
            reaction_ms: (curve.standstill_s - braking_s) * 1e3,
            braking_ms: braking_s * 1e3,
            deceleration_deg_s2: curve.deceleration_deg_s2,
            kind: if is_top {
                StopKind::TopStop
            } else {
                StopKind::MidStroke
            },
            hold_ms: hold.watched_s * 1e3,
            hold_drift_deg: hold.drift_deg,
            samples: moving,
            remarks: self.remarks(curve, hold),
            signature: signature(
                self.recording,
                self.on.middle_s(),
                curve.standstill_s,
                approach,
            ),
        }
    }

    /// Sampling of the command, scatter of the fit, and doubt about the shape of the curve.
    fn time_sigma_s(&self, curve: &BrakeCurve) -> f64 {
        let turning = 1.0 + (curve.rest_deg / SHAPE_TRAVEL_DEG).powi(2);
        let shape = SHAPE_SIGMA * curve.standstill_s * turning;
        root_of_squares(&[self.on.sigma_s(), curve.standstill_sigma, shape])
    }

    fn travel_sigma_deg(&self, approach: &Approach, curve: &BrakeCurve) -> f64 {
        let edge = approach.speed_deg_s * self.on.sigma_s();
        root_of_squares(&[edge, approach.deg_sigma, curve.rest_sigma])
    }

    fn remarks(&self, curve: &BrakeCurve, hold: &Hold) -> Vec<String> {
        let from = self.on.middle_s() - approach::SPAN_MAX_S;
        let to = self.on.middle_s() + curve.standstill_s + 2.0 * self.recording.sample_period_s;
        let gap_s = self.recording.longest_gap_s(from, to);
        let bounce_ms = self.command.bounce_s * 1e3;
        let is_short = hold.watched_s + self.recording.sample_period_s < self.options.hold_s;
        let mut jumps = self.recording.jumps.iter();
        let remark = |applies: bool, text: String| applies.then_some(text);
        [
            remark(
                self.command.bounces > 0,
                format!("stop command bounced for {bounce_ms:.1} ms"),
            ),
            remark(
                gap_s > GAP * self.recording.sample_period_s,
                format!("{:.1} ms without a sample", gap_s * 1e3),
            ),
            remark(
                jumps.any(|jump| (from..to).contains(&jump.time_s)),
                "the angle steps during the stop".into(),
            ),
            remark(
                curve.left_out > 0,
                format!("{} samples left out of the fit", curve.left_out),
            ),
            remark(curve.is_unquiet, "the crank swings after standstill".into()),
            remark(
                is_short,
                format!("rest watched for {:.0} ms only", hold.watched_s * 1e3),
            ),
            remark(
                hold.has_moved(),
                format!("did not hold: moved {:.2} degrees", hold.drift_deg),
            ),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

fn root_of_squares(parts: &[f64]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}
