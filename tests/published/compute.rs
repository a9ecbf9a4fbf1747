//! Which of our functions gives which quantity.

use crate::row::{Closeness, Row};
use stopwright::distance::{Responses, Site, required_mm, rule_named};
use stopwright::kinematics;
use stopwright::limits::Criteria;
use stopwright::limits::release;
use stopwright::statistics::{Demand, Summary, tolerance, trend};
use stopwright::stop_curve::{SpeedPoint, StopCurve};
use stopwright_core::angle::{CrankTravel, ElectricalAngle};
use stopwright_core::safety_distance::{Distance, lowest_field_height, us_monitor_allowance};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::Duration;
use stopwright_core::tracking::{Config, Tracking};
use stopwright_core::trig;

const MM_PER_INCH: f64 = 25.4;
const COUNTS_PER_DEGREE: f64 = 4_294_967_296.0 / 360.0;
/// Carrier frames a second of the controller.
const CARRIER_HZ: f64 = 5_000.0;
/// Frames a second that come near to continuous time.
const FRAMES_PER_SECOND: f64 = 100_000.0;

/// The value our code gives for a row, and how close it has to be; nothing when nobody computes
/// the quantity.
pub(crate) fn compute(row: &Row) -> Option<(f64, Closeness)> {
    distances(row)
        .or_else(|| geometry(row))
        .or_else(|| curves(row))
        .or_else(|| samples(row))
        .or_else(|| trends(row))
        .or_else(|| resolver(row))
        .or_else(|| tracking_loop(row))
        .or_else(|| checksums(row))
}

fn printed(value: f64) -> Option<(f64, Closeness)> {
    Some((value, Closeness::PrintedDigits))
}

fn distances(row: &Row) -> Option<(f64, Closeness)> {
    match row.quantity.as_str() {
        "distance" => Some(distance(row)),
        "us-monitor-allowance" => {
            let longest = Duration::from_micros((row.number("longest_s") * 1e6).round() as u32);
            printed(f64::from(us_monitor_allowance(longest).as_micros()) / 1e6)
        }
        "mid-stroke-mean-limit" => {
            printed(Criteria::default().ratio_most * row.number("top_mean_s"))
        }
        "lowest-field-height" => {
            let detection = Distance::from_millimetres(row.count("detection_mm") as u32);
            printed(f64::from(lowest_field_height(detection).as_micrometres()) / 1_000.0)
        }
        "overrun-limit" => printed(Criteria::default().overrun_limit_deg),
        _ => None,
    }
}

/// Each of up to four times is rounded up to a microsecond, worth 1.6 to 2 µm each and counted
/// twice once; each of two parts of the distance is rounded up to a micrometre.
fn distance(row: &Row) -> (f64, Closeness) {
    let optional = |key: &str| row.has(key).then(|| row.number(key));
    let site = Site {
        detection_mm: optional("detection_mm"),
        field_height_mm: optional("height_mm"),
        penetration_mm: optional("penetration_mm"),
    };
    let responses = Responses {
        stopping_ms: 1_000.0 * row.number("stopping_s"),
        control_ms: 1_000.0 * row.number_or_zero("control_s"),
        device_ms: 1_000.0 * row.number_or_zero("device_s"),
        monitor_allowance_ms: 1_000.0 * row.number_or_zero("allowance_s"),
    };
    let rule = rule_named(row.text("rule")).expect("a rule");
    let found = required_mm(rule, &site, &responses).expect("a distance");
    let per_unit = if row.unit == "in" { MM_PER_INCH } else { 1.0 };
    (
        found / per_unit,
        Closeness::RoundedUp {
            most: 0.012 / per_unit,
        },
    )
}

