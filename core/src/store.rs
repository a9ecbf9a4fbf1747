//! Settings that survive: every block twice, on two regions of NOR flash that share no page.
//!
//! A save has two phases. First the copy that is worth less is written and read back; only then the
//! other. At every instant one copy is whole, so that power lost at any write leaves the old
//! settings or the new ones:
//!
//! ```text
//! generation  copy 0  copy 1
//!               5       5
//!               5      (6)    first phase; power lost here: 5 wins
//!               5       6     power lost here: 6 wins
//!              (6)      6     second phase; power lost here: 6 wins
//!               6       6
//! ```
//!
//! Loading takes the newest whole copy and says so when the other one is behind or damaged
//! ([`Store::mend`] brings it up to date). Both damaged is an error of its own, and so is a copy
//! older than what the journal knows was saved: a flash that lost its newest entry would offer the
//! one before it as if nothing had happened.
//!
//! The regions are kept by `sequential-storage`. Settings are written at standstill only; the
//! type [`Standstill`] stands for it.

use crate::codec::{self, BLOCK_MAX, DecodeError, Decoded, Head, Stored};
use crate::fault::FaultCode;
use crate::stroke::Stroke;
use core::ops::Range;
use embedded_storage_async::nor_flash::NorFlash;
use sequential_storage::cache::{Cache, Uncached};
use sequential_storage::map::{MapConfig, MapStorage};

/// Jobs the store holds.
pub const JOBS_MAX: u8 = 16;
/// Copies of every block.
const COPIES: usize = 2;
/// Room for the longest block, its key, and the rounding up to a flash word.
const BUFFER: usize = BLOCK_MAX + 64;

/// A place in the store.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Slot(u8);

impl Slot {
    /// The press's own record.
    pub const PRESS: Self = Self(0);

    /// Place of a job, from 0; `None` past [`JOBS_MAX`].
    pub const fn job(number: u8) -> Option<Self> {
        if number < JOBS_MAX {
            Some(Self(number.wrapping_add(1)))
        } else {
            None
        }
    }

    /// Every place.
    fn all() -> impl Iterator<Item = Self> {
        (0..=JOBS_MAX).map(Self)
    }
}

/// Proof that the crank was meant to stand when this was made. The caller makes one, writes, and
/// keeps a start from being permitted until the write is done.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Standstill(());

impl Standstill {
    /// Proof from the state of the stroke.
    pub const fn of(stroke: Stroke) -> Option<Self> {
        if stroke.is_standing() {
            Some(Self(()))
        } else {
            None
        }
    }
}

/// What a flash does not let happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FlashFault {
    /// The device reported an error.
    Device,
    /// No room left, whatever is done.
    Full,
    /// The region holds nothing that makes sense.
    Corrupted,
    /// The block does not fit a page or the buffer.
    TooLong,
    /// The library met a case it calls impossible.
    Impossible,
}

/// What is wrong with one copy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum CopyFault {
    /// Nothing was ever stored there.
    Missing,
    /// The flash would not be read.
    Flash(FlashFault),
    /// What was read is no whole block of this kind.
    Block(DecodeError),
    /// Whole, but older than the other.
    Behind,
}

/// A layout that can not work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LayoutError {
    /// A region does not begin and end at page boundaries, or has too few or too small pages.
    Region,
    /// Two regions overlap.
    Overlap,
    /// A region reaches past the end of the flash.
    PastEnd,
}

/// Why nothing can be loaded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LoadError {
    /// Nothing was ever stored there, as far as the caller knows.
    Missing,
    /// Neither copy is whole.
    BothDamaged([CopyFault; COPIES]),
    /// Both copies are whole, equally new and different.
    CopiesDiffer,
    /// The newest whole copy is older than what is known to have been saved.
    Stale {
        /// The newest generation found.
        found: u32,
        /// The generation that was saved.
        saved: u32,
    },
}

impl LoadError {
    /// The fault to begin with; none on a unit in which nothing was ever stored.
    pub const fn fault(&self) -> Option<FaultCode> {
        match self {
            Self::Missing => None,
            Self::BothDamaged(_) | Self::CopiesDiffer | Self::Stale { .. } => {
                Some(FaultCode::SettingsInvalid)
            }
        }
    }
}

/// Why a save failed, and what that leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SaveError {
    /// The first phase failed: the old settings stand.
    FirstCopy(CopyFault),
    /// The second phase failed: the new settings stand, in one copy.
    SecondCopy(CopyFault),
}

/// What was loaded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Loaded<T> {
    /// The value.
    pub value: T,
    /// Its generation.
    pub generation: u32,
    /// What is wrong with the other copy, if anything is.
    pub other_copy: Option<CopyFault>,
}

/// What [`Store::mend`] did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Mended {
    /// Copies written anew from the other one.
    pub rewritten: u8,
    /// Places that have no whole copy, by bit.
    pub lost: u32,
}

/// Two regions of one flash.
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Store<F> {
    flash: F,
    regions: [Range<u32>; COPIES],
    /// The block on its way.
    block: [u8; BLOCK_MAX],
    /// The library's working buffer.
    work: [u8; BUFFER],
}

