//! The second channel: each tick both channels say what they see and permit, and each compares.
//!
//! A message is stamped in its sender's time. What the two oscillators have in common is only that
//! both claim microseconds; so a message is dated in one's own time by the instant it was received
//! and the known time of transport, its angle is carried forward to one's own instant, and the
//! stamps serve to compare the clocks.
//!
//! Angle and speed are compared within a tolerance that grows with speed (the dating is only so
//! good) and with what an acceleration may do in the meantime: no healthy press at any of its
//! speeds may trip it. What the stroke is doing and what is permitted may differ for a few ticks,
//! since the channels sample inputs at different instants; and for as long as the crank takes for
//! the tolerance of the angle, since each releases and mutes at an angle that it sees itself. A
//! silent peer is a peer that disagrees.
//!
//! A start needs the permit of both; each channel drives its own valve element. This is the
//! structure that ISO 13849-1 calls category 3 or 4; the model claims no performance level.

use crate::angle::{CrankAngle, CrankTravel};
use crate::checksum::checksum;
use crate::fault::FaultCode;
use crate::receiver::CrankReading;
use crate::speed::CrankSpeed;
use crate::stroke::Stroke;
use crate::time::{Duration, Instant};

/// Bytes of a message on the wire.
pub const MESSAGE_LEN: usize = 18;
/// Bytes under the checksum.
const BODY: usize = MESSAGE_LEN - 4;

/// What the stroke is doing, as far as both channels must agree.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Phase {
    /// The crank is meant to stand.
    #[default]
    Standing,
    /// The valve is on.
    Driven,
    /// A stop runs.
    Stopping,
}

/// What a channel permits and asserts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Consent {
    /// Running may go on.
    pub run: bool,
    /// A stroke may start.
    pub start: bool,
    /// Presence sensing is muted.
    pub is_muted: bool,
    /// A fault is latched.
    pub is_latched: bool,
}

/// What one channel says in one tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Message {
    /// One more with each message, wrapping.
    pub sequence: u8,
    /// The sender's time, microseconds, wrapping; angle and speed hold for it.
    pub stamp_us: u32,
    /// Crank angle and speed, if they are trusted.
    pub crank: Option<(CrankAngle, CrankSpeed)>,
    /// What the stroke is doing.
    pub phase: Phase,
    /// What is permitted.
    pub consent: Consent,
}

/// The bytes are no message: damaged on the way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct NotAMessage;

/// How far and for how long the channels may differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    /// Angles at rest: two resolvers, or two converters on one.
    pub angle: CrankTravel,
    /// Speeds.
    pub speed: CrankSpeed,
    /// From the sender's stamp to the reception, as known.
    pub transport: Duration,
    /// That time is known this well; speed times it is added to the tolerance of the angle.
    pub transport_jitter: Duration,
    /// Greatest healthy acceleration, degrees per second squared; what it does in the age of the
    /// message is added.
    pub acceleration_max_deg_s2: u32,
    /// The clocks may differ by this much, thousandths.
    pub clock_permille: u32,
    /// Angle or speed may be out of tolerance for this many ticks.
    pub angle_ticks: u8,
    /// Whether the valve is driven may differ for this many ticks, and for those in which the crank
    /// turns through [`Config::angle`], 50 at most.
    pub phase_ticks: u8,
    /// Consent to run, muting and trust may differ for this many ticks; consent and muting also for
    /// those in which the crank turns through [`Config::angle`].
    pub consent_ticks: u8,
    /// So many ticks may pass without a good message.
    pub silent_ticks: u8,
    /// Before the first message so many ticks may pass.
    pub first_within_ticks: u16,
}

/// Why the channels do not agree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Disagreement {
    /// No good message for too long.
    Silent,
    /// Angles differ.
    Angle,
    /// Speeds differ.
    Speed,
    /// One channel trusts its angle and the other does not.
    Trust,
    /// The stroke does different things.
    Phase,
    /// Permit to run or muting differ.
    Consent,
    /// The clocks run apart.
    Clock,
}

/// A message with the instant, in one's own time, at which it was received.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Received {
    /// What was received.
    pub message: Message,
    /// When.
    pub at: Instant,
}

