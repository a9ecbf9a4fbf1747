//! What travels between desk and target: a recording of everything a controller was given, and its
//! answers. The same file is compiled on both sides.
//!
//! ```text
//! recording   records; all numbers little end first
//!   N  length of the name (1)  name                      a scenario begins
//!   B  stored faults (1 + n)   length (2)  press record  the supply comes on
//!   T  inputs                  ask                       one tick
//! ask         0 nothing, 1 capture an angle, 2 adopt: length (2) press record, 3 job: length (2) job
//! answers     for each tick: for each of FIELDS its length (2) and its bytes
//! ```
//!
//! The bytes of an answer's field are those that its hash would take in: every number of the value
//! in its order, alike on every machine. Equal bytes are equal values.

use core::hash::{Hash, Hasher};
use stopwright_core::angle::CrankAngle;
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Inputs, Outputs, Selector};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::Standing;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::peer::{MESSAGE_LEN, Message, Received};
use stopwright_core::signal::CarrierFrame;
use stopwright_core::time::Instant;
use stopwright_core::two_hand::PalmContacts;
use stopwright_core::valve_pair::Captured;

/// A scenario begins.
pub const NAME: u8 = b'N';
/// The supply comes on.
pub const BOOT: u8 = b'B';
/// One tick.
pub const TICK: u8 = b'T';

/// Ends the name of a scenario with two receivers.
pub const SECOND_RECEIVER: &str = " with a second receiver";
/// Ends the name of a scenario with two controllers.
pub const PEER: &str = " with a peer";

/// Room for the longest answer to one tick.
pub const ANSWER_MAX: usize = 1_024;

/// What commissioning asks in a tick, with settings and jobs as stored blocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ask<'a> {
    /// Nothing.
    None,
    /// Capture the electrical angle.
    CaptureAngle,
    /// Adopt and store this press record.
    Adopt(&'a [u8]),
    /// Adopt this job.
    AdoptJob(&'a [u8]),
}

/// The recording is not what it should be, at this byte of the record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Malformed;

/// Reads a record front to back.
#[derive(Clone, Copy, Debug)]
pub struct Reader<'a> {
    /// What is left.
    pub rest: &'a [u8],
}

impl<'a> Reader<'a> {
    /// The next `count` bytes.
    pub fn take(&mut self, count: usize) -> Result<&'a [u8], Malformed> {
        let (head, rest) = self.rest.split_at_checked(count).ok_or(Malformed)?;
        self.rest = rest;
        Ok(head)
    }

    fn array<const N: usize>(&mut self) -> Result<[u8; N], Malformed> {
        <[u8; N]>::try_from(self.take(N)?).map_err(|_| Malformed)
    }

    /// One byte.
    pub fn byte(&mut self) -> Result<u8, Malformed> {
        self.array().map(|[byte]| byte)
    }

    /// A block with its length before it.
    pub fn block(&mut self) -> Result<&'a [u8], Malformed> {
        let length = u16::from_le_bytes(self.array()?);
        self.take(usize::from(length))
    }

    /// A set of faults by number.
    pub fn faults(&mut self) -> Result<FaultSet, Malformed> {
        let count = usize::from(self.byte()?);
        let numbers = self.take(count)?.iter();
        numbers.copied().try_fold(FaultSet::EMPTY, |set, number| {
            Ok(set.with(FaultCode::from_number(number).ok_or(Malformed)?))
        })
    }

    fn flag(&mut self) -> Result<bool, Malformed> {
        Ok(self.byte()? != 0)
    }

    fn instant(&mut self) -> Result<Instant, Malformed> {
        Ok(Instant::from_micros(u64::from_le_bytes(self.array()?)))
    }

    fn optional<T>(
        &mut self,
        read: impl FnOnce(&mut Self) -> Result<T, Malformed>,
    ) -> Result<Option<T>, Malformed> {
        if self.flag()? {
            read(self).map(Some)
        } else {
            Ok(None)
        }
    }

    fn frame(&mut self) -> Result<CarrierFrame, Malformed> {
        let mut frame = CarrierFrame::SILENT;
        for code in frame.sine.iter_mut().chain(&mut frame.cosine) {
            *code = u16::from_le_bytes(self.array()?);
        }
        Ok(frame)
    }

    fn captured(&mut self) -> Result<Captured, Malformed> {
        Ok(Captured {
            is_on: self.flag()?,
            changed_at: self.instant()?,
        })
    }

    /// The inputs of one tick and what is asked in it.
    pub fn tick(&mut self) -> Result<(Inputs<'static>, Ask<'a>), Malformed> {
        let mut inputs = Inputs::dead(self.instant()?);
        for frame in &mut inputs.frames {
            *frame = self.frame()?;
        }
        if self.flag()? {
            for frame in &mut inputs.second_frames {
                *frame = self.frame()?;
            }
        }
        for level in levels(&mut inputs) {
            *level = self.flag()?;
        }
        inputs.selector = Selector::from_contacts(self.byte()?);
        for element in &mut inputs.valve {
            element.coil = self.captured()?;
            element.shifted = self.captured()?;
        }
        inputs.reset = match self.byte()? {
            0 => None,
            1 => Some(Standing::Operator),
            2 => Some(Standing::KeyHolder),
            3 => Some(Standing::Recommissioned),
            _ => return Err(Malformed),
        };
        inputs.test_angle =
            self.optional(|reader| Ok(CrankAngle::from_bits(u32::from_le_bytes(reader.array()?))))?;
        inputs.limit_read_back = ChannelSet::from_bits(u16::from_le_bytes(self.array()?));
        inputs.peer = self.optional(|reader| {
            let bytes: [u8; MESSAGE_LEN] = reader.array()?;
            Ok(Received {
                message: Message::decode(&bytes).map_err(|_| Malformed)?,
                at: reader.instant()?,
            })
        })?;
        inputs.second_clock = self.optional(Self::instant)?;
        inputs.reported = self.faults()?;
        let ask = match self.byte()? {
            0 => Ask::None,
            1 => Ask::CaptureAngle,
            2 => Ask::Adopt(self.block()?),
            3 => Ask::AdoptJob(self.block()?),
            _ => return Err(Malformed),
        };
        Ok((inputs, ask))
    }
}

