//! Settings as bytes, and back: a versioned block with a checksum around a list of fields.
//!
//! ```text
//! kind  version  length  generation  payload ...  CRC-32/ISO-HDLC of all before it
//!   1      1       2         4        length        4        bytes, little end first
//! ```
//!
//! The list of fields is written by hand, once for each type, and read and written from the same
//! list. That is chosen over derived serialisation for three reasons: the byte layout is ours and
//! stands in this file, not in the versions of two libraries; a field added to a type elsewhere
//! does not compile until it stands here too, and then its version is due; and nothing on the way
//! can panic or allocate. The checksum is a library's.
//!
//! Decoding gives a schema in the open; only [`crate::settings::Settings::try_new`] makes settings
//! of it. A block of another kind or version, a byte too many or too few, a bit turned over: each
//! is refused by name.

use crate::angle::{AngleWindow, CrankAngle, CrankTravel, ElectricalAngle};
use crate::balance::Balance;
use crate::checksum::checksum;
use crate::contacts::{self, PairConfig, PairKind};
use crate::fault::{FaultCode, FaultSet};
use crate::fault_latch::Standing;
use crate::job::{AirWindow, Job, Release};
use crate::limit_channels::{self, Channel, TimedWindow, Windows};
use crate::press_identity::{Fingerprint, LABEL_LEN, Label, Measured, Tolerance};
use crate::receiver::index_switch::IndexSettings;
use crate::receiver::second::SecondSettings;
use crate::safety_distance::{Approach, Distance, Rule};
use crate::settings::{Angles, Guard, Schema, Stage};
use crate::speed::CrankSpeed;
use crate::stop_curve::StopCurve;
use crate::stop_time::{StopKind, StopLimits, StopRecord};
use crate::stop_trend::{self, Baseline};
use crate::stroke::{Mode, StopReasons};
use crate::time::{Duration, Instant};
use crate::valve_pair::ShiftBounds;
use crate::zero_offset::{Direction, ZeroOffset};
use crate::{motion, peer, receiver, run_in, stop_time, top_stop, two_hand, valve_pair};

/// Bytes before the payload.
const HEAD: usize = 8;
/// Bytes after it.
const TAIL: usize = 4;
/// The longest block.
pub const BLOCK_MAX: usize = 1_280;

/// Something that is kept as a block of its own.
pub trait Stored: Field {
    /// Number of the kind; never reused.
    const KIND: u8;
    /// Version of its list of fields: one more with every change of the list.
    const VERSION: u8;
}

/// The settings of one press, with what says which press it is. One block, so that they can not
/// part.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PressRecord {
    /// The press they belong to.
    pub press: Label,
    /// What it is known by.
    pub fingerprint: Fingerprint,
    /// Its settings.
    pub schema: Schema,
}

impl PressRecord {
    /// What speaks against this record at the press that is labelled `here`, by all that has been
    /// `measured` of it: nothing, or [`FaultCode::OtherPress`]. To be reported to every tick from the
    /// first on, for as long as the record is in force.
    pub fn faults_at(&self, here: &Label, measured: &Measured) -> FaultSet {
        let is_foreign = self.press != *here;
        let mismatch = self.fingerprint.mismatch(measured, &Tolerance::DEFAULT);
        mismatch
            .map_or(FaultSet::EMPTY, |it| FaultSet::EMPTY.with(it.fault()))
            .with_if(FaultCode::OtherPress, is_foreign)
    }
}

impl Stored for PressRecord {
    const KIND: u8 = 1;
    const VERSION: u8 = 2;
}

impl Stored for Job {
    const KIND: u8 = 2;
    const VERSION: u8 = 1;
}

/// A block that was read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Decoded<T> {
    /// Its place in the order of writing.
    pub generation: u32,
    /// What it holds.
    pub value: T,
}

/// The buffer is shorter than the block.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NoRoom;

/// Why bytes are no block of the kind that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum DecodeError {
    /// Fewer bytes than head, payload and checksum need, or more.
    Length,
    /// The checksum does not fit the bytes.
    Checksum,
    /// A block of another kind.
    Kind {
        /// The kind found.
        found: u8,
    },
    /// A version that this program does not read.
    Version {
        /// The version found.
        found: u8,
        /// The version read.
        known: u8,
    },
    /// A byte that stands for nothing.
    Value {
        /// Its place in the payload, or just behind it.
        at: usize,
    },
}