/// What this channel sees and permits in this tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Own {
    /// The instant of the tick.
    pub now: Instant,
    /// Crank angle and speed at `now`, if they are trusted.
    pub crank: Option<(CrankAngle, CrankSpeed)>,
    /// What the stroke is doing.
    pub phase: Phase,
    /// What is permitted.
    pub consent: Consent,
}

/// The other channel, as heard.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Peer {
    last: Option<Received>,
    /// Ticks since the last good message, or since the beginning.
    silent_for: u16,
    /// Where the comparison of the clocks began: own time, the peer's stamp.
    clock: Option<(Instant, u32)>,
    clock_differs: bool,
    angle_for: u8,
    speed_for: u8,
    trust_for: u8,
    phase_for: u8,
    end_for: u8,
    consent_for: u8,
}

/// One channel may see the end of a stop so many ticks before the other. A crank counts as standing
/// once it stays in a band of 0.3 degrees either way; how much of the last 0.6 degrees that leaves
/// out depends on where the band happens to lie. The softest brake of the built-in presses, 600
/// degrees per second squared on H, takes 45 ms for them; twice that.
const END_TICKS: u8 = 90;
/// The crank turns through the tolerance of the angle in this many ticks, or counts as if it did.
const ANGLE_PASSES_IN_TICKS_MAX: i64 = 50;
/// A crank slower than this stands, as far as the passing of an angle goes.
const STANDS_BELOW: CrankSpeed = CrankSpeed::from_milli_spm(1_000);
/// The clocks are compared over this time.
const CLOCK_OVER: Duration = Duration::from_millis(500);

impl Disagreement {
    /// The fault it is.
    pub const fn fault(self) -> FaultCode {
        match self {
            Self::Silent => FaultCode::PeerSilent,
            Self::Angle | Self::Speed | Self::Trust | Self::Phase | Self::Consent | Self::Clock => {
                FaultCode::PeerDisagrees
            }
        }
    }
}

impl Phase {
    /// What a state of the stroke comes to.
    pub const fn of(stroke: Stroke) -> Self {
        if stroke.drives_valve() {
            Self::Driven
        } else if stroke.is_stopping() {
            Self::Stopping
        } else {
            Self::Standing
        }
    }
}

impl Own {
    /// Angle and speed of a reading.
    pub fn crank(reading: &CrankReading) -> (CrankAngle, CrankSpeed) {
        (reading.angle(), reading.speed())
    }

    /// The message that says this.
    pub const fn message(&self, sequence: u8) -> Message {
        Message {
            sequence,
            stamp_us: self.now.as_micros() as u32,
            crank: self.crank,
            phase: self.phase,
            consent: self.consent,
        }
    }
}

impl Message {
    /// As bytes, little end first:
    ///
    /// ```text
    /// sequence  flags  stamp  angle  speed  CRC-32/ISO-HDLC
    ///    1        1      4      4      4      4
    /// ```
    pub fn encode(&self) -> [u8; MESSAGE_LEN] {
        let (angle, speed) = self.crank.unwrap_or_default();
        let mut bytes = [0; MESSAGE_LEN];
        let parts = [
            self.stamp_us.to_le_bytes(),
            angle.to_bits().to_le_bytes(),
            speed.as_counts_per_ms().to_le_bytes(),
        ];
        let head = [self.sequence, self.flags()];
        let body = head.into_iter().chain(parts.into_iter().flatten());
        for (slot, byte) in bytes.iter_mut().zip(body) {
            *slot = byte;
        }
        let sum = checksum(bytes.get(..BODY).unwrap_or_default()).to_le_bytes();
        for (slot, byte) in bytes.iter_mut().skip(BODY).zip(sum) {
            *slot = byte;
        }
        bytes
    }

    /// From bytes.
    ///
    /// # Errors
    /// [`NotAMessage`] when the checksum does not fit, or flags stand for nothing.
    pub fn decode(bytes: &[u8; MESSAGE_LEN]) -> Result<Self, NotAMessage> {
        let (body, sum) = bytes.split_at(BODY);
        if sum != checksum(body).to_le_bytes() {
            return Err(NotAMessage);
        }
        let &[sequence, flags, a, b, c, d, e, f, g, h, i, j, k, l, ..] = bytes;
        let angle = CrankAngle::from_bits(u32::from_le_bytes([e, f, g, h]));
        let speed = CrankSpeed::from_counts_per_ms(i32::from_le_bytes([i, j, k, l]));
        let has = |bit: u8| flags & bit != 0;
        let phase = match flags >> 5 {
            0 => Phase::Standing,
            1 => Phase::Driven,
            2 => Phase::Stopping,
            _ => return Err(NotAMessage),
        };
        Ok(Self {
            sequence,
            stamp_us: u32::from_le_bytes([a, b, c, d]),
            crank: has(TRUSTED).then_some((angle, speed)),
            phase,
            consent: Consent {
                run: has(RUN),
                start: has(START),
                is_muted: has(MUTED),
                is_latched: has(LATCHED),
            },
        })
    }

