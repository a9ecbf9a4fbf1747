//! Settings of a receiver, and the configuration made from them once they hold together.

use super::acceleration;
use crate::angle::{CrankAngle, CrankTravel, ElectricalAngle};
use crate::balance::{self, Balance, fingerprint};
use crate::demodulator;
use crate::integrity;
use crate::signal::{FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use crate::speed::CrankSpeed;
use crate::time::{Duration, Instant};
use crate::tracking;
use crate::zero_offset::{Direction, ZeroOffset};

/// Settings of a receiver as they are stored and read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Settings {
    /// Carrier frequency in hertz, 1000 to 20 000; one frame a period. It is
    /// [`FRAMES_PER_TICK`] times the tick rate.
    pub carrier_hz: u32,
    /// Ticks a second.
    pub tick_hz: u32,
    /// Amplitude of a healthy signal, 18 000 to 32 767 (full range), at the converter.
    pub amplitude_nominal: i16,
    /// Lower end of the amplitude window, thousandths of nominal, 750 to 990.
    pub amplitude_lower_permille: u16,
    /// Upper end of the amplitude window, thousandths of nominal, 1010 to 1250, and inside the
    /// converter's range.
    pub amplitude_upper_permille: u16,
    /// Below this the excitation is lost, thousandths of nominal, 20 to 500.
    pub floor_permille: u16,
    /// Phase by which the carrier leads the sampling clock, thousandths of a degree, ±180 000.
    pub phase_millidegrees: i32,
    /// Carrier phase limit around that, thousandths of a degree, 1000 to 45 000.
    pub phase_limit_millidegrees: u32,
    /// Limit of the quadrature residue, thousandths of the amplitude, 5 to 200.
    pub residue_limit_permille: u16,
    /// Limit of a winding's direct voltage, converter codes, 8 to 512.
    pub offset_limit_codes: i16,
    /// A frame with more is noisy, converter codes peak to peak, 16 to 512.
    pub noise_limit_codes: u16,
    /// Natural frequency of the tracking loop in hertz, up to a sixteenth of the carrier
    /// (less with a damping above 0.85). [`tracking::bandwidth_for`] gives the least for a press.
    pub bandwidth_hz: u32,
    /// Damping ratio of the tracking loop in thousandths, 700 to 1200.
    pub damping_permille: u32,
    /// Greatest healthy acceleration of the crank, degrees per second squared, 100 to 1 000 000:
    /// clutch torque over inertia.
    pub acceleration_max_deg_s2: u32,
    /// Greatest speed the receiver is to follow, thousandths of a stroke per minute, 1000 to
    /// 2 000 000.
    pub speed_max_milli_spm: i32,
    /// Play of the drive between crank and resolver, thousandths of a degree, 0 to 5000. When it is
    /// taken up the resolver is carried off at the speed the crank has by then.
    pub lash_millidegrees: u32,
    /// What direct decode and tracking loop may differ by at constant speed, thousandths of a
    /// degree, 50 to 5000.
    pub disagreement_millidegrees: u32,
    /// Longest burst of unusable frames bridged by prediction, microseconds, 1000 to 10 000.
    pub coast_us: u32,
    /// Error of the angle by drifted windings that is advised of, thousandths of a degree, 100 to
    /// 3000.
    pub unbalance_advise_millidegrees: u32,
    /// Error of the angle by drifted windings that stops the press, thousandths of a degree, 500
    /// to 5000, above the advised one.
    pub unbalance_latch_millidegrees: u32,
    /// Change of the amplitude that is advised of, thousandths of nominal, 10 to 200.
    pub amplitude_drift_permille: u16,
    /// Whether `amplitude_nominal` and `balance` are what a survey of this resolver found. Only
    /// then are the windings compared with them from turn to turn.
    pub is_surveyed: bool,
    /// The resolver's imperfections.
    pub balance: Balance,
    /// Electrical angle at top dead centre.
    pub zero_offset: ZeroOffset,
    /// How the electrical angle runs in normal travel.
    pub direction: Direction,
}

