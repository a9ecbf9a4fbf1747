//! Every random draw of a run, from one seed.
//!
//! Each use has a stream of its own, named by what it is for. A draw added in one place shifts
//! nothing elsewhere, and a run is repeated by its seed alone. It refuses to know the time of day.

use rand_pcg::rand_core::SeedableRng;

/// A stream of random numbers.
pub type Stream = rand_pcg::Pcg64Mcg;

/// The stream `name` of the run with this `seed`.
pub fn stream(seed: u64, name: &str) -> Stream {
    numbered_stream(seed, name, 0)
}

/// One of many streams of one name: of each stop, of each run of a swarm.
pub fn numbered_stream(seed: u64, name: &str, index: u64) -> Stream {
    let mut bytes = [0; 16];
    let low = mix(mix(seed) ^ name_hash(name));
    bytes[..8].copy_from_slice(&mix(low ^ mix(index)).to_le_bytes());
    bytes[8..].copy_from_slice(&mix(low.wrapping_add(index).rotate_left(32)).to_le_bytes());
    Stream::from_seed(bytes)
}

/// The seed of a part of a run, for parts that hand out streams of their own.
pub fn derived(seed: u64, name: &str) -> u64 {
    mix(mix(seed) ^ name_hash(name))
}

/// FNV-1a over the bytes of the name (Fowler, Noll, Vo: public domain).
fn name_hash(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// The finishing step of SplitMix64 (Steele, Lea, Flood 2014): neighbouring inputs become
/// unrelated outputs.
fn mix(value: u64) -> u64 {
    let value = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let value = (value ^ (value >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let value = (value ^ (value >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    value ^ (value >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::RngExt;

    fn draws(mut stream: Stream) -> [u64; 4] {
        std::array::from_fn(|_| stream.random())
    }

    #[test]
    fn equal_seed_and_name_give_equal_draws() {
        assert_eq!(draws(stream(7, "valve")), draws(stream(7, "valve")));
    }

    #[test]
    fn seed_name_and_number_each_change_every_draw() {
        let base = draws(stream(7, "valve"));
        for other in [
            stream(8, "valve"),
            stream(7, "brake"),
            numbered_stream(7, "valve", 1),
        ] {
            assert!(draws(other).iter().zip(base).all(|(a, b)| *a != b));
        }
    }

    #[test]
    fn neighbouring_streams_are_not_related() {
        let mean = (0..4_000)
            .map(|index| numbered_stream(1, "run", index).random::<f64>())
            .sum::<f64>()
            / 4_000.0;
        assert!((mean - 0.5).abs() < 0.02, "{mean}");
    }
}