    fn flags(&self) -> u8 {
        let flag = |bit: u8, is_set: bool| if is_set { bit } else { 0 };
        let phase: u8 = match self.phase {
            Phase::Standing => 0,
            Phase::Driven => 1 << 5,
            Phase::Stopping => 2 << 5,
        };
        phase
            | flag(TRUSTED, self.crank.is_some())
            | flag(RUN, self.consent.run)
            | flag(START, self.consent.start)
            | flag(MUTED, self.consent.is_muted)
            | flag(LATCHED, self.consent.is_latched)
    }
}

const TRUSTED: u8 = 1;
const RUN: u8 = 2;
const START: u8 = 4;
const MUTED: u8 = 8;
const LATCHED: u8 = 16;

impl Config {
    /// Two resolvers on one crank, a message each millisecond: 2 degrees and 6 strokes per minute
    /// apart, received 500 µs after the stamp, 300 µs either way.
    pub const DEFAULT: Self = Self {
        angle: CrankTravel::from_millidegrees(2_000),
        speed: CrankSpeed::from_milli_spm(6_000),
        transport: Duration::from_micros(500),
        transport_jitter: Duration::from_micros(300),
        acceleration_max_deg_s2: 300_000,
        clock_permille: 10,
        angle_ticks: 3,
        phase_ticks: 10,
        consent_ticks: 10,
        silent_ticks: 3,
        first_within_ticks: 1_000,
    };

    /// Widest healthy difference of the angles at `speed`, with a message of `age`.
    fn angle_within(&self, speed: CrankSpeed, age: Duration) -> CrankTravel {
        let dating = speed.saturating_abs().travel_in(self.transport_jitter);
        self.angle
            .saturating_add(dating)
            .saturating_add(self.bent_in(age))
    }

    /// Travel that the greatest acceleration adds in `age`: half of a·t².
    fn bent_in(&self, age: Duration) -> CrankTravel {
        let micros = u64::from(age.as_micros());
        // Degrees per s² times µs² are 10⁻¹² degrees; kept in 10⁻³ until the end.
        let millidegrees = u64::from(self.acceleration_max_deg_s2)
            .saturating_mul(micros)
            .saturating_mul(micros)
            / 2_000_000_000;
        CrankTravel::from_millidegrees(i32::try_from(millidegrees).unwrap_or(i32::MAX))
    }

    /// For so many ticks one channel may drive and the other not.
    pub(crate) fn phase_ticks_at(&self, speed: Option<CrankSpeed>) -> u8 {
        self.phase_ticks.saturating_add(self.angle_passes_in(speed))
    }

    /// Ticks in which a crank at `speed` turns through the tolerance of the angle: so much sooner
    /// one channel may pass an angle than the other. None of a crank that stands.
    fn angle_passes_in(&self, speed: Option<CrankSpeed>) -> u8 {
        let speed = speed.unwrap_or(CrankSpeed::ZERO).saturating_abs();
        if speed < STANDS_BELOW {
            return 0;
        }
        let ticks = self
            .angle
            .as_counts()
            .checked_div(i64::from(speed.as_counts_per_ms()))
            .map_or(0, |ticks| ticks.min(ANGLE_PASSES_IN_TICKS_MAX));
        u8::try_from(ticks).unwrap_or(0)
    }

    /// Widest healthy difference of the speeds, with a message of `age`.
    fn speed_within(&self, age: Duration) -> CrankSpeed {
        // 1 degree/s² over 1 µs is 10⁻⁶ degree/s, and 6 degrees/s are one stroke per minute.
        let micros = u64::from(age.as_micros());
        let milli_spm = u64::from(self.acceleration_max_deg_s2).saturating_mul(micros) / 6_000;
        let more = CrankSpeed::from_milli_spm(i32::try_from(milli_spm).unwrap_or(i32::MAX));
        let counts = self
            .speed
            .as_counts_per_ms()
            .saturating_add(more.as_counts_per_ms());
        CrankSpeed::from_counts_per_ms(counts)
    }
}