impl Settings {
    /// A perfect resolver with its zero 45 degrees from top dead centre, on any press that
    /// accelerates by less than 300 000 degrees per second squared.
    pub const DEFAULT: Self = Self {
        carrier_hz: 5_000,
        tick_hz: 1_000,
        amplitude_nominal: 28_800,
        amplitude_lower_permille: 850,
        amplitude_upper_permille: 1_100,
        floor_permille: 100,
        phase_millidegrees: 0,
        phase_limit_millidegrees: 20_000,
        residue_limit_permille: 30,
        offset_limit_codes: 102,
        noise_limit_codes: 64,
        bandwidth_hz: 200,
        damping_permille: 707,
        acceleration_max_deg_s2: 300_000,
        speed_max_milli_spm: 1_000_000,
        lash_millidegrees: 100,
        disagreement_millidegrees: 300,
        coast_us: 10_000,
        unbalance_advise_millidegrees: 500,
        unbalance_latch_millidegrees: 3_000,
        amplitude_drift_permille: 50,
        is_surveyed: false,
        balance: Balance::PERFECT,
        zero_offset: ZeroOffset::at_top(ElectricalAngle::from_bits(1 << 29)),
        direction: Direction::Increasing,
    };
}

impl Default for Settings {
    fn default() -> Self {
        Self::DEFAULT
    }
}

/// Why settings cannot work; each names the setting and what is allowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// `carrier_hz` is outside 1000 to 20 000, or is not a whole number of microseconds a period.
    Carrier,
    /// `carrier_hz` is not [`FRAMES_PER_TICK`] times `tick_hz`.
    RatesDoNotDivide,
    /// `amplitude_nominal` is below 18 000.
    AmplitudeTooSmall,
    /// The amplitude window does not hold the nominal amplitude: lower end 750 to 990, upper end
    /// 1010 to 1250.
    WindowExcludesNominal,
    /// The upper end of the amplitude window is beyond the converter's range.
    WindowBeyondConverter,
    /// `floor_permille` is outside 20 to 500.
    Floor,
    /// `phase_millidegrees` is outside ±180 000, or its limit outside 1000 to 45 000.
    Phase,
    /// `residue_limit_permille` is outside 5 to 200.
    Residue,
    /// `offset_limit_codes` is outside 8 to 512.
    OffsetLimit,
    /// `noise_limit_codes` is outside 16 to 512.
    NoiseLimit,
    /// `bandwidth_hz` is zero, more than a sixteenth of the carrier, or too high for the damping.
    Bandwidth,
    /// `damping_permille` is outside 700 to 1200.
    Damping,
    /// `acceleration_max_deg_s2` is outside 100 to 1 000 000.
    Acceleration,
    /// `speed_max_milli_spm` is outside 1000 to 2 000 000.
    Speed,
    /// `lash_millidegrees` is above 5000.
    Lash,
    /// `disagreement_millidegrees` is outside 50 to 5000.
    Disagreement,
    /// `coast_us` is outside 1000 to 10 000.
    Coast,
    /// `unbalance_advise_millidegrees` is outside 100 to 3000, or not below
    /// `unbalance_latch_millidegrees`, or that is outside 500 to 5000.
    Unbalance,
    /// `amplitude_drift_permille` is outside 10 to 200.
    AmplitudeDrift,
    /// `balance` is outside its bounds.
    Balance(balance::ConfigError),
}

