//! The journal: latched faults, stops and what was done about them, appended to flash while the
//! crank may be turning, without ever erasing then.
//!
//! Three segments of flash take turns. One is written, one is erased and waits, one is history:
//!
//! ```text
//! [ history ]  [ written: snapshot, entry, entry, ... ]  [ erased ]
//!                                         full: go on in the erased one, snapshot first
//! [ at standstill: erase ]  [ history ]  [ written: snapshot, ... ]
//! ```
//!
//! Erasing is done by [`Journal::prepare`], at standstill; an append goes through a flash that
//! refuses to erase. Each segment begins with a snapshot of what is latched, so that the segments
//! before it may go. Entries carry a number; a number that is missing means that an entry was lost,
//! and that is a fault of its own. A latch is written twice, so that no single damaged entry can
//! make it forgotten.
//!
//! Read at power-up, the journal says which faults are still latched, and whether a stroke was
//! started and never ended: a power cut in mid-stroke counts as a stored fault.

use crate::angle::CrankAngle;
use crate::codec::{self, BadValue, Field, Reader, Sink, Stored};
use crate::controller::{Inputs, Outputs};
use crate::fault::{FaultCode, FaultSet};
use crate::fault_latch::{Standing, resets_known};
use crate::speed::CrankSpeed;
use crate::stop_time::StopRecord;
use crate::store::{FlashFault, LayoutError, Standstill};
use crate::stroke::{Mode, StopReasons, Stroke};
use crate::time::Instant;
use core::ops::Range;
use embedded_storage_async::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};
use sequential_storage::cache::{Cache, Uncached};
use sequential_storage::queue::{QueueConfig, QueueStorage};

/// Segments that take turns.
pub const SEGMENTS: usize = 3;
/// Longest entry as a block, rounded up to any flash word.
const ENTRY_MAX: usize = 160;
/// With less room than eight of the longest entries a run is not begun in a segment.
const RESERVE: u32 = 8 * ENTRY_MAX as u32;
/// Bytes read at once to see whether a segment is erased.
const BLANK_CHUNK: usize = 64;
/// A latch is written so often.
const LATCH_COPIES: u32 = 2;

/// One entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Entry {
    /// Begins a segment: the faults latched then, and the settings saved last.
    Snapshot {
        /// What is latched.
        latched: FaultSet,
        /// What an operator has reset since somebody with the key last did.
        reset_before: FaultSet,
        /// A stroke has started and not ended.
        is_running: bool,
        /// Generation of the settings saved last.
        settings: u32,
    },
    /// Faults that latched together.
    Latched {
        /// Which.
        faults: FaultSet,
        /// When.
        at: Instant,
        /// The last trusted crank angle, if there was one.
        angle: Option<CrankAngle>,
        /// The speed that went with it.
        speed: CrankSpeed,
    },
    /// A reset.
    Reset {
        /// Who asked.
        standing: Standing,
        /// What stays latched.
        remaining: FaultSet,
    },
    /// The valve went on.
    Started {
        /// When.
        at: Instant,
    },
    /// A stop came to its end.
    Stopped {
        /// How it went.
        stop: StopRecord,
        /// The mode the valve was driven in.
        mode: Mode,
        /// Why it was stopped, all that came up until it stood; nothing for the end of a stroke.
        reasons: StopReasons,
    },
    /// Settings were saved.
    SettingsSaved {
        /// Their generation.
        generation: u32,
    },
}

impl Stored for Entry {
    const KIND: u8 = 3;
    const VERSION: u8 = 3;
}

/// Turns what the controller says tick by tick into entries. Ask it after every tick and append what
/// it gives, in order.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Bookkeeper {
    was_on: bool,
    /// The mode the valve was last driven in, and why it is being stopped.
    mode: Mode,
    reasons: StopReasons,
    latched: FaultSet,
}

/// Entries of one tick at most: a start, a latch, a stop, a reset.
pub const ENTRIES_PER_TICK: usize = 4;

impl Bookkeeper {
    /// For a controller made with the faults that were `latched` when the supply went away.
    pub const fn new(latched: FaultSet) -> Self {
        Self {
            was_on: false,
            mode: Mode::Off,
            reasons: StopReasons::NONE,
            latched,
        }
    }

