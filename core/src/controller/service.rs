//! Commissioning services: capture of the electrical angle, adoption of settings.

use super::sensing::Sensing;
use super::{Controller, Inputs, Service, ServiceReply};
use crate::digest::digest;
use crate::job::CheckedJob;
use crate::limit_channels::LimitChannels;
use crate::motion::Motion;
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::speed_window::SpeedWindow;
use crate::stop_trend::StopTrend;
use crate::top_stop::{Compensation, ReleaseShift};
use crate::zero_offset::CaptureRefusal;

/// Noise of the angle makes a mean speed of less than this.
const STANDS_BELOW: CrankSpeed = CrankSpeed::from_milli_spm(2_000);

impl Controller {
    #[inline(never)]
    pub(super) fn serve(
        &mut self,
        inputs: &Inputs<'_>,
        reading: Option<&CrankReading>,
    ) -> ServiceReply {
        if inputs.service != Service::CaptureAngle {
            self.sensing.end_capture();
        }
        match inputs.service {
            Service::None => ServiceReply::None,
            Service::CaptureAngle if !self.stroke.is_standing() => {
                self.sensing.end_capture();
                ServiceReply::CaptureRefused(CaptureRefusal::NotAtStandstill)
            }
            Service::CaptureAngle => self.sensing.serve_capture(&self.settings),
            Service::Adopt(_) | Service::AdoptJob(_) if !self.is_at_standstill(reading) => {
                ServiceReply::NotAtStandstill
            }
            Service::Adopt(settings) => {
                self.settings = *settings;
                self.press = digest(settings.get());
                self.job = None;
                self.take_up();
                ServiceReply::Adopted
            }
            Service::AdoptJob(job) => self.adopt_job(job),
        }
    }

    /// Whether the crank stands, as far as can be known. After a power cut in a stroke the state is one
    /// of standing and the crank still coasts: while the receivers settle, that is not known. Where they
    /// do not, with settings of another press perhaps, others must be adoptable all the same.
    fn is_at_standstill(&self, reading: Option<&CrankReading>) -> bool {
        let turns = reading.is_some() && self.speed.saturating_abs() > STANDS_BELOW;
        self.stroke.is_standing() && !self.sensing.is_settling() && !turns
    }

    /// The press's settings with the job's angles and its release for the commissioned speed.
    fn adopt_job(&mut self, job: &CheckedJob) -> ServiceReply {
        if digest(job.press()) != self.press {
            return ServiceReply::OtherSettings;
        }
        self.settings = *job.settings();
        self.job = Some(*job.limit_channels());
        self.take_up();
        ServiceReply::Adopted
    }

    /// Begins anew with the settings now in force.
    pub(super) fn take_up(&mut self) {
        // The crank has not moved, though a new zero or balance may make its angle jump.
        self.sensing = Sensing::new();
        self.motion = Motion::new();
        self.window = SpeedWindow::new();
        self.release_shift = ReleaseShift::new(&self.settings.get().top_stop, self.speed);
        self.compensation = Compensation::new();
        self.trend = StopTrend::new();
        self.run_in.begin_bedding();
        self.limit_channels = LimitChannels::new();
        self.own_health.adopt(&self.settings, self.job.as_ref());
    }
}