impl core::fmt::Display for ConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Carrier => {
                "carrier_hz: 1000 to 20000, with a whole number of microseconds a period"
            }
            Self::RatesDoNotDivide => "carrier_hz: must be five times tick_hz",
            Self::AmplitudeTooSmall => "amplitude_nominal: 18000 to 32767",
            Self::WindowExcludesNominal => {
                "amplitude window: lower 750 to 990, upper 1010 to 1250 thousandths of nominal"
            }
            Self::WindowBeyondConverter => {
                "amplitude_upper_permille: amplitude_nominal times it must stay within 32767"
            }
            Self::Floor => "floor_permille: 20 to 500",
            Self::Phase => "phase_millidegrees: -180000 to 180000; its limit 1000 to 45000",
            Self::Residue => "residue_limit_permille: 5 to 200",
            Self::OffsetLimit => "offset_limit_codes: 8 to 512",
            Self::NoiseLimit => "noise_limit_codes: 16 to 512",
            Self::Bandwidth => {
                "bandwidth_hz: 1 to a sixteenth of carrier_hz, less with a damping above 850"
            }
            Self::Damping => "damping_permille: 700 to 1200",
            Self::Acceleration => "acceleration_max_deg_s2: 100 to 1000000",
            Self::Speed => "speed_max_milli_spm: 1000 to 2000000",
            Self::Lash => "lash_millidegrees: 0 to 5000",
            Self::Disagreement => "disagreement_millidegrees: 50 to 5000",
            Self::Coast => "coast_us: 1000 to 10000",
            Self::Unbalance => "unbalance_advise_millidegrees: 100 to 3000 and below unbalance_latch_millidegrees: 500 to 5000",
            Self::AmplitudeDrift => "amplitude_drift_permille: 10 to 200",
            Self::Balance(balance::ConfigError::Gain) => "balance gain_ppm: -200000 to 200000",
            Self::Balance(balance::ConfigError::Quadrature) => {
                "balance quadrature_urad: -175000 to 175000"
            }
            Self::Balance(balance::ConfigError::Offset) => "balance offsets: -8192 to 8192",
        })
    }
}

impl core::error::Error for ConfigError {}

/// A receiver's configuration: settings that hold together, in the units the frames need.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Config {
    pub(super) demodulator: demodulator::Config,
    pub(super) balance: balance::Config,
    pub(super) integrity: integrity::Config,
    pub(super) tracking: tracking::Config,
    pub(super) zero_offset: ZeroOffset,
    pub(super) direction: Direction,
    /// Counts a frame.
    pub(super) speed_max: u32,
    /// Largest step of the direct decode from one frame to the next, counts.
    pub(super) step_max: u32,
    pub(super) coast_frames_max: u16,
    pub(super) acceleration: acceleration::Config,
    /// Speed from which no healthy press stops within a tenth of a degree, counts a frame.
    pub(super) stopping_speed: u32,
    /// What the windings were when they were surveyed, if they were.
    pub(super) fingerprint: Option<fingerprint::Config>,
    /// 2⁻¹⁵ radian.
    pub(super) unbalance_advise: u32,
    /// 2⁻¹⁵ radian.
    pub(super) unbalance_latch: u32,
    /// 2⁻¹⁵ of the nominal amplitude.
    pub(super) amplitude_drift: u32,
    /// How far a frame's angle is from its middle in time, microseconds.
    phase_shift_us: i32,
    /// Static bound plus the greatest acceleration's lag, counts.
    disagreement: u32,
    /// Half the greatest acceleration, counts per frame².
    half_acceleration: u32,
    frame_us: u32,
    /// Frames a millisecond, 2⁻¹⁶.
    frames_per_milli: u32,
    /// Frames a microsecond, 2⁻³².
    frames_per_micro: u32,
}

