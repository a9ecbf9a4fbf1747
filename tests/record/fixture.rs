//! Records made by hand for the tests: an invented press Q with a variable speed, whose stops come
//! from closed forms and a small fixed pattern instead of a simulation, so that nothing here
//! depends on the rest of the house.

use stopwright::record::csv::{Trace, TraceSample};
use stopwright::record::*;

const SPEEDS: [f64; 3] = [35.0, 55.0, 70.0];
const REACTION_MS: f64 = 62.0;
/// Braking time per stroke per minute.
const BRAKING_MS_PER_SPM: f64 = 1.36;
/// One-sided factor for 25 stops, content 99.9 %, confidence 95 % (job sheet value 4.14).
const FACTOR: f64 = 4.14;

/// A commissioning that succeeded, with everything a record can hold.
pub(crate) fn rehearsal() -> Record {
    let source = Source::Rehearsal {
        press_file: "press-q.toml".into(),
        seed: 20_260_101,
        options: vec![
            named("stops per cell", "25"),
            named("installed distance", "420 mm"),
        ],
    };
    let stops = matrix();
    Record {
        verdict: verdict(),
        cautions: cautions(),
        signal_check: Some(signal_check()),
        zero_capture: Some(zero_capture()),
        direction_proof: Some(direction_proof()),
        references: vec![reference()],
        stop_signatures: vec![signature(&stops.stops[203]), signature(&stops.stops[255])],
        stop_matrix: stops,
        stop_curve: Some(stop_curve()),
        limits: SPEEDS.iter().map(|&spm| limits(spm)).collect(),
        top_stops: SPEEDS.iter().map(|&spm| top_stop(spm)).collect(),
        distances: distances(),
        drills: drills(),
        function_checks: function_checks(),
        open_points: vec![
            "Warm cells rest on the heat model alone: repeat them after an hour of running.".into(),
            "Training of operators is not part of this record.".into(),
        ],
        ..Record::new(source, press())
    }
}

/// A commissioning that failed early: a worn press, no limits, no release angle.
pub(crate) fn failed_rehearsal() -> Record {
    let mut record = rehearsal();
    record.verdict = Verdict {
        outcome: Outcome::NotCommissionable,
        exit_status: 3,
        restricted_to: vec![],
        reasons: vec![
            "Rests scatter by 6.3° (one standard deviation): no release angle brings 99 % of them within 5° of the top.".into(),
            "The longest mid-stroke stop, 338.4 ms, asks for 742 mm; 650 mm are installed.".into(),
        ],
        ways_out: vec!["Repair the brake before commissioning; moving the release angle cannot help.".into()],
    };
    for set in &mut record.limits {
        (set.advisory_ms, set.latch_ms) = (None, None);
        (set.advisory_deg, set.latch_deg) = (None, None);
    }
    for stop in &mut record.top_stops {
        (stop.release_deg, stop.hold) = (None, None);
        if let Some(criterion) = &mut stop.rest_criterion {
            (criterion.within_ratio, criterion.within_assured_ratio) = (0.573, 0.402);
            criterion.pass = false;
        }
    }
    for distance in &mut record.distances {
        distance.required_mm = 741.3;
        distance.installed_mm = Some(650.0);
        distance.margin_mm = Some(-91.3);
        distance.allowed_latch_ms = None;
        distance.pass = Some(false);
    }
    record
}

