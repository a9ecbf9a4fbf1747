//! What is checked of settings as a whole: each problem by name, a step past its bound, and none at
//! the bound.

use crate::schema::{deg, ms, press};
use stopwright_core::angle::{CrankAngle, CrankTravel};
use stopwright_core::receiver::ConfigError;
use stopwright_core::receiver::index_switch::IndexConfigError;
use stopwright_core::receiver::second::SecondConfigError;
use stopwright_core::safety_distance::{Distance, Rule};
use stopwright_core::settings::{Problem, Quantity, Schema, Settings};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_time::StopKind;
use stopwright_core::time::Duration;

/// A change that still holds, one that does not, and what is said of it.
type Case = (fn(&mut Schema), fn(&mut Schema), fn(&Problem) -> bool);

fn travel(degrees: i32) -> CrankTravel {
    CrankTravel::from_millidegrees(degrees * 1_000)
}

const LEAST: CrankTravel = CrankTravel::from_counts(1);

/// Released there, its stops as far from the top as before.
fn released_at(schema: &mut Schema, degrees: i32) {
    let earlier = CrankTravel::from_millidegrees((315 - degrees) * 1_000);
    schema.top_stop.release = deg(degrees);
    let limits = &mut schema.stop.top;
    limits.travel_advisory = limits.travel_advisory.saturating_add(earlier);
    limits.travel_latch = limits.travel_latch.saturating_add(earlier);
}

/// To rest there, which a stop at the advisory limit reaches.
fn rests_late(schema: &mut Schema, target: CrankAngle) {
    schema.top_stop.target = target;
    schema.top_stop.early_bound = travel(1);
    schema.stop.top.travel_advisory = travel(59);
}

/// With a late bound that its window, and not its latch limit, leaves room for.
fn may_come_late(schema: &mut Schema, bound: CrankTravel) {
    schema.top_stop.late_bound = bound;
    schema.top_stop.early_bound = travel(1);
    schema.stop.top.travel_advisory = travel(47);
    schema.stop.top.travel_latch = travel(52);
}

