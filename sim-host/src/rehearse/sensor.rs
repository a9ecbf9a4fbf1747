//! The sensor: signal over one barred turn, zero by equal heights, proof of direction and ratio.

use crate::bench::Bench;
use crate::kinematics;
use crate::operator::{CaptureTrouble, Captured, Trouble};
use crate::press::Press;
use crate::record::{Direction, DirectionProof, HeightPair, ProofPoint, SignalCheck, ZeroCapture};
use crate::statistics::rest::signed_deg;
use crate::units;
use stopwright_core::angle::ElectricalAngle;
use stopwright_core::balance::{self, Balance, Survey, Surveyed};
use stopwright_core::receiver::{self, SignalEvidence};
use stopwright_core::signal::WindingAmplitudes;
use stopwright_core::trig;
use stopwright_core::zero_offset::{self, CaptureConfig, ZeroOffset};

/// Full scale of the detected amplitudes.
const FULL_SCALE: f64 = 32_767.0;
/// Gain and quadrature beyond which the resolver or its wiring is looked at first (job practice:
/// 5 per cent makes 1.4 degrees, standards of resolver error in docs/RECEIVER.md).
const GAIN_LIMIT: f64 = 0.05;
const QUADRATURE_LIMIT_DEG: f64 = 2.0;
/// Angle noise that is still clean, degrees rms.
const NOISE_LIMIT_DEG: f64 = 0.1;
/// The slide height at which the top is bisected, share of the stroke: about 40 degrees from the
/// top, where the slide moves enough for a dial indicator.
const BISECTION_SHARE: f64 = 0.12;
/// Resolution of the dial indicator, mm.
const DIAL_MM: f64 = 0.01;
/// Agreement of slide and angle that proves direction and ratio, degrees.
const PROOF_TOLERANCE_DEG: f64 = 2.0;
/// Crank angles of the proof.
const PROOF_DEG: [f64; 6] = [30.0, 90.0, 150.0, 210.0, 270.0, 330.0];
/// The electrical zero belongs near 45 degrees (odd eighths of a turn) from top dead centre; within
/// this distance of it both windings show at the top.
const ZERO_PLACE_TOLERANCE_DEG: f64 = 13.0;

/// One of the resolvers.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    First,
    Second,
}

impl Which {
    fn signal(self, bench: &Bench) -> SignalEvidence {
        match self {
            Self::First => bench.controller().signal(),
            Self::Second => bench.controller().second_signal(),
        }
    }
}

/// What the dial indicator on the slide shows, mm below top dead centre.
fn dial(bench: &Bench) -> f64 {
    (bench.plant().slide_mm() / DIAL_MM).round() * DIAL_MM
}

/// Signal check over one barred turn, and the survey of the windings; none when it is refused.
pub(super) fn check_signal(
    bench: &mut Bench,
    settings: &receiver::Settings,
    which: Which,
) -> Result<(SignalCheck, Option<Surveyed>), Trouble> {
    let (mut survey, mut turn) = (Survey::new(), Vec::new());
    let nominal = f64::from(settings.amplitude_nominal);
    let (mut low, mut high) = (f64::MAX, f64::MIN);
    let start = bench.plant().state().angle_rad;
    bench.bar(1.0, |bench| {
        let signal = which.signal(bench);
        let angle_rad = bench.plant().state().angle_rad;
        survey.feed(signal.raw);
        turn.push((signal.raw, angle_rad));
        let amplitude = f64::from(signal.amplitude) / nominal;
        (low, high) = (low.min(amplitude), high.max(amplitude));
        angle_rad - start >= std::f64::consts::TAU
    })?;
    let noise_deg = noise_at_rest(bench, which);
    let surveyed = survey.identify();
    let balance = surveyed
        .map(|surveyed| surveyed.balance)
        .unwrap_or_default();
    let share = |offset: i16| f64::from(offset) / FULL_SCALE;
    let quadrature_deg = (f64::from(balance.quadrature_urad) / 1e6).to_degrees();
    let mut check = SignalCheck {
        frames: turn.len() as u32,
        travel_deg: 360.0,
        amplitude_min_ratio: low,
        amplitude_max_ratio: high,
        amplitude_low_limit_ratio: f64::from(settings.amplitude_lower_permille) / 1e3,
        amplitude_high_limit_ratio: f64::from(settings.amplitude_upper_permille) / 1e3,
        sine_offset_ratio: share(balance.sine_offset),
        cosine_offset_ratio: share(balance.cosine_offset),
        offset_limit_ratio: f64::from(settings.offset_limit_codes) / 2_048.0,
        gain_error_ratio: f64::from(balance.gain_ppm) / 1e6,
        gain_error_limit_ratio: GAIN_LIMIT,
        quadrature_deg,
        quadrature_limit_deg: QUADRATURE_LIMIT_DEG,
        noise_deg,
        noise_limit_deg: NOISE_LIMIT_DEG,
        truth_error_unbalanced_deg: error_deg(&turn, Balance::default()),
        truth_error_balanced_deg: error_deg(&turn, balance),
        pass: false,
        notes: Vec::new(),
    };
    if let Err(refusal) = &surveyed {
        check
            .notes
            .push(format!("The windings could not be surveyed: {refusal:?}."));
    }
    check.pass = surveyed.is_ok() && is_within(&check);
    let found = surveyed.ok().filter(|_| check.pass);
    Ok((check, found))
}