/// The inputs that are open or closed, each with its place in a record.
fn levels<'a>(inputs: &'a mut Inputs<'_>) -> impl Iterator<Item = &'a mut bool> {
    fn palm(contacts: &mut PalmContacts) -> [&mut bool; 2] {
        [
            &mut contacts.normally_open_closed,
            &mut contacts.normally_closed_closed,
        ]
    }
    fn pair(levels: &mut Levels) -> [&mut bool; 2] {
        [&mut levels.first, &mut levels.second]
    }
    let stations = inputs.stations.iter_mut().flat_map(|station| {
        core::iter::once(&mut station.is_active)
            .chain(palm(&mut station.left))
            .chain(palm(&mut station.right))
    });
    let pairs = [
        &mut inputs.emergency_chain,
        &mut inputs.presence,
        &mut inputs.guards,
    ];
    stations.chain(pairs.into_iter().flat_map(pair)).chain([
        &mut inputs.index_closed,
        &mut inputs.supply_ok,
        &mut inputs.stop_control_closed,
        &mut inputs.motor_forward,
        &mut inputs.drive_at_rest,
        &mut inputs.clutch_air_ok,
        &mut inputs.counterbalance_air_ok,
        &mut inputs.brake_temperature_ok,
        &mut inputs.auxiliaries_ok,
        &mut inputs.key_turned,
        &mut inputs.arm_pressed,
        &mut inputs.top_stop_pressed,
    ])
}

/// Writes the inputs of one tick and what is asked in it, for [`Reader::tick`].
pub fn put_tick(inputs: &Inputs<'_>, ask: &Ask<'_>, put: &mut impl FnMut(&[u8])) {
    let put_frames = |frames: &[CarrierFrame], put: &mut dyn FnMut(&[u8])| {
        for frame in frames {
            for code in frame.sine.iter().chain(&frame.cosine) {
                put(&code.to_le_bytes());
            }
        }
    };
    put(&inputs.now.as_micros().to_le_bytes());
    put_frames(&inputs.frames, put);
    let has_second = inputs
        .second_frames
        .iter()
        .any(|frame| *frame != CarrierFrame::SILENT);
    put(&[u8::from(has_second)]);
    if has_second {
        put_frames(&inputs.second_frames, put);
    }
    for level in levels(&mut inputs.clone()) {
        put(&[u8::from(*level)]);
    }
    put(&[inputs.selector.contacts() as u8]);
    for captured in inputs
        .valve
        .iter()
        .flat_map(|element| [element.coil, element.shifted])
    {
        put(&[u8::from(captured.is_on)]);
        put(&captured.changed_at.as_micros().to_le_bytes());
    }
    put(&[match inputs.reset {
        None => 0,
        Some(Standing::Operator) => 1,
        Some(Standing::KeyHolder) => 2,
        Some(Standing::Recommissioned) => 3,
    }]);
    put_optional(inputs.test_angle, put, |angle, put| {
        put(&angle.to_bits().to_le_bytes())
    });
    put(&inputs.limit_read_back.to_bits().to_le_bytes());
    put_optional(inputs.peer, put, |received, put| {
        put(&received.message.encode());
        put(&received.at.as_micros().to_le_bytes());
    });
    put_optional(inputs.second_clock, put, |at, put| {
        put(&at.as_micros().to_le_bytes())
    });
    put_faults(inputs.reported, put);
    match ask {
        Ask::None => put(&[0]),
        Ask::CaptureAngle => put(&[1]),
        Ask::Adopt(block) => {
            put(&[2]);
            put_block(block, put);
        }
        Ask::AdoptJob(block) => {
            put(&[3]);
            put_block(block, put);
        }
    }
}

