//! Contact pairs and learned bounds against what they promise.

use crate::schema::ms;
use proptest::prelude::*;
use stopwright_core::contacts::{
    ContactPair, Levels, OneOfN, PairConfig, PairKind, SelectorConfig,
};
use stopwright_core::learned_bound::{Config, LearnedBound, Refusal};
use stopwright_core::time::Duration;

const TICK: Duration = Duration::from_millis(1);

/// Levels that stay for a while, as contacts do.
fn levels() -> impl Strategy<Value = Vec<Levels>> {
    let stretch = (
        any::<bool>(),
        any::<bool>(),
        prop_oneof![1..4usize, 1..80usize],
    );
    prop::collection::vec(stretch, 1..40).prop_map(|stretches| {
        let levels = |(first, second, ticks)| vec![Levels { first, second }; ticks];
        stretches.into_iter().flat_map(levels).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn a_pair_is_on_only_while_both_channels_are(levels in levels(), off_ms in 0..6u32) {
        let config = PairConfig {
            kind: PairKind::Equivalent,
            on_after: ms(10),
            off_after: ms(off_ms),
            discrepancy_after: ms(100),
        };
        let mut pair = ContactPair::new();
        let (mut both_for, mut lost_for, mut split_for) = (0, 0, 0);
        let mut alone_since_off = false;
        let mut was_on = false;
        for levels in levels {
            let is_on = pair.step(&config, levels, TICK);
            let (both, none) = (levels.first && levels.second, !levels.first && !levels.second);
            both_for = if both { both_for + 1 } else { 0 };
            lost_for = if both { 0 } else { lost_for + 1 };
            split_for = if both || none { 0 } else { split_for + 1 };
            // Off as soon as either channel was lost for longer than is bridged.
            prop_assert!(!is_on || lost_for <= off_ms);
            // On only after both, together, for the whole time.
            prop_assert!(was_on || !is_on || both_for >= 10);
            // After one went alone: not on before both were off.
            if was_on && !is_on && !none {
                alone_since_off = true;
            }
            if none {
                alone_since_off = false;
            }
            prop_assert!(!is_on || !alone_since_off);
            prop_assert_eq!(pair.has_discrepancy(&config), split_for > 100);
            was_on = is_on;
        }
    }

    #[test]
    fn a_selector_settles_on_nothing_but_a_single_contact(
        shown in prop::collection::vec((any::<u16>(), 1..40usize), 1..40),
    ) {
        let config = SelectorConfig::DEFAULT;
        let mut selector = OneOfN::new();
        let (mut alone_for, mut last) = (0, 0u16);
        for (contacts, ticks) in shown {
            // One contact in half the draws.
            let contacts = if contacts % 2 == 0 { 1 << (contacts % 16) } else { contacts };
            for _ in 0..ticks {
                let before = selector.settled();
                selector.step(&config, contacts, TICK);
                alone_for = if contacts == last { alone_for + 1 } else { 1 };
                last = contacts;
                if selector.settled() != before {
                    prop_assert!(contacts.count_ones() == 1 && alone_for >= 20);
                    prop_assert_eq!(selector.settled(), Some(contacts.trailing_zeros() as u8));
                }
            }
        }
    }

    #[test]
    fn a_learned_bound_is_mean_and_six_sigma_of_the_textbook(
        times_us in prop::collection::vec(1..200_000u32, 20..200),
    ) {
        let config = Config::under(Duration::from_micros(u32::MAX));
        let mut learned = LearnedBound::new();
        times_us.iter().for_each(|&us| learned.learn(Duration::from_micros(us)));
        let bound = f64::from(learned.bound(&config).unwrap().as_micros());
        let n = times_us.len() as f64;
        let mean = times_us.iter().map(|&us| f64::from(us)).sum::<f64>() / n;
        let squares = times_us.iter().map(|&us| (f64::from(us) - mean).powi(2)).sum::<f64>();
        let six_sigma = 6.0 * (squares / (n - 1.0)).sqrt();
        let expected = mean + six_sigma.max(15_000.0);
        // Rounded up twice, never down.
        prop_assert!(bound >= expected - 1e-3 && bound <= expected + 2.0, "{bound} {expected}");
    }

    #[test]
    fn no_bound_is_above_its_ceiling(
        times_us in prop::collection::vec(any::<u32>(), 0..100),
        ceiling_us in any::<u32>(),
    ) {
        let config = Config::under(Duration::from_micros(ceiling_us));
        let mut learned = LearnedBound::new();
        times_us.iter().for_each(|&us| learned.learn(Duration::from_micros(us)));
        match learned.bound(&config) {
            Ok(bound) => prop_assert!(bound <= config.ceiling),
            Err(Refusal::AboveCeiling { wanted }) => prop_assert!(wanted > config.ceiling),
            Err(Refusal::TooFew { seen, needed }) => prop_assert!(seen < needed),
        }
    }
}
