//! The instant at which the crank's speed was first zero, out of the trace of a stop, worked out some
//! samples a tick.
//!
//! Two lines are fitted through the root of the travel still to go: a rough one through the last
//! quarter of the stop, and by what that says of the braking a fine one through the part of it where
//! the brake torque is steady. A whole fit in one tick would cost fifteen other ticks; the crank
//! stands, so nothing hurries.

use super::{CoilOff, braking_part, narrow, trace_units, widen};
use crate::quotient::signed_quotient;
use crate::time::Duration;

/// Samples of the travel kept for the fit, one a tick: the last half second of a stop.
const TRACE_LEN: usize = 512;
/// Samples averaged for the rest angle.
const REST_SAMPLES: usize = 16;
/// Fewest samples a line is fitted through.
const FIT_SAMPLES_MIN: u32 = 5;
/// Travel before rest below which noise outweighs motion, 0.1 degree in trace units.
const FIT_TRAVEL_MIN: i32 = trace_units(100);
/// A crank that has been further than it rests by this much has swung back: more than noise, 0.2
/// degrees in trace units.
const SWING_MIN: i32 = trace_units(200);
/// Gears that swing the crank back slow it evenly over its last degree only; the rough line through
/// that is the fine one then.
const SWING_LINE: i32 = trace_units(1_000);
/// Samples put into the sums in one tick.
const SAMPLES_A_TICK: u32 = 6;
/// Samples passed over in one tick: they cost little.
const SEARCHED_A_TICK: u32 = 12;

/// A fit takes no more ticks: each line goes once through a trace at most.
#[cfg(test)]
const TICKS_MAX: u32 = 2 * (TRACE_LEN as u32 / SAMPLES_A_TICK + 2) + 2;

/// The travel of the crank since the command, one sample a tick, trace units.
#[derive(Clone, Debug, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Trace {
    travel: [i32; TRACE_LEN],
    samples: usize,
    /// The furthest travel, and which sample it was.
    furthest: i32,
    furthest_at: usize,
}

/// A fit under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Fit {
    /// Travel at rest, trace units.
    rest: i32,
    /// Travel at the first zero of speed: where the crank turned back, or where it rests.
    end: i32,
    part: Part,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Part {
    /// The line through the last quarter of the travel.
    Rough(Line),
    /// By the rough line the crank came to rest `rough` µs before the last sample. The noise at rest
    /// ends at the sample `from`.
    Between { rough: u32, from: usize },
    /// The line through the braking.
    Fine { rough: u32, line: Line },
    /// The crank came to rest so long before the last sample, µs.
    Known(u32),
}

impl Trace {
    pub(super) const fn new() -> Self {
        Self {
            travel: [0; TRACE_LEN],
            samples: 0,
            furthest: i32::MIN,
            furthest_at: 0,
        }
    }

    pub(super) const fn clear(&mut self) {
        (self.samples, self.furthest) = (0, i32::MIN);
    }

    /// The furthest travel yet.
    pub(super) const fn furthest(&self) -> i32 {
        self.furthest
    }

    pub(super) fn push(&mut self, travel: i32) {
        if let Some(slot) = self.travel.get_mut(self.samples.wrapping_rem(TRACE_LEN)) {
            *slot = travel;
        }
        self.samples = self.samples.saturating_add(1);
        if travel > self.furthest {
            (self.furthest, self.furthest_at) = (travel, self.samples);
        }
    }

    /// Travel `back` samples before the last one, if it is still there.
    fn back(&self, back: usize) -> Option<i32> {
        if back >= self.samples.min(TRACE_LEN) {
            return None;
        }
        let index = self.samples.wrapping_sub(1).wrapping_sub(back);
        self.travel.get(index.wrapping_rem(TRACE_LEN)).copied()
    }

    /// Mean travel of the last samples.
    fn rest(&self) -> i32 {
        let (sum, count) = (0..REST_SAMPLES)
            .map_while(|back| self.back(back))
            .fold((0i64, 0i64), |(sum, count), x| {
                (sum.saturating_add(i64::from(x)), count.saturating_add(1))
            });
        let mean = sum.checked_div(count).unwrap_or(0);
        i32::try_from(mean).unwrap_or(0)
    }
}

impl Fit {
    /// The fit of a stop that has just come to rest.
    pub(super) fn new(trace: &Trace, off: &CoilOff) -> Self {
        let rest = trace.rest();
        let has_turned = trace.furthest.saturating_sub(rest) >= SWING_MIN;
        let end = if has_turned { trace.furthest } else { rest };
        let quarter = end.saturating_sub(off.travel) / 4;
        let high = if has_turned {
            quarter.min(SWING_LINE)
        } else {
            quarter
        };
        // What comes after the furthest sample is ringing, or noise at rest.
        let from = trace.samples.saturating_sub(trace.furthest_at);
        Self {
            rest,
            end,
            part: Part::Rough(Line::new(from, FIT_TRAVEL_MIN, high)),
        }
    }