/// Recorded stops: no sensor evidence, no drills, but positioning moves.
pub(crate) fn study() -> Record {
    let recordings = vec![Recording {
        file: "stops-q-top.csv".into(),
        sha256: "5f0c".repeat(16),
        rows: 14_822,
        sample_rate_hz: 1000.0,
        stops: 24,
        positioning_moves: 1,
        warnings: vec!["2 rows without an angle were left out".into()],
    }];
    let source = Source::Study {
        recordings,
        options: vec![named("press", "press-q.toml")],
    };
    let mut matrix = matrix();
    matrix.warm_note = None;
    matrix.accuracy = None;
    matrix.cells.retain(|cell| cell.id.ends_with("35-cold"));
    let ids: Vec<String> = matrix.cells.iter().map(|cell| cell.id.clone()).collect();
    matrix.stops.retain(|stop| ids.contains(&stop.cell));
    for cell in &mut matrix.cells {
        (cell.brake, cell.brake_c) = (BrakeCondition::NotStated, None);
    }
    for (index, stop) in matrix.stops.iter_mut().enumerate() {
        stop.truth = None;
        stop.recording = Some("stops-q-top.csv".into());
        stop.command_time_s = Some(1.0 + 1.5 * index as f64);
    }
    matrix.positioning_moves = vec![PositioningMove {
        recording: "stops-q-top.csv".into(),
        command_time_s: 41.02,
        command_deg: 352.3,
        speed_spm: 4.2,
        rest_deg: 359.8,
        reason: "speed at the command below a quarter of the usual".into(),
    }];
    Record {
        verdict: Verdict {
            outcome: Outcome::Restricted,
            exit_status: 0,
            restricted_to: vec!["35 SPM: no other speed was recorded".into()],
            reasons: vec!["Limits and distance hold at 35 SPM.".into()],
            ways_out: vec!["Record stops at 55 and 70 SPM.".into()],
        },
        stop_signatures: vec![signature(&matrix.stops[3])],
        stop_matrix: matrix,
        limits: vec![limits(35.0)],
        distances: distances(),
        open_points: vec!["Nothing here speaks for the sensor's zero.".into()],
        ..Record::new(
            source,
            Press {
                name: "Q".into(),
                ..Press::default()
            },
        )
    }
}

/// Texts that try to break out of the page, and numbers at the edge.
pub(crate) fn hostile() -> Record {
    let trap = "</style></title><script>alert(1)</script><img src=http://example.invalid/x> & \"'";
    let mut record = study();
    record.press = Press {
        name: trap.into(),
        description: trap.repeat(20),
        ..press()
    };
    record.verdict.reasons = vec![trap.into(); 3];
    record.open_points = vec!["x".repeat(400)];
    rename_cell(&mut record.stop_matrix, 0, trap);
    record.limits[0].rule = trap.into();
    record.distances[0].device = trap.into();
    record.stop_signatures[0].time_ms.clear();
    record
}

fn rename_cell(matrix: &mut StopMatrix, index: usize, name: &str) {
    let before = std::mem::replace(&mut matrix.cells[index].id, name.into());
    for stop in matrix.stops.iter_mut().filter(|stop| stop.cell == before) {
        stop.cell = name.into();
    }
}

/// A trace of each of the first stops.
pub(crate) fn traces(record: &Record, count: usize) -> Vec<Trace> {
    record
        .stop_matrix
        .stops
        .iter()
        .take(count)
        .map(trace)
        .collect()
}

fn trace(stop: &Stop) -> Trace {
    let samples = (-50..400).map(|ms| {
        let (speed_spm, travel) = motion(stop, f64::from(ms));
        let crank_deg = (stop.command_deg + travel).rem_euclid(360.0);
        TraceSample {
            time_s: f64::from(ms) / 1000.0 + 0.05,
            crank_deg,
            stop_cmd: ms >= 0,
            speed_spm,
        }
    });
    Trace {
        stop: stop.number,
        samples: samples.collect(),
    }
}

/// Speed and travel since coil off, with the brake's torque taking hold linearly after reaction.
fn motion(stop: &Stop, ms: f64) -> (f64, f64) {
    let deg_per_ms = stop.speed_spm * 0.006;
    let reaction = stop.reaction_ms.unwrap_or(REACTION_MS);
    let braking = stop.time_ms - reaction;
    let into = ((ms - reaction) / braking).clamp(0.0, 1.0);
    let coasted = deg_per_ms * ms.min(reaction);
    let braked = deg_per_ms * braking * (into - into * into / 2.0);
    (stop.speed_spm * (1.0 - into), coasted + braked)
}

fn signature(stop: &Stop) -> StopSignature {
    let time_ms: Vec<f64> = (-20..=120).map(|i| f64::from(i) * 2.0).collect();
    let (speed_spm, travel_deg) = time_ms.iter().map(|&ms| motion(stop, ms)).unzip();
    StopSignature {
        stop: stop.number,
        time_ms,
        speed_spm,
        travel_deg,
    }
}

