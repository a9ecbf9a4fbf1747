//! The controller's own health: whether every part of the tick ran, in order and in time, and
//! whether the words it lives by are still what was written.
//!
//! Each part of a tick passes a checkpoint; the order is folded into one signature, which only the
//! full sequence produces. The watchdog may be serviced only with a [`ServiceToken`], and only the
//! end of a good tick makes one: a program that hangs, loops or skips can not keep the watchdog
//! quiet. The watchdog itself must be a windowed one on a clock of its own (IEC 61508-7 A.9.2 and
//! A.9.4, from memory: time window, combined time and program flow).
//!
//! What this does not do: test memory or program code.

use crate::angle::CrankAngle;
use crate::digest::digest;
use crate::limit_channels;
use crate::settings::{Schema, Settings};
use crate::speed::CrankSpeed;
use crate::time::{Duration, Instant};

/// The parts of a tick, in their order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Checkpoint {
    /// Time and carrier frames taken in.
    Sense = 1,
    /// Crank position.
    Locate = 2,
    /// Signal, motion, stop, valve and inputs judged.
    Judge = 3,
    /// The other channel compared.
    Compare = 4,
    /// Faults latched.
    Latch = 5,
    /// Stroke decided.
    Decide = 6,
    /// Valve drive decided.
    Act = 7,
    /// Limit channels stepped.
    LimitChannels = 8,
}

impl Checkpoint {
    /// Every part, in order.
    pub const ALL: [Self; 8] = [
        Self::Sense,
        Self::Locate,
        Self::Judge,
        Self::Compare,
        Self::Latch,
        Self::Decide,
        Self::Act,
        Self::LimitChannels,
    ];
}

/// The signature of a tick under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Flow(u32);

impl Flow {
    const SEED: u32 = 0x5157_0001;
    /// Odd, so that multiplying loses nothing: 2³² over the golden ratio.
    const FACTOR: u32 = 0x9E37_79B1;
    /// The signature of the full sequence.
    const EXPECTED: u32 = {
        let [a, b, c, d, e, f, g, h] = Checkpoint::ALL;
        let flow = Self(Self::SEED).with(a).with(b).with(c).with(d);
        flow.with(e).with(f).with(g).with(h).0
    };

    /// Begins a tick.
    pub const fn begin() -> Self {
        Self(Self::SEED)
    }

    /// Notes that a part has run.
    pub const fn pass(&mut self, checkpoint: Checkpoint) {
        *self = self.with(checkpoint);
    }

    const fn with(self, checkpoint: Checkpoint) -> Self {
        Self(self.0.wrapping_mul(Self::FACTOR) ^ checkpoint as u32)
    }

    /// Whether every part has run once, in order.
    pub const fn is_whole(self) -> bool {
        self.0 == Self::EXPECTED
    }
}

/// A value that can be written as one word.
pub trait Word: Copy {
    /// The word.
    fn to_word(self) -> u32;
    /// The value of a word.
    fn of_word(word: u32) -> Self;
}

macro_rules! words {
    ($($type:ty: |$value:ident| $to:expr, |$word:ident| $of:expr;)*) => {$(
        impl Word for $type {
            fn to_word(self) -> u32 {
                let $value = self;
                $to
            }
            fn of_word($word: u32) -> Self {
                $of
            }
        }
    )*};
}

/// Far from 0, 1 and each other, so that no few turned bits make one of the other.
const TRUE: u32 = 0x5AA5_3CC3;

words! {
    u32: |value| value, |word| word;
    CrankAngle: |value| value.to_bits(), |word| CrankAngle::from_bits(word);
    CrankSpeed: |value| value.as_counts_per_ms() as u32,
        |word| CrankSpeed::from_counts_per_ms(word as i32);
    Duration: |value| value.as_micros(), |word| Duration::from_micros(word);
    bool: |value| if value { TRUE } else { !TRUE }, |word| word == TRUE;
}

/// A word and its inverse differ from what was written: memory is damaged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Damaged;

/// A critical value, stored together with its inverse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Guarded<T> {
    word: u32,
    inverse: u32,
    value: core::marker::PhantomData<T>,
}

