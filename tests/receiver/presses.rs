//! Healthy starts and stops of the eight invented presses: always trusted, always within bounds.
//!
//! The motion is harsher than the presses': the clutch takes hold with its whole torque at once,
//! lets go at once at full speed, and the brake does the same. Speed, inertia, clutch torque,
//! brake torque and friction are the presses' own (invented) data.

use crate::balancing::{balanced, imperfect, survey};
use crate::bench::{Bench, error_deg, seconds};
use crate::document;
use stopwright_core::receiver::{Config, Settings};
use stopwright_core::tracking::bandwidth_for;

pub(crate) struct Press {
    pub(crate) name: &'static str,
    spm: f64,
    inertia_kgm2: f64,
    clutch_nm: f64,
    brake_nm: f64,
    friction_nm: f64,
    lash_deg: f64,
}

const fn press(
    name: &'static str,
    spm: f64,
    inertia_kgm2: f64,
    clutch_nm: f64,
    brake_nm: f64,
    friction_nm: f64,
    lash_deg: f64,
) -> Press {
    Press {
        name,
        spm,
        inertia_kgm2,
        clutch_nm,
        brake_nm,
        friction_nm,
        lash_deg,
    }
}

/// At their highest speed.
pub(crate) const PRESSES: [Press; 8] = [
    press("A", 800.0, 0.55, 2_300.0, 560.0, 12.0, 0.05),
    press("B", 85.0, 21.0, 10_500.0, 2_100.0, 90.0, 0.1),
    press("C", 40.0, 340.0, 72_000.0, 12_500.0, 650.0, 0.6),
    press("D", 16.0, 5_200.0, 420_000.0, 72_000.0, 4_500.0, 0.2),
    press("E", 70.0, 70.0, 25_500.0, 5_200.0, 220.0, 0.1),
    press("F", 100.0, 19.0, 7_200.0, 1_050.0, 60.0, 2.0),
    press("G", 150.0, 62.0, 23_000.0, 7_600.0, 260.0, 0.08),
    press("H", 18.0, 22_000.0, 1_100_000.0, 240_000.0, 14_000.0, 0.1),
];

impl Press {
    /// Whole clutch torque over the rotating inertia, degrees per second squared: with the slide's
    /// inertia on top the crank accelerates by less.
    pub(crate) fn engagement_deg_s2(&self) -> f64 {
        (self.clutch_nm / self.inertia_kgm2).to_degrees()
    }

    pub(crate) fn degrees_per_second(&self) -> f64 {
        6.0 * self.spm
    }

    fn braking_deg_s2(&self) -> f64 {
        ((self.brake_nm + self.friction_nm) / self.inertia_kgm2).to_degrees()
    }

    /// Settings as a commissioning would leave them: acceleration with a tenth in hand, and the
    /// bandwidth that it asks for at a lag of 0.13 degree.
    pub(crate) fn settings(&self, base: Settings) -> Settings {
        let acceleration_max_deg_s2 = (1.1 * self.engagement_deg_s2()) as u32;
        Settings {
            acceleration_max_deg_s2,
            bandwidth_hz: bandwidth_for(acceleration_max_deg_s2, 130),
            lash_millidegrees: (1e3 * self.lash_deg) as u32,
            ..base
        }
    }

    fn motion(&self, from_deg: f64) -> Motion {
        let speed = self.degrees_per_second();
        Motion {
            from_deg,
            speed,
            engaging: self.engagement_deg_s2(),
            braking: self.braking_deg_s2(),
        }
    }
}

/// Rest for 30 ms, engagement, 20 ms at full speed, braking, rest.
struct Motion {
    from_deg: f64,
    speed: f64,
    engaging: f64,
    braking: f64,
}

const REST_S: f64 = 0.03;
const CRUISE_S: f64 = 0.02;
/// The slowest loop, 25 Hz, has settled 31 ms after a change of acceleration.
const SETTLED_S: f64 = 0.031;

impl Motion {
    fn stopped_s(&self) -> f64 {
        REST_S + self.speed / self.engaging + CRUISE_S + self.speed / self.braking
    }

    fn angle(&self, t: f64) -> f64 {
        let started = self.speed / self.engaging;
        let stopping = self.speed / self.braking;
        let starting = (t - REST_S).clamp(0.0, started);
        let cruising = (t - REST_S - started).clamp(0.0, CRUISE_S);
        let braking = (t - REST_S - started - CRUISE_S).clamp(0.0, stopping);
        self.from_deg
            + self.engaging * starting * starting / 2.0
            + self.speed * (cruising + braking)
            - self.braking * braking * braking / 2.0
    }
}

