//! Commissioning services: capture of the electrical angle, adoption of settings.

use super::sensing::Sensing;
use super::{Controller, Inputs, Service, ServiceReply};
use crate::motion::Motion;
use crate::speed_window::SpeedWindow;
use crate::top_stop::Compensation;
use crate::zero_offset::CaptureRefusal;

impl Controller {
    pub(super) fn serve(&mut self, inputs: &Inputs<'_>) -> ServiceReply {
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
            Service::Adopt(_) if !self.stroke.is_standing() => ServiceReply::NotAtStandstill,
            Service::Adopt(settings) => {
                self.settings = *settings;
                // The crank has not moved, though a new zero or balance may make its angle jump.
                self.sensing = Sensing::new();
                self.motion = Motion::new();
                self.window = SpeedWindow::new();
                self.compensation = Compensation::new();
                ServiceReply::Adopted
            }
        }
    }
}