impl Config {
    /// The configuration of `settings`.
    ///
    /// # Errors
    /// [`ConfigError`], the first that applies.
    pub const fn try_new(settings: Settings) -> Result<Self, ConfigError> {
        if let Err(error) = check(&settings) {
            return Err(error);
        }
        let balance = match balance::Config::try_new(settings.balance) {
            Ok(balance) => balance,
            Err(error) => return Err(ConfigError::Balance(error)),
        };
        let tracking = match tracking::Config::try_new(
            settings.bandwidth_hz,
            settings.damping_permille,
            settings.carrier_hz,
        ) {
            Ok(tracking) => tracking,
            Err(tracking::ConfigError::Bandwidth) => return Err(ConfigError::Bandwidth),
            Err(tracking::ConfigError::Damping) => return Err(ConfigError::Damping),
        };
        let speed_max = per_frame(settings.speed_max_milli_spm, settings.carrier_hz);
        let acceleration = per_frame_squared(settings.acceleration_max_deg_s2, settings.carrier_hz);
        let floor = counts(settings.disagreement_millidegrees);
        let jerk = speed_after(acceleration, settings.lash_millidegrees);
        Ok(Self {
            demodulator: demodulator::Config::new(settings.phase_millidegrees),
            balance,
            integrity: integrity_of(&settings),
            tracking,
            zero_offset: settings.zero_offset,
            direction: settings.direction,
            speed_max,
            step_max: speed_max.saturating_add(floor),
            // The frame after a burst still differs from the last one in it.
            coast_frames_max: quotient(
                settings.coast_us as u64,
                frame_us(settings.carrier_hz) as u64,
            )
            .saturating_add(1) as u16,
            acceleration: acceleration::Config::new(
                acceleration.saturating_add(acceleration / 20),
                speed_noise(floor, settings.bandwidth_hz, settings.carrier_hz).saturating_add(jerk),
            ),
            stopping_speed: speed_after(acceleration, 100).saturating_add(jerk),
            fingerprint: if settings.is_surveyed {
                Some(fingerprint::Config::new(settings.amplitude_nominal))
            } else {
                None
            },
            unbalance_advise: radians_q15(settings.unbalance_advise_millidegrees),
            unbalance_latch: radians_q15(settings.unbalance_latch_millidegrees),
            amplitude_drift: (settings.amplitude_drift_permille as u32).wrapping_mul(32_768)
                / 1_000,
            phase_shift_us: phase_shift_us(settings.phase_millidegrees, settings.carrier_hz),
            disagreement: floor
                .saturating_add(tracking.lag(acceleration))
                .saturating_add(jerk_lag(jerk, settings.bandwidth_hz, settings.carrier_hz)),
            half_acceleration: acceleration / 2,
            frame_us: frame_us(settings.carrier_hz),
            frames_per_milli: (((settings.carrier_hz as u64) << 16) / 1_000) as u32,
            frames_per_micro: (((settings.carrier_hz as u64) << 32) / 1_000_000) as u32,
        })
    }

    /// [`try_new`](Self::try_new) for a constant: settings that cannot work do not compile.
    ///
    /// ```
    /// use stopwright_core::receiver::{Config, Settings};
    /// const CONFIG: Config = Config::new(Settings { bandwidth_hz: 120, ..Settings::DEFAULT });
    /// ```
    /// A carrier that is no multiple of the tick rate:
    /// ```compile_fail,E0080
    /// use stopwright_core::receiver::{Config, Settings};
    /// const CONFIG: Config = Config::new(Settings { tick_hz: 900, ..Settings::DEFAULT });
    /// ```
    /// A tracking bandwidth beyond the frame rate:
    /// ```compile_fail,E0080
    /// use stopwright_core::receiver::{Config, Settings};
    /// const CONFIG: Config = Config::new(Settings { bandwidth_hz: 6_000, ..Settings::DEFAULT });
    /// ```
    /// An amplitude window that excludes the nominal amplitude:
    /// ```compile_fail,E0080
    /// use stopwright_core::receiver::{Config, Settings};
    /// const CONFIG: Config =
    ///     Config::new(Settings { amplitude_upper_permille: 990, ..Settings::DEFAULT });
    /// ```
    ///
    /// # Panics
    /// While compiling, on settings that cannot work. At run time use `try_new`.
    #[allow(clippy::panic)]
    pub const fn new(settings: Settings) -> Self {
        match Self::try_new(settings) {
            Ok(config) => config,
            Err(_) => panic!("receiver settings cannot work: Config::try_new names the reason"),
        }
    }