/// Writes `value` as a block and returns its length.
///
/// # Errors
/// [`NoRoom`] when the buffer is too short; its contents are then of no use.
pub fn encode<T: Stored>(value: &T, generation: u32, buffer: &mut [u8]) -> Result<usize, NoRoom> {
    let mut writer = Writer::at(HEAD, buffer);
    value.put(&mut writer);
    let end = writer.len;
    let len = u16::try_from(end.saturating_sub(HEAD)).map_err(|_| NoRoom)?;
    let total = end.saturating_add(TAIL);
    if buffer.len() < total {
        return Err(NoRoom);
    }
    let head = Head {
        kind: T::KIND,
        version: T::VERSION,
        generation,
    };
    head.put(len, &mut Writer::at(0, buffer));
    let sum = checksum(buffer.get(..end).unwrap_or_default());
    sum.put(&mut Writer::at(end, buffer));
    Ok(total)
}

/// Reads a block.
///
/// # Errors
/// [`DecodeError`], the first that applies.
pub fn decode<T: Stored>(bytes: &[u8]) -> Result<Decoded<T>, DecodeError> {
    let head = inspect(bytes)?;
    if head.kind != T::KIND {
        return Err(DecodeError::Kind { found: head.kind });
    }
    if head.version != T::VERSION {
        return Err(DecodeError::Version {
            found: head.version,
            known: T::VERSION,
        });
    }
    let end = bytes.len().saturating_sub(TAIL);
    let payload = bytes.get(HEAD..end).unwrap_or_default();
    let mut reader = Reader {
        bytes: payload,
        at: 0,
    };
    let wrong = |BadValue { at }| DecodeError::Value { at };
    let value = T::take(&mut reader).map_err(wrong)?;
    if reader.at != payload.len() {
        return Err(DecodeError::Value { at: reader.at });
    }
    Ok(Decoded {
        generation: head.generation,
        value,
    })
}

/// The head of a block whose length and checksum are right, whatever it holds.
///
/// # Errors
/// [`DecodeError::Length`] and [`DecodeError::Checksum`].
pub fn inspect(bytes: &[u8]) -> Result<Head, DecodeError> {
    let end = bytes.len().checked_sub(TAIL).ok_or(DecodeError::Length)?;
    let (body, sum) = bytes.split_at_checked(end).ok_or(DecodeError::Length)?;
    let mut reader = Reader { bytes: body, at: 0 };
    let (head, len) = Head::take(&mut reader).map_err(|_| DecodeError::Length)?;
    if body.len() != HEAD.saturating_add(usize::from(len)) {
        return Err(DecodeError::Length);
    }
    if sum != checksum(body).to_le_bytes() {
        return Err(DecodeError::Checksum);
    }
    Ok(head)
}

/// What stands before the payload, its length apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Head {
    /// Number of the kind.
    pub kind: u8,
    /// Version of its list of fields.
    pub version: u8,
    /// Its place in the order of writing.
    pub generation: u32,
}

impl Head {
    fn put(&self, len: u16, out: &mut impl Sink) {
        self.kind.put(out);
        self.version.put(out);
        len.put(out);
        self.generation.put(out);
    }

    fn take(from: &mut Reader<'_>) -> Result<(Self, u16), BadValue> {
        let (kind, version) = (u8::take(from)?, u8::take(from)?);
        let len = u16::take(from)?;
        let generation = u32::take(from)?;
        let head = Self {
            kind,
            version,
            generation,
        };
        Ok((head, len))
    }
}

/// Takes the bytes of fields.
pub trait Sink {
    /// Takes `bytes`.
    fn put_bytes<const LEN: usize>(&mut self, bytes: [u8; LEN]);
}

/// Writes into a buffer. What does not fit is left out, but counted.
struct Writer<'a> {
    buffer: &'a mut [u8],
    len: usize,
}

impl<'a> Writer<'a> {
    const fn at(len: usize, buffer: &'a mut [u8]) -> Self {
        Self { buffer, len }
    }
}

impl Sink for Writer<'_> {
    fn put_bytes<const LEN: usize>(&mut self, bytes: [u8; LEN]) {
        let end = self.len.saturating_add(bytes.len());
        if let Some(room) = self.buffer.get_mut(self.len..end) {
            room.copy_from_slice(&bytes);
        }
        self.len = end;
    }
}

/// Hands out the bytes of fields.
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

/// A byte that stands for nothing, or is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BadValue {
    /// Its place.
    pub at: usize,
}

impl Reader<'_> {
    fn take_bytes<const N: usize>(&mut self) -> Result<[u8; N], BadValue> {
        let bad = BadValue { at: self.at };
        let rest = self.bytes.get(self.at..).ok_or(bad)?;
        let bytes = *rest.first_chunk::<N>().ok_or(bad)?;
        self.at = self.at.saturating_add(N);
        Ok(bytes)
    }

    /// The byte just taken stands for nothing.
    pub(crate) const fn refuse(&self) -> BadValue {
        BadValue {
            at: self.at.saturating_sub(1),
        }
    }
}

