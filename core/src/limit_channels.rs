//! Limit channels: outputs that are on in set windows of crank angle, for feeds, pilots, ejectors
//! and the like. They serve the process; nothing that protects a hand may hang on one.
//!
//! A load takes time to follow its output, so each edge leads by speed times the load's measured
//! reaction time, on and off apart. The bank follows a mark that runs forward with the crank and
//! backward only when the crank has gone back by more than the hysteresis: forward edges stay
//! exact, and a crank that trembles on an edge switches nothing. Each channel sees two heads ahead
//! of the mark: the angle its load would be on at, and the one it would be off at.
//!
//! ```text
//! crank angle at the end of the tick --> mark --+- on lead --> on head ---- past `from`? -+
//! mean speed ------------------------> leads ---+- off lead -> off head --- past `to`? ---+-> on
//!                     on head passed a `from` in this tick --> hold: minimum on-time, -----+
//!                                                              or a timed window
//! ```
//!
//! The angle is predicted to the end of the tick, so that a change comes with the instant within
//! the tick at which a timer shall execute it. Without a timer the change comes less than a tick
//! early. While the angle is not trusted every channel is off and its holds are forgotten.
//!
//! Between two edges nothing happens, so a channel is looked at only where something may: the last
//! look says over which stretch of angle, whatever the speed, the output stays what it is.
//!
//! What this does not do: watch the load. The read-back says only whether the output itself
//! follows (a welded contact, a dead driver). The load's reaction time is measured with
//! [`LoadReaction`] when the channel is set up.

mod reaction;

pub use reaction::{LoadReaction, OPERATIONS_MAX, OPERATIONS_MIN, Reaction};

use crate::angle::{AngleWindow, COUNTS_PER_TURN, CrankAngle, CrankTravel};
use crate::speed::CrankSpeed;
use crate::time::Duration;
use core::hash::Hash;

/// Channels of the bank.
pub const CHANNELS: usize = 16;
/// Windows of one channel.
pub const WINDOWS: usize = 4;
/// Parts of a bank, each looked at in a tick of its own: the channels, and what they share.
pub const PARTS: usize = CHANNELS + 1;

/// Longest lead: past half a second the load is no quick one and belongs elsewhere.
const LEAD_MAX: Duration = Duration::from_millis(500);
/// Times that become travel are kept in 2⁻²² ms: the high word of the product with a speed is
/// then the travel in units of 2¹⁰ counts (0.0001 degree), one instruction on the target.
const TIME_SHIFT: u32 = 22;
/// See [`TIME_SHIFT`].
const TRAVEL_SHIFT: u32 = 32 - TIME_SHIFT;
/// The marks are compared over half a turn; a lead takes at most half of that.
const LEAD_TRAVEL_MAX: i64 = 1 << 30;
const QUARTER_TURN: u32 = 1 << 30;
/// More than the resolver's own noise of 0.1 degree, less than any useful window.
const HYSTERESIS_MIN: CrankTravel = CrankTravel::from_millidegrees(150);
/// See [`HYSTERESIS_MIN`].
const HYSTERESIS_MAX: CrankTravel = CrankTravel::from_millidegrees(10_000);
/// Longest minimum on-time.
const MINIMUM_ON_MAX: Duration = Duration::from_millis(10_000);
/// Longest tick the bank is made for.
const TICK_MAX: Duration = Duration::from_millis(10);
/// A mean speed that falls by less leaves the leads alone: its noise is a fifth of a stroke per
/// minute.
const SPEED_SLACK: CrankSpeed = CrankSpeed::from_milli_spm(500);
/// Part of the counts dropped before dividing: half a turn is 2¹⁸ then, and times the longest tick
/// of 10 000 µs it stays inside 32 bits.
const RATIO_SHIFT: u32 = 13;

/// A window that ends after a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TimedWindow {
    /// Where the channel goes on.
    pub from: CrankAngle,
    /// For how long.
    pub on_for: Duration,
}

/// When a channel is on; without a window it stays off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Windows {
    /// On from one angle to the other; may cross top dead centre.
    Angles([Option<AngleWindow>; WINDOWS]),
    /// On from an angle for a time.
    Timed([Option<TimedWindow>; WINDOWS]),
}

/// One channel as it is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Channel {
    /// Its windows.
    pub windows: Windows,
    /// Measured time from output on to the load's action, 0 to 500 ms.
    pub on_lead: Duration,
    /// Measured time from output off to the load's release, 0 to 500 ms.
    pub off_lead: Duration,
    /// Once on, on for at least this, one tick to 10 s.
    pub minimum_on: Duration,
    /// The output can be read back.
    pub has_read_back: bool,
}

/// The bank as it is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Settings {
    /// The channels.
    pub channels: [Channel; CHANNELS],
    /// Backward travel that switches nothing, 0.15 to 10 degrees.
    pub hysteresis: CrankTravel,
    /// A read-back may differ from its output for this long; one that differs for twice this is
    /// named for certain.
    pub read_back_within: Duration,
}

/// A set of channels.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ChannelSet(u16);

/// Why a bank cannot work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// Hysteresis outside 0.15 to 10 degrees.
    Hysteresis,
    /// The tick is zero or above 10 ms.
    Tick,
    /// The highest speed is not positive.
    SpeedNotPositive,
    /// One channel cannot work.
    Channel {
        /// Which, from 0.
        channel: usize,
        /// What is wrong.
        problem: ChannelProblem,
    },
}