    /// Travel at the first zero of speed, trace units.
    pub(super) const fn end(&self) -> i32 {
        self.end
    }

    /// Travel at rest, trace units.
    pub(super) const fn rest(&self) -> i32 {
        self.rest
    }

    /// The work of one tick; once it is done, how long before the last sample the crank came to
    /// rest. No time at all when no line can be drawn: the cautious side.
    pub(super) fn step(&mut self, trace: &Trace, off: &CoilOff) -> Option<Duration> {
        let (end, has_turned) = (self.end, self.end != self.rest);
        match &mut self.part {
            Part::Rough(line) => {
                let rough = line.step(trace, end)?;
                let from = line.from;
                self.part = match rough {
                    Some(rough) if has_turned => Part::Known(rough),
                    Some(rough) => Part::Between { rough, from },
                    None => Part::Known(0),
                };
                None
            }
            Part::Between { rough, from } => {
                let (rough, from) = (*rough, *from);
                // Travel still to go in the last 8 and 65 % of the braking time goes with its
                // square: 0.6 and 42 % of the braking travel. Between them the torque is steady.
                let braking = self.braking_travel(trace, off, rough);
                let share = |percent_of_percent: i64| {
                    let scaled = i64::from(braking).saturating_mul(percent_of_percent);
                    signed_quotient::<10_000>(scaled) as i32
                };
                let line = Line::new(from, share(64).max(FIT_TRAVEL_MIN), share(4_200));
                self.part = Part::Fine { rough, line };
                None
            }
            Part::Fine { rough, line } => {
                let fine = line.step(trace, end)?;
                self.part = Part::Known(fine.unwrap_or(*rough));
                None
            }
            // What is made of it is work enough for a tick of its own.
            Part::Known(micros) => Some(Duration::from_micros(*micros)),
        }
    }

    /// Travel of the braking part, for a stop that ended `rough` µs before the last sample.
    fn braking_travel(&self, trace: &Trace, off: &CoilOff, rough: u32) -> i32 {
        let total = self.end.saturating_sub(off.travel);
        let last = u32::try_from(trace.samples)
            .unwrap_or(u32::MAX)
            .saturating_mul(1_000);
        let time = Duration::from_micros(last.saturating_sub(rough));
        let braking = braking_part(time, widen(total), off.speed);
        let half = Duration::from_micros(braking.as_micros() / 2);
        let travel = narrow(off.speed.travel_in(half));
        // Time is counted from the command here, a little early: never let it be nothing. Not
        // `clamp`, which panics when its bounds are exchanged.
        travel.min(total.max(0)).max(total / 8)
    }
}

/// A line through the samples with `low` to `high` still to go, from the last sample backward.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Line {
    low: i32,
    high: i32,
    /// The first sample with `low` to go, before the last one.
    from: usize,
    /// The next sample.
    back: usize,
    is_complete: bool,
    /// Samples in the sums.
    taken: u32,
    sums: Sums,
}

impl Line {
    fn new(from: usize, low: i32, high: i32) -> Self {
        Self {
            low,
            high,
            from,
            back: from,
            is_complete: false,
            taken: 0,
            sums: Sums::default(),
        }
    }

    /// Looks at some samples more; in the tick after the last, how long before the last sample of the
    /// trace, in µs, the crank came to rest, if that can be said.
    fn step(&mut self, trace: &Trace, end: i32) -> Option<Option<u32>> {
        if self.is_complete {
            return Some(self.zero());
        }
        let enough = self.taken.saturating_add(SAMPLES_A_TICK);
        for _ in 0..SEARCHED_A_TICK {
            let to_go = trace.back(self.back).map(|x| end.saturating_sub(x));
            let Some(to_go) = to_go.filter(|&to_go| self.is_before_end(to_go)) else {
                self.is_complete = true;
                return None;
            };
            if self.taken > 0 || to_go >= self.low {
                self.sums.add(self.back as u32, to_go.max(0).unsigned_abs());
                self.taken = self.taken.saturating_add(1);
            }
            self.back = self.back.saturating_add(1);
            if self.taken == 0 {
                self.from = self.back;
            }
            if self.taken >= enough {
                break;
            }
        }
        None
    }

    /// The samples end with the first that has more than `high` to go; before the first that has
    /// `low`, noise ends nothing.
    const fn is_before_end(&self, to_go: i32) -> bool {
        to_go <= self.high || (self.taken == 0 && to_go < self.low)
    }

    fn zero(&self) -> Option<u32> {
        (self.taken >= FIT_SAMPLES_MIN)
            .then(|| self.sums.zero())
            .flatten()
    }
}