fn geometry(row: &Row) -> Option<(f64, Closeness)> {
    if row.quantity == "angle-before-bottom" {
        let r_mm = 0.5 * row.number("stroke_mm");
        let rod_mm = r_mm * row.number("rod_over_r");
        let height_mm = row.number("height_mm");
        return printed(kinematics::degrees_before_bdc_at_height(
            r_mm, rod_mm, height_mm,
        )?);
    }
    if !row.quantity.starts_with("slide-") {
        return None;
    }
    let (r_mm, rod_mm) = (row.number("r_mm"), row.number("rod_mm"));
    let angle = row.number("angle_deg").to_radians();
    let speed = row.number("speed_spm") * std::f64::consts::TAU / 60.0;
    match row.quantity.as_str() {
        "slide-travel" => printed(kinematics::slide_travel_mm(r_mm, rod_mm, angle)),
        "slide-speed" => printed(kinematics::slide_speed_mm_s(r_mm, rod_mm, angle, speed)),
        "slide-acceleration" => printed(kinematics::slide_acceleration_mm_s2(
            r_mm, rod_mm, angle, speed, 0.0,
        )),
        _ => None,
    }
}

/// The two stops of row M-031, which the other rows of the rigid rotor follow from.
fn rigid_rotor() -> StopCurve {
    let point = |speed_spm, time_ms, travel_deg| SpeedPoint {
        speed_spm,
        time_ms,
        travel_deg,
    };
    StopCurve::fit(&[
        point(30.0, 122.831_853_1, 16.454_866_776_6),
        point(60.0, 185.663_706_1, 44.219_467_105_8),
    ])
    .expect("a curve")
}

fn curves(row: &Row) -> Option<(f64, Closeness)> {
    let curve = rigid_rotor();
    let speed = || row.number("speed_spm");
    match row.quantity.as_str() {
        "curve-a" => printed(curve.a_deg_per_spm),
        "curve-time" => printed(curve.time_ms(speed()) / 1_000.0),
        // The two stops are printed to ten decimals, and so is this.
        "curve-travel" => Some((curve.travel_deg(speed()), Closeness::Within(2e-10))),
        "curve-release" => Some((curve.release_deg(speed(), 360.0), Closeness::Within(2e-10))),
        "crank-speed" => {
            let travelled = crank_speed(speed()).travel_in(Duration::from_millis(1_000));
            printed(degrees(travelled))
        }
        // The angle the crank is ahead of a reading of that age.
        "lag" => {
            let reading = degrees(crank_speed(speed()).travel_in(seconds(row.number("delay_s"))));
            assert!((reading - age_in_degrees(row)).abs() < 1e-5, "{}", row.id);
            Some((reading, Closeness::Within(1e-5)))
        }
        _ => None,
    }
}

fn age_in_degrees(row: &Row) -> f64 {
    let overrun = 1.0;
    let ms_per_degree = release::overrun_by_delay_ms(overrun, row.number("speed_spm"));
    1_000.0 * row.number("delay_s") / ms_per_degree
}

fn crank_speed(speed_spm: f64) -> CrankSpeed {
    CrankSpeed::from_milli_spm((speed_spm * 1_000.0).round() as i32)
}

fn seconds(value: f64) -> Duration {
    Duration::from_micros((value * 1e6).round() as u32)
}

fn degrees(travel: CrankTravel) -> f64 {
    travel.as_counts() as f64 / COUNTS_PER_DEGREE
}

fn samples(row: &Row) -> Option<(f64, Closeness)> {
    let demand = || Demand::new(row.number("content"), row.number("confidence")).expect("a demand");
    let summary = || Summary::of(&row.numbers("values")).expect("a summary");
    let value = match row.quantity.as_str() {
        "tolerance-factor" => tolerance::one_sided_factor(row.count("n"), demand()),
        "content-covered" => tolerance::content_covered(
            row.count("n"),
            row.number("factor"),
            row.number("confidence"),
        ),
        "confidence-of" => {
            tolerance::confidence_of(row.count("n"), row.number("factor"), row.number("content"))
        }
        "coverage-of-largest" => {
            tolerance::coverage_of_largest(row.count("n"), row.number("confidence"))
        }
        "sample-mean" => Ok(summary().mean),
        "sample-deviation" => Ok(summary().deviation),
        "sample-largest" => Ok(summary().largest),
        "sample-upper-limit" => summary().upper_limit(demand()),
        _ => return None,
    };
    printed(value.expect("a statistic"))
}