/// Why a channel cannot work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ChannelProblem {
    /// A lead is above 500 ms, or above a quarter turn at the highest speed.
    LeadTooLong,
    /// The minimum on-time is below one tick or above 10 s.
    MinimumOnOutOfRange,
    /// A window is narrower than twice the hysteresis.
    WindowTooNarrow,
    /// Two windows overlap, or are closer to each other than the hysteresis.
    WindowsTouch,
    /// At the highest speed a window lasts less than the minimum on-time.
    OnTimeTooShort,
    /// At the highest speed the leads close the gap between two windows.
    GapVanishes,
    /// At the highest speed a timed window lasts into the next window.
    TimedTooLong,
    /// At the highest speed a window or a gap is over before the read-back is judged.
    ReadBackTooSlow,
}

/// A window ready for use.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Prepared {
    from: u32,
    /// Width in counts, or time in microseconds.
    span: u32,
}

/// What the spans of a channel are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Kind {
    #[default]
    Unused,
    Angles,
    Timed,
}

/// A channel ready for use. Places without a window repeat the first one: looking at it twice
/// changes nothing, and all channels cost the same.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct PreparedChannel {
    windows: [Prepared; WINDOWS],
    kind: Kind,
    /// 2⁻²² ms.
    on_lead: u32,
    /// By how much the off lead is longer than the on lead, or shorter, 2⁻²² ms.
    off_lead_longer: u32,
    /// See `off_lead_longer`; one of the two is zero.
    off_lead_shorter: u32,
    minimum_on_us: u32,
}

/// A bank that holds together, ready for use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    channels: [PreparedChannel; CHANNELS],
    /// Counts.
    hysteresis: u32,
    /// 2⁻²² ms.
    tick: u32,
    tick_us: u32,
    /// Counts per millisecond; leads are worked out up to here.
    per_ms_max: u32,
    read_back_us: u32,
    read_back: ChannelSet,
}

/// What one channel remembers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct ChannelState {
    /// While its on head is here or less than `quiet` counts further on, nothing changes.
    quiet_from: u32,
    /// See `quiet_from`; 0 while it is held on, or has just changed.
    quiet: u32,
    /// Time for which it stays on whatever the angle.
    hold_us: u32,
    change_after_us: u32,
}

/// Where the bank sees the crank.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Mark {
    angle: u32,
    /// Counts per millisecond.
    per_ms: u32,
}

/// The bank.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct LimitChannels {
    channels: [ChannelState; CHANNELS],
    on: ChannelSet,
    /// While the angle is trusted.
    mark: Option<Mark>,
    read_back: ReadBack,
}

/// Compares outputs with their read-backs over one period after another. A channel that differs in
/// every tick of a whole period is named: after one period at the earliest, two at the latest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct ReadBack {
    age_us: u32,
    /// Channels that have differed ever since the period began.
    suspects: u16,
    differing: ChannelSet,
}

impl ChannelSet {
    /// No channel.
    pub const EMPTY: Self = Self(0);

    /// From bits, bit 0 for the first channel.
    pub const fn from_bits(bits: u16) -> Self {
        Self(bits)
    }

    /// Bits, bit 0 for the first channel.
    pub const fn to_bits(self) -> u16 {
        self.0
    }

    /// Whether the channel is in the set; never for a channel that does not exist.
    pub const fn contains(self, channel: usize) -> bool {
        channel < CHANNELS && (self.0 >> (channel as u32 & 15)) & 1 != 0
    }

    /// Whether the set is empty.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }
}

impl Channel {
    /// A channel that is not used.
    pub const UNUSED: Self = Self {
        windows: Windows::Angles([None; WINDOWS]),
        on_lead: Duration::ZERO,
        off_lead: Duration::ZERO,
        minimum_on: Duration::from_millis(10),
        has_read_back: false,
    };
}

impl Settings {
    /// No channel in use; half a degree of hysteresis, 50 ms for a read-back.
    pub const UNUSED: Self = Self {
        channels: [Channel::UNUSED; CHANNELS],
        hysteresis: CrankTravel::from_millidegrees(500),
        read_back_within: Duration::from_millis(50),
    };
}

impl Config {
    /// A bank for cranks up to `speed_max`, stepped every `tick`.
    ///
    /// # Errors
    /// [`ConfigError`], the first that applies.
    pub fn try_new(
        settings: &Settings,
        speed_max: CrankSpeed,
        tick: Duration,
    ) -> Result<Self, ConfigError> {
        if settings.hysteresis < HYSTERESIS_MIN || settings.hysteresis > HYSTERESIS_MAX {
            return Err(ConfigError::Hysteresis);
        }
        if tick == Duration::ZERO || tick > TICK_MAX {
            return Err(ConfigError::Tick);
        }
        if speed_max <= CrankSpeed::ZERO {
            return Err(ConfigError::SpeedNotPositive);
        }
        let bounds = Bounds {
            settings,
            speed_max,
            tick,
        };
        let mut config = Self {
            channels: [PreparedChannel::default(); CHANNELS],
            hysteresis: u32::try_from(settings.hysteresis.as_counts()).unwrap_or(0),
            tick: milliseconds_q22(tick),
            tick_us: tick.as_micros(),
            per_ms_max: speed_max.as_counts_per_ms().unsigned_abs(),
            read_back_us: settings.read_back_within.as_micros(),
            read_back: ChannelSet::EMPTY,
        };
        let pairs = settings.channels.iter().zip(&mut config.channels);
        for (channel, (stored, prepared)) in pairs.enumerate() {
            if let Err(problem) = bounds.check(stored) {
                return Err(ConfigError::Channel { channel, problem });
            }
            *prepared = PreparedChannel::of(stored);
            let read_back = u16::from(stored.has_read_back).wrapping_shl(channel as u32);
            config.read_back.0 |= read_back;
        }
        Ok(config)
    }