impl Peer {
    /// Nothing heard yet.
    pub const fn new() -> Self {
        Self {
            last: None,
            silent_for: 0,
            clock: None,
            clock_differs: false,
            angle_for: 0,
            speed_for: 0,
            trust_for: 0,
            phase_for: 0,
            end_for: 0,
            consent_for: 0,
        }
    }

    /// Whether the peer, heard in time, permits a start.
    pub fn permits_start(&self, config: &Config) -> bool {
        self.heard(config)
            .is_some_and(|message| message.consent.start && message.consent.run)
    }

    /// Whether the peer, heard in time, has a latched fault.
    pub fn is_latched(&self, config: &Config) -> bool {
        self.heard(config)
            .is_some_and(|message| message.consent.is_latched)
    }

    /// What the peer's stroke is doing, as heard in time.
    pub fn phase(&self, config: &Config) -> Option<Phase> {
        self.heard(config).map(|message| message.phase)
    }

    fn heard(&self, config: &Config) -> Option<&Message> {
        let is_silent = self.silent_for > u16::from(config.silent_ticks);
        self.last
            .as_ref()
            .filter(|_| !is_silent)
            .map(|received| &received.message)
    }

    /// One tick: what this channel sees, and a message if a good one has come since the last tick.
    ///
    /// # Errors
    /// The first [`Disagreement`] that has lasted too long.
    pub fn step(
        &mut self,
        config: &Config,
        own: &Own,
        received: Option<Received>,
    ) -> Result<(), Disagreement> {
        self.listen(config, received);
        let Some(last) = self.last else {
            return if self.silent_for > config.first_within_ticks {
                Err(Disagreement::Silent)
            } else {
                Ok(())
            };
        };
        if self.silent_for > u16::from(config.silent_ticks) {
            return Err(Disagreement::Silent);
        }
        self.compare(config, own, &last);
        self.verdict(config, own)
    }

    /// A message that repeats the last sequence is an old one: whoever sent it has stopped.
    fn listen(&mut self, config: &Config, received: Option<Received>) {
        let is_new = |received: &Received| {
            let repeats = |last: Received| last.message.sequence == received.message.sequence;
            !self.last.is_some_and(repeats)
        };
        match received.filter(is_new) {
            Some(received) => {
                self.silent_for = 0;
                self.compare_clocks(config, &received);
                self.last = Some(received);
            }
            None => self.silent_for = self.silent_for.saturating_add(1),
        }
    }

    fn compare_clocks(&mut self, config: &Config, received: &Received) {
        let stamp = received.message.stamp_us;
        let Some((own_start, stamp_start)) = self.clock else {
            self.clock = Some((received.at, stamp));
            return;
        };
        let own = received.at.saturating_since(own_start).as_micros();
        let peer = stamp.wrapping_sub(stamp_start);
        if own < CLOCK_OVER.as_micros() && peer < CLOCK_OVER.as_micros() {
            return;
        }
        self.clock = Some((received.at, stamp));
        // Both ends were dated with the jitter.
        let jitter = u64::from(config.transport_jitter.as_micros()).saturating_mul(2);
        let allowed = u64::from(own.max(peer)).saturating_mul(u64::from(config.clock_permille));
        let allowed = (allowed / 1_000).saturating_add(jitter);
        self.clock_differs = u64::from(own.abs_diff(peer)) > allowed;
    }

