//! Who keeps the job: it is asked for whenever the controller has come up and the crank stands,
//! until it is in force.
//!
//! Whether the crank stands is read from what the controller says, as a person would.

use crate::units;
use stopwright_core::angle::CrankAngle;
use stopwright_core::controller::{Outputs, ServiceReply};
use stopwright_core::job::CheckedJob;
use stopwright_core::stroke::Stroke;

/// The crank stands when its angle has stayed within this, degrees either way,
const STANDS_DEG: f64 = 0.1;
/// for so many ticks: a gear train that still rings swings through in less.
const STANDS_TICKS: u32 = 50;

/// A job and what has become of it.
#[derive(Clone, Debug)]
pub struct JobKeeper {
    job: Box<CheckedJob>,
    is_in_force: bool,
    anchor: Option<CrankAngle>,
    ticks: u32,
}

impl JobKeeper {
    /// A keeper of this job.
    pub fn new(job: CheckedJob) -> Self {
        Self {
            job: Box::new(job),
            is_in_force: false,
            anchor: None,
            ticks: 0,
        }
    }

    /// The job, when it is to be asked for now.
    pub fn due(&self, said: &Outputs) -> Option<&CheckedJob> {
        let is_due =
            !self.is_in_force && said.stroke != Stroke::PowerUp && self.ticks >= STANDS_TICKS;
        is_due.then_some(&*self.job)
    }

    /// Notes what the controller said to it, or to somebody else's request.
    pub fn note(&mut self, said: &Outputs, was_asked: bool) {
        if said.reply == ServiceReply::Adopted {
            self.is_in_force = was_asked;
        }
        if self.is_in_force {
            return;
        }
        let angle = said.position.trusted().map(|reading| reading.angle());
        let moved = |(now, anchor): (CrankAngle, CrankAngle)| {
            units::travel_deg(now.offset_from(anchor)).abs() > STANDS_DEG
        };
        if angle.zip(self.anchor).is_none_or(moved) {
            (self.anchor, self.ticks) = (angle, 0);
        }
        self.ticks = self.ticks.saturating_add(1);
    }

    /// The controller has lost its supply, and the job with it.
    pub fn lose(&mut self) {
        (self.is_in_force, self.anchor, self.ticks) = (false, None, 0);
    }
}