    /// One of the [`PARTS`] of the bank, for a digest.
    pub fn part(&self, part: usize) -> impl Hash {
        // No `..`: a new word does not compile until it is watched.
        let Self {
            channels,
            hysteresis,
            tick,
            tick_us,
            per_ms_max,
            read_back_us,
            read_back,
        } = self;
        let channel = channels.get(part);
        let shared = (
            hysteresis,
            tick,
            tick_us,
            per_ms_max,
            read_back_us,
            read_back,
        );
        (channel, channel.is_none().then_some(shared))
    }
}

impl PreparedChannel {
    fn of(stored: &Channel) -> Self {
        let (windows, kind) = match stored.windows {
            Windows::Angles(windows) => (filled(windows.map(by_angle)), Kind::Angles),
            Windows::Timed(windows) => (filled(windows.map(by_time)), Kind::Timed),
        };
        Self {
            windows: windows.unwrap_or_default(),
            kind: windows.map_or(Kind::Unused, |_| kind),
            on_lead: milliseconds_q22(stored.on_lead),
            off_lead_longer: milliseconds_q22(stored.off_lead.saturating_sub(stored.on_lead)),
            off_lead_shorter: milliseconds_q22(stored.on_lead.saturating_sub(stored.off_lead)),
            minimum_on_us: stored.minimum_on.as_micros(),
        }
    }
}

fn by_angle(window: Option<AngleWindow>) -> Option<Prepared> {
    window.map(|window| Prepared {
        from: window.from.to_bits(),
        span: width(window),
    })
}

fn by_time(window: Option<TimedWindow>) -> Option<Prepared> {
    window.map(|window| Prepared {
        from: window.from.to_bits(),
        span: window.on_for.as_micros(),
    })
}

/// Every empty place taken by the first window, if there is one.
fn filled(windows: [Option<Prepared>; WINDOWS]) -> Option<[Prepared; WINDOWS]> {
    let first = windows.iter().flatten().next().copied()?;
    Some(windows.map(|window| window.unwrap_or(first)))
}

impl LimitChannels {
    /// All off.
    pub const fn new() -> Self {
        Self {
            channels: [ChannelState {
                quiet_from: 0,
                quiet: 0,
                hold_us: 0,
                change_after_us: 0,
            }; CHANNELS],
            on: ChannelSet::EMPTY,
            mark: None,
            read_back: ReadBack {
                age_us: 0,
                suspects: 0,
                differing: ChannelSet::EMPTY,
            },
        }
    }

    /// The channels that are on at the end of this tick.
    pub const fn on(&self) -> ChannelSet {
        self.on
    }

    /// When in this tick the channel takes the level of [`on`](Self::on); zero when it had it.
    pub fn change_after(&self, channel: usize) -> Duration {
        self.channels.get(channel).map_or(Duration::ZERO, |state| {
            Duration::from_micros(state.change_after_us)
        })
    }

    /// The channels whose read-back has differed from the output for too long.
    pub const fn differing(&self) -> ChannelSet {
        self.read_back.differing
    }

    /// One tick. `crank` is where the crank is now and its mean speed, if the angle is trusted;
    /// `read_back` the outputs as they are read now.
    #[inline(never)]
    pub fn step(
        &mut self,
        config: &Config,
        crank: Option<(CrankAngle, CrankSpeed)>,
        read_back: ChannelSet,
    ) {
        let wrong = (read_back.0 ^ self.on.0) & config.read_back.0;
        self.read_back.step(config, wrong);
        let Some((angle, speed)) = crank else {
            return self.inhibit();
        };
        let seen = Mark::at(config, angle, speed);
        // Where the mark appears for the first time nothing counts as passed.
        let before = self.mark.unwrap_or(seen);
        let mark = before.follow(seen, config.hysteresis);
        self.mark = Some(mark);
        let sweep = Sweep {
            before,
            mark,
            tick_us: config.tick_us,
            per_ms_max: config.per_ms_max,
        };
        let mut on = self.on.0;
        let mut bit = 1u16;
        for (channel, state) in config.channels.iter().zip(&mut self.channels) {
            let head = mark.on_head(channel);
            if !state.is_quiet(head) {
                let is_on = state.look(channel, &sweep, head, on & bit != 0);
                on = if is_on { on | bit } else { on & !bit };
            }
            bit = bit.wrapping_shl(1);
        }
        self.on = ChannelSet(on);
    }

    fn inhibit(&mut self) {
        self.on = ChannelSet::EMPTY;
        self.mark = None;
        self.channels = [ChannelState::default(); CHANNELS];
    }
}