    fn compare(&mut self, config: &Config, own: &Own, last: &Received) {
        let message = &last.message;
        let sent_at = last.at.saturating_sub(config.transport);
        let age = own.now.saturating_since(sent_at);
        let (mut angle_differs, mut speed_differs) = (false, false);
        if let (Some(here), Some(there)) = (own.crank, message.crank) {
            let expected = there.0.wrapping_add(there.1.travel_in(age));
            let apart = here.0.offset_from(expected).saturating_abs();
            angle_differs = apart > config.angle_within(here.1, age);
            let faster = here
                .1
                .as_counts_per_ms()
                .abs_diff(there.1.as_counts_per_ms());
            let within = config.speed_within(age).as_counts_per_ms().unsigned_abs();
            speed_differs = faster > within;
        }
        let trust_differs = own.crank.is_some() != message.crank.is_some();
        let (here, there) = (own.consent, message.consent);
        // A latch is told and acted on at once; it is no disagreement.
        let consent_differs = here.run != there.run || here.is_muted != there.is_muted;
        count(&mut self.angle_for, angle_differs);
        count(&mut self.speed_for, speed_differs);
        count(&mut self.trust_for, trust_differs);
        let is_driven = |phase| phase == Phase::Driven;
        let drive_differs = is_driven(own.phase) != is_driven(message.phase);
        count(&mut self.phase_for, drive_differs);
        let end_differs = own.phase != message.phase && !drive_differs;
        count(&mut self.end_for, end_differs);
        count(&mut self.consent_for, consent_differs);
    }

    fn verdict(&self, config: &Config, own: &Own) -> Result<(), Disagreement> {
        let speed = own.crank.map(|(_, speed)| speed);
        let passing = config.angle_passes_in(speed);
        let phase_ticks = config.phase_ticks_at(speed);
        let consent_ticks = config.consent_ticks.saturating_add(passing);
        let findings = [
            (self.angle_for > config.angle_ticks, Disagreement::Angle),
            (self.speed_for > config.angle_ticks, Disagreement::Speed),
            (self.trust_for > config.consent_ticks, Disagreement::Trust),
            (self.phase_for > phase_ticks, Disagreement::Phase),
            (self.end_for > END_TICKS, Disagreement::Phase),
            (self.consent_for > consent_ticks, Disagreement::Consent),
            (self.clock_differs, Disagreement::Clock),
        ];
        match findings.into_iter().find(|(is_found, _)| *is_found) {
            Some((_, disagreement)) => Err(disagreement),
            None => Ok(()),
        }
    }
}