/// Sums of the weighted regression of the root r of the travel still to go on the place b, in
/// samples before the last. Noise of the travel weighs on its root by one over the root, so each
/// sample has the travel itself for its weight w.
///
/// Places are below 2⁹, weights below 2²³, roots below 2²³·⁵: of the 2⁹ samples of a trace even the
/// sum of w·b·r, at most 2²³ · 2¹⁷ · 2²³·⁵, stays inside 64 bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Sums {
    w: u64,
    wb: u64,
    wr: u64,
    wbb: u64,
    wbr: u64,
}

impl Sums {
    fn add(&mut self, b: u32, to_go: u32) {
        // Eight more bits for the root, eight fewer for the weight.
        let (w, r) = (to_go >> 8, root(to_go));
        let wb = w.wrapping_mul(b);
        let add =
            |sum: u64, a: u32, b: u32| sum.wrapping_add(u64::from(a).wrapping_mul(u64::from(b)));
        self.w = add(self.w, w, 1);
        self.wb = add(self.wb, wb, 1);
        self.wr = add(self.wr, w, r);
        self.wbb = add(self.wbb, wb, b);
        self.wbr = add(self.wbr, wb, r);
    }

    /// Where the line meets zero: b = (wb·wbr - wr·wbb) / (w·wbr - wb·wr), in µs at one sample a
    /// millisecond.
    fn zero(&self) -> Option<u32> {
        // At most 2⁴⁰ · 2⁶³·⁵.
        let product = |a: u64, b: u64| i128::from(a).wrapping_mul(i128::from(b));
        let below = product(self.w, self.wbr).wrapping_sub(product(self.wb, self.wr));
        let above = product(self.wb, self.wbr).wrapping_sub(product(self.wr, self.wbb));
        let above = above.wrapping_mul(1_000);
        if below <= 0 || above <= below.wrapping_neg() {
            return None; // Not slowing down the way a braking crank is.
        }
        Some(quotient(above.max(0).unsigned_abs(), below.unsigned_abs()))
    }
}

/// The root of `to_go` · 2¹⁶, rounded down, for less than 2³¹: that of `to_go`, and eight bits more
/// of the remainder over twice that, as on paper.
fn root(to_go: u32) -> u32 {
    if to_go < 1 << 16 {
        return (to_go << 16).isqrt();
    }
    let high = to_go.isqrt();
    // At most twice the root, which is 2⁸ or more: the quotient is one too large at most.
    let remainder = to_go.wrapping_sub(high.wrapping_mul(high));
    let low = (remainder << 7).checked_div(high).unwrap_or(0);
    let root = (high << 8).wrapping_add(low);
    let squared = u64::from(root).wrapping_mul(u64::from(root));
    root.wrapping_sub(u32::from(squared > u64::from(to_go) << 16))
}