fn is_within(check: &SignalCheck) -> bool {
    check.amplitude_min_ratio >= check.amplitude_low_limit_ratio
        && check.amplitude_max_ratio <= check.amplitude_high_limit_ratio
        && check.sine_offset_ratio.abs() <= check.offset_limit_ratio
        && check.cosine_offset_ratio.abs() <= check.offset_limit_ratio
        && check.gain_error_ratio.abs() <= check.gain_error_limit_ratio
        && check.quadrature_deg.abs() <= check.quadrature_limit_deg
        && check.noise_deg <= check.noise_limit_deg
}

/// Greatest error of the decoded angle over the turn against plant truth, its mean taken off: the
/// zero is not known yet.
fn error_deg(turn: &[(WindingAmplitudes, f64)], balance: Balance) -> Option<f64> {
    let balance = balance::Config::try_new(balance).ok()?;
    let errors: Vec<f64> = turn
        .iter()
        .filter_map(|&(raw, truth_rad)| {
            let balanced = balance.apply(raw);
            let angle = trig::atan2(balanced.sine, balanced.cosine).ok()?;
            let seen_deg = f64::from(angle.to_bits()) * DEG_PER_COUNT;
            Some(signed_deg(seen_deg - truth_rad.to_degrees()))
        })
        .collect();
    let first = *errors.first()?;
    let near = errors.iter().map(|error| signed_deg(error - first));
    let mean = near.clone().sum::<f64>() / errors.len() as f64;
    Some(near.map(|error| (error - mean).abs()).fold(0.0, f64::max))
}

/// Scatter of the direct decode with the crank at rest, degrees rms.
fn noise_at_rest(bench: &mut Bench, which: Which) -> f64 {
    let mut angles = Vec::new();
    for _ in 0..500 {
        bench.tick();
        let signal = which.signal(bench).raw;
        angles.push(
            f64::from(signal.sine)
                .atan2(f64::from(signal.cosine))
                .to_degrees(),
        );
    }
    // The crank stands, so the angles lie together; only a wrap must be undone.
    let first = angles[0];
    let near: Vec<f64> = angles
        .iter()
        .map(|a| (a - first + 540.0) % 360.0 - 180.0)
        .collect();
    let mean = near.iter().sum::<f64>() / near.len() as f64;
    (near.iter().map(|a| (a - mean).powi(2)).sum::<f64>() / near.len() as f64).sqrt()
}

