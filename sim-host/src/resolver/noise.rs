//! Gaussian noise for converter samples, fast enough for sixteen draws a carrier frame.
//!
//! Each draw picks one of 4096 equally likely quantiles of the normal distribution: one random word
//! makes four draws, and nothing is computed but a look-up. Beyond 3.7 sigma there is nothing;
//! rounding to codes hides the steps between quantiles.

use super::Samples;
use crate::prng;
use rand_pcg::rand_core::Rng;
use statrs::distribution::{ContinuousCDF, Normal};
use std::sync::LazyLock;

const QUANTILES: usize = 4096;
const DRAWS_PER_WORD: usize = 4;

static TABLE: LazyLock<Box<[f32; QUANTILES]>> = LazyLock::new(|| {
    let normal = Normal::standard();
    let middle = |index: usize| (index as f64 + 0.5) / QUANTILES as f64;
    Box::new(std::array::from_fn(|index| {
        normal.inverse_cdf(middle(index)) as f32
    }))
});

/// A stream of noise.
#[derive(Clone, Debug)]
pub(super) struct Noise {
    stream: prng::Stream,
    table: &'static [f32; QUANTILES],
}

impl Noise {
    pub(super) fn new(seed: u64, name: &str) -> Self {
        Self {
            stream: prng::stream(seed, name),
            table: &TABLE,
        }
    }

    /// Adds noise of this size, one sigma.
    pub(super) fn add(&mut self, samples: &mut Samples, sigma: f32) {
        for four in samples.chunks_exact_mut(DRAWS_PER_WORD) {
            let mut word = self.stream.next_u64();
            for sample in four {
                *sample += sigma * self.table[word as usize % QUANTILES];
                word >>= 16;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_have_the_moments_of_a_normal_distribution() {
        let mut noise = Noise::new(3, "test");
        let mut moments = [0.0_f64; 4];
        let frames = 50_000;
        for _ in 0..frames {
            let mut samples = [0.0; 8];
            noise.add(&mut samples, 1.0);
            for sample in samples {
                for (power, moment) in moments.iter_mut().enumerate() {
                    *moment += f64::from(sample).powi(power as i32 + 1);
                }
            }
        }
        let [mean, square, cube, fourth] = moments.map(|sum| sum / (8.0 * f64::from(frames)));
        assert!(mean.abs() < 0.006, "{mean}");
        assert!((square - 1.0).abs() < 0.01, "{square}");
        assert!(cube.abs() < 0.02, "{cube}");
        assert!((fourth - 3.0).abs() < 0.06, "{fourth}");
    }

    #[test]
    fn draws_of_one_frame_do_not_follow_each_other() {
        let mut noise = Noise::new(3, "test");
        let mut products = [0.0_f64; 7];
        for _ in 0..20_000 {
            let mut samples = [0.0; 8];
            noise.add(&mut samples, 1.0);
            for (lag, product) in products.iter_mut().enumerate() {
                *product += f64::from(samples[0] * samples[lag + 1]);
            }
        }
        for product in products {
            assert!((product / 20_000.0).abs() < 0.03, "{products:?}");
        }
    }
}