fn named(name: &str, value: &str) -> NamedText {
    NamedText {
        name: name.into(),
        value: value.into(),
    }
}

fn press() -> Press {
    Press {
        name: "Press Q".into(),
        description: "110-ton gap frame, variable speed, hand-fed; invented for the tests".into(),
        invented: true,
        rated_force_kn: Some(980.0),
        stroke_mm: Some(130.0),
        rod_mm: Some(560.0),
        speed_min_spm: Some(35.0),
        speed_nominal_spm: Some(55.0),
        speed_max_spm: Some(70.0),
        slide_with_die_kg: Some(900.0),
        counterbalance: Some("air, 2 cylinders".into()),
        sensor_drive: Some("1:1, direct coupling on the crank end".into()),
        plate: vec![named(
            "Clutch and brake torque at the crank",
            "25.5 and 5.2 kN m",
        )],
    }
}

fn verdict() -> Verdict {
    Verdict {
        outcome: Outcome::Commissionable,
        exit_status: 0,
        restricted_to: vec![],
        reasons: vec![
            "Every check passed and every drill was caught within its bound.".into(),
            "The installed distance of 420 mm holds with the latch limits in force.".into(),
        ],
        ways_out: vec![],
    }
}

fn cautions() -> Vec<Caution> {
    let caution = |step: &str, text: &str| Caution {
        step: step.into(),
        text: text.into(),
    };
    vec![
        caution(
            "Signal check over one barred turn",
            "Motor off and flywheel at rest; locked out. Safety blocks out of the die space. Nobody but the one at the bar within reach of the slide.",
        ),
        caution(
            "Zero capture",
            "As before. The bar comes out before anything else is switched on.",
        ),
        caution(
            "First stroke under power",
            "Bar removed. No die in the press. Guards closed, safeguards proven; hands only on the buttons.",
        ),
    ]
}

fn signal_check() -> SignalCheck {
    SignalCheck {
        frames: 36_000,
        travel_deg: 360.4,
        amplitude_min_ratio: 0.978,
        amplitude_max_ratio: 1.021,
        amplitude_low_limit_ratio: 0.9,
        amplitude_high_limit_ratio: 1.1,
        sine_offset_ratio: 0.0021,
        cosine_offset_ratio: -0.0034,
        offset_limit_ratio: 0.01,
        gain_error_ratio: 0.0132,
        gain_error_limit_ratio: 0.05,
        quadrature_deg: -0.21,
        quadrature_limit_deg: 1.0,
        noise_deg: 0.031,
        noise_limit_deg: 0.1,
        truth_error_unbalanced_deg: Some(1.734),
        truth_error_balanced_deg: Some(0.041),
        pass: true,
        notes: vec![
            "The electrical zero lies 46.2° from the top: a dead winding shows at rest.".into(),
        ],
    }
}

fn zero_capture() -> ZeroCapture {
    let pair = |direction, height_mm, half: f64, shift: f64| HeightPair {
        direction,
        height_mm,
        before_deg: (46.2 + shift - half).rem_euclid(360.0),
        after_deg: 46.2 + shift + half,
        midpoint_deg: 46.2 + shift,
    };
    ZeroCapture {
        pairs: vec![
            pair(Direction::Forward, 13.42, 41.1, 0.05),
            pair(Direction::Forward, 20.1, 50.8, 0.061),
            pair(Direction::Reverse, 13.42, 41.0, -0.048),
            pair(Direction::Reverse, 20.1, 50.7, -0.052),
        ],
        lash_deg: 0.106,
        spread_deg: 0.011,
        spread_limit_deg: 0.2,
        zero_offset_deg: 46.203,
        certainty_deg: 0.06,
        truth_zero_offset_deg: Some(46.2),
        pass: true,
        notes: vec!["Forward approach is used; the lash is reported, not taken out.".into()],
    }
}

fn reference() -> Reference {
    Reference {
        name: "index switch".to_owned(),
        findings: vec![NamedText {
            name: "closes at".to_owned(),
            value: "210.05° in normal travel, 210.14° turned back".to_owned(),
        }],
        pass: true,
        notes: vec!["Its bracket was tightened before.".to_owned()],
    }
}