/// Zero by equal heights of the slide on both sides of the top, in both directions of barring.
/// The pair barred in normal travel sets the zero: so the press runs. With it comes the zero of the
/// first resolver and, where fitted, of the second.
pub(super) fn capture_zero(
    bench: &mut Bench,
    press: &Press,
    direction: zero_offset::Direction,
    truth_deg: f64,
) -> Result<(ZeroCapture, [Option<ZeroOffset>; 2]), CaptureTrouble> {
    let height_mm = BISECTION_SHARE * press.frame.stroke_mm;
    // From wherever the slide stands to well below the height, on the way up.
    bench.bar(1.0, |bench| dial(bench) >= 0.7 * press.frame.stroke_mm)?;
    let (before, after) = pair(bench, 1.0, height_mm)?;
    bench.bar_by(30.0)?;
    let (after_back, before_back) = pair(bench, -1.0, height_mm)?;

    let second = before.second.zip(after.second).and_then(|(before, after)| {
        ZeroOffset::from_equal_heights(before.angle, after.angle, direction).ok()
    });
    let widest = [before, after, before_back, after_back].map(|one| one.first.spread);
    let spread = widest.into_iter().max().unwrap_or(0);
    let [before, after, before_back, after_back] =
        [before, after, before_back, after_back].map(|one| one.first.angle);
    let forward = ZeroOffset::from_equal_heights(before, after, direction);
    let reverse = ZeroOffset::from_equal_heights(before_back, after_back, direction);
    let pairs = vec![
        height_pair(Direction::Forward, height_mm, before, after),
        height_pair(Direction::Reverse, height_mm, before_back, after_back),
    ];
    let lash_deg = signed_deg(pairs[0].midpoint_deg - pairs[1].midpoint_deg).abs();
    let spread_limit_deg = f64::from(CaptureConfig::DEFAULT.spread_max) * DEG_PER_COUNT;
    let slope_mm_per_deg = slope_mm_per_deg(press, angle_at(press, height_mm)).abs();
    let mut capture = ZeroCapture {
        lash_deg,
        spread_deg: f64::from(spread) * DEG_PER_COUNT,
        truth_zero_offset_deg: Some(truth_deg),
        spread_limit_deg,
        certainty_deg: DIAL_MM / slope_mm_per_deg + lash_deg / 2.0,
        pass: forward.is_ok() && reverse.is_ok(),
        pairs,
        ..ZeroCapture::default()
    };
    capture.zero_offset_deg = capture.pairs[0].midpoint_deg;
    capture.notes = place_notes(capture.zero_offset_deg);
    if !capture.pass {
        capture.notes.push(
            "The two heights do not lie around the top: the angle counts against normal travel, \
             or was captured at the bottom."
                .to_owned(),
        );
    }
    Ok((capture, [forward.ok(), second]))
}

const DEG_PER_COUNT: f64 = 360.0 / 4_294_967_296.0;

/// The angles at which the slide passes `height_mm` on the way up and then on the way down,
/// barring in `direction`.
fn pair(
    bench: &mut Bench,
    direction: f64,
    height_mm: f64,
) -> Result<(Captured, Captured), CaptureTrouble> {
    bench.bar(direction, |bench| dial(bench) <= 1.1 * height_mm)?;
    bench.creep(direction, |bench| dial(bench) <= height_mm)?;
    let up = bench.capture_angle()?;
    bench.bar(direction, |bench| dial(bench) <= 0.5 * height_mm)?;
    bench.bar(direction, |bench| dial(bench) >= 0.9 * height_mm)?;
    bench.creep(direction, |bench| dial(bench) >= height_mm)?;
    let down = bench.capture_angle()?;
    Ok((up, down))
}

fn height_pair(
    direction: Direction,
    height_mm: f64,
    before: ElectricalAngle,
    after: ElectricalAngle,
) -> HeightPair {
    let deg = |angle: ElectricalAngle| f64::from(angle.to_bits()) * DEG_PER_COUNT;
    let half = f64::from(after.counts_from(before)) * DEG_PER_COUNT / 2.0;
    HeightPair {
        direction,
        height_mm,
        before_deg: deg(before),
        after_deg: deg(after),
        midpoint_deg: (deg(before) + half).rem_euclid(360.0),
    }
}

