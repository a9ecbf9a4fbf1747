//! NOR flash in memory: words of four bytes, written once between two erasures.

use embedded_storage_async::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// Bytes of a page.
pub const PAGE: usize = 4_096;
const PAGES: usize = 4;
const WORD: usize = 4;

/// The flash.
#[derive(Clone, Debug)]
pub struct RamFlash([u8; PAGE * PAGES]);

/// Past its end, not aligned, or written twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refused(NorFlashErrorKind);

impl NorFlashError for Refused {
    fn kind(&self) -> NorFlashErrorKind {
        self.0
    }
}

impl RamFlash {
    /// Erased.
    pub const ERASED: Self = Self([0xFF; PAGE * PAGES]);

    /// Everything in it.
    pub fn bytes(&self) -> &[u8] {
        &self.0
    }

    fn part(&mut self, from: u32, to: u32, unit: usize) -> Result<&mut [u8], Refused> {
        let (from, to) = (from as usize, to as usize);
        if !from.is_multiple_of(unit) || !to.is_multiple_of(unit) {
            return Err(Refused(NorFlashErrorKind::NotAligned));
        }
        self.0
            .get_mut(from..to)
            .ok_or(Refused(NorFlashErrorKind::OutOfBounds))
    }
}

impl ErrorType for RamFlash {
    type Error = Refused;
}

impl ReadNorFlash for RamFlash {
    const READ_SIZE: usize = 1;

    async fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Refused> {
        let end = offset.saturating_add(bytes.len() as u32);
        let part = self.part(offset, end, Self::READ_SIZE)?;
        bytes.copy_from_slice(part);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.0.len()
    }
}

impl NorFlash for RamFlash {
    const WRITE_SIZE: usize = WORD;
    const ERASE_SIZE: usize = PAGE;

    async fn erase(&mut self, from: u32, to: u32) -> Result<(), Refused> {
        self.part(from, to, PAGE)?.fill(0xFF);
        Ok(())
    }

    async fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Refused> {
        let end = offset.saturating_add(bytes.len() as u32);
        let part = self.part(offset, end, WORD)?;
        if part.iter().any(|byte| *byte != 0xFF) {
            return Err(Refused(NorFlashErrorKind::Other));
        }
        part.copy_from_slice(bytes);
        Ok(())
    }
}