impl<T: Word> Guarded<T> {
    /// Stores `value`.
    pub fn new(value: T) -> Self {
        let word = value.to_word();
        Self {
            word,
            inverse: !word,
            value: core::marker::PhantomData,
        }
    }

    /// Stores another value.
    pub fn set(&mut self, value: T) {
        *self = Self::new(value);
    }

    /// The value.
    ///
    /// # Errors
    /// [`Damaged`] when word and inverse do not belong together.
    pub fn get(&self) -> Result<T, Damaged> {
        // Without the two hints the compiler may know that they belong together, and not look.
        let (word, inverse) = (
            core::hint::black_box(self.word),
            core::hint::black_box(self.inverse),
        );
        if word == !inverse {
            Ok(T::of_word(word))
        } else {
            Err(Damaged)
        }
    }
}

/// When ticks are due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TickConfig {
    /// From tick to tick.
    pub period: Duration,
    /// A single tick may be this much early or late.
    pub tolerance: Duration,
    /// The tick clock and a second oscillator may differ by this much, thousandths.
    pub clock_permille: u32,
    /// They are compared over this time of the second one.
    pub compare_over: Duration,
}

/// Watches the ticks come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TickWatch {
    last: Option<Instant>,
    worst: Duration,
    /// Where the present comparison of the two clocks began: own time, the other's.
    compared: Option<(Instant, Instant)>,
}

/// What was wrong with a tick's time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum TickProblem {
    /// It came too early or too late.
    Untimely {
        /// By how much.
        by: Duration,
    },
    /// The tick clock runs faster or slower than the second oscillator.
    ClocksDiffer,
}

impl TickConfig {
    /// A tick each millisecond, 200 µs either way; clocks within 1 % over half a second.
    pub const DEFAULT: Self = Self {
        period: Duration::from_millis(1),
        tolerance: Duration::from_micros(200),
        clock_permille: 10,
        compare_over: Duration::from_millis(500),
    };
}

impl TickWatch {
    /// No tick yet.
    pub const fn new() -> Self {
        Self {
            last: None,
            worst: Duration::ZERO,
            compared: None,
        }
    }

    /// The most by which a tick was early or late.
    pub const fn worst(&self) -> Duration {
        self.worst
    }

    /// One tick at `now`; `second` is the reading of the second oscillator, if there is one.
    ///
    /// # Errors
    /// [`TickProblem`].
    pub fn step(
        &mut self,
        config: &TickConfig,
        now: Instant,
        second: Option<Instant>,
    ) -> Result<(), TickProblem> {
        let last = self.last.replace(now);
        let clocks_agree = second.is_none_or(|second| self.compare(config, now, second));
        let by = last.map_or(Duration::ZERO, |last| lateness(config, last, now));
        self.worst = self.worst.max(by);
        if by > config.tolerance {
            return Err(TickProblem::Untimely { by });
        }
        if clocks_agree {
            Ok(())
        } else {
            Err(TickProblem::ClocksDiffer)
        }
    }

    fn compare(&mut self, config: &TickConfig, now: Instant, second: Instant) -> bool {
        let Some((own_start, second_start)) = self.compared else {
            self.compared = Some((now, second));
            return true;
        };
        let passed = second.saturating_since(second_start);
        // A second oscillator that has stopped is found out by the time that passes here.
        let own = now.saturating_since(own_start);
        if passed < config.compare_over && own < config.compare_over {
            return true;
        }
        self.compared = Some((now, second));
        let differ = u64::from(own.as_micros().abs_diff(passed.as_micros()));
        let longer = u64::from(own.max(passed).as_micros());
        differ.saturating_mul(1_000) <= longer.saturating_mul(u64::from(config.clock_permille))
    }
}

/// By how much the step from `last` to `now` is off the period. Backward is a whole period off.
fn lateness(config: &TickConfig, last: Instant, now: Instant) -> Duration {
    let step = now.saturating_since(last).as_micros();
    Duration::from_micros(step.abs_diff(config.period.as_micros()))
}

/// Permission to service the watchdog once. Nothing but [`end_of_tick`] makes one, and it can
/// neither be copied nor kept for a second service.
#[derive(Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ServiceToken(());