impl ReadBack {
    fn step(&mut self, config: &Config, wrong: u16) {
        self.suspects &= wrong;
        self.age_us = self.age_us.saturating_add(config.tick_us);
        if self.age_us > config.read_back_us {
            self.differing = ChannelSet(self.suspects);
            self.suspects = u16::MAX;
            self.age_us = 0;
        }
    }
}

impl Mark {
    /// The crank as it will be at the end of the tick. In reverse no edge leads: which edge comes
    /// first is not what was measured.
    fn at(config: &Config, angle: CrankAngle, speed: CrankSpeed) -> Self {
        let per_ms = speed.as_counts_per_ms();
        let size = per_ms.unsigned_abs().min(config.per_ms_max);
        let (start, made) = (angle.to_bits(), travel(size, config.tick));
        if per_ms >= 0 {
            let (angle, per_ms) = (start.wrapping_add(made), size);
            Self { angle, per_ms }
        } else {
            let (angle, per_ms) = (start.wrapping_sub(made), 0);
            Self { angle, per_ms }
        }
    }

    /// The next mark when the crank is seen at `seen`: forward at once, backward only so far that
    /// it stays within the slack ahead. The speed likewise, so that its noise moves no edge back.
    fn follow(self, seen: Self, slack: u32) -> Self {
        let behind = self.angle.wrapping_sub(seen.angle);
        let angle = if behind as i32 <= 0 {
            seen.angle
        } else {
            seen.angle.wrapping_add(behind.min(slack))
        };
        let slower = self.per_ms.saturating_sub(seen.per_ms);
        let slack = SPEED_SLACK.as_counts_per_ms().unsigned_abs();
        Self {
            angle,
            per_ms: seen.per_ms.saturating_add(slower.min(slack)),
        }
    }

    /// The angle, led by a time of 2⁻²² ms.
    const fn led(self, lead: u32) -> u32 {
        self.angle.wrapping_add(travel(self.per_ms, lead))
    }

    const fn on_head(self, config: &PreparedChannel) -> u32 {
        self.led(config.on_lead)
    }

    /// From the on head, so that the two can not drift apart by rounding.
    const fn off_head(self, config: &PreparedChannel) -> u32 {
        self.on_head(config)
            .wrapping_add(travel(self.per_ms, config.off_lead_longer))
            .wrapping_sub(travel(self.per_ms, config.off_lead_shorter))
    }
}

/// What the mark did in this tick.
struct Sweep {
    before: Mark,
    mark: Mark,
    tick_us: u32,
    per_ms_max: u32,
}

impl Sweep {
    /// Forward travel of a head; none when the crank slows down faster than it advances, which
    /// takes the head back.
    fn of(before: u32, now: u32) -> u32 {
        let travel = now.wrapping_sub(before);
        if travel as i32 >= 0 { travel } else { 0 }
    }

    /// How long into the tick an edge lies that a head is `past` by, having swept `swept`.
    fn after(&self, past: u32, swept: u32) -> u32 {
        let share = (past >> RATIO_SHIFT)
            .wrapping_mul(self.tick_us)
            .checked_div(swept >> RATIO_SHIFT)
            .unwrap_or(0);
        self.tick_us.saturating_sub(share)
    }
}

/// How far the head is past the nearest beginning, and the span of the window there. No window that
/// begins before it reaches as far: the leads leave a gap at every speed.
fn nearest(windows: &[Prepared; WINDOWS], head: u32) -> (u32, u32) {
    let nearer = |best: (u32, u32), window: &Prepared| {
        let past = head.wrapping_sub(window.from);
        if past < best.0 {
            (past, window.span)
        } else {
            best
        }
    };
    // Written out for the four windows: the loop would cost a quarter more.
    let [a, b, c, d] = windows;
    nearer(nearer(nearer(nearer((u32::MAX, 0), a), b), c), d)
}

/// How far the head is before the next beginning, a whole turn less one count at most.
fn before_next(windows: &[Prepared; WINDOWS], head: u32) -> u32 {
    let [a, b, c, d] = windows;
    let past = |window: &Prepared| head.wrapping_sub(window.from);
    let before = |window| match past(window) {
        0 => u32::MAX,
        past => past.wrapping_neg(),
    };
    before(a).min(before(b)).min(before(c)).min(before(d))
}

impl PreparedChannel {
    /// How far past the beginning of a window of `span` the on head is when the off head passes its
    /// end: later by as much as the on head is ahead of the off head.
    const fn end(&self, span: u32, per_ms: u32) -> u32 {
        span.saturating_add(travel(per_ms, self.off_lead_shorter))
            .saturating_sub(travel(per_ms, self.off_lead_longer))
    }
}

impl ChannelState {
    const fn is_quiet(&self, head: u32) -> bool {
        head.wrapping_sub(self.quiet_from) < self.quiet
    }