/// Says where the electrical zero lies, when it lies badly.
fn place_notes(zero_deg: f64) -> Vec<String> {
    let from_eighth = (zero_deg.rem_euclid(90.0) - 45.0).abs();
    if from_eighth <= ZERO_PLACE_TOLERANCE_DEG {
        return Vec::new();
    }
    vec![format!(
        "The electrical zero lies {from_eighth:.0} degrees away from an odd eighth of a turn: a \
         dead winding may not show with the slide at rest at the top. Turn the resolver by that \
         much, or check the windings another way before each start."
    )]
}

/// One turn against the dial: direction, ratio, and slide height at six angles.
pub(super) fn prove_direction(bench: &mut Bench, press: &Press) -> Result<DirectionProof, Trouble> {
    let start = bench.plant().state().angle_rad;
    let seen = |bench: &Bench| {
        let outputs = bench.outputs()?;
        Some(units::angle_deg(outputs.position.trusted()?.angle()))
    };
    let (mut travelled, mut last, mut turns) = (0.0, seen(bench), None);
    let mut points: Vec<ProofPoint> = Vec::new();
    bench.bar(1.0, |bench| {
        let now = seen(bench);
        if let (Some(now), Some(last)) = (now, last) {
            travelled += signed_deg(now - last);
            let passed = PROOF_DEG
                .iter()
                .find(|&&at| (0.0..0.1).contains(&signed_deg(now - at)));
            let is_new = |at: &&f64| {
                points
                    .iter()
                    .all(|point| (point.crank_deg - **at).abs() > 5.0)
            };
            if passed.filter(is_new).is_some() {
                points.push(proof_point(now, dial(bench), press));
            }
        }
        last = now.or(last);
        let is_round = bench.plant().state().angle_rad - start >= 2.0 * std::f64::consts::PI;
        if is_round {
            turns = Some(travelled / 360.0);
        }
        is_round
    })?;
    points.sort_by(|a, b| a.crank_deg.total_cmp(&b.crank_deg));
    let sensor_turns_per_stroke = turns.unwrap_or(0.0);
    let pass = points.len() == PROOF_DEG.len()
        && points.iter().all(|point| point.pass)
        && (sensor_turns_per_stroke - 1.0).abs() < PROOF_TOLERANCE_DEG / 360.0;
    Ok(DirectionProof {
        points,
        tolerance_deg: PROOF_TOLERANCE_DEG,
        sensor_turns_per_stroke,
        pass,
    })
}

/// Bars on until the controller shows the top.
pub(super) fn bring_to_top(bench: &mut Bench) -> Result<(), Trouble> {
    let is_near = |bench: &Bench, within_deg: f64| {
        let seen = bench
            .outputs()
            .and_then(|outputs| outputs.position.trusted().copied());
        seen.is_some_and(|seen| units::overrun_deg(seen.angle()).abs() <= within_deg)
    };
    bench.bar(1.0, |bench| is_near(bench, 3.0))?;
    bench.creep(1.0, |bench| is_near(bench, 0.05))
}

fn proof_point(crank_deg: f64, measured_mm: f64, press: &Press) -> ProofPoint {
    let (radius, rod) = (press.crank_radius_mm(), press.frame.rod_mm);
    let computed_mm = kinematics::slide_travel_mm(radius, rod, crank_deg.to_radians());
    let difference_deg = (measured_mm - computed_mm) / slope_mm_per_deg(press, crank_deg);
    ProofPoint {
        crank_deg,
        slide_measured_mm: measured_mm,
        slide_computed_mm: computed_mm,
        difference_deg,
        pass: difference_deg.abs() <= PROOF_TOLERANCE_DEG,
    }
}

fn slope_mm_per_deg(press: &Press, crank_deg: f64) -> f64 {
    let angle = crank_deg.to_radians();
    kinematics::gradients(press.crank_radius_mm(), press.frame.rod_mm, angle)
        .0
        .to_radians()
}

fn angle_at(press: &Press, travel_mm: f64) -> f64 {
    let (radius, rod) = (press.crank_radius_mm(), press.frame.rod_mm);
    kinematics::closing_angle_deg_at_travel(radius, rod, travel_mm).unwrap_or(90.0)
}