    /// The entries of a tick.
    pub fn note(
        &mut self,
        inputs: &Inputs<'_>,
        outputs: &Outputs,
    ) -> heapless::Vec<Entry, ENTRIES_PER_TICK> {
        let at = inputs.now;
        let started = (outputs.valve.is_on && !self.was_on).then_some(Entry::Started { at });
        let raised = outputs.latched.without(self.latched);
        let latched = (!raised.is_empty()).then(|| {
            let crank = outputs.position.last();
            Entry::Latched {
                faults: raised,
                at,
                angle: crank.map(|reading| reading.angle()),
                speed: crank.map_or(CrankSpeed::ZERO, |reading| reading.speed()),
            }
        });
        let cleared = !self.latched.without(outputs.latched).is_empty();
        let reset = inputs.reset.filter(|_| cleared);
        let reset = reset.map(|standing| Entry::Reset {
            standing,
            remaining: outputs.latched,
        });
        self.was_on = outputs.valve.is_on;
        self.latched = outputs.latched;
        if outputs.valve.is_on {
            (self.mode, self.reasons) = (outputs.mode, StopReasons::NONE);
        }
        if let Stroke::TopStopping { reasons, .. } | Stroke::ImmediateStopping { reasons } =
            outputs.stroke
        {
            self.reasons = reasons;
        }
        let stopped = outputs.stop.map(|stop| Entry::Stopped {
            stop,
            mode: self.mode,
            reasons: self.reasons,
        });
        [started, latched, stopped, reset]
            .into_iter()
            .flatten()
            .collect()
    }
}

impl Recovered {
    /// The faults to begin with: those that were latched, a stored fault for a stroke without its
    /// stop, a gap. `has_settings` says that settings were found, so that an empty journal is one
    /// that was lost.
    pub fn faults(&self, has_settings: bool) -> FaultSet {
        let is_lost = has_settings && self.last == 0;
        self.latched
            .with_if(FaultCode::StoredFault, self.is_running)
            .with_if(FaultCode::JournalGap, self.has_gap || is_lost)
    }
}

/// Why the journal can not be written or read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum JournalError {
    /// The flash.
    Flash(FlashFault),
    /// The segment is full and no erased one waits: [`Journal::prepare`] was not called, or the
    /// run has been too long.
    NoRoom,
}

/// What the journal says at power-up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Recovered {
    /// Faults still latched.
    pub latched: FaultSet,
    /// Faults that an operator has reset since somebody with the key last did, for
    /// [`Controller::remember_resets`](crate::controller::Controller::remember_resets).
    pub reset_before: FaultSet,
    /// A stroke was started and its stop is not on record.
    pub is_running: bool,
    /// Generation of the settings saved last, as far as the journal knows.
    pub settings: u32,
    /// Entries are missing.
    pub has_gap: bool,
    /// Number of the last entry; 0 for an empty journal. Empty while settings are stored means
    /// that the journal was lost.
    pub last: u32,
}

/// The journal.
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Journal<F> {
    flash: F,
    segments: [Range<u32>; SEGMENTS],
    /// The segment being written, once there is one.
    active: Option<usize>,
    /// The segment after it is known to be erased.
    is_next_erased: bool,
    state: Recovered,
    buffer: [u8; ENTRY_MAX],
}

impl Recovered {
    /// What `entry` makes of it.
    const fn after(mut self, number: u32, entry: &Entry) -> Self {
        match entry {
            Entry::Snapshot {
                latched,
                reset_before,
                is_running,
                settings,
            } => {
                self.latched = *latched;
                self.reset_before = *reset_before;
                self.is_running = *is_running;
                self.settings = *settings;
            }
            Entry::Latched { faults, .. } => self.latched = self.latched.union(*faults),
            Entry::Reset {
                standing,
                remaining,
            } => {
                let cleared = self.latched.without(*remaining);
                self.reset_before = resets_known(self.reset_before, *standing, cleared);
                self.latched = *remaining;
                // Whoever resets has seen that the press stands.
                self.is_running = false;
            }
            Entry::Started { .. } => self.is_running = true,
            Entry::Stopped { .. } => self.is_running = false,
            Entry::SettingsSaved { generation } => self.settings = *generation,
        }
        self.last = number;
        self
    }
}