    /// One tick with the on head at `head`; whether the channel is on at its end.
    ///
    /// Not inlined: the loop over the channels stays short for the many that are quiet.
    #[inline(never)]
    fn look(&mut self, config: &PreparedChannel, sweep: &Sweep, head: u32, was_on: bool) -> bool {
        let (past, span) = nearest(&config.windows, head);
        let (is_inside, least_us) = match config.kind {
            Kind::Unused => {
                self.rests(head, QUARTER_TURN, QUARTER_TURN);
                return false;
            }
            Kind::Angles => {
                let end = config.end(span, sweep.mark.per_ms);
                (past <= end, config.minimum_on_us)
            }
            Kind::Timed => (false, span),
        };
        let held_us = self.hold_us;
        self.hold_us = held_us.saturating_sub(sweep.tick_us);
        self.change_after_us = 0;
        self.quiet = 0;
        let swept = Sweep::of(sweep.before.on_head(config), head);
        if past < swept {
            let after = self.pass(past, swept, least_us, sweep);
            self.change_after_us = if was_on { 0 } else { after };
        }
        let is_on = is_inside || self.hold_us > 0;
        if was_on && !is_on {
            self.change_after_us = off_after(config, sweep, held_us);
        }
        if was_on == is_on && self.hold_us == 0 {
            self.find_quiet(config, sweep, head, (past, span));
        }
        is_on
    }

    /// Finds the stretch around the head on which, at any speed, no edge lies.
    fn find_quiet(
        &mut self,
        config: &PreparedChannel,
        sweep: &Sweep,
        head: u32,
        (past, span): (u32, u32),
    ) {
        if config.kind == Kind::Timed {
            return self.rests(head, past, before_next(&config.windows, head));
        }
        let at_most = config.end(span, sweep.per_ms_max);
        let (first_end, last_end) = (span.min(at_most), span.max(at_most));
        if past <= first_end {
            let ahead = first_end.wrapping_sub(past).saturating_add(1);
            self.rests(head, past, ahead);
        } else if past > last_end {
            let behind = past.wrapping_sub(last_end).wrapping_sub(1);
            self.rests(head, behind, before_next(&config.windows, head));
        }
    }

    /// Nothing changes from `behind` counts before `head` to less than `ahead` past it. Both
    /// together stay within half a turn: what goes out of it forward cannot come in from behind.
    fn rests(&mut self, head: u32, behind: u32, ahead: u32) {
        let (behind, ahead) = (behind.min(QUARTER_TURN), ahead.min(QUARTER_TURN));
        self.quiet_from = head.wrapping_sub(behind);
        self.quiet = behind.wrapping_add(ahead);
        (self.hold_us, self.change_after_us) = (0, 0);
    }

    /// The on head has passed an edge: holds the output for `least_us` from there on and returns
    /// when in this tick that was.
    fn pass(&mut self, past: u32, swept: u32, least_us: u32, sweep: &Sweep) -> u32 {
        let after = sweep.after(past, swept);
        let since = sweep.tick_us.saturating_sub(after);
        self.hold_us = self.hold_us.max(least_us.saturating_sub(since));
        after
    }
}

/// When in this tick the output went off: as its hold ended, or as the off head passed the end of
/// a window, whichever came last.
fn off_after(config: &PreparedChannel, sweep: &Sweep, held_us: u32) -> u32 {
    let hold_ends = held_us.min(sweep.tick_us);
    if config.kind != Kind::Angles {
        return hold_ends;
    }
    let head = sweep.mark.off_head(config);
    let [a, b, c, d] = &config.windows;
    let past = |window: &Prepared| head.wrapping_sub(window.from.wrapping_add(window.span));
    let past = past(a).min(past(b)).min(past(c)).min(past(d));
    let swept = Sweep::of(sweep.before.off_head(config), head);
    if past < swept {
        hold_ends.max(sweep.after(past, swept))
    } else {
        hold_ends
    }
}

/// Counts at `per_ms` in a time of 2⁻²² ms.
const fn travel(per_ms: u32, time: u32) -> u32 {
    let high = (per_ms as u64).wrapping_mul(time as u64) >> 32;
    (high as u32).wrapping_shl(TRAVEL_SHIFT)
}

/// A time of at most 500 ms in 2⁻²² ms.
const fn milliseconds_q22(time: Duration) -> u32 {
    (((time.as_micros() as u64) << TIME_SHIFT) / 1_000) as u32
}

const fn width(window: AngleWindow) -> u32 {
    window.to.to_bits().wrapping_sub(window.from.to_bits())
}

/// What a channel is checked against.
struct Bounds<'a> {
    settings: &'a Settings,
    speed_max: CrankSpeed,
    tick: Duration,
}