    /// Widest healthy difference between direct decode and prediction after `coasted` frames of
    /// prediction, counts of 2⁻³² turn.
    pub const fn disagreement(&self, coasted: u16) -> u32 {
        // At most 10 ms and a frame at 10⁶ degrees per second squared: 50 degrees, far from 2³².
        let frames = coasted as u32;
        let squared = frames.wrapping_mul(frames);
        self.disagreement
            .wrapping_add(self.half_acceleration.wrapping_mul(squared))
    }

    /// Time of some carrier frames.
    pub(super) const fn frames(&self, count: u16) -> Duration {
        Duration::from_micros(self.frame_us.wrapping_mul(count as u32))
    }

    /// Time of one carrier frame.
    pub const fn frame_time(&self) -> Duration {
        Duration::from_micros(self.frame_us)
    }

    /// The instant that the angle of a frame with its middle at `middle` holds for.
    pub(super) const fn at(&self, middle: Instant) -> Instant {
        let shift = Duration::from_micros(self.phase_shift_us.unsigned_abs());
        if self.phase_shift_us < 0 {
            middle.saturating_sub(shift)
        } else {
            middle.saturating_add(shift)
        }
    }

    /// Whether `at` is one frame after `before`, within half a frame.
    pub(super) const fn is_next_frame(&self, at: Instant, before: Instant) -> bool {
        let half = (self.frame_us / 2) as u64;
        let elapsed = at.as_micros().wrapping_sub(before.as_micros());
        elapsed.wrapping_sub(half) < half.wrapping_mul(2)
    }

    /// Travel in `age` at `speed` counts a frame.
    pub(super) const fn travel(&self, speed: i32, age: Duration) -> i32 {
        // Frames in 2⁻¹⁶; an age beyond 65 000 frames saturates, far past any use of the angle.
        let frames = (age.as_micros() as u64).wrapping_mul(self.frames_per_micro as u64) >> 16;
        let frames = if frames > i32::MAX as u64 {
            i32::MAX
        } else {
            frames as i32
        };
        ((speed as i64).wrapping_mul(frames as i64) >> 16) as i32
    }

    pub(super) const fn to_crank(self, electrical: ElectricalAngle) -> CrankAngle {
        self.zero_offset.to_crank(electrical, self.direction)
    }

    /// Crank speed of `speed` electrical counts a frame.
    pub(super) const fn to_speed(self, speed: i32) -> CrankSpeed {
        let per_ms = (speed as i64).wrapping_mul(self.frames_per_milli as i64) >> 16;
        let forward = match self.direction {
            Direction::Increasing => per_ms,
            Direction::Decreasing => per_ms.wrapping_neg(),
        };
        CrankSpeed::from_counts_per_ms(forward as i32)
    }
}

const fn check(s: &Settings) -> Result<(), ConfigError> {
    if !is_within(s.carrier_hz, 1_000, 20_000)
        || quotient(1_000_000, s.carrier_hz as u64).wrapping_mul(s.carrier_hz as u64) != 1_000_000
    {
        return Err(ConfigError::Carrier);
    }
    if s.tick_hz.saturating_mul(FRAMES_PER_TICK as u32) != s.carrier_hz {
        return Err(ConfigError::RatesDoNotDivide);
    }
    if s.amplitude_nominal < 18_000 {
        return Err(ConfigError::AmplitudeTooSmall);
    }
    let (lower, upper) = (s.amplitude_lower_permille, s.amplitude_upper_permille);
    if !is_within(lower as u32, 750, 990) || !is_within(upper as u32, 1_010, 1_250) {
        return Err(ConfigError::WindowExcludesNominal);
    }
    if permille(s.amplitude_nominal, upper) > i16::MAX as u32 {
        return Err(ConfigError::WindowBeyondConverter);
    }
    check_limits(s)
}