impl<F: NorFlash> Journal<F> {
    /// A journal on `flash`; [`open`](Self::open) it before anything else.
    ///
    /// # Errors
    /// [`LayoutError`].
    pub fn try_new(flash: F, segments: [Range<u32>; SEGMENTS]) -> Result<Self, LayoutError> {
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        let mut last_end = 0;
        for segment in &segments {
            if segment.start < last_end {
                return Err(LayoutError::Overlap);
            }
            // The library subtracts before it compares.
            if segment.start >= segment.end || QueueConfig::<F>::try_new(segment.clone()).is_err() {
                return Err(LayoutError::Region);
            }
            if segment.end > capacity {
                return Err(LayoutError::PastEnd);
            }
            last_end = segment.end;
        }
        Ok(Self {
            flash,
            segments,
            active: None,
            is_next_erased: false,
            state: Recovered::default(),
            buffer: [0; ENTRY_MAX],
        })
    }

    /// The flash.
    pub const fn flash(&mut self) -> &mut F {
        &mut self.flash
    }

    /// Gives the flash back.
    pub fn into_flash(self) -> F {
        self.flash
    }

    /// What the journal says now.
    pub const fn state(&self) -> Recovered {
        self.state
    }

    /// Reads everything: the segment with the newest entry is the one in use. At
    /// standstill, because the library may tidy up what a power cut left.
    ///
    /// # Errors
    /// [`JournalError::Flash`] when a segment can not be read.
    pub async fn open(&mut self, _standstill: Standstill) -> Result<Recovered, JournalError> {
        self.state = Recovered::default();
        self.active = None;
        self.is_next_erased = false;
        let mut unread = None;
        for segment in 0..SEGMENTS {
            match self.read_segment(segment, |_, _| {}).await {
                Ok(found) if found.last > self.state.last => {
                    self.state = found;
                    self.active = Some(segment);
                }
                Ok(_) => {}
                Err(JournalError::Flash(FlashFault::Device)) => {
                    return Err(JournalError::Flash(FlashFault::Device));
                }
                Err(_) => unread = Some(segment),
            }
        }
        // The segment after the active one is erased from time to time; power lost then leaves
        // it without sense. Anywhere else entries are lost.
        let is_next = unread == Some(self.next_segment());
        self.state.has_gap |= unread.is_some() && !is_next;
        Ok(self.state)
    }

    /// Hands out every entry with its number, oldest first, each once.
    ///
    /// # Errors
    /// [`JournalError::Flash`] when a segment can not be read.
    pub async fn read(
        &mut self,
        _standstill: Standstill,
        mut each: impl FnMut(u32, &Entry),
    ) -> Result<(), JournalError> {
        let active = self.active.unwrap_or(0);
        let mut last = 0;
        for step in 1..=SEGMENTS {
            let segment = active.wrapping_add(step).wrapping_rem(SEGMENTS);
            self.read_segment(segment, |number, entry| {
                if number > last {
                    last = number;
                    each(number, entry);
                }
            })
            .await?;
        }
        Ok(())
    }

    /// Appends an entry and returns its number. Never erases, whatever state the flash is in.
    ///
    /// # Errors
    /// [`JournalError`]; the entry is then not on record.
    pub async fn append(&mut self, entry: &Entry) -> Result<u32, JournalError> {
        let number = self.next_number();
        let written = match self.active {
            Some(segment) => self.push(segment, number, entry).await,
            None => Err(JournalError::NoRoom),
        };
        if written.is_ok() {
            self.state = self.state.after(number, entry);
            return Ok(number);
        }
        self.turn().await?;
        let (Some(segment), number) = (self.active, self.next_number()) else {
            return Err(JournalError::NoRoom);
        };
        self.push(segment, number, entry).await?;
        self.state = self.state.after(number, entry);
        Ok(number)
    }

    /// Makes room for the next run: turns to the erased segment when the present one is nearly
    /// full, and erases the oldest one to wait.
    ///
    /// # Errors
    /// [`JournalError::Flash`].
    pub async fn prepare(&mut self, _standstill: Standstill) -> Result<(), JournalError> {
        self.erase_next().await?;
        let is_short = match self.active {
            Some(segment) => self.room(segment).await? < RESERVE,
            None => true,
        };
        if is_short {
            self.turn().await?;
            self.erase_next().await?;
        }
        Ok(())
    }

