//! A word that speaks for a value while it is in memory: cheap enough for every tick, where the
//! checksum of stored blocks is not. It is never stored.

use core::hash::{Hash, Hasher};

/// The digest of all parts of `value`. A change within one word of them always changes it, any other
/// but for once in 2³².
pub fn digest(value: &impl Hash) -> u32 {
    let mut digest = Digest(Digest::SEED);
    value.hash(&mut digest);
    digest.0
}

struct Digest(u32);

impl Digest {
    const SEED: u32 = 0x5157_0002;
    /// Odd, so that multiplying loses nothing: 2³² over the golden ratio.
    const FACTOR: u32 = 0x9E37_79B1;

    /// Neither turning, nor adding without carry, nor multiplying makes one of two words.
    const fn mix(&mut self, word: u32) {
        self.0 = (self.0.rotate_left(5) ^ word).wrapping_mul(Self::FACTOR);
    }
}

impl Hasher for Digest {
    fn finish(&self) -> u64 {
        u64::from(self.0)
    }

    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|&byte| self.mix(u32::from(byte)));
    }

    fn write_u32(&mut self, word: u32) {
        self.mix(word);
    }

    fn write_i32(&mut self, word: i32) {
        self.mix(word as u32);
    }

    // Lengths and the kind of an `enum`: the same on every machine, however wide its words.
    fn write_usize(&mut self, word: usize) {
        self.mix(word as u32);
    }

    fn write_isize(&mut self, word: isize) {
        self.mix(word as u32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_bit_of_any_word_changes_it() {
        let value = [0x0123_4567_u32, 0x89AB_CDEF, 0];
        for (at, bit) in (0..3).flat_map(|at| (0..32).map(move |bit| (at, bit))) {
            let mut turned = value;
            if let Some(word) = turned.get_mut(at) {
                *word ^= 1 << bit;
            }
            assert_ne!(digest(&turned), digest(&value), "word {at}, bit {bit}");
        }
        assert_ne!(digest(&(1_u8, 2_u8)), digest(&(2_u8, 1_u8)));
        assert_ne!(digest(&Some(0_u32)), digest(&None::<u32>));
    }
}