/// The end of a tick: a token when every part ran, in time, and nothing was found damaged.
pub fn end_of_tick(
    flow: Flow,
    ticked: Result<(), TickProblem>,
    words: Result<(), Damaged>,
) -> Option<ServiceToken> {
    let is_good = flow.is_whole() && ticked.is_ok() && words.is_ok();
    is_good.then_some(ServiceToken(()))
}

/// Watches that the settings in force are still those that were adopted: one section of them a tick,
/// its digest against that of the adoption. What the tick decides by is not only the schema but what
/// was made of it once for the receivers and the index switch; that is watched as well.
///
/// A start asks for no look at everything of its own. Every section has been looked at in the
/// [`SECTIONS`] ticks before it, since the watch never rests, and a bit can turn over as well in the
/// tick after the start: what bounds the harm is that whatever turns over at whatever moment is
/// found within as many ticks, and takes the valve away.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SettingsWatch(Rounds<SECTIONS>);

/// Sections of the settings; all have been looked at after this many ticks.
pub const SECTIONS: usize = 19;

impl SettingsWatch {
    /// Watches `settings`, which have just been checked.
    pub fn new(settings: &Settings) -> Self {
        Self(Rounds::new(|section| section_digest(settings, section)))
    }

    /// Looks at the next section.
    ///
    /// # Errors
    /// [`Damaged`] while any section, when last looked at, was not what was adopted.
    pub fn step(&mut self, settings: &Settings) -> Result<(), Damaged> {
        self.0.step(|section| section_digest(settings, section))
    }
}

/// Watches that the limit channels are still those of the job that was adopted: one channel a tick, and
/// in a tick of its own what all of them share.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LimitChannelsWatch(Rounds<{ limit_channels::PARTS }>);

impl LimitChannelsWatch {
    /// Watches a bank that was just adopted.
    pub fn new(bank: &limit_channels::Config) -> Self {
        Self(Rounds::new(|part| digest(&bank.part(part))))
    }

    /// Looks at the next part.
    ///
    /// # Errors
    /// [`Damaged`] while any part, when last looked at, was not what was adopted.
    pub fn step(&mut self, bank: &limit_channels::Config) -> Result<(), Damaged> {
        self.0.step(|part| digest(&bank.part(part)))
    }
}

/// The digests of so many parts, looked at in turn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Rounds<const PARTS: usize> {
    sums: [u32; PARTS],
    next: usize,
    /// Parts that were not as adopted when they were last looked at, a bit for each: damage stays
    /// named until its part is seen to be whole, so that no reset comes between two looks.
    damaged: u32,
}

impl<const PARTS: usize> Rounds<PARTS> {
    fn new(digest_of: impl Fn(usize) -> u32) -> Self {
        let mut sums = [0; PARTS];
        for (part, sum) in sums.iter_mut().enumerate() {
            *sum = digest_of(part);
        }
        Self {
            sums,
            next: 0,
            damaged: 0,
        }
    }

    fn step(&mut self, digest_of: impl FnOnce(usize) -> u32) -> Result<(), Damaged> {
        let part = self.next;
        self.next = part.wrapping_add(1);
        if self.next >= PARTS {
            self.next = 0;
        }
        const { assert!(PARTS <= u32::BITS as usize) };
        let bit = 1u32.wrapping_shl(part as u32);
        if self.sums.get(part) == Some(&digest_of(part)) {
            self.damaged &= !bit;
        } else {
            self.damaged |= bit;
        }
        match self.damaged {
            0 => Ok(()),
            _ => Err(Damaged),
        }
    }
}