impl Bounds<'_> {
    fn check(&self, channel: &Channel) -> Result<(), ChannelProblem> {
        self.check_times(channel)?;
        match &channel.windows {
            Windows::Angles(windows) => windows.iter().flatten().try_for_each(|window| {
                let gap = gap_after(window.from, width(*window), begins(windows, |w| w.from));
                self.check_angles(channel, *window, gap)
            }),
            Windows::Timed(windows) => windows.iter().flatten().try_for_each(|window| {
                let gap = gap_after(window.from, 0, begins(windows, |w| w.from));
                self.check_timed(channel, window.on_for, gap)
            }),
        }
    }

    fn check_times(&self, channel: &Channel) -> Result<(), ChannelProblem> {
        for lead in [channel.on_lead, channel.off_lead] {
            let travel = self.speed_max.travel_in(lead).as_counts();
            if lead > LEAD_MAX || travel > LEAD_TRAVEL_MAX {
                return Err(ChannelProblem::LeadTooLong);
            }
        }
        if channel.minimum_on < self.tick || channel.minimum_on > MINIMUM_ON_MAX {
            return Err(ChannelProblem::MinimumOnOutOfRange);
        }
        Ok(())
    }

    fn check_angles(
        &self,
        channel: &Channel,
        window: AngleWindow,
        gap: i64,
    ) -> Result<(), ChannelProblem> {
        let hysteresis = self.settings.hysteresis.as_counts();
        if i64::from(width(window)) < hysteresis.saturating_mul(2) {
            return Err(ChannelProblem::WindowTooNarrow);
        }
        if gap <= hysteresis {
            return Err(ChannelProblem::WindowsTouch);
        }
        let longer = micros(channel.on_lead).saturating_sub(micros(channel.off_lead));
        let on_us = self
            .micros_of(i64::from(width(window)))
            .saturating_add(longer);
        let off_us = self.micros_of(gap).saturating_sub(longer);
        if on_us < micros(channel.minimum_on) {
            return Err(ChannelProblem::OnTimeTooShort);
        }
        if off_us < micros(self.tick) {
            return Err(ChannelProblem::GapVanishes);
        }
        self.check_read_back(channel, on_us.min(off_us))
    }

    fn check_timed(
        &self,
        channel: &Channel,
        on_for: Duration,
        gap: i64,
    ) -> Result<(), ChannelProblem> {
        if on_for < channel.minimum_on {
            return Err(ChannelProblem::OnTimeTooShort);
        }
        let off_us = self.micros_of(gap).saturating_sub(micros(on_for));
        if off_us < micros(self.tick) {
            return Err(ChannelProblem::TimedTooLong);
        }
        self.check_read_back(channel, micros(on_for).min(off_us))
    }

    fn check_read_back(&self, channel: &Channel, shortest_us: i64) -> Result<(), ChannelProblem> {
        let period_us = micros(self.settings.read_back_within).saturating_add(micros(self.tick));
        let judged_us = period_us.saturating_mul(2);
        if channel.has_read_back && shortest_us <= judged_us {
            return Err(ChannelProblem::ReadBackTooSlow);
        }
        Ok(())
    }

    /// Microseconds at the highest speed.
    fn micros_of(&self, counts: i64) -> i64 {
        counts
            .saturating_mul(1_000)
            .checked_div(i64::from(self.speed_max.as_counts_per_ms()))
            .unwrap_or(i64::MAX)
    }
}

fn begins<W>(
    windows: &[Option<W>; WINDOWS],
    from: impl Fn(&W) -> CrankAngle,
) -> [Option<CrankAngle>; WINDOWS] {
    windows.each_ref().map(|window| window.as_ref().map(&from))
}

/// Counts from the end of a window to the next beginning, its own a turn later included; negative
/// when that lies inside, or when another window begins at the same angle.
fn gap_after(from: CrankAngle, span: u32, begins: [Option<CrankAngle>; WINDOWS]) -> i64 {
    let all = || begins.iter().flatten();
    let has_twin = all().filter(|&&other| other == from).count() > 1;
    let ahead = |other: &CrankAngle| match other.travel_since(from).as_counts() {
        0 if has_twin => 0,
        0 => COUNTS_PER_TURN,
        counts => counts,
    };
    let next = all().map(ahead).min().unwrap_or(COUNTS_PER_TURN);
    next.saturating_sub(i64::from(span))
}

fn micros(time: Duration) -> i64 {
    i64::from(time.as_micros())
}

#[cfg(test)]
#[allow(
    clippy::panic,
    clippy::unwrap_used,
    clippy::float_arithmetic,
    clippy::arithmetic_side_effects
)]
mod tests {
    use super::*;

    const TICK: Duration = Duration::from_millis(1);
    const FASTEST: CrankSpeed = CrankSpeed::from_milli_spm(150_000);

    fn deg(value: i32) -> CrankAngle {
        CrankAngle::from_millidegrees(value.saturating_mul(1_000))
    }

    fn angles(from: i32, to: i32) -> Option<AngleWindow> {
        let (from, to) = (deg(from), deg(to));
        Some(AngleWindow { from, to })
    }

    fn bank(channel: Channel) -> Settings {
        let mut settings = Settings::UNUSED;
        settings.channels[0] = channel;
        settings
    }

    fn one_window(window: Option<AngleWindow>) -> Channel {
        Channel {
            windows: Windows::Angles([window, None, None, None]),
            ..Channel::UNUSED
        }
    }

    fn timed(from: i32, on_for: Duration) -> Channel {
        let from = deg(from);
        let window = Some(TimedWindow { from, on_for });
        Channel {
            windows: Windows::Timed([window, None, None, None]),
            ..Channel::UNUSED
        }
    }

    fn config(channel: Channel) -> Config {
        Config::try_new(&bank(channel), FASTEST, TICK).unwrap()
    }

    fn refusal(channel: Channel) -> ChannelProblem {
        match Config::try_new(&bank(channel), FASTEST, TICK) {
            Err(ConfigError::Channel {
                channel: 0,
                problem,
            }) => problem,
            other => panic!("{other:?}"),
        }
    }