    const fn next_number(&self) -> u32 {
        self.state.last.saturating_add(1)
    }

    fn next_segment(&self) -> usize {
        self.active
            .map_or(0, |active| active.wrapping_add(1).wrapping_rem(SEGMENTS))
    }

    /// Goes on in the erased segment.
    async fn turn(&mut self) -> Result<(), JournalError> {
        if !self.is_next_erased {
            return Err(JournalError::NoRoom);
        }
        // Used or spoiled from here on.
        self.is_next_erased = false;
        let (segment, number) = (self.next_segment(), self.next_number());
        let snapshot = Entry::Snapshot {
            latched: self.state.latched,
            reset_before: self.state.reset_before,
            is_running: self.state.is_running,
            settings: self.state.settings,
        };
        self.push(segment, number, &snapshot).await?;
        self.active = Some(segment);
        self.state.last = number;
        Ok(())
    }

    /// Erases the segment after the active one, unless it is erased.
    async fn erase_next(&mut self) -> Result<(), JournalError> {
        let segment = self.range(self.next_segment());
        if !self.is_next_erased && !self.is_blank(&segment).await? {
            let erased = self.flash.erase(segment.start, segment.end).await;
            erased.map_err(|_| JournalError::Flash(FlashFault::Device))?;
        }
        self.is_next_erased = true;
        Ok(())
    }

    async fn is_blank(&mut self, segment: &Range<u32>) -> Result<bool, JournalError> {
        let mut at = segment.start;
        while at < segment.end {
            let mut chunk = [0; BLANK_CHUNK];
            let read = self.flash.read(at, &mut chunk).await;
            read.map_err(|_| JournalError::Flash(FlashFault::Device))?;
            if chunk.iter().any(|&byte| byte != u8::MAX) {
                return Ok(false);
            }
            at = at.saturating_add(BLANK_CHUNK as u32);
        }
        Ok(true)
    }

    async fn push(
        &mut self,
        segment: usize,
        number: u32,
        entry: &Entry,
    ) -> Result<(), JournalError> {
        let range = self.range(segment);
        let len = codec::encode(entry, number, &mut self.buffer)
            .map_err(|_| JournalError::Flash(FlashFault::TooLong))?;
        let mut queue = queue(NeverErased(&mut self.flash), range)?;
        let copies = match entry {
            Entry::Latched { .. } => LATCH_COPIES,
            _ => 1,
        };
        let bytes = self.buffer.get(..len).unwrap_or_default();
        for _ in 0..copies {
            queue.push(bytes, false).await.map_err(fault)?;
        }
        Ok(())
    }

    async fn room(&mut self, segment: usize) -> Result<u32, JournalError> {
        let range = self.range(segment);
        let mut queue = queue(&mut self.flash, range)?;
        queue.space_left().await.map_err(fault)
    }

    /// What one segment says; with a gap when it does not begin with a snapshot.
    async fn read_segment(
        &mut self,
        segment: usize,
        mut each: impl FnMut(u32, &Entry),
    ) -> Result<Recovered, JournalError> {
        let range = self.range(segment);
        let mut queue = queue(&mut self.flash, range)?;
        let mut entries = queue.iter().await.map_err(fault)?;
        let mut state: Option<Recovered> = None;
        while let Some(bytes) = entries.next(&mut self.buffer).await.map_err(fault)? {
            let Ok(decoded) = codec::decode::<Entry>(&bytes) else {
                state = state.map(Recovered::with_gap);
                continue;
            };
            let (number, entry) = (decoded.generation, decoded.value);
            state = match (state, &entry) {
                (None, Entry::Snapshot { .. }) => Some(Recovered::default().after(number, &entry)),
                // Its beginning is lost, and with it what was latched before.
                (None, _) => Some(Recovered::default().with_gap().after(number, &entry)),
                (Some(state), _) => Some(state.followed_by(number, &entry)),
            };
            each(number, &entry);
        }
        Ok(state.unwrap_or_default())
    }

    fn range(&self, segment: usize) -> Range<u32> {
        self.segments.get(segment).cloned().unwrap_or_default()
    }
}