/// above / below. A line that rises with b through the mean of its samples meets zero before that:
/// the quotient is below 512 000, so that its bits are had one by one.
const fn quotient(above: u128, below: u128) -> u32 {
    const BITS: u32 = 19;
    let (mut left, mut step) = (above, below.wrapping_shl(BITS));
    let mut quotient = 0u32;
    let mut bit = 1u32 << BITS;
    while bit > 1 {
        (step, bit) = (step >> 1, bit >> 1);
        if left >= step {
            left = left.wrapping_sub(step);
            quotient |= bit;
        }
    }
    quotient
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speed::CrankSpeed;
    use crate::stop_time::StopLimits;
    use crate::time::Instant;
    use std::vec::Vec;

    /// The same in one go and in 128 bits, with nothing of the above but the trace.
    #[allow(clippy::arithmetic_side_effects, clippy::indexing_slicing)]
    fn wide(trace: &Trace, off: &CoilOff) -> Duration {
        let rest = i64::from(trace.rest());
        let travels: Vec<i64> = (0..)
            .map_while(|back| trace.back(back))
            .map(i64::from)
            .collect();
        // The earliest of those that are as far as any.
        let furthest = travels.iter().copied().max().unwrap_or(rest);
        let since = travels.iter().rposition(|&it| it == furthest).unwrap_or(0);
        let swings = furthest - rest >= i64::from(SWING_MIN);
        let end = if swings { furthest } else { rest };
        let to_go: Vec<i64> = travels.iter().map(|x| end - x).collect();
        let zero = |low: i64, high: i64| {
            let first = since + to_go.iter().skip(since).position(|&gap| gap >= low)?;
            let braking = to_go.get(first..)?.iter().take_while(|&&gap| gap <= high);
            let places = (0i128..).skip(first);
            let mut sums = [0i128; 5];
            let mut taken = 0;
            for (b, &gap) in places.zip(braking) {
                let gap = i128::from(gap.max(0));
                let (w, r) = (gap >> 8, (gap << 16).isqrt());
                let add = [w, w * b, w * r, w * b * b, w * b * r];
                sums = core::array::from_fn(|at| sums[at] + add[at]);
                taken += 1;
            }
            let [w, wb, wr, wbb, wbr] = sums;
            let below = w * wbr - wb * wr;
            if taken < 5 || below <= 0 {
                return None;
            }
            let micros = (wb * wbr - wr * wbb) * 1_000 / below;
            (micros >= 0).then_some(micros as i64)
        };
        let total = end - i64::from(off.travel);
        let most = if swings {
            i64::from(SWING_LINE)
        } else {
            i64::MAX
        };
        let Some(rough) = zero(i64::from(FIT_TRAVEL_MIN), most.min(total / 4)) else {
            return Duration::ZERO;
        };
        if swings {
            return Duration::from_micros(rough as u32);
        }
        let time = (trace.samples as i64 * 1_000 - rough).max(0);
        let at_speed = (total << 4) * 1_000 / i64::from(off.speed.as_counts_per_ms());
        let braking = ((time - at_speed) * 2).clamp(0, time);
        let travel = off
            .speed
            .travel_in(Duration::from_micros(braking as u32 / 2));
        let travel = i64::from(narrow(travel)).min(total.max(0)).max(total / 8);
        let low = (travel * 64 / 10_000).max(i64::from(FIT_TRAVEL_MIN));
        let micros = zero(low, travel * 42 / 100).unwrap_or(rough);
        Duration::from_micros(micros as u32)
    }

    /// A stop from `speed` after 30 ms, braked evenly for `braking` ms and watched for 80 ms more,
    /// with some noise.
    #[allow(clippy::arithmetic_side_effects)]
    fn stop(speed: CrankSpeed, braking: i64, noise: i64, seed: u64) -> (Trace, CoilOff) {
        let mut trace = Trace::new();
        let mut random = seed;
        for ms in 0..110 + braking {
            let braked = (ms - 30).clamp(0, braking);
            let full = i64::from(speed.as_counts_per_ms()) >> 4;
            let travel = full * ms.min(30) + full * braked - full * braked * braked / (2 * braking);
            random = random
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let off = (random >> 33) as i64 % (2 * noise + 1) - noise;
            trace.push((travel + off) as i32);
        }
        let none = Duration::ZERO;
        let off = CoilOff {
            at: Instant::from_micros(0),
            travel: 0,
            speed,
            peak: speed,
            limits: StopLimits {
                speed,
                time_advisory: none,
                time_latch: none,
                travel_advisory: widen(0),
                travel_latch: widen(0),
            },
        };
        (trace, off)
    }

    #[test]
    fn a_root_of_two_parts_is_the_root() {
        let near = |value: u32| [value.wrapping_sub(1), value, value.wrapping_add(1)];
        let squares = (0..46_341u32).map(|root| root.wrapping_mul(root));
        let others = (0..31).flat_map(|shift| [1u32 << shift, (1 << shift) ^ 0x5555_5555]);
        for to_go in squares.chain(others).flat_map(near) {
            let to_go = to_go & 0x7FFF_FFFF;
            let plain = (u64::from(to_go) << 16).isqrt();
            assert_eq!(u64::from(root(to_go)), plain, "{to_go}");
        }
        for to_go in (0..1 << 31).step_by(9_973) {
            let plain = (u64::from(to_go) << 16).isqrt();
            assert_eq!(u64::from(root(to_go)), plain, "{to_go}");
        }
    }

    #[test]
    #[allow(clippy::arithmetic_side_effects, clippy::indexing_slicing)]
    fn some_samples_a_tick_come_to_what_all_at_once_in_128_bits_come_to() {
        let mut ticks_most = 0;
        for milli_spm in [1_000, 8_000, 20_000, 60_000, 200_000, 600_000, 1_500_000] {
            for braking in [3, 10, 40, 120, 300, 700, 2_000] {
                for (seed, noise) in [0, 7, 75_000, 1_000_000].into_iter().enumerate() {
                    let speed = CrankSpeed::from_milli_spm(milli_spm);
                    let (trace, off) = stop(speed, braking, noise, seed as u64);
                    let mut fit = Fit::new(&trace, &off);
                    let mut ticks = 1;
                    let found = loop {
                        if let Some(found) = fit.step(&trace, &off) {
                            break found;
                        }
                        ticks += 1;
                    };
                    ticks_most = ticks_most.max(ticks);
                    let name = (milli_spm, braking, noise);
                    assert_eq!(found, wide(&trace, &off), "{name:?}");
                }
            }
        }
        // Of a millisecond each: a fifth of a second.
        assert!(ticks_most <= TICKS_MAX && TICKS_MAX < 200, "{ticks_most}");
    }
}