/// Counts the ticks in a row in which something differed.
fn count(ticks: &mut u8, differs: bool) {
    *ticks = if differs { ticks.saturating_add(1) } else { 0 };
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const CONFIG: Config = Config::DEFAULT;
    const CONSENT: Consent = Consent {
        run: true,
        start: true,
        is_muted: false,
        is_latched: false,
    };

    fn own(tick: u64) -> Own {
        let speed = CrankSpeed::from_milli_spm(60_000);
        let micros = tick.wrapping_mul(1_000);
        let turned = speed.travel_in(Duration::from_micros(micros as u32));
        Own {
            now: Instant::from_micros(1_000_000u64.wrapping_add(micros)),
            crank: Some((CrankAngle::TOP_DEAD_CENTRE.wrapping_add(turned), speed)),
            phase: Phase::Driven,
            consent: CONSENT,
        }
    }

    /// `ticks` ticks with a peer that says what this channel says, changed by `change`.
    fn run(ticks: u64, change: impl Fn(u64, &mut Message)) -> Result<(), Disagreement> {
        let mut peer = Peer::new();
        (1..=ticks).try_for_each(|tick| {
            let own = own(tick);
            let mut message = own.message(tick as u8);
            change(tick, &mut message);
            let at = own.now.saturating_add(CONFIG.transport);
            // Received in this tick, compared in the next.
            peer.step(
                &CONFIG,
                &self::own(tick.wrapping_add(1)),
                Some(Received { message, at }),
            )
        })
    }

    #[test]
    fn channels_that_see_the_same_agree() {
        assert_eq!(run(10_000, |_, _| {}), Ok(()));
    }

    #[test]
    fn each_difference_is_named_when_its_ticks_are_over_and_not_before() {
        // Ticks in a row that it may last, from the hundredth on.
        type Case = (u64, Disagreement, fn(&mut Message));
        let speed = own(100).crank.map(|(_, speed)| speed);
        let passing = 10u64.wrapping_add(u64::from(CONFIG.angle_passes_in(speed)));
        assert!(passing > 10);
        let cases: [Case; 7] = [
            (3, Disagreement::Angle, |message| {
                let (angle, speed) = message.crank.unwrap_or_default();
                let off = CrankTravel::from_millidegrees(5_000);
                message.crank = Some((angle.wrapping_add(off), speed));
            }),
            (3, Disagreement::Speed, |message| {
                let (angle, _) = message.crank.unwrap_or_default();
                message.crank = Some((angle, CrankSpeed::from_milli_spm(180_000)));
            }),
            (10, Disagreement::Trust, |message| message.crank = None),
            (passing, Disagreement::Phase, |message| {
                message.phase = Phase::Standing
            }),
            (passing, Disagreement::Consent, |message| {
                message.consent.run = false
            }),
            (passing, Disagreement::Consent, |message| {
                message.consent.is_muted = true
            }),
            // The hundredth message again and again.
            (3, Disagreement::Silent, |message| message.sequence = 100),
        ];
        for (ticks, disagreement, change) in cases {
            let from = |tick: u64, message: &mut Message| {
                if tick > 100 {
                    change(message);
                }
            };
            let last_good = 100u64.wrapping_add(ticks);
            assert_eq!(run(last_good, from), Ok(()), "{disagreement:?}");
            assert_eq!(run(last_good.wrapping_add(1), from), Err(disagreement));
        }
    }

    #[test]
    fn an_angle_may_be_passed_sooner_by_one_the_slower_the_crank_turns() {
        let ticks = |milli_spm| {
            let speed = CrankSpeed::from_milli_spm(milli_spm);
            CONFIG.angle_passes_in(Some(speed))
        };
        // 2 degrees at 6 degrees per second for each stroke per minute.
        assert_eq!(ticks(200_000), 1);
        assert_eq!(ticks(8_000), 41);
        assert_eq!(ticks(-8_000), 41);
        assert_eq!(ticks(2_000), 50);
        assert_eq!(ticks(500), 0);
        assert_eq!(CONFIG.angle_passes_in(None), 0);
    }

    #[test]
    fn the_end_of_a_stop_may_be_seen_later_but_not_for_ever() {
        let ends_in = |ticks: u64| {
            let mut peer = Peer::new();
            (1..=ticks).try_for_each(|tick| {
                let stands = |tick| Own {
                    phase: Phase::Standing,
                    crank: None,
                    ..own(tick)
                };
                let mut message = stands(tick).message(tick as u8);
                message.phase = Phase::Stopping;
                let at = stands(tick).now.saturating_add(CONFIG.transport);
                let received = Some(Received { message, at });
                peer.step(&CONFIG, &stands(tick.wrapping_add(1)), received)
            })
        };
        assert_eq!(ends_in(u64::from(END_TICKS)), Ok(()));
        let longer = u64::from(END_TICKS).wrapping_add(1);
        assert_eq!(ends_in(longer), Err(Disagreement::Phase));
    }

    #[test]
    fn a_clock_that_runs_off_is_named() {
        let drifts = |per_mille: u64| {
            run(2_000, |tick, message| {
                message.stamp_us = (tick.wrapping_mul(1_000u64.wrapping_add(per_mille))) as u32;
            })
        };
        assert_eq!(drifts(5), Ok(()));
        assert_eq!(drifts(20), Err(Disagreement::Clock));
    }

    #[test]
    fn a_peer_that_never_speaks_permits_nothing_and_is_named_in_time() {
        let mut peer = Peer::new();
        for tick in 0..u64::from(CONFIG.first_within_ticks) {
            assert_eq!(peer.step(&CONFIG, &own(tick), None), Ok(()));
            assert!(!peer.permits_start(&CONFIG));
        }
        assert_eq!(
            peer.step(&CONFIG, &own(1_000), None),
            Err(Disagreement::Silent)
        );
    }

    #[test]
    fn a_message_survives_the_wire_and_any_turned_bit_is_found() {
        let message = own(7).message(200);
        let bytes = message.encode();
        assert_eq!(Message::decode(&bytes), Ok(message));
        let dark = Message {
            crank: None,
            phase: Phase::Stopping,
            ..message
        };
        assert_eq!(Message::decode(&dark.encode()), Ok(dark));
        for bit in 0..MESSAGE_LEN.wrapping_mul(8) {
            let mut damaged = bytes;
            if let Some(byte) = damaged.get_mut(bit / 8) {
                *byte ^= 1 << (bit & 7);
            }
            assert_eq!(Message::decode(&damaged), Err(NotAMessage), "bit {bit}");
        }
    }
}