fn direction_proof() -> DirectionProof {
    let points = [30.0, 90.0, 150.0, 210.0, 270.0, 330.0].map(|crank_deg: f64| {
        let computed = slide_mm(crank_deg);
        ProofPoint {
            crank_deg,
            slide_measured_mm: computed + 0.04,
            slide_computed_mm: computed,
            difference_deg: 0.04,
            pass: true,
        }
    });
    DirectionProof {
        points: points.into(),
        tolerance_deg: 2.0,
        sensor_turns_per_stroke: 1.0,
        pass: true,
    }
}

/// Slide below its top, rod term subtracted as on a top-drive press (standards sheet 6.1).
fn slide_mm(crank_deg: f64) -> f64 {
    let (r, l) = (65.0_f64, 560.0_f64);
    let (sin, cos) = crank_deg.to_radians().sin_cos();
    r * (1.0 - cos) - (l - (l * l - r * r * sin * sin).sqrt())
}

/// A small fixed pattern in place of scatter: about one standard deviation wide, mean near zero.
fn scatter(index: u32) -> f64 {
    const PATTERN: [f64; 12] = [
        0.4, -1.1, 0.9, -0.2, 1.6, -0.7, -1.5, 0.3, 1.1, -0.5, 0.1, -0.4,
    ];
    PATTERN[(index as usize * 5 + index as usize / 7) % PATTERN.len()]
}

fn matrix() -> StopMatrix {
    let mut matrix = StopMatrix {
        content_ratio: 0.999,
        confidence_ratio: 0.95,
        warm_note: Some("The brake was warmed by the heat model alone.".into()),
        accuracy: Some(Accuracy {
            n: 300,
            time_bias_ms: 0.41,
            time_error_worst_ms: 1.92,
            travel_bias_deg: -0.012,
            travel_error_worst_deg: 0.084,
        }),
        ..StopMatrix::default()
    };
    for spm in SPEEDS {
        for kind in [StopKind::Top, StopKind::MidStroke] {
            for brake in [BrakeCondition::Cold, BrakeCondition::Warm] {
                add_cell(&mut matrix, kind, spm, brake);
            }
        }
    }
    matrix
}

fn add_cell(matrix: &mut StopMatrix, kind: StopKind, spm: f64, brake: BrakeCondition) {
    let is_warm = brake == BrakeCondition::Warm;
    let is_top = kind == StopKind::Top;
    let mean = REACTION_MS
        + BRAKING_MS_PER_SPM * spm
        + if is_warm { 2.4 } else { 0.0 }
        + if is_top { 0.0 } else { 2.8 };
    let travel = |time: f64| spm * 0.006 * (REACTION_MS + (time - REACTION_MS) / 2.0);
    let command_deg = if is_top { 360.0 - travel(mean) } else { 90.0 };
    let place = if is_top { "top" } else { "90" };
    let id = format!("{place}-{spm}-{}", if is_warm { "warm" } else { "cold" });
    let first = matrix.stops.len() as u32;
    let times: Vec<f64> = (0..25).map(|i| mean + 2.6 * scatter(first + i)).collect();
    for (index, &time_ms) in times.iter().enumerate() {
        let number = first + index as u32 + 1;
        matrix.stops.push(stop(
            number,
            &id,
            command_deg,
            spm,
            time_ms,
            travel(time_ms),
        ));
    }
    let average = times.iter().sum::<f64>() / 25.0;
    let sd = (times.iter().map(|t| (t - average).powi(2)).sum::<f64>() / 24.0).sqrt();
    let worst = times.iter().copied().fold(0.0, f64::max);
    let sd_deg = spm * 0.003 * sd;
    matrix.cells.push(Cell {
        id,
        kind,
        command_deg,
        speed_spm: spm,
        brake,
        n: 25,
        time_mean_ms: average,
        time_sd_ms: Some(sd),
        time_worst_ms: worst,
        time_tolerance_limit_ms: Some(average + FACTOR * sd),
        tolerance_factor: Some(FACTOR),
        travel_mean_deg: travel(average),
        travel_sd_deg: Some(sd_deg),
        travel_worst_deg: travel(worst),
        travel_tolerance_limit_deg: Some(travel(average) + FACTOR * sd_deg),
        brake_c: Some(if is_warm { 55.0 } else { 20.0 }),
    });
}

