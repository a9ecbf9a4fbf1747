//! What the controller says in one tick.

use crate::angle::{CrankAngle, CrankTravel, ElectricalAngle};
use crate::fault::FaultSet;
use crate::fault_latch::Latched;
use crate::interlock::Permit;
use crate::limit_channels::ChannelSet;
use crate::motion::StartRecord;
use crate::peer::Message;
use crate::receiver::CrankPosition;
use crate::run_in::Condition;
use crate::stop_time::StopRecord;
use crate::stroke::{Mode, Stroke};
use crate::time::Duration;
use crate::zero_offset::CaptureRefusal;

/// An electrical angle captured at standstill.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CapturedAngle {
    /// Mean of the capture.
    pub angle: ElectricalAngle,
    /// Widest distance between two of its frames, counts of 2⁻³² turn.
    pub spread: u32,
}

/// The answer to a [`Service`](super::Service).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ServiceReply {
    /// Nothing was asked, or it is under way.
    #[default]
    None,
    /// The captured angles.
    Captured {
        /// Of the first resolver.
        first: CapturedAngle,
        /// Of the second, where fitted.
        second: Option<CapturedAngle>,
    },
    /// No angle, and why.
    CaptureRefused(CaptureRefusal),
    /// The settings are in force.
    Adopted,
    /// Settings and jobs are put in force at standstill only.
    NotAtStandstill,
    /// The job was checked with other settings than those in force.
    OtherSettings,
}

/// The drive of both valve elements: `is_on` from `after` the end of the tick's inputs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ValveDrive {
    /// Level to take.
    pub is_on: bool,
    /// When, counted from [`Inputs::now`](super::Inputs::now); less than a tick. A timer executes it.
    pub after: Duration,
}

/// Everything the controller says in one tick.
#[derive(Clone, Copy, Debug, PartialEq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Outputs {
    /// Valve drive, the same for both elements.
    pub valve: ValveDrive,
    /// Dump the clutch air and drop the motor.
    pub second_means: bool,
    /// State of the stroke.
    pub stroke: Stroke,
    /// Mode in force.
    pub mode: Mode,
    /// The crank as it is seen.
    pub position: CrankPosition,
    /// Presence sensing is muted.
    pub is_muted: bool,
    /// What the interlock permits.
    pub permit: Permit,
    /// Latched faults.
    pub latched: FaultSet,
    /// Faults that latched in this tick: to be stored.
    pub raised: FaultSet,
    /// Advice.
    pub advice: FaultSet,
    /// The first latched fault, with its evidence.
    pub first_fault: Option<Latched>,
    /// The start of the run that ended in this tick.
    pub start: Option<StartRecord>,
    /// A stop that ended in this tick: to be stored.
    pub stop: Option<StopRecord>,
    /// Release angle in force at the speed of the moment.
    pub release: CrankAngle,
    /// Share of the compensation's authority in use, percent.
    pub authority_percent: u8,
    /// What the compensation adds to the release angle.
    pub compensation: CrankTravel,
    /// What the brake is going through.
    pub condition: Condition,
    /// Limit channels that are on at the end of this tick; [`Controller::limit_change_after`] says
    /// when in it they change.
    ///
    /// [`Controller::limit_change_after`]: super::Controller::limit_change_after
    pub limit_channels: ChannelSet,
    /// What to tell the other channel.
    pub peer: Message,
    /// Answer to the service asked for.
    pub reply: ServiceReply,
}