fn trends(row: &Row) -> Option<(f64, Closeness)> {
    if !row.has("values") {
        return None;
    }
    let values = row.numbers("values");
    let times: Vec<f64> = (0..values.len() as u32).map(f64::from).collect();
    let robust = trend::theil_sen(&times, &values, 0.95).expect("a trend");
    let line = trend::least_squares(&times, &values).expect("a line");
    let test = trend::mann_kendall(&values).expect("a test");
    match row.quantity.as_str() {
        "theil-sen-slope" => printed(robust.line.slope),
        "theil-sen-intercept" => printed(robust.line.intercept),
        "theil-sen-low" => printed(robust.slope_low),
        "theil-sen-high" => printed(robust.slope_high),
        "least-squares-slope" => printed(line.slope),
        "least-squares-intercept" => printed(line.intercept),
        "mann-kendall-score" => printed(test.score as f64),
        "mann-kendall-variance" => printed(test.variance),
        "mann-kendall-z" => printed(test.z),
        _ => None,
    }
}

/// Windings with the imperfections of a row, decoded by the receiver's arctangent. Amplitudes are
/// whole counts of 20 000, so that a decode is true to √½/20 000 rad, 0.002 degrees.
fn resolver(row: &Row) -> Option<(f64, Closeness)> {
    const RESOLUTION_DEG: f64 = 0.002;
    match row.quantity.as_str() {
        "decode-error-largest" => {
            let errors = decode_errors(row).into_iter().map(f64::abs);
            Some((
                errors.fold(0.0, f64::max),
                Closeness::Within(RESOLUTION_DEG),
            ))
        }
        // Rounding errors of half a million frames average out.
        "decode-error-mean" => {
            let errors = decode_errors(row);
            let mean = errors.iter().sum::<f64>() / errors.len() as f64;
            Some((mean, Closeness::Within(1e-4)))
        }
        "arctangent-u16" => {
            let (sine, cosine) = (row.number("sine") as i16, row.number("cosine") as i16);
            let angle = trig::atan2(sine, cosine).expect("an angle").to_bits();
            printed(f64::from(angle.wrapping_add(1 << 15) >> 16))
        }
        _ => None,
    }
}

fn decode_errors(row: &Row) -> Vec<f64> {
    const ANGLES: u32 = 100_000;
    (0..ANGLES)
        .map(|index| {
            let angle = f64::from(index) / f64::from(ANGLES) * std::f64::consts::TAU;
            let (sine, cosine) = windings(row, angle);
            let decoded = trig::atan2(sine, cosine).expect("an angle");
            let truth = ElectricalAngle::from_bits((angle.to_degrees() * COUNTS_PER_DEGREE) as u32);
            f64::from(decoded.counts_from(truth)) / COUNTS_PER_DEGREE
        })
        .collect()
}

/// sin θ·(1 + α) + a + h sin 3θ, and cos(θ + β) + b + h cos 3θ, in counts.
fn windings(row: &Row, angle: f64) -> (i16, i16) {
    let harmonic = row.number_or_zero("third_harmonic");
    let quadrature = row.number_or_zero("quadrature_deg").to_radians();
    let sine = (1.0 + row.number_or_zero("gain")) * angle.sin()
        + row.number_or_zero("offset_sine")
        + harmonic * (3.0 * angle).sin();
    let cosine = (angle + quadrature).cos()
        + row.number_or_zero("offset_cosine")
        + harmonic * (3.0 * angle).cos();
    (
        (20_000.0 * sine).round() as i16,
        (20_000.0 * cosine).round() as i16,
    )
}