fn stop(
    number: u32,
    cell: &str,
    command_deg: f64,
    spm: f64,
    time_ms: f64,
    travel_deg: f64,
) -> Stop {
    let rest_deg = (command_deg + travel_deg).rem_euclid(360.0);
    Stop {
        number,
        cell: cell.into(),
        recording: None,
        command_time_s: None,
        command_deg,
        speed_spm: spm,
        time_ms,
        travel_deg,
        rest_deg,
        reaction_ms: Some(REACTION_MS - 0.6),
        braking_ms: Some(time_ms - REACTION_MS + 0.6),
        truth: Some(StopTruth {
            time_ms: time_ms - 0.4,
            travel_deg: travel_deg + 0.01,
            rest_deg,
        }),
    }
}

fn stop_curve() -> StopCurve {
    let (a, b) = (0.006 * REACTION_MS, 0.003 * BRAKING_MS_PER_SPM);
    let points = SPEEDS.map(|spm| {
        let fitted_deg = a * spm + b * spm * spm;
        CurvePoint {
            speed_spm: spm,
            travel_deg: fitted_deg + 0.12,
            fitted_deg,
        }
    });
    StopCurve {
        a_deg_per_spm: a,
        b_deg_per_spm2: b,
        reaction_ms: REACTION_MS,
        points: points.into(),
        residual_worst_deg: 0.12,
    }
}

fn limits(spm: f64) -> LimitSet {
    let reference = REACTION_MS + BRAKING_MS_PER_SPM * spm;
    let travel = |ms: f64| spm * 0.006 * (REACTION_MS + (ms - REACTION_MS) / 2.0);
    let (advisory, latch) = (reference + 13.2, reference + 19.7);
    LimitSet {
        speed_spm: spm,
        rule: "Advisory: mean plus the larger of the tolerance limit's share and the drift of heat and air. Latch: the advisory limit plus half its distance from the mean, and never above what the installed distance allows.".into(),
        reference_ms: reference,
        reference_deg: travel(reference),
        advisory_ms: Some(advisory),
        latch_ms: Some(latch),
        advisory_deg: Some(travel(advisory) + 0.5),
        latch_deg: Some(travel(latch) + 1.0),
        scatter_allowance_ms: 10.8,
        drift_allowance_ms: 2.4,
        distance_ceiling_ms: Some(178.7),
        distance_ceiling_rule: Some("iso-orthogonal-2010".into()),
        mid_to_top_ratio: Some(1.018),
        mid_to_top_limit_ratio: Some(1.25),
        habit: Some(Habit {
            advisory_ms: reference + 50.0,
            latch_ms: reference + 100.0,
            advisory_torque_ratio: Some(0.58),
            latch_torque_ratio: Some(0.4),
            distance_holds: Some(false),
        }),
    }
}

fn top_stop(spm: f64) -> TopStop {
    let release = 360.0 - spm * 0.006 * (REACTION_MS + BRAKING_MS_PER_SPM * spm / 2.0);
    let step = |correction, release_deg, rest_mean_deg| SearchStep {
        correction,
        release_deg,
        n: 5,
        rest_mean_deg,
        rest_sd_deg: Some(0.7),
    };
    let strokes = (1..=60).map(|stroke| HoldStroke {
        stroke,
        release_deg: release - 0.01 * f64::from(stroke.min(20)),
        rest_deg: 0.8 * scatter(stroke) + 0.1,
    });
    TopStop {
        mode: "single stroke".into(),
        speed_spm: spm,
        target_deg: 0.0,
        release_deg: Some(release),
        search: vec![
            step(0, 300.0, 300.0 - release),
            step(1, release - 1.3, -1.3),
            step(2, release, 0.1),
        ],
        hold: Some(CompensationHold {
            authority_early_deg: 6.0,
            authority_late_deg: 1.4,
            authority_used_ratio: 0.033,
            strokes: strokes.collect(),
        }),
        window: OverrunWindow {
            short_deg: 10.0,
            past_deg: 15.0,
            past_equals_ms: Some(15.0 / (spm * 0.006)),
            source: "15° often quoted; check the clause for this type of press".into(),
        },
        rest_criterion: Some(RestCriterion {
            n: 60,
            window_deg: 5.0,
            within_ratio: 1.0,
            within_assured_ratio: 0.9996,
            required_ratio: 0.99,
            confidence_ratio: 0.95,
            pass: true,
        }),
    }
}