impl Recovered {
    /// The same number again is the second copy of a latch, or an entry whose first attempt was
    /// taken for failed: taking it in twice does no harm.
    fn followed_by(self, number: u32, entry: &Entry) -> Self {
        let is_next = number == self.last || number == self.last.saturating_add(1);
        let state = if is_next { self } else { self.with_gap() };
        state.after(number, entry)
    }

    const fn with_gap(mut self) -> Self {
        self.has_gap = true;
        self
    }
}

type Queue<S> = QueueStorage<S, Cache<Uncached, Uncached, Uncached>>;

/// The queue of one segment; without a cache there is nothing that could be out of date.
fn queue<S: NorFlash>(flash: S, range: Range<u32>) -> Result<Queue<S>, JournalError> {
    let config = QueueConfig::try_new(range);
    let config = config.map_err(|_| JournalError::Flash(FlashFault::Impossible))?;
    Ok(QueueStorage::new(flash, config, Cache::new_uncached()))
}

fn fault<E>(error: sequential_storage::Error<E>) -> JournalError {
    match FlashFault::of(&error) {
        FlashFault::Full => JournalError::NoRoom,
        fault => JournalError::Flash(fault),
    }
}

/// A flash that refuses to erase.
struct NeverErased<'a, F>(&'a mut F);

/// What it answers.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Refused<E> {
    Erase,
    Flash(E),
}

impl<E: NorFlashError> NorFlashError for Refused<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::Erase => NorFlashErrorKind::Other,
            Self::Flash(error) => error.kind(),
        }
    }
}

impl<F: NorFlash> ErrorType for NeverErased<'_, F> {
    type Error = Refused<F::Error>;
}

impl<F: NorFlash> ReadNorFlash for NeverErased<'_, F> {
    const READ_SIZE: usize = F::READ_SIZE;

    async fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.0.read(offset, bytes).await.map_err(Refused::Flash)
    }

    fn capacity(&self) -> usize {
        self.0.capacity()
    }
}

impl<F: NorFlash> NorFlash for NeverErased<'_, F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    async fn erase(&mut self, _from: u32, _to: u32) -> Result<(), Self::Error> {
        Err(Refused::Erase)
    }

    async fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        self.0.write(offset, bytes).await.map_err(Refused::Flash)
    }
}

impl Field for Entry {
    fn put(&self, out: &mut impl Sink) {
        match self {
            Self::Snapshot {
                latched,
                reset_before,
                is_running,
                settings,
            } => {
                0u8.put(out);
                latched.put(out);
                reset_before.put(out);
                is_running.put(out);
                settings.put(out);
            }
            Self::Latched {
                faults,
                at,
                angle,
                speed,
            } => {
                1u8.put(out);
                faults.put(out);
                at.put(out);
                angle.put(out);
                speed.put(out);
            }
            Self::Reset {
                standing,
                remaining,
            } => {
                2u8.put(out);
                standing.put(out);
                remaining.put(out);
            }
            Self::Started { at } => {
                3u8.put(out);
                at.put(out);
            }
            Self::Stopped {
                stop,
                mode,
                reasons,
            } => {
                4u8.put(out);
                stop.put(out);
                mode.put(out);
                reasons.put(out);
            }
            Self::SettingsSaved { generation } => {
                5u8.put(out);
                generation.put(out);
            }
        }
    }

    fn take(from: &mut Reader<'_>) -> Result<Self, BadValue> {
        Ok(match u8::take(from)? {
            0 => Self::Snapshot {
                latched: Field::take(from)?,
                reset_before: Field::take(from)?,
                is_running: Field::take(from)?,
                settings: Field::take(from)?,
            },
            1 => Self::Latched {
                faults: Field::take(from)?,
                at: Field::take(from)?,
                angle: Field::take(from)?,
                speed: Field::take(from)?,
            },
            2 => Self::Reset {
                standing: Field::take(from)?,
                remaining: Field::take(from)?,
            },
            3 => Self::Started {
                at: Field::take(from)?,
            },
            4 => Self::Stopped {
                stop: Field::take(from)?,
                mode: Field::take(from)?,
                reasons: Field::take(from)?,
            },
            5 => Self::SettingsSaved {
                generation: Field::take(from)?,
            },
            _ => return Err(from.refuse()),
        })
    }
}