const fn check_limits(s: &Settings) -> Result<(), ConfigError> {
    let rows = [
        (s.floor_permille as u32, 20, 500, ConfigError::Floor),
        (
            s.phase_millidegrees.unsigned_abs(),
            0,
            180_000,
            ConfigError::Phase,
        ),
        (
            s.phase_limit_millidegrees,
            1_000,
            45_000,
            ConfigError::Phase,
        ),
        (
            s.residue_limit_permille as u32,
            5,
            200,
            ConfigError::Residue,
        ),
        (
            non_negative(s.offset_limit_codes as i32),
            8,
            512,
            ConfigError::OffsetLimit,
        ),
        (s.noise_limit_codes as u32, 16, 512, ConfigError::NoiseLimit),
        (
            s.acceleration_max_deg_s2,
            100,
            1_000_000,
            ConfigError::Acceleration,
        ),
        (
            non_negative(s.speed_max_milli_spm),
            1_000,
            2_000_000,
            ConfigError::Speed,
        ),
        (s.lash_millidegrees, 0, 5_000, ConfigError::Lash),
        (
            s.disagreement_millidegrees,
            50,
            5_000,
            ConfigError::Disagreement,
        ),
        (s.coast_us, 1_000, 10_000, ConfigError::Coast),
        (
            s.unbalance_advise_millidegrees,
            100,
            3_000,
            ConfigError::Unbalance,
        ),
        (
            s.unbalance_latch_millidegrees,
            500,
            5_000,
            ConfigError::Unbalance,
        ),
        (
            s.amplitude_drift_permille as u32,
            10,
            200,
            ConfigError::AmplitudeDrift,
        ),
    ];
    let mut rest: &[(u32, u32, u32, ConfigError)] = &rows;
    while let [(value, low, high, error), tail @ ..] = rest {
        if !is_within(*value, *low, *high) {
            return Err(*error);
        }
        rest = tail;
    }
    if s.unbalance_advise_millidegrees >= s.unbalance_latch_millidegrees {
        return Err(ConfigError::Unbalance);
    }
    Ok(())
}

const fn integrity_of(s: &Settings) -> integrity::Config {
    integrity::Config {
        lower_squared: square(permille(s.amplitude_nominal, s.amplitude_lower_permille)),
        upper_squared: square(permille(s.amplitude_nominal, s.amplitude_upper_permille)),
        floor_squared: square(permille(s.amplitude_nominal, s.floor_permille)),
        phase_tangent: tangent_q15(s.phase_limit_millidegrees),
        residue: ((s.residue_limit_permille as u32).wrapping_mul(32_768) / 1_000) as u16,
        offset: s.offset_limit_codes,
        noise: s.noise_limit_codes,
    }
}

/// Rounded down; the largest value for a divisor of zero, which no bound lets through.
const fn quotient(dividend: u64, divisor: u64) -> u64 {
    match dividend.checked_div(divisor) {
        Some(quotient) => quotient,
        None => u64::MAX,
    }
}

const fn is_within(value: u32, low: u32, high: u32) -> bool {
    low <= value && value <= high
}

const fn non_negative(value: i32) -> u32 {
    if value < 0 { 0 } else { value as u32 }
}

const fn permille(nominal: i16, share: u16) -> u32 {
    (nominal as u32).wrapping_mul(share as u32) / 1_000
}

const fn square(value: u32) -> u32 {
    value.wrapping_mul(value)
}

const fn counts(millidegrees: u32) -> u32 {
    CrankTravel::from_millidegrees(millidegrees as i32).as_counts() as u32
}

const fn frame_us(carrier_hz: u32) -> u32 {
    quotient(1_000_000, carrier_hz as u64) as u32
}