fn distances() -> Vec<Distance> {
    let term = |symbol: &str, meaning: &str, value, unit: &str| Term {
        symbol: symbol.into(),
        meaning: meaning.into(),
        value,
        unit: unit.into(),
    };
    let latch: f64 = REACTION_MS + BRAKING_MS_PER_SPM * 70.0 + 19.7;
    let scaled = latch * 1.018;
    let curve = |required: &dyn Fn(f64) -> f64| -> Vec<DistancePoint> {
        (0..=60)
            .map(|i| latch - 50.0 + 3.0 * f64::from(i))
            .map(|latch_ms| DistancePoint {
                latch_ms,
                required_mm: required(latch_ms * 1.018),
            })
            .collect()
    };
    let us = |stop: f64| 1.6002 * (stop + 28.0);
    let iso = |stop: f64| {
        let near = 2.0 * (stop + 28.0);
        if near <= 500.0 {
            near
        } else {
            (1.6 * (stop + 28.0)).max(500.0)
        }
    };
    let common = vec![
        term(
            "Ts",
            "longest mid-stroke stop with the latch limit in force",
            scaled,
            "ms",
        ),
        term("Tc", "control response", 8.0, "ms"),
        term("Tr", "device response", 20.0, "ms"),
    ];
    let of = |rule: &str,
              edition: &str,
              clause: &str,
              formula: &str,
              required: f64,
              allowed: f64,
              curve| Distance {
        device: "light curtain, 14 mm".into(),
        rule: rule.into(),
        edition: edition.into(),
        clause: clause.into(),
        standing: RuleStanding::Read,
        formula: formula.into(),
        terms: common.clone(),
        stopping_time_ms: scaled,
        stopping_time_source: "latch limit at 70 SPM times the mid-stroke ratio".into(),
        required_mm: required,
        installed_mm: Some(420.0),
        margin_mm: Some(420.0 - required),
        allowed_latch_ms: Some(allowed),
        pass: Some(true),
        speed_spm: 70.0,
        curve,
    };
    vec![
        of(
            "us-stopping-time",
            "29 CFR 1910.217",
            "(c)(3)(iii)(e)",
            "63 in/s times the sum of the times",
            us(scaled),
            230.3,
            curve(&us),
        ),
        of(
            "iso-orthogonal-2010",
            "ISO 13855:2010",
            "6.2.3",
            "S = K T + C, K = 2000 mm/s up to 500 mm, then 1600 mm/s and 500 mm at least, C = 8 (d - 14)",
            iso(scaled),
            178.7,
            curve(&iso),
        ),
    ]
}

fn drills() -> Vec<Drill> {
    let drill = |fault_number, fault: &str, latency_ms: f64, bound_ms| Drill {
        fault_number,
        fault: fault.into(),
        injected: "single stroke, closing".into(),
        injected_deg: Some(95.0),
        expected: "immediate stop, latch".into(),
        seen: "immediate stop, latch".into(),
        latency_ms: Some(latency_ms),
        latency_deg: Some(latency_ms * 0.33),
        bound_ms: Some(bound_ms),
        pass: latency_ms <= bound_ms,
    };
    vec![
        drill(3, "sine winding open", 1.2, 5.0),
        drill(21, "coupling slipped", 6.4, 20.0),
        drill(33, "brake torque lost", 21.9, 22.0),
        drill(35, "one valve element stuck", 14.7, 30.0),
        drill(52, "second stroke asked for without release", 0.4, 5.0),
    ]
}

fn function_checks() -> Vec<FunctionCheck> {
    let check = |name: &str, expected: &str| FunctionCheck {
        name: name.into(),
        expected: expected.into(),
        seen: expected.into(),
        pass: true,
    };
    vec![
        check(
            "One hand released in the closing stroke",
            "stops at once; starts again only after both hands were off",
        ),
        check("Both hands held past the top", "no second stroke"),
    ]
}