/// A value with a fixed way to write and read it.
pub trait Field: Sized {
    /// Writes it.
    fn put(&self, out: &mut impl Sink);

    /// Reads it.
    ///
    /// # Errors
    /// [`BadValue`] when the bytes run out or stand for nothing.
    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue>;
}

macro_rules! numbers {
    ($($type:ty)*) => {$(
        impl Field for $type {
            fn put(&self, out: &mut impl Sink) {
                out.put_bytes(self.to_le_bytes());
            }
            fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
                from.take_bytes().map(Self::from_le_bytes)
            }
        }
    )*};
}

/// A type that is one number inside: the number's type, how to get it, how to make it.
macro_rules! wrapped {
    ($($type:ty: $number:ty, $get:ident, $make:ident;)*) => {$(
        impl Field for $type {
            fn put(&self, out: &mut impl Sink) {
                self.$get().put(out);
            }
            fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
                <$number>::take(from).map(Self::$make)
            }
        }
    )*};
}

/// Structures, field by field.
macro_rules! fields {
    ($($type:ty { $($field:ident),* $(,)? })*) => {$(
        impl Field for $type {
            fn put(&self, out: &mut impl Sink) {
                // No `..`: a new field does not compile until it is listed.
                let Self { $($field),* } = self;
                $($field.put(out);)*
            }
            fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
                Ok(Self { $($field: Field::take(from)?),* })
            }
        }
    )*};
}

/// Choices without data, by a number that is never reused.
macro_rules! choices {
    ($($type:ty { $($variant:ident = $number:literal),* $(,)? })*) => {$(
        impl Field for $type {
            fn put(&self, out: &mut impl Sink) {
                let number: u8 = match self { $(Self::$variant => $number),* };
                number.put(out);
            }
            fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
                match u8::take(from)? {
                    $($number => Ok(Self::$variant),)*
                    _ => Err(from.refuse()),
                }
            }
        }
    )*};
}

numbers! { u8 u16 u32 u64 u128 i16 i32 i64 }

wrapped! {
    CrankAngle: u32, to_bits, from_bits;
    ElectricalAngle: u32, to_bits, from_bits;
    CrankTravel: i64, as_counts, from_counts;
    CrankSpeed: i32, as_counts_per_ms, from_counts_per_ms;
    Duration: u32, as_micros, from_micros;
    Instant: u64, as_micros, from_micros;
    Distance: u32, as_micrometres, from_micrometres;
    ZeroOffset: ElectricalAngle, electrical, at_top;
}

choices! {
    Stage { ZeroPending = 0, Provisional = 1, Commissioned = 2 }
    Direction { Increasing = 0, Decreasing = 1 }
    PairKind { Complementary = 0, Equivalent = 1 }
    StopKind { Top = 0, MidStroke = 1 }
    Standing { Operator = 0, KeyHolder = 1, Recommissioned = 2 }
    Mode { Off = 0, Inch = 1, Single = 2, Continuous = 3, Test = 4, Barring = 5 }
    Rule {
        UsStoppingTime = 0,
        UsMonitored = 1,
        UsDeviceInitiated = 2,
        IsoOrthogonal2010 = 3,
        PressTable = 4,
        IsoParallel2010 = 5,
        IsoParallel2024 = 6,
        TwoHand2010 = 7,
        TwoHand2010Covered = 8,
        TwoHand2024 = 9,
        TwoHand2024Covered = 10,
        JapanTaiwan = 11,
    }
}

