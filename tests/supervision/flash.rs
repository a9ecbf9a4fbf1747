//! NOR flash in memory that loses power: after a set number of steps (a word written, an eighth of
//! a page erased) the step at hand is half done and everything after it fails.
//!
//! It is as strict as the real thing: a word is written once between two erasures, whole and
//! aligned, and writing only clears bits.

use embedded_storage_async::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

const WORD: usize = 4;
/// Steps of one page's erasure.
const ERASE_STEPS: usize = 8;

/// Flash with pages of `PAGE` bytes.
#[derive(Clone, Debug)]
pub(crate) struct RamFlash<const PAGE: usize> {
    bytes: Vec<u8>,
    is_written: Vec<bool>,
    steps_left: Option<usize>,
    is_dead: bool,
    /// Steps made so far.
    pub(crate) steps: usize,
    /// Pages erased so far, wholly or not.
    pub(crate) erased: usize,
}

#[derive(Debug)]
pub(crate) enum Failure {
    NoPower,
    NotAligned,
    PastEnd,
}

impl NorFlashError for Failure {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            Self::NoPower => NorFlashErrorKind::Other,
            Self::NotAligned => NorFlashErrorKind::NotAligned,
            Self::PastEnd => NorFlashErrorKind::OutOfBounds,
        }
    }
}

impl<const PAGE: usize> RamFlash<PAGE> {
    pub(crate) fn new(pages: usize) -> Self {
        Self {
            bytes: vec![0xFF; pages * PAGE],
            is_written: vec![false; pages * PAGE / WORD],
            steps_left: None,
            is_dead: false,
            steps: 0,
            erased: 0,
        }
    }

    /// Power goes away in the step after `steps` whole ones.
    pub(crate) fn cut_after(&mut self, steps: usize) {
        self.steps_left = Some(steps);
    }

    /// Power is back.
    pub(crate) fn power_up(&mut self) {
        self.steps_left = None;
        self.is_dead = false;
    }

    /// Turns one bit over, as age does.
    pub(crate) fn flip(&mut self, bit: usize) {
        self.bytes[bit / 8] ^= 1 << (bit % 8);
    }

    pub(crate) fn bits(&self) -> usize {
        self.bytes.len() * 8
    }

    fn check(&self, from: usize, to: usize, unit: usize) -> Result<(), Failure> {
        if self.is_dead {
            return Err(Failure::NoPower);
        }
        if !from.is_multiple_of(unit) || !to.is_multiple_of(unit) {
            return Err(Failure::NotAligned);
        }
        if to > self.bytes.len() {
            return Err(Failure::PastEnd);
        }
        Ok(())
    }

    /// Whether the next step is made whole.
    fn step(&mut self) -> Result<(), Failure> {
        self.steps += 1;
        match self.steps_left.as_mut() {
            Some(0) => {
                self.is_dead = true;
                Err(Failure::NoPower)
            }
            Some(left) => {
                *left -= 1;
                Ok(())
            }
            None => Ok(()),
        }
    }
}

impl<const PAGE: usize> ErrorType for RamFlash<PAGE> {
    type Error = Failure;
}

impl<const PAGE: usize> ReadNorFlash for RamFlash<PAGE> {
    const READ_SIZE: usize = 1;

    async fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Failure> {
        let from = offset as usize;
        self.check(from, from + bytes.len(), 1)?;
        bytes.copy_from_slice(&self.bytes[from..from + bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl<const PAGE: usize> NorFlash for RamFlash<PAGE> {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    async fn erase(&mut self, from: u32, to: u32) -> Result<(), Failure> {
        let (from, to) = (from as usize, to as usize);
        self.check(from, to, PAGE)?;
        self.erased += (to - from) / PAGE;
        for start in (from..to).step_by(PAGE / ERASE_STEPS) {
            let chunk = start..start + PAGE / ERASE_STEPS;
            let whole = self.step();
            for at in chunk.clone() {
                // Half done: every other bit still as it was.
                self.bytes[at] |= if whole.is_ok() { 0xFF } else { 0x55 };
            }
            whole?;
            self.is_written[chunk.start / WORD..chunk.end / WORD].fill(false);
        }
        Ok(())
    }

    async fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Failure> {
        let from = offset as usize;
        self.check(from, from + bytes.len(), WORD)?;
        for (index, word) in bytes.chunks(WORD).enumerate() {
            let at = from + index * WORD;
            assert!(!self.is_written[at / WORD], "word {at:#x} written twice");
            self.is_written[at / WORD] = true;
            let whole = self.step();
            for (place, &byte) in word.iter().enumerate() {
                // Half done: only every other bit was cleared.
                self.bytes[at + place] &= if whole.is_ok() { byte } else { byte | 0x55 };
            }
            whole?;
        }
        Ok(())
    }
}