type Copied<T> = Result<Decoded<T>, CopyFault>;

impl<F: NorFlash> Store<F> {
    /// A store on `flash`, with its copies in `regions`.
    ///
    /// # Errors
    /// [`LayoutError`].
    pub fn try_new(flash: F, regions: [Range<u32>; COPIES]) -> Result<Self, LayoutError> {
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        for region in &regions {
            // The library subtracts before it compares.
            if region.start >= region.end || MapConfig::<F>::try_new(region.clone()).is_err() {
                return Err(LayoutError::Region);
            }
            if region.end > capacity {
                return Err(LayoutError::PastEnd);
            }
        }
        let [first, second] = &regions;
        if first.start < second.end && second.start < first.end {
            return Err(LayoutError::Overlap);
        }
        Ok(Self {
            flash,
            regions,
            block: [0; BLOCK_MAX],
            work: [0; BUFFER],
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

    /// The newest whole copy. `saved` is the generation that is known to have been saved, 0 when
    /// nothing is known. At standstill, because the library may tidy up what a power cut left.
    ///
    /// # Errors
    /// [`LoadError`].
    pub async fn load<T: Stored + PartialEq>(
        &mut self,
        slot: Slot,
        saved: u32,
        _standstill: Standstill,
    ) -> Result<Loaded<T>, LoadError> {
        let copies = [self.read(0, slot).await, self.read(1, slot).await];
        let loaded = newest(copies).map_err(|error| match error {
            // The library passes over an item that is damaged as if it had never been.
            LoadError::Missing if saved > 0 => LoadError::BothDamaged([CopyFault::Missing; 2]),
            error => error,
        })?;
        if loaded.generation < saved {
            return Err(LoadError::Stale {
                found: loaded.generation,
                saved,
            });
        }
        Ok(loaded)
    }

    /// Saves `value` in both copies and returns its generation.
    ///
    /// # Errors
    /// [`SaveError`] says what stands afterwards.
    pub async fn save<T: Stored + PartialEq>(
        &mut self,
        slot: Slot,
        value: &T,
        _standstill: Standstill,
    ) -> Result<u32, SaveError> {
        let heads = [self.head(0, slot).await, self.head(1, slot).await];
        let newest = heads.iter().flatten().map(|head| head.generation).max();
        let generation = newest.unwrap_or(0).saturating_add(1);
        let [first, second] = worse_first(&heads);
        self.save_copy(first, slot, value, generation)
            .await
            .map_err(SaveError::FirstCopy)?;
        self.save_copy(second, slot, value, generation)
            .await
            .map_err(SaveError::SecondCopy)?;
        Ok(generation)
    }

    /// Writes every copy that is behind or damaged anew from the other one. A region that is
    /// corrupted as a whole is erased first, unless it holds the only whole copy of anything.
    ///
    /// # Errors
    /// The fault of a copy that would not be written.
    pub async fn mend(&mut self, _standstill: Standstill) -> Result<Mended, CopyFault> {
        let mut mended = Mended::default();
        for copy in 0..COPIES {
            let result = self.mend_copy(copy, &mut mended).await;
            if result == Err(CopyFault::Flash(FlashFault::Corrupted)) && self.can_erase(copy).await
            {
                self.erase(copy).await?;
                self.mend_copy(copy, &mut mended).await?;
            } else {
                result?;
            }
        }
        Ok(mended)
    }

    async fn save_copy<T: Stored + PartialEq>(
        &mut self,
        copy: usize,
        slot: Slot,
        value: &T,
        generation: u32,
    ) -> Result<(), CopyFault> {
        let len = codec::encode(value, generation, &mut self.block)
            .map_err(|_| CopyFault::Flash(FlashFault::TooLong))?;
        self.write(copy, slot, len).await?;
        let back = self.read::<T>(copy, slot).await?;
        if back.generation == generation && back.value == *value {
            Ok(())
        } else {
            Err(CopyFault::Behind)
        }
    }

    async fn mend_copy(&mut self, copy: usize, mended: &mut Mended) -> Result<(), CopyFault> {
        for slot in Slot::all() {
            let own = self.head(copy, slot).await;
            let other = self.head(other_of(copy), slot).await;
            match (own, other) {
                (Ok(own), Ok(other)) if own.generation >= other.generation => {}
                (_, Ok(_)) => {
                    let bytes = self.fetch(other_of(copy), slot).await?;
                    let len = bytes.len();
                    self.keep(len);
                    self.write(copy, slot, len).await?;
                    mended.rewritten = mended.rewritten.saturating_add(1);
                }
                (Err(CopyFault::Missing), Err(CopyFault::Missing)) | (Ok(_), Err(_)) => {}
                (Err(_), Err(_)) => mended.lost |= 1u32.wrapping_shl(u32::from(slot.0)),
            }
        }
        Ok(())
    }

    /// Whether the other region holds everything that this one does.
    async fn can_erase(&mut self, copy: usize) -> bool {
        for slot in Slot::all() {
            if let Ok(own) = self.head(copy, slot).await {
                let other = self.head(other_of(copy), slot).await;
                if !other.is_ok_and(|other| other.generation >= own.generation) {
                    return false;
                }
            }
        }
        true
    }

    /// Moves the first `len` bytes of the working buffer into the block.
    fn keep(&mut self, len: usize) {
        if let (Some(block), Some(work)) = (self.block.get_mut(..len), self.work.get(..len)) {
            block.copy_from_slice(work);
        }
    }

    async fn read<T: Stored>(&mut self, copy: usize, slot: Slot) -> Copied<T> {
        let bytes = self.fetch(copy, slot).await?;
        codec::decode(bytes).map_err(CopyFault::Block)
    }

    async fn head(&mut self, copy: usize, slot: Slot) -> Result<Head, CopyFault> {
        let bytes = self.fetch(copy, slot).await?;
        codec::inspect(bytes).map_err(CopyFault::Block)
    }

    /// The bytes of a block, at the beginning of the working buffer.
    async fn fetch(&mut self, copy: usize, slot: Slot) -> Result<&[u8], CopyFault> {
        let mut map = open(&mut self.flash, &self.regions, copy)?;
        let found = map.fetch_item::<&[u8]>(&mut self.work, &slot.0).await;
        let len = found.map_err(fault)?.ok_or(CopyFault::Missing)?.len();
        // The library leaves the key in front of the value.
        self.work
            .copy_within(KEY..KEY.saturating_add(len).min(BUFFER), 0);
        Ok(self.work.get(..len).unwrap_or_default())
    }

    /// Writes the first `len` bytes of the block.
    async fn write(&mut self, copy: usize, slot: Slot, len: usize) -> Result<(), CopyFault> {
        let block = self.block.get(..len).unwrap_or_default();
        let mut map = open(&mut self.flash, &self.regions, copy)?;
        let stored = map.store_item(&mut self.work, &slot.0, &block).await;
        stored.map_err(fault)
    }

    async fn erase(&mut self, copy: usize) -> Result<(), CopyFault> {
        let mut map = open(&mut self.flash, &self.regions, copy)?;
        map.erase_all().await.map_err(fault)
    }
}

/// Bytes of a key.
const KEY: usize = 1;

type Map<'a, F> = MapStorage<u8, &'a mut F, Cache<Uncached, Uncached, Uncached, u8>>;

/// The map of one region; without a cache there is nothing that could be out of date.
fn open<'a, F: NorFlash>(
    flash: &'a mut F,
    regions: &[Range<u32>; COPIES],
    copy: usize,
) -> Result<Map<'a, F>, CopyFault> {
    let region = regions.get(copy).cloned().unwrap_or_default();
    let config = MapConfig::try_new(region);
    let config = config.map_err(|_| CopyFault::Flash(FlashFault::Impossible))?;
    Ok(MapStorage::new(flash, config, Cache::new_uncached()))
}

const fn other_of(copy: usize) -> usize {
    if copy == 0 { 1 } else { 0 }
}

fn newest<T: PartialEq>(copies: [Copied<T>; COPIES]) -> Result<Loaded<T>, LoadError> {
    let loaded = |decoded: Decoded<T>, other_copy| Loaded {
        value: decoded.value,
        generation: decoded.generation,
        other_copy,
    };
    match copies.into() {
        (Ok(first), Ok(second)) if first.generation == second.generation => {
            if first.value == second.value {
                Ok(loaded(first, None))
            } else {
                Err(LoadError::CopiesDiffer)
            }
        }
        (Ok(first), Ok(second)) => {
            let is_first = first.generation > second.generation;
            let newer = if is_first { first } else { second };
            Ok(loaded(newer, Some(CopyFault::Behind)))
        }
        (Ok(whole), Err(fault)) | (Err(fault), Ok(whole)) => Ok(loaded(whole, Some(fault))),
        (Err(CopyFault::Missing), Err(CopyFault::Missing)) => Err(LoadError::Missing),
        (Err(first), Err(second)) => Err(LoadError::BothDamaged([first, second])),
    }
}

/// The copies in the order in which they may be given up.
fn worse_first(heads: &[Result<Head, CopyFault>; COPIES]) -> [usize; COPIES] {
    let [first, second] = heads.each_ref().map(|head| head.as_ref().ok());
    let worth = |head: Option<&Head>| head.map(|head| head.generation);
    if worth(second) < worth(first) {
        [1, 0]
    } else {
        [0, 1]
    }
}

fn fault<E>(error: sequential_storage::Error<E>) -> CopyFault {
    CopyFault::Flash(FlashFault::of(&error))
}

impl FlashFault {
    pub(crate) fn of<E>(error: &sequential_storage::Error<E>) -> Self {
        use sequential_storage::Error as E;
        match error {
            E::Storage { .. } => Self::Device,
            E::FullStorage => Self::Full,
            E::Corrupted { .. } => Self::Corrupted,
            E::BufferTooBig | E::BufferTooSmall(_) | E::ItemTooBig => Self::TooLong,
            _ => Self::Impossible,
        }
    }
}