/// The digest of one section.
fn section_digest(settings: &Settings, section: usize) -> u32 {
    // No `..`: a new part does not compile until it is watched.
    let Schema {
        stage,
        receiver,
        two_hand,
        valve_pair,
        motion,
        stop,
        top_stop,
        angles,
        control_response,
        guards,
        second,
        index,
        contacts,
        peer,
        run_in,
        trend,
    } = settings.get();
    match section {
        0 => digest(stage),
        1 => digest(receiver),
        2 => digest(two_hand),
        3 => digest(valve_pair),
        4 => digest(motion),
        5 => digest(stop),
        6 => digest(top_stop),
        7 => digest(angles),
        8 => digest(control_response),
        9 => digest(guards),
        10 => digest(second),
        11 => digest(index),
        12 => digest(contacts),
        13 => digest(peer),
        14 => digest(run_in),
        15 => digest(trend),
        16 => digest(settings.receiver()),
        17 => digest(&settings.second()),
        _ => digest(&settings.index()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whole() -> Flow {
        let mut flow = Flow::begin();
        Checkpoint::ALL
            .iter()
            .for_each(|&checkpoint| flow.pass(checkpoint));
        flow
    }

    fn at(micros: u64) -> Instant {
        Instant::from_micros(micros)
    }

    #[test]
    fn a_part_left_out_repeated_or_out_of_order_gives_no_token() {
        let good = (Ok(()), Ok(()));
        assert!(end_of_tick(whole(), good.0, good.1).is_some());
        let orders = |change: &dyn Fn(&mut std::vec::Vec<Checkpoint>)| {
            let mut order = Checkpoint::ALL.to_vec();
            change(&mut order);
            let mut flow = Flow::begin();
            order.iter().for_each(|&checkpoint| flow.pass(checkpoint));
            end_of_tick(flow, Ok(()), Ok(()))
        };
        for (place, &part) in Checkpoint::ALL.iter().enumerate() {
            let left_out = orders(&|order| {
                order.remove(place);
            });
            let repeated = orders(&|order| order.insert(place, part));
            let swapped = orders(&|order| order.swap(place, place.saturating_add(1) % 8));
            assert_eq!((left_out, repeated, swapped), (None, None, None), "{place}");
        }
    }

    #[test]
    fn a_late_tick_or_a_damaged_word_gives_no_token() {
        let late = Err(TickProblem::ClocksDiffer);
        assert_eq!(end_of_tick(whole(), late, Ok(())), None);
        assert_eq!(end_of_tick(whole(), Ok(()), Err(Damaged)), None);
    }

    #[test]
    fn any_bit_turned_in_a_guarded_word_is_found() {
        let guarded = Guarded::new(Duration::from_millis(250));
        assert_eq!(guarded.get(), Ok(Duration::from_millis(250)));
        for bit in 0..64 {
            let mut damaged = guarded;
            if bit < 32 {
                damaged.word ^= 1 << bit;
            } else {
                damaged.inverse ^= 1 << (bit & 31);
            }
            assert_eq!(damaged.get(), Err(Damaged), "bit {bit}");
        }
        for value in [true, false] {
            assert_eq!(Guarded::new(value).get(), Ok(value));
        }
        let speed = CrankSpeed::from_milli_spm(-3_000);
        assert_eq!(Guarded::new(speed).get(), Ok(speed));
    }

    #[test]
    fn a_tick_may_be_a_fifth_of_its_period_off_and_no_more() {
        let config = TickConfig::DEFAULT;
        for (step, is_good) in [(800, true), (799, false), (1_200, true), (1_201, false)] {
            let mut watch = TickWatch::new();
            assert_eq!(watch.step(&config, at(5_000), None), Ok(()));
            let result = watch.step(&config, at(5_000 + step), None);
            assert_eq!(result.is_ok(), is_good, "{step} us");
        }
        let mut watch = TickWatch::new();
        let _ = watch.step(&config, at(5_000), None);
        assert!(
            watch.step(&config, at(4_000), None).is_err(),
            "time runs forward"
        );
    }

    #[test]
    fn a_clock_two_per_cent_off_is_found_within_a_second() {
        let config = TickConfig::DEFAULT;
        // Nanoseconds of the second oscillator for each microsecond of the first.
        for (rate, found) in [
            (1_000, false),
            (1_009, false),
            (991, false),
            (1_020, true),
            (980, true),
            (0, true),
        ] {
            let mut watch = TickWatch::new();
            let problem = (0..1_000u64).any(|tick| {
                let second = at(tick.wrapping_mul(rate));
                watch
                    .step(&config, at(tick.wrapping_mul(1_000)), Some(second))
                    .is_err()
            });
            assert_eq!(problem, found, "{rate}");
        }
    }
}