    /// A crank at constant speed from `from` for `turns` thousandths of a turn: every edge of
    /// channel 0 as (level, angle in degrees, time since the start in seconds).
    fn edges(
        channel: Channel,
        milli_spm: i32,
        from: i32,
        milliturns: i64,
    ) -> std::vec::Vec<(bool, f64, f64)> {
        let config = config(channel);
        let speed = CrankSpeed::from_milli_spm(milli_spm);
        let per_tick = speed.travel_in(TICK);
        let (mut channels, mut angle) = (LimitChannels::new(), deg(from));
        let (mut edges, mut is_on) = (std::vec::Vec::new(), false);
        let ticks = milliturns * (COUNTS_PER_TURN / 1_000) / per_tick.as_counts();
        for tick in 0..ticks {
            channels.step(&config, Some((angle, speed)), ChannelSet::EMPTY);
            if channels.on().contains(0) != is_on {
                is_on = !is_on;
                let after = channels.change_after(0);
                let at = angle.wrapping_add(speed.travel_in(after));
                let seconds = tick as f64 * 1e-3 + f64::from(after.as_micros()) * 1e-6;
                edges.push((is_on, f64::from(at.as_millidegrees()) / 1e3, seconds));
            }
            angle = angle.wrapping_add(per_tick);
        }
        edges
    }

    #[test]
    fn a_window_across_the_top_switches_at_both_its_angles() {
        let seen = edges(one_window(angles(350, 20)), 120_000, 90, 1_000);
        let [(true, on, _), (false, off, _)] = seen[..] else {
            panic!("{seen:?}")
        };
        // 120 SPM is 0.72 degree a millisecond; the timer resolves a microsecond of it.
        assert!(
            (on - 350.0).abs() < 0.01 && (off - 20.0).abs() < 0.01,
            "{seen:?}"
        );
    }

    #[test]
    fn each_edge_leads_by_its_own_time_at_every_speed() {
        // At 150 SPM a 25 ms load needs 22.5 degrees, at 50 SPM 7.5 degrees: 6 degrees per
        // second per stroke per minute.
        let channel = Channel {
            on_lead: Duration::from_millis(25),
            off_lead: Duration::from_millis(10),
            ..one_window(angles(100, 200))
        };
        for (milli_spm, on_at, off_at) in [(150_000, 77.5, 191.0), (50_000, 92.5, 197.0)] {
            let seen = edges(channel, milli_spm, 0, 1_000);
            let [(true, on, _), (false, off, _)] = seen[..] else {
                panic!("{seen:?}")
            };
            assert!(
                (on - on_at).abs() < 0.01 && (off - off_at).abs() < 0.01,
                "{seen:?}"
            );
        }
    }

    #[test]
    fn a_timed_window_lasts_its_time_whatever_the_speed() {
        let channel = timed(180, Duration::from_micros(60_400));
        for milli_spm in [20_000, 83_000, 150_000] {
            let seen = edges(channel, milli_spm, 90, 1_000);
            let [(true, on, began), (false, _, ended)] = seen[..] else {
                panic!("{seen:?}")
            };
            assert!((on - 180.0).abs() < 0.01, "{seen:?}");
            assert!((ended - began - 0.0604).abs() < 5e-6, "{seen:?}");
        }
    }

    #[test]
    fn four_windows_give_four_pulses_a_turn() {
        let channel = Channel {
            windows: Windows::Angles([
                angles(10, 40),
                angles(100, 130),
                angles(200, 230),
                angles(330, 350),
            ]),
            ..Channel::UNUSED
        };
        assert_eq!(edges(channel, 60_000, 0, 3_000).len(), 3 * 4 * 2);
    }

    #[test]
    fn a_crank_that_trembles_on_an_edge_switches_nothing() {
        let config = config(one_window(angles(100, 200)));
        for edge in [100, 200] {
            let mut channels = LimitChannels::new();
            let mut changes = 0;
            let mut level = None;
            for tick in 0..200 {
                let tremble =
                    CrankTravel::from_millidegrees(if tick % 2 == 0 { 200 } else { -200 });
                let crank = (deg(edge).wrapping_add(tremble), CrankSpeed::ZERO);
                channels.step(&config, Some(crank), ChannelSet::EMPTY);
                let now = channels.on().contains(0);
                changes += u32::from(level.is_some_and(|before| before != now));
                level = Some(now);
            }
            assert!(changes <= 1, "{changes} changes at {edge}");
        }
    }

    #[test]
    fn an_untrusted_angle_switches_everything_off_at_once() {
        let config = config(one_window(angles(100, 200)));
        let mut channels = LimitChannels::new();
        let crank = Some((deg(150), CrankSpeed::ZERO));
        channels.step(&config, crank, ChannelSet::EMPTY);
        assert!(channels.on().contains(0));
        channels.step(&config, None, ChannelSet::EMPTY);
        assert!(channels.on().is_empty());
        channels.step(&config, crank, ChannelSet::EMPTY);
        assert!(channels.on().contains(0), "the angle is trusted again");
    }