const fn per_frame(milli_spm: i32, carrier_hz: u32) -> u32 {
    let per_ms = CrankSpeed::from_milli_spm(milli_spm).as_counts_per_ms() as u64;
    quotient(per_ms.wrapping_mul(1_000), carrier_hz as u64) as u32
}

/// Degrees per second squared as counts per frame², rounded up.
const fn per_frame_squared(deg_s2: u32, carrier_hz: u32) -> u32 {
    let per_second = ((deg_s2 as u64) << 32) / 360;
    let frames = (carrier_hz as u64).wrapping_mul(carrier_hz as u64);
    quotient(per_second, frames).saturating_add(1) as u32
}

/// A third of the static bound on the decodes' difference, turned through the loop's natural
/// frequency: some five standard deviations of two speeds' difference at three codes of noise.
const fn speed_noise(floor: u32, bandwidth_hz: u32, carrier_hz: u32) -> u32 {
    let scaled = (floor as u64)
        .wrapping_mul(bandwidth_hz as u64)
        .wrapping_mul(2_094);
    quotient(scaled, (carrier_hz as u64).wrapping_mul(1_000)) as u32
}

/// √(2·a·s): the speed reached over a way s from rest at an acceleration a in counts per frame².
const fn speed_after(acceleration: u32, way_millidegrees: u32) -> u32 {
    let way = counts(way_millidegrees) as u64;
    // Below 2¹⁹ counts per frame² at 5000 frames a second and 2²⁶ counts; at 1000 below 2²⁴.
    (acceleration as u64)
        .wrapping_mul(way)
        .wrapping_mul(2)
        .isqrt() as u32
}

/// Largest lag of the loop behind a sudden change of speed: 0.46 of it over the natural angular
/// frequency, at the least damping.
const fn jerk_lag(speed: u32, bandwidth_hz: u32, carrier_hz: u32) -> u32 {
    let scaled = (speed as u64)
        .wrapping_mul(carrier_hz as u64)
        .wrapping_mul(732);
    quotient(scaled, (bandwidth_hz as u64).wrapping_mul(10_000)) as u32
}

/// A frame's angle is weighed by the square of the carrier at each sample. The weights of a
/// carrier in phase balance at the fourth sample, the middle; those of a carrier that leads by φ
/// at 3.5 + (cos 2φ − sin 2φ)/2 samples.
const fn phase_shift_us(phase_millidegrees: i32, carrier_hz: u32) -> i32 {
    let doubled = CrankTravel::from_millidegrees(phase_millidegrees.wrapping_mul(2));
    let doubled = ElectricalAngle::from_bits(doubled.as_counts() as u32);
    let (sine, cosine) = crate::trig::sin_cos(doubled);
    // In 2⁻¹⁶ samples from the fourth.
    let samples = (cosine as i64)
        .wrapping_sub(sine as i64)
        .wrapping_sub(1 << 15);
    const SAMPLES: i64 = SAMPLES_PER_FRAME as i64;
    let sample_ns = (frame_us(carrier_hz) as i64)
        .wrapping_mul(1_000)
        .div_euclid(SAMPLES);
    let rounding: i64 = 500 << 16;
    (samples.wrapping_mul(sample_ns).wrapping_add(rounding) >> 16).div_euclid(1_000) as i32
}

const fn radians_q15(millidegrees: u32) -> u32 {
    // 2π·2¹⁵/360 000 in 2⁻¹⁶.
    (millidegrees as u64).wrapping_mul(37_481).wrapping_shr(16) as u32
}

/// Tangent of an angle up to 45 degrees in 2⁻¹⁵.
const fn tangent_q15(millidegrees: u32) -> u16 {
    let (sine, cosine) = crate::trig::sin_cos(ElectricalAngle::from_bits(counts(millidegrees)));
    quotient((sine as u64) << 15, cosine as u64) as u16
}
