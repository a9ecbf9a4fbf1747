//! A mailbox of one letter between an interrupt and the main loop.
//!
//! The newest letter wins: a main loop that is late must not work through old frames, it must be
//! found late. How many letters were never read is counted.

use core::cell::Cell;
use critical_section::Mutex;

/// Holds the newest letter until it is taken.
pub struct Mailbox<T> {
    letter: Mutex<Cell<Option<T>>>,
    missed: Mutex<Cell<u32>>,
}

impl<T> Default for Mailbox<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T> Mailbox<T> {
    /// Empty.
    pub const fn new() -> Self {
        Self {
            letter: Mutex::new(Cell::new(None)),
            missed: Mutex::new(Cell::new(0)),
        }
    }

    /// Puts a letter in; one that was still there is lost and counted.
    pub fn put(&self, letter: T) {
        critical_section::with(|section| {
            let before = self.letter.borrow(section).replace(Some(letter));
            if before.is_some() {
                let missed = self.missed.borrow(section);
                missed.set(missed.get().saturating_add(1));
            }
        });
    }

    /// Takes the letter out, if there is one.
    pub fn take(&self) -> Option<T> {
        critical_section::with(|section| self.letter.borrow(section).take())
    }

    /// Letters that were never taken.
    pub fn missed(&self) -> u32 {
        critical_section::with(|section| self.missed.borrow(section).get())
    }
}

/// Without the letter: to look at it is to take it out.
#[cfg(feature = "defmt")]
impl<T> defmt::Format for Mailbox<T> {
    fn format(&self, to: defmt::Formatter<'_>) {
        defmt::write!(to, "Mailbox {{ missed: {=u32} }}", self.missed());
    }
}
