//! The debugger's files, by ARM semihosting: a stream to read and one to write.

use crate::replay::Records;
use cortex_m_semihosting::syscall;

/// Bytes that travel at once.
const BLOCK: usize = 64 * 1_024;
/// Longest record: the inputs of one tick with a stored block.
const RECORD_MAX: usize = 4 * 1_024;
const READ_BINARY: usize = 1;
const WRITE_BINARY: usize = 5;

fn open(name: &'static str, mode: usize) -> Option<usize> {
    // The name ends with a zero byte, which its length leaves out.
    let length = name.len().checked_sub(1)?;
    // SAFETY: the call reads the three words and the name, both of which live as long as it.
    let handle = unsafe { syscall!(OPEN, name.as_ptr(), mode, length) };
    (handle != usize::MAX).then_some(handle)
}

/// A file that is read front to back.
pub struct Source {
    handle: usize,
    block: [u8; BLOCK + RECORD_MAX],
    from: usize,
    to: usize,
}

impl Source {
    /// Opens a file; `name` ends with a zero byte.
    pub fn open(&mut self, name: &'static str) -> bool {
        let handle = open(name, READ_BINARY);
        self.handle = handle.unwrap_or_default();
        handle.is_some()
    }

    /// Not opened yet.
    pub const CLOSED: Self = Self {
        handle: 0,
        block: [0; BLOCK + RECORD_MAX],
        from: 0,
        to: 0,
    };
}

impl Records for Source {
    fn ahead(&mut self) -> &[u8] {
        if self.to - self.from < RECORD_MAX {
            self.block.copy_within(self.from..self.to, 0);
            (self.from, self.to) = (0, self.to - self.from);
            let room = &mut self.block[self.to..];
            let length = room.len();
            // SAFETY: the call writes at most `length` bytes to `room`, which nothing else holds.
            let left = unsafe { syscall!(READ, self.handle, room.as_mut_ptr(), length) };
            self.to += length.saturating_sub(left);
        }
        &self.block[self.from..self.to]
    }

    fn go_on(&mut self, rest: usize) {
        self.from = self.to - rest;
    }
}

/// A file that is written front to back.
pub struct Sink {
    handle: usize,
    block: [u8; BLOCK],
    to: usize,
}

impl Sink {
    /// Not opened yet.
    pub const CLOSED: Self = Self {
        handle: 0,
        block: [0; BLOCK],
        to: 0,
    };

    /// Opens a file; `name` ends with a zero byte.
    pub fn open(&mut self, name: &'static str) -> bool {
        let handle = open(name, WRITE_BINARY);
        self.handle = handle.unwrap_or_default();
        handle.is_some()
    }

    /// Takes bytes; false when they could not be written.
    pub fn put(&mut self, bytes: &[u8]) -> bool {
        let is_written = self.to + bytes.len() <= BLOCK || self.flush();
        self.block[self.to..self.to + bytes.len()].copy_from_slice(bytes);
        self.to += bytes.len();
        is_written
    }

    /// Writes what was taken.
    pub fn flush(&mut self) -> bool {
        // SAFETY: the call reads the block up to `to`.
        let left = unsafe { syscall!(WRITE, self.handle, self.block.as_ptr(), self.to) };
        self.to = 0;
        left == 0
    }
}