/// Worst errors in degrees of one start and stop: at rest, and at any time.
fn run(bench: &mut Bench, motion: &Motion) -> (f64, f64) {
    let (mut at_rest, mut always) = (0.0_f64, 0.0_f64);
    while bench.time() < motion.stopped_s() + SETTLED_S + 0.02 {
        let tick = bench.tick(|t| motion.angle(t));
        assert!(tick.faults.is_empty(), "{} s: {:?}", tick.t, tick.faults);
        if tick.t < 0.01 {
            continue;
        }
        let reading = tick.reading();
        assert!(!reading.is_predicted(), "{} s", tick.t);
        let error = error_deg(reading.angle(), motion.angle(tick.t)).abs();
        let at = seconds(reading.measured_at());
        let measured = error_deg(reading.measured(), motion.angle(at)).abs();
        assert!(measured < 0.15, "{} s: direct decode {measured}", tick.t);
        always = always.max(error);
        if tick.t < REST_S || tick.t > motion.stopped_s() + SETTLED_S {
            at_rest = at_rest.max(error);
        }
    }
    (at_rest, always)
}

/// Every start angle, three degrees apart: the imperfections of a resolver repeat every quarter
/// and every half turn, and the stop ends somewhere else each time.
fn sweep(press: &Press, settings: Settings) -> (f64, f64) {
    let config = Config::try_new(settings).expect("settings that hold together");
    (0..120).fold((0.0, 0.0), |(at_rest, always): (f64, f64), step| {
        let mut bench = Bench::new(config, imperfect());
        bench.noise = crate::synthesis::Noise::new(step);
        let motion = press.motion(step as f64 * 3.0);
        let (rest, any) = run(&mut bench, &motion);
        (at_rest.max(rest), always.max(any))
    })
}

#[test]
fn no_healthy_start_or_stop_trips_a_check_and_every_angle_is_within_its_bound() {
    let base = balanced(survey(imperfect()).expect("a survey"));
    let mut rows = Vec::new();
    for press in &PRESSES {
        let settings = press.settings(base);
        let (at_rest, always) = sweep(press, settings);
        assert!(at_rest < 0.1, "{}: {at_rest}", press.name);
        assert!(always < 0.25, "{}: {always}", press.name);
        rows.push(document::row(press, settings, at_rest, always));
    }
    document::holds(&rows);
}

#[test]
fn the_default_settings_follow_the_harshest_and_the_gentlest_press() {
    let base = balanced(survey(imperfect()).expect("a survey"));
    for press in [&PRESSES[0], &PRESSES[7]] {
        let (at_rest, always) = sweep(press, base);
        assert!(
            at_rest < 0.1 && always < 0.25,
            "{}: {at_rest} {always}",
            press.name
        );
    }
}

#[test]
fn a_clutch_accelerates_about_four_times_harder_than_the_brake() {
    let ratio = |press: &Press| press.engagement_deg_s2() / press.braking_deg_s2();
    assert!(
        PRESSES
            .iter()
            .all(|press| (2.5..7.0).contains(&ratio(press)))
    );
    assert!((ratio(&PRESSES[0]) - 4.0).abs() < 0.1);
    let worst = PRESSES
        .iter()
        .map(Press::engagement_deg_s2)
        .fold(0.0, f64::max);
    assert!((worst - 239_600.5).abs() < 1.0, "{worst}");
}

/// A drive that was left on its other flank: the crank runs through the play before it takes the
/// resolver along, at the speed it has by then. The angle errs by the play; no check is tripped.
#[test]
fn play_that_is_taken_up_by_a_start_trips_no_check() {
    let base = balanced(survey(imperfect()).expect("a survey"));
    for press in &PRESSES {
        let config = Config::try_new(press.settings(base)).expect("settings that hold together");
        for start in 0..24 {
            let mut bench = Bench::new(config, imperfect());
            let motion = press.motion(f64::from(start) * 15.0);
            let rotor = |t: f64| (motion.angle(t) - press.lash_deg).max(motion.from_deg);
            while bench.time() < motion.stopped_s() + SETTLED_S {
                let faults = bench.tick(rotor).faults;
                assert!(faults.is_empty(), "{} {start}: {faults:?}", press.name);
            }
        }
    }
}

/// The gate must be narrow enough to notice an acceleration no press makes.
#[test]
fn twice_the_greatest_healthy_acceleration_is_a_fault() {
    let base = balanced(survey(imperfect()).expect("a survey"));
    for press in &PRESSES {
        let settings = Settings {
            disagreement_millidegrees: 50,
            ..press.settings(base)
        };
        let config = Config::try_new(settings).expect("settings that hold together");
        let quiet = crate::synthesis::Resolver {
            noise: 0.2,
            ..imperfect()
        };
        let mut bench = Bench::new(config, quiet);
        let motion = Motion {
            engaging: 2.5 * press.engagement_deg_s2(),
            ..press.motion(10.0)
        };
        let mut tripped = false;
        while bench.time() < motion.stopped_s() {
            tripped |= !bench.tick(|t| motion.angle(t)).faults.is_empty();
        }
        // A slow press is at speed before the loop's lag has grown.
        let rises_s = motion.speed / motion.engaging;
        let settles_s = 1.0 / f64::from(settings.bandwidth_hz);
        assert!(tripped || rises_s < settles_s, "{}", press.name);
    }
}
