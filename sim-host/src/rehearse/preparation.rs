//! Settings before anything is measured: from the data plate alone, with wide limits, and only
//! for supervised work.

use crate::press::Press;
use crate::rehearse::RehearsalError;
use crate::units;
use stopwright_core::angle::CrankAngle;
use stopwright_core::receiver;
use stopwright_core::settings::{Angles, Schema, Settings};
use stopwright_core::stop_curve::StopCurve;
use stopwright_core::stop_time::{self, StopLimits};
use stopwright_core::{motion, top_stop};

/// Healthy acceleration is clutch torque over inertia; this much more is still not a fault.
const ACCELERATION_RESERVE: f64 = 1.5;
/// Speed allowance over the highest commissioned speed (job practice: five per cent).
const OVERSPEED: f64 = 1.05;
/// Provisional limits over what the data plate predicts: stops beyond are not measurements any
/// more but something broken.
const PROVISIONAL_ADVISORY: f64 = 2.0;
const PROVISIONAL_LATCH: f64 = 3.0;
/// Top window while the release angle is still being found, degrees either way.
const PROVISIONAL_WINDOW_DEG: f64 = 20.0;
/// Overrun limit while it is being found, degrees.
const PROVISIONAL_OVERRUN_DEG: f64 = 25.0;
/// Bounds of the compensation before it is commissioned, degrees.
const PROVISIONAL_BOUND_DEG: f64 = 1.0;

/// Settings of a press that has only its data plate.
pub(super) fn from_data_plate(press: &Press) -> Schema {
    let spm = press.speed.max_spm;
    let limits = StopLimits {
        speed: units::speed(spm),
        time_advisory: units::duration(PROVISIONAL_ADVISORY * press.stop_time_closed_form_ms(spm)),
        time_latch: units::duration(PROVISIONAL_LATCH * press.stop_time_closed_form_ms(spm)),
        travel_advisory: units::travel(
            PROVISIONAL_ADVISORY * press.stop_travel_closed_form_deg(spm),
        ),
        travel_latch: units::travel(PROVISIONAL_LATCH * press.stop_travel_closed_form_deg(spm)),
    };
    let stop = stop_time::Config::with_limits(limits, curve_of(press, 0.0));
    let top_stop = predicted_top_stop(press, press.speed.nominal_spm);
    let angles = provisional_angles();
    let motion = motion::Config::with_speed_max(units::speed(OVERSPEED * spm));
    let control_response = units::duration_ceil(control_response_ms(press));
    Schema {
        receiver: receiver_for(press),
        ..Schema::zero_pending(motion, stop, top_stop, angles, control_response)
    }
}

/// The settings in force.
///
/// # Errors
/// A data plate from which no consistent settings follow: each number may be allowed by itself and
/// the stops they predict still be beyond what a controller can time.
pub(super) fn settings(schema: &Schema) -> Result<Settings, RehearsalError> {
    Settings::try_new(*schema).map_err(|problems| RehearsalError::DataPlate {
        problems: problems
            .iter()
            .map(|problem| format!("{problem:?}"))
            .collect::<Vec<_>>()
            .join("; "),
    })
}

/// From the request at the controller's inputs to coil off, at the longest: a tick until it is
/// seen, and the output stage.
pub(super) fn control_response_ms(press: &Press) -> f64 {
    1.0 + press.control.output_drop_ms
}

pub(super) fn receiver_for(press: &Press) -> receiver::Settings {
    let torque = press.clutch.torque_nm.max(press.brake.torque_nm);
    let acceleration = (torque / press.masses.crank_kg_m2).to_degrees() * ACCELERATION_RESERVE;
    receiver::Settings {
        // A resolver fills nine tenths of the converter's range.
        amplitude_nominal: 29_490,
        acceleration_max_deg_s2: acceleration.clamp(1_000.0, 1_000_000.0) as u32,
        ..receiver::Settings::DEFAULT
    }
}

/// Growth of a stop with speed as the data plate has it, with `output_ms` of output stage before.
pub(super) fn curve_of(press: &Press, output_ms: f64) -> StopCurve {
    let braking_ms_per_spm = press.braking_closed_form_ms(1.0);
    StopCurve {
        reaction: units::duration(press.reaction_closed_form_ms() + output_ms),
        braking_ns_per_spm: (braking_ms_per_spm * 1e6).round() as u32,
    }
}

/// The release angle that the data plate predicts.
pub(super) fn predicted_release_deg(press: &Press, spm: f64) -> f64 {
    let output_deg = 6.0 * spm * press.control.output_drop_ms / 1e3;
    360.0 - press.stop_travel_closed_form_deg(spm) - output_deg
}

pub(super) fn predicted_top_stop(press: &Press, spm: f64) -> top_stop::Config {
    top_stop::Config {
        target: CrankAngle::TOP_DEAD_CENTRE,
        release: units::angle(predicted_release_deg(press, spm).max(200.0)),
        speed: units::speed(spm),
        curve: curve_of(press, press.control.output_drop_ms),
        late_bound: units::travel(PROVISIONAL_BOUND_DEG),
        early_bound: units::travel(PROVISIONAL_BOUND_DEG),
        deadband: units::travel(PROVISIONAL_BOUND_DEG),
    }
}

fn provisional_angles() -> Angles {
    Angles {
        take_over: CrankAngle::BOTTOM_DEAD_CENTRE,
        mute_end: units::angle(330.0),
        window_before: units::travel(PROVISIONAL_WINDOW_DEG),
        window_after: units::travel(PROVISIONAL_WINDOW_DEG),
        overrun_limit: units::travel(PROVISIONAL_OVERRUN_DEG),
    }
}