/// 700 mm at 63 inches a second (29 CFR 1910.217(c)(3)(iii)(e)) are 437 ms, less 20 ms each of
/// control and device. Braking from 60 strokes per minute takes 125.7 ms, so that an element has
/// 250 - 125.7 + 20 ms.
const CASES: &[Case] = &[
    (
        |it| it.receiver.damping_permille = 1_200,
        |it| it.receiver.damping_permille = 1_201,
        |problem| *problem == Problem::Receiver(ConfigError::Damping),
    ),
    (
        |it| it.second.as_mut().unwrap().difference_millidegrees = 10_000,
        |it| it.second.as_mut().unwrap().difference_millidegrees = 10_001,
        |problem| *problem == Problem::Second(SecondConfigError::Difference),
    ),
    (
        |it| it.index.as_mut().unwrap().wander_millidegrees = 10_000,
        |it| it.index.as_mut().unwrap().wander_millidegrees = 10_001,
        |problem| *problem == Problem::Index(IndexConfigError::Wander),
    ),
    (
        |it| it.stop.top.time_advisory = ms(249),
        |it| it.stop.top.time_advisory = ms(250),
        |problem| {
            let (kind, quantity) = (StopKind::Top, Quantity::Time);
            *problem == Problem::AdvisoryNotBelowLatch { kind, quantity }
        },
    ),
    (
        |it| it.stop.mid_stroke.travel_advisory = travel(59),
        |it| it.stop.mid_stroke.travel_advisory = travel(60),
        |problem| {
            let (kind, quantity) = (StopKind::MidStroke, Quantity::Travel);
            *problem == Problem::AdvisoryNotBelowLatch { kind, quantity }
        },
    ),
    (
        |it| it.stop.mid_stroke.time_latch = ms(397),
        |it| it.stop.mid_stroke.time_latch = ms(398),
        |problem| {
            let allowed = |most: &Duration| (397_000..398_000).contains(&most.as_micros());
            matches!(problem, Problem::LatchBeyondDistance { guard: 0, allowed: Some(most) } if allowed(most))
        },
    ),
    (
        |it| {
            let guard = it.guards[0].as_mut().unwrap();
            guard.rule = Rule::IsoOrthogonal2010;
            guard.approach.detection = Some(Distance::from_millimetres(14));
        },
        |it| it.guards[0].as_mut().unwrap().rule = Rule::IsoOrthogonal2010,
        |problem| *problem == Problem::GuardIncomplete { guard: 0 },
    ),
    (
        |it| it.guards.swap(0, 3),
        |it| it.guards[0] = None,
        |problem| *problem == Problem::NoGuard,
    ),
    (
        |it| it.angles.take_over = deg(180),
        |it| it.angles.take_over = deg(179),
        |problem| *problem == Problem::TakeOverBeforeBottom,
    ),
    // The compensation may make it eight degrees less.
    (
        |it| released_at(it, 208),
        |it| released_at(it, 207),
        |problem| *problem == Problem::ReleaseOutOfRange,
    ),
    (
        |it| it.angles.take_over = deg(314),
        |it| it.angles.take_over = deg(315),
        |problem| *problem == Problem::ReleaseOutOfRange,
    ),
    (
        |it| it.angles.mute_end = deg(191),
        |it| it.angles.mute_end = deg(190),
        |problem| *problem == Problem::MuteEndOutOfRange,
    ),
    (
        |it| it.angles.mute_end = deg(359),
        |it| it.angles.mute_end = deg(0),
        |problem| *problem == Problem::MuteEndOutOfRange,
    ),
    (
        // Less a thousandth: the sum of both angles is a count too much, by rounding.
        |it| rests_late(it, CrankAngle::from_millidegrees(11_999)),
        |it| rests_late(it, deg(13)),
        |problem| *problem == Problem::WindowBeyondOverrun,
    ),
    (
        |it| it.angles.overrun_limit = travel(25),
        |it| it.angles.overrun_limit = travel(26),
        |problem| *problem == Problem::OverrunLimitTooFar,
    ),
    (
        // Less a thousandth: the sum of both angles is a count too much, by rounding.
        |it| may_come_late(it, CrankTravel::from_millidegrees(11_999)),
        |it| may_come_late(it, travel(13)),
        |problem| *problem == Problem::LateBoundBeyondOverrun,
    ),
    // Commanded at 315 + 2 degrees, a stop of 62.9 rests at 19.9, one of 63.1 at 20.1; 20 are allowed.
    (
        |it| it.stop.top.travel_latch = CrankTravel::from_millidegrees(62_900),
        |it| it.stop.top.travel_latch = CrankTravel::from_millidegrees(63_100),
        |problem| *problem == Problem::LateBoundBeyondOverrun,
    ),
    // 315 - 8 and 53 make the top.
    (
        |it| it.stop.top.travel_advisory = CrankTravel::from_millidegrees(53_100),
        |it| it.stop.top.travel_advisory = CrankTravel::from_millidegrees(52_900),
        |problem| *problem == Problem::EarlyBoundBeyondAdvisory,
    ),
    (
        |it| it.trend.top.as_mut().unwrap().time = ms(209),
        |it| it.trend.top.as_mut().unwrap().time = ms(210),
        |problem| {
            *problem
                == Problem::Baseline {
                    kind: StopKind::Top,
                }
        },
    ),
    (
        |it| it.trend.top.as_mut().unwrap().deviation = Duration::from_micros(1),
        |it| it.trend.top.as_mut().unwrap().deviation = Duration::ZERO,
        |problem| {
            *problem
                == Problem::Baseline {
                    kind: StopKind::Top,
                }
        },
    ),
    (
        |it| it.top_stop.early_bound = LEAST,
        |it| it.top_stop.early_bound = CrankTravel::ZERO,
        |problem| *problem == Problem::CompensationBounds,
    ),
    (
        |it| it.top_stop.late_bound = LEAST,
        |it| it.top_stop.late_bound = CrankTravel::ZERO,
        |problem| *problem == Problem::CompensationBounds,
    ),
    (
        |it| it.two_hand.release_debounce = ms(5),
        |it| it.two_hand.release_debounce = ms(6),
        |problem| *problem == Problem::ReleaseDebounceTooLong,
    ),
    // 0.5 s: ISO 13851 (from memory).
    (
        |it| it.two_hand.synchronous_within = ms(500),
        |it| it.two_hand.synchronous_within = ms(501),
        |problem| *problem == Problem::SynchronousTooLong,
    ),
    (
        |it| it.valve_pair.shift[1].off_within = ms(144),
        |it| it.valve_pair.shift[1].off_within = ms(145),
        |problem| {
            let most = |most: &Duration| (144_000..145_000).contains(&most.as_micros());
            matches!(problem, Problem::ShiftBeyondStop { element: 1, allowed } if most(allowed))
        },
    ),
    (
        |it| it.motion.start_within = Duration::from_micros(1),
        |it| it.motion.start_within = Duration::ZERO,
        |problem| *problem == Problem::NotPositive,
    ),
    (
        |it| it.motion.speed_max = CrankSpeed::from_milli_spm(1),
        |it| it.motion.speed_max = CrankSpeed::ZERO,
        |problem| *problem == Problem::NotPositive,
    ),
];

/// The problem's place in a count of all of them.
fn place(problem: &Problem) -> usize {
    match problem {
        Problem::Receiver(_) => 0,
        Problem::Second(_) => 1,
        Problem::Index(_) => 2,
        Problem::AdvisoryNotBelowLatch { .. } => 3,
        Problem::LatchBeyondDistance { .. } => 4,
        Problem::GuardIncomplete { .. } => 5,
        Problem::NoGuard => 6,
        Problem::TakeOverBeforeBottom => 7,
        Problem::ReleaseOutOfRange => 8,
        Problem::MuteEndOutOfRange => 9,
        Problem::WindowBeyondOverrun => 10,
        Problem::OverrunLimitTooFar => 11,
        Problem::LateBoundBeyondOverrun => 12,
        Problem::Baseline { .. } => 13,
        Problem::CompensationBounds => 14,
        Problem::ReleaseDebounceTooLong => 15,
        Problem::SynchronousTooLong => 16,
        Problem::ShiftBeyondStop { .. } => 17,
        Problem::NotPositive => 18,
        Problem::EarlyBoundBeyondAdvisory => 19,
    }
}

#[test]
fn every_problem_is_named_a_step_past_its_bound_and_not_at_it() {
    let mut met = [false; 20];
    for (case, (holds, breaks, is_named)) in CASES.iter().enumerate() {
        let problems_of = |change: &fn(&mut Schema)| {
            let mut schema = press();
            change(&mut schema);
            let refused = Settings::try_new(schema).err();
            refused.map_or(Vec::new(), |problems| problems.to_vec())
        };
        assert_eq!(problems_of(holds), [], "case {case}");
        let problems = problems_of(breaks);
        let [problem] = &problems[..] else {
            panic!("case {case}: {problems:?}")
        };
        assert!(is_named(problem), "case {case}: {problem:?}");
        met[place(problem)] = true;
    }
    assert!(met.iter().all(|it| *it), "{met:?}");
}