fn put_optional<T, P: FnMut(&[u8])>(value: Option<T>, put: &mut P, write: impl FnOnce(T, &mut P)) {
    put(&[u8::from(value.is_some())]);
    if let Some(value) = value {
        write(value, put);
    }
}

/// Writes a set of faults, for [`Reader::faults`].
pub fn put_faults(faults: FaultSet, put: &mut impl FnMut(&[u8])) {
    put(&[faults.iter().count() as u8]);
    for code in faults.iter() {
        put(&[code.number()]);
    }
}

/// Writes a block, for [`Reader::block`].
pub fn put_block(block: &[u8], put: &mut impl FnMut(&[u8])) {
    put(&(block.len() as u16).to_le_bytes());
    put(block);
}

/// Takes in bytes as a hash would, whatever the width of the machine's words.
pub trait Bytes {
    /// The next bytes.
    fn take_in(&mut self, bytes: &[u8]);
}

struct Alike<'a>(&'a mut dyn Bytes);

impl Hasher for Alike<'_> {
    fn finish(&self) -> u64 {
        0
    }

    fn write(&mut self, bytes: &[u8]) {
        self.0.take_in(bytes);
    }

    fn write_usize(&mut self, value: usize) {
        self.write_u32(value as u32);
    }

    fn write_isize(&mut self, value: isize) {
        self.write_i32(value as i32);
    }
}

/// Gives every number of `value` to `bytes`.
pub fn spell(value: &impl Hash, bytes: &mut dyn Bytes) {
    value.hash(&mut Alike(bytes));
}

/// FNV-1a, 32 bits (Fowler, Noll and Vo): enough to tell a state from its neighbours, and quick
/// where multiplying is.
#[derive(Clone, Copy, Debug)]
pub struct Digest(pub u32);

impl Digest {
    /// Nothing taken in.
    pub const EMPTY: Self = Self(0x811C_9DC5);
}

impl Bytes for Digest {
    fn take_in(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u32::from(*byte)).wrapping_mul(0x0100_0193);
        }
    }
}

/// The answer to one tick.
#[derive(Clone, Debug)]
pub struct Answer {
    bytes: [u8; ANSWER_MAX],
    length: usize,
}

impl Bytes for Answer {
    fn take_in(&mut self, bytes: &[u8]) {
        let end = self.length.saturating_add(bytes.len());
        if let Some(room) = self.bytes.get_mut(self.length..end) {
            room.copy_from_slice(bytes);
        }
        // An answer that outgrows its room differs from every whole one by its length.
        self.length = end;
    }
}

impl Default for Answer {
    fn default() -> Self {
        Self {
            bytes: [0; ANSWER_MAX],
            length: 0,
        }
    }
}

/// Bytes of a field's length.
const LENGTH: usize = 2;

impl Answer {
    /// Nothing answered.
    pub fn clear(&mut self) {
        self.length = 0;
    }

    /// Its bytes.
    pub fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.length).unwrap_or_default()
    }

    /// Adds a field.
    pub fn field(&mut self, value: &impl Hash) {
        let at = self.length;
        self.take_in(&[0; LENGTH]);
        spell(value, self);
        let length = self.length.saturating_sub(at).saturating_sub(LENGTH) as u16;
        if let Some(room) = self.bytes.get_mut(at..at.saturating_add(LENGTH)) {
            room.copy_from_slice(&length.to_le_bytes());
        }
    }

    /// Adds every output.
    pub fn outputs(&mut self, said: &Outputs) {
        for (_, put) in FIELDS {
            put(said, self);
        }
    }
}

macro_rules! fields {
    ($($name:ident)*) => {
        /// The outputs, by name, in the order of an answer. Two more follow them: [`MORE`].
        pub const FIELDS: &[(&str, fn(&Outputs, &mut Answer))] =
            &[$((stringify!($name), |said, answer| answer.field(&said.$name))),*];

        /// An output that has no field here does not compile.
        #[allow(dead_code)]
        fn whole(said: Outputs) {
            let Outputs { $($name: _),* } = said;
        }
    };
}

fields! {
    valve second_means stroke mode position is_muted permit latched raised advice first_fault start
    stop release authority_percent compensation condition limit_channels peer reply
}

/// What an answer holds beside the outputs: the state of the whole controller, digested, and the
/// store: generation and digest of the flash after a write.
pub const MORE: [&str; 2] = ["state", "store"];