fields! {
    PressRecord { press, fingerprint, schema }
    Fingerprint { balance, index_angle, stops }
    Schema {
        stage, receiver, second, index, contacts, peer, two_hand, valve_pair, motion, stop, run_in, trend, top_stop, angles, control_response,
        guards,
    }
    receiver::Settings {
        carrier_hz, tick_hz, amplitude_nominal, amplitude_lower_permille,
        amplitude_upper_permille, floor_permille, phase_millidegrees, phase_limit_millidegrees,
        residue_limit_permille, offset_limit_codes, noise_limit_codes, bandwidth_hz,
        damping_permille, acceleration_max_deg_s2, speed_max_milli_spm, lash_millidegrees,
        disagreement_millidegrees, coast_us, unbalance_advise_millidegrees,
        unbalance_latch_millidegrees, amplitude_drift_permille, is_surveyed, balance, zero_offset,
        direction,
    }
    SecondSettings { receiver, difference_millidegrees }
    IndexSettings {
        closed, tolerance_millidegrees, contradiction_millidegrees, wander_millidegrees,
        response_us,
    }
    contacts::Config { emergency, presence, guards }
    run_in::Config { cold_after, warm_up_stops, bedding_stops }
    stop_trend::Config { top, mid_stroke }
    Baseline { time, deviation }
    PairConfig { kind, on_after, off_after, discrepancy_after }
    peer::Config {
        angle, speed, transport, transport_jitter, acceleration_max_deg_s2, clock_permille,
        angle_ticks, phase_ticks, consent_ticks, silent_ticks, first_within_ticks,
    }
    Balance { sine_offset, cosine_offset, gain_ppm, quadrature_urad }
    two_hand::Config { synchronous_within, release_hold, release_debounce, discrepancy_after }
    valve_pair::Config { coil_within, shift }
    ShiftBounds { on_within, off_within }
    motion::Config {
        start_within, lock_up_within, stall_within, motion_travel, rest_travel, reverse_travel,
        speed_max, barring_speed_max, barring_ahead,
    }
    stop_time::Config {
        top, mid_stroke, curve, standstill_band, standstill_hold, motion_proof,
    }
    StopLimits { speed, time_advisory, time_latch, travel_advisory, travel_latch }
    StopCurve { reaction, braking_ns_per_spm }
    top_stop::Config { target, release, speed, curve, late_bound, early_bound, deadband }
    Angles { take_over, mute_end, window_before, window_after, overrun_limit }
    Guard { rule, approach, installed, device }
    Approach { detection, field_height, penetration }
    Job { label, take_over, mute_end, counterbalance, releases, limit_channels }
    Release { speed, angle }
    AirWindow { lowest_kpa, highest_kpa }
    limit_channels::Settings { channels, hysteresis, read_back_within }
    Channel { windows, on_lead, off_lead, minimum_on, has_read_back }
    TimedWindow { from, on_for }
    AngleWindow { from, to }
    StopRecord {
        kind, requested_at, commanded_at, command_angle, coil_off_at, valve_off_at, speed,
        speed_peak, stopping_time, stopping_travel, rest_angle, reaction, braking,
    }
}

impl Field for bool {
    fn put(&self, out: &mut impl Sink) {
        u8::from(*self).put(out);
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        match u8::take(from)? {
            0 => Ok(false),
            1 => Ok(true),
            _ => Err(from.refuse()),
        }
    }
}

impl Field for StopReasons {
    fn put(&self, out: &mut impl Sink) {
        self.to_bits().put(out);
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        Self::from_bits(u8::take(from)?).ok_or(from.refuse())
    }
}

impl Field for FaultCode {
    fn put(&self, out: &mut impl Sink) {
        self.number().put(out);
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        let number = u8::take(from)?;
        Self::from_number(number).ok_or(from.refuse())
    }
}

/// One bit for each number, so that a fault this program does not know is refused and not lost.
impl Field for FaultSet {
    fn put(&self, out: &mut impl Sink) {
        let bit = |code: FaultCode| 1u128.wrapping_shl(u32::from(code.number()));
        let bits: u128 = self.iter().fold(0, |bits, code| bits | bit(code));
        bits.put(out);
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        let bits = u128::take(from)?;
        let is_set = |number: u8| bits & 1u128.wrapping_shl(u32::from(number)) != 0;
        let mut set = Self::EMPTY;
        for number in (0..128).filter(|&number| is_set(number)) {
            let code = FaultCode::from_number(number).ok_or(from.refuse())?;
            set = set.with(code);
        }
        Ok(set)
    }
}

impl Field for Label {
    fn put(&self, out: &mut impl Sink) {
        out.put_bytes(self.to_bytes());
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        let bytes = from.take_bytes::<LABEL_LEN>()?;
        Self::from_bytes(bytes).map_err(|_| from.refuse())
    }
}

impl Field for Windows {
    fn put(&self, out: &mut impl Sink) {
        match self {
            Self::Angles(windows) => {
                0u8.put(out);
                windows.put(out);
            }
            Self::Timed(windows) => {
                1u8.put(out);
                windows.put(out);
            }
        }
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        match u8::take(from)? {
            0 => Field::take(from).map(Self::Angles),
            1 => Field::take(from).map(Self::Timed),
            _ => Err(from.refuse()),
        }
    }
}

impl<T: Field> Field for Option<T> {
    fn put(&self, out: &mut impl Sink) {
        self.is_some().put(out);
        if let Some(value) = self {
            value.put(out);
        }
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        match bool::take(from)? {
            true => T::take(from).map(Some),
            false => Ok(None),
        }
    }
}

impl<T: Field + Copy, const N: usize> Field for [T; N] {
    fn put(&self, out: &mut impl Sink) {
        self.iter().for_each(|item| item.put(out));
    }

    /// `N` is at least 1.
    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        let mut items = [T::take(from)?; N];
        for item in items.iter_mut().skip(1) {
            *item = T::take(from)?;
        }
        Ok(items)
    }
}