fn tracking_loop(row: &Row) -> Option<(f64, Closeness)> {
    if !row.quantity.starts_with("loop-") {
        return None;
    }
    let bandwidth = row.count("bandwidth_hz") as u32;
    let damping = row.count("damping_permille") as u32;
    let at = |frame_hz| Config::try_new(bandwidth, damping, frame_hz).expect("a loop");
    // The rows are of continuous time. The loop has the same poles frame by frame, which takes the
    // share damping × natural frequency × frame time off its constant: hence many frames.
    let config = at(FRAMES_PER_SECOND as u32);
    let natural = std::f64::consts::TAU * f64::from(bandwidth);
    let share = |frame_hz: f64| f64::from(damping) / 1_000.0 * natural / frame_hz;
    match row.quantity.as_str() {
        "loop-acceleration-constant" => Some((
            acceleration_constant(&config),
            // And the constant is a whole number of 2⁻³².
            Closeness::Within(
                share(FRAMES_PER_SECOND) * natural.powi(2)
                    + FRAMES_PER_SECOND.powi(2) / 4_294_967_296.0,
            ),
        )),
        // At the controller's own frames: at more of them the acceleration is but a few counts a
        // frame, and cutting products to whole counts outweighs it.
        "loop-acceleration-error" => {
            let acceleration = row.number("acceleration_rad_s2").to_degrees();
            Some((
                acceleration_error(&at(CARRIER_HZ as u32), acceleration),
                Closeness::Within((share(CARRIER_HZ) + 0.01) * acceleration / natural.powi(2)),
            ))
        }
        // The row is of continuous time: so many frames that they come within a tenth of it.
        "loop-overshoot" => Some((overshoot_percent(&config), Closeness::Within(0.1))),
        _ => None,
    }
}

fn acceleration_constant(config: &Config) -> f64 {
    f64::from(config.acceleration_constant()) / 4_294_967_296.0 * FRAMES_PER_SECOND.powi(2)
}

/// The error of the loop behind a crank that accelerates evenly, degrees.
fn acceleration_error(config: &Config, acceleration_deg_s2: f64) -> f64 {
    let mut tracking = Tracking::new(ElectricalAngle::from_bits(0), 0);
    let mut error = 0;
    for frame in 1..2_000_u32 {
        let time = f64::from(frame) / CARRIER_HZ;
        let turned = 0.5 * acceleration_deg_s2 * time * time;
        let truth = ElectricalAngle::from_bits((turned * COUNTS_PER_DEGREE) as i64 as u32);
        error = tracking.step(config, truth);
    }
    f64::from(error) / COUNTS_PER_DEGREE
}

fn overshoot_percent(config: &Config) -> f64 {
    let step = 90.0 * COUNTS_PER_DEGREE;
    let target = ElectricalAngle::from_bits(step as u32);
    let mut tracking = Tracking::new(ElectricalAngle::from_bits(0), 0);
    let beyond = (0..20_000).map(|_| {
        tracking.step(config, target);
        f64::from(tracking.angle().counts_from(target)) / step
    });
    100.0 * beyond.fold(0.0, f64::max)
}

fn checksums(row: &Row) -> Option<(f64, Closeness)> {
    let message = || match row.has("ascii") {
        true => row.text("ascii").as_bytes().to_vec(),
        false => bytes(row.text("hex")),
    };
    match row.quantity.as_str() {
        "crc" => printed(checksum(row.text("algorithm"), &message())),
        "crc-of-message-and-crc" => {
            let mut all = message();
            all.extend((checksum(row.text("algorithm"), &all) as u32).to_le_bytes());
            printed(checksum(row.text("algorithm"), &all))
        }
        _ => None,
    }
}

fn checksum(algorithm: &str, message: &[u8]) -> f64 {
    let wide = |algorithm| f64::from(crc::Crc::<u32>::new(algorithm).checksum(message));
    let narrow = |algorithm| f64::from(crc::Crc::<u16>::new(algorithm).checksum(message));
    match algorithm {
        "CRC-32/ISO-HDLC" => wide(&crc::CRC_32_ISO_HDLC),
        "CRC-32/ISCSI" => wide(&crc::CRC_32_ISCSI),
        "CRC-32/MPEG-2" => wide(&crc::CRC_32_MPEG_2),
        "CRC-32/BZIP2" => wide(&crc::CRC_32_BZIP2),
        "CRC-16/IBM-3740" => narrow(&crc::CRC_16_IBM_3740),
        "CRC-16/XMODEM" => narrow(&crc::CRC_16_XMODEM),
        "CRC-16/IBM-SDLC" => narrow(&crc::CRC_16_IBM_SDLC),
        other => panic!("no algorithm {other}"),
    }
}

fn bytes(hex: &str) -> Vec<u8> {
    hex.split(' ')
        .map(|byte| u8::from_str_radix(byte, 16).expect("a byte"))
        .collect()
}