    #[test]
    fn a_welded_output_is_named_and_a_slow_one_is_not() {
        let channel = Channel {
            has_read_back: true,
            ..one_window(angles(100, 220))
        };
        let config = config(channel);
        let differing = |lag: u32| {
            let mut channels = LimitChannels::new();
            // A period may have begun at any time before.
            (0..30).for_each(|_| {
                channels.step(&config, Some((deg(0), CrankSpeed::ZERO)), ChannelSet::EMPTY)
            });
            (0..lag).any(|_| {
                channels.step(
                    &config,
                    Some((deg(0), CrankSpeed::ZERO)),
                    ChannelSet::from_bits(1),
                );
                channels.differing().contains(0)
            })
        };
        assert!(!differing(50), "50 ms are allowed");
        assert!(differing(2 * 51));
    }

    /// Both banks see a crank that creeps, races, turns back and jumps, at any speed; one of them is
    /// made to look at every channel in every tick.
    #[test]
    fn a_channel_that_is_not_looked_at_would_not_have_changed() {
        let mut random = 1u64;
        let mut draw = |below: i64| {
            random = random
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (random >> 33) as i64 % below
        };
        let mut settings = Settings::UNUSED;
        for (number, channel) in settings.channels.iter_mut().enumerate() {
            let number = number as i32;
            let begin = |window: i32| window * 90 + number * 5;
            let windows = [0, 1, 2, 3].map(|window| {
                let is_there = window == 0 || number % 4 > window - 1;
                is_there.then(|| angles(begin(window), begin(window) + 30))?
            });
            let by_time = windows.map(|window| {
                let from = window?.from;
                let on_for = Duration::from_millis(12);
                Some(TimedWindow { from, on_for })
            });
            *channel = Channel {
                windows: match number % 5 {
                    4 => Windows::Timed(by_time),
                    _ => Windows::Angles(windows),
                },
                on_lead: Duration::from_micros(draw(20_000) as u32),
                off_lead: Duration::from_micros(draw(20_000) as u32),
                ..Channel::UNUSED
            };
        }
        settings.channels[7] = Channel::UNUSED;
        let config = Config::try_new(&settings, FASTEST, TICK).unwrap();
        let (mut bank, mut looked_at) = (LimitChannels::new(), LimitChannels::new());
        let (mut angle, mut milli_spm, mut changes, mut skipped) = (deg(0), 0, 0, 0);
        for _ in 0..200_000 {
            milli_spm = match draw(1_000) {
                0 => draw(300_000) - 150_000,
                1..20 => milli_spm + draw(20_001) - 10_000,
                _ => milli_spm + draw(401) - 200,
            };
            let speed = CrankSpeed::from_milli_spm(milli_spm as i32);
            angle = angle.wrapping_add(match draw(2_000) {
                0 => CrankTravel::from_counts(draw(COUNTS_PER_TURN)),
                _ => speed.travel_in(TICK),
            });
            let crank = (draw(5_000) > 0).then_some((angle, speed));
            looked_at.channels.iter_mut().for_each(|it| it.quiet = 0);
            bank.step(&config, crank, ChannelSet::EMPTY);
            looked_at.step(&config, crank, ChannelSet::EMPTY);
            assert_eq!(bank.on(), looked_at.on());
            for channel in 0..CHANNELS {
                let after = bank.change_after(channel);
                assert_eq!(after, looked_at.change_after(channel));
                changes += u32::from(after > Duration::ZERO);
            }
            skipped += bank.channels.iter().filter(|it| it.quiet > 0).count();
        }
        // Neither nothing to see nor nothing left out.
        assert!(changes > 10_000, "{changes}");
        assert!(skipped > 1_000_000, "{skipped}");
    }

    #[test]
    fn a_bank_that_cannot_work_is_refused_by_name() {
        let window = one_window(angles(100, 200));
        let ms = Duration::from_millis;
        assert_eq!(
            refusal(Channel {
                on_lead: ms(501),
                ..window
            }),
            ChannelProblem::LeadTooLong
        );
        // 150 SPM is 0.9 degree a millisecond: 101 ms lead by more than a quarter turn.
        assert_eq!(
            refusal(Channel {
                off_lead: ms(101),
                ..window
            }),
            ChannelProblem::LeadTooLong
        );
        assert_eq!(
            refusal(Channel {
                minimum_on: Duration::from_micros(999),
                ..window
            }),
            ChannelProblem::MinimumOnOutOfRange
        );
        assert_eq!(
            refusal(one_window(angles(100, 100))),
            ChannelProblem::WindowTooNarrow
        );
        let two = |other| Channel {
            windows: Windows::Angles([angles(100, 200), other, None, None]),
            ..window
        };
        assert_eq!(refusal(two(angles(150, 250))), ChannelProblem::WindowsTouch);
        assert_eq!(refusal(two(angles(100, 200))), ChannelProblem::WindowsTouch);
        // 100 degrees are 111 ms at 150 SPM.
        assert_eq!(
            refusal(Channel {
                minimum_on: ms(112),
                ..window
            }),
            ChannelProblem::OnTimeTooShort
        );
        // The gap of 5 degrees is 5.6 ms; the on lead eats 10 ms of it.
        assert_eq!(
            refusal(Channel {
                on_lead: ms(10),
                ..two(angles(205, 300))
            }),
            ChannelProblem::GapVanishes
        );
        assert_eq!(refusal(timed(90, ms(400))), ChannelProblem::TimedTooLong);
        assert_eq!(
            refusal(Channel {
                has_read_back: true,
                ..one_window(angles(100, 140))
            }),
            ChannelProblem::ReadBackTooSlow
        );
    }
}
