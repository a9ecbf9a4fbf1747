//! Two channels on one healthy press: clocks of their own, ticks out of step, sensors of their
//! own, messages that take their time. Nothing of that may trip, on any press at any speed.

use crate::schema::ms;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;
use stopwright::press::{LETTERS, Press};
use stopwright_core::angle::CrankAngle;
use stopwright_core::peer::{Config, Consent, Disagreement, Own, Peer, Phase, Received};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::Instant;

/// A crank that is clutched in, turns, is braked and stands: a rigid rotor under constant torque.
struct Crank {
    clutch_deg_s2: f64,
    brake_deg_s2: f64,
    deg_s: f64,
    /// When the valve goes on, and when it goes off.
    on_s: f64,
    off_s: f64,
}

impl Crank {
    /// Angle and speed, degrees and degrees per second.
    fn at(&self, time_s: f64) -> (f64, f64) {
        let start = (time_s - self.on_s).max(0.0);
        let ramp = self.deg_s / self.clutch_deg_s2;
        let driven_until = start.min(self.off_s - self.on_s);
        let in_ramp = driven_until.min(ramp);
        let mut angle = 0.5 * self.clutch_deg_s2 * in_ramp.powi(2);
        angle += self.deg_s * (driven_until - in_ramp);
        let mut speed = self.clutch_deg_s2 * in_ramp;
        let braked = (time_s - self.off_s)
            .max(0.0)
            .min(speed / self.brake_deg_s2);
        angle += speed * braked - 0.5 * self.brake_deg_s2 * braked.powi(2);
        speed -= self.brake_deg_s2 * braked;
        (angle, speed.max(0.0))
    }

    fn phase(&self, time_s: f64) -> Phase {
        if time_s < self.on_s {
            Phase::Standing
        } else if time_s < self.off_s {
            Phase::Driven
        } else if self.at(time_s).1 > 0.0 {
            Phase::Stopping
        } else {
            Phase::Standing
        }
    }
}

/// One channel: its clock against the true time, its resolver against the true angle.
struct Channel {
    ahead_s: f64,
    rate: f64,
    error_deg: f64,
}

impl Channel {
    fn own(&self, crank: &Crank, time_s: f64, rng: &mut Pcg64Mcg) -> Own {
        let (angle, speed) = crank.at(time_s);
        let angle = angle + self.error_deg + rng.random_range(-0.1..0.1);
        let milli_spm = speed / 6.0 * 1e3 + rng.random_range(-500.0..500.0);
        let phase = crank.phase(time_s);
        Own {
            now: self.instant(time_s),
            crank: Some((
                CrankAngle::from_millidegrees((angle % 360.0 * 1e3) as i32),
                CrankSpeed::from_milli_spm(milli_spm as i32),
            )),
            phase,
            consent: Consent {
                run: phase != Phase::Standing,
                start: phase == Phase::Standing,
                is_muted: (180.0..330.0).contains(&(angle % 360.0)),
                is_latched: false,
            },
        }
    }

    fn instant(&self, time_s: f64) -> Instant {
        Instant::from_micros(((time_s + self.ahead_s) * self.rate * 1e6) as u64)
    }
}

/// One stroke watched by two channels whose ticks are `apart_s` out of step.
fn watch(
    crank: &Crank,
    config: &Config,
    apart_s: f64,
    rng: &mut Pcg64Mcg,
) -> Result<(), Disagreement> {
    let draw = |rng: &mut Pcg64Mcg| Channel {
        ahead_s: rng.random_range(0.0..1e4),
        // Crystal oscillators: 100 ppm either way.
        rate: 1.0 + rng.random_range(-1e-4..1e-4),
        error_deg: rng.random_range(-0.25..0.25),
    };
    let (here, there) = (draw(rng), draw(rng));
    let mut peer = Peer::new();
    let mut on_the_way: Vec<(f64, Received)> = Vec::new();
    let ticks = ((crank.off_s + 1.0) / 1e-3) as u32;
    for tick in 0..ticks {
        let sent_s = f64::from(tick) * 1e-3 + apart_s;
        let now_s = f64::from(tick + 1) * 1e-3;
        let message = there.own(crank, sent_s, rng).message(tick as u8);
        // 500 µs from stamp to reception, 300 µs either way.
        let received_s = sent_s + rng.random_range(200e-6..800e-6);
        let at = here.instant(received_s);
        on_the_way.push((received_s, Received { message, at }));
        let is_here = |&(received_s, _): &(f64, Received)| received_s <= now_s;
        let arrived = on_the_way.iter().rposition(is_here);
        let received = arrived.map(|place| on_the_way.drain(..=place).next_back().unwrap().1);
        let own = here.own(crank, now_s, rng);
        peer.step(config, &own, received)?;
    }
    Ok(())
}

#[test]
fn no_healthy_press_at_any_of_its_speeds_trips_the_comparison() {
    let mut rng = Pcg64Mcg::seed_from_u64(10);
    let mut strokes = 0;
    for letter in LETTERS {
        let press = Press::builtin(letter).unwrap();
        let inertia = press.masses.crank_kg_m2;
        let clutch_deg_s2 = (press.clutch.torque_nm / inertia).to_degrees();
        let brake_deg_s2 = (press.brake.torque_nm / inertia).to_degrees();
        let config = Config {
            // What the commissioning sets from the data plate: half as much again.
            acceleration_max_deg_s2: (1.5 * clutch_deg_s2.max(brake_deg_s2)) as u32,
            ..Config::DEFAULT
        };
        let speed = &press.speed;
        for spm in [speed.min_spm, speed.nominal_spm, speed.max_spm] {
            for apart_us in [0, 130, 500, 870] {
                let on_s = 0.1 + rng.random_range(0.0..1e-3);
                let crank = Crank {
                    clutch_deg_s2,
                    brake_deg_s2,
                    deg_s: 6.0 * spm,
                    on_s,
                    off_s: on_s + 60.0 / spm * 1.2,
                };
                let apart_s = f64::from(apart_us) * 1e-6;
                let watched = watch(&crank, &config, apart_s, &mut rng);
                assert_eq!(
                    watched,
                    Ok(()),
                    "press {letter} at {spm} SPM, {apart_us} us apart"
                );
                strokes += 1;
            }
        }
    }
    println!("{strokes} strokes, no trip");
}

#[test]
fn a_coupling_that_slips_in_one_channel_is_found_on_every_press() {
    let mut rng = Pcg64Mcg::seed_from_u64(11);
    for letter in LETTERS {
        let press = Press::builtin(letter).unwrap();
        let spm = press.speed.max_spm;
        let crank = Crank {
            clutch_deg_s2: 1e5,
            brake_deg_s2: 1e5,
            deg_s: 6.0 * spm,
            on_s: 0.1,
            off_s: 2.0,
        };
        let config = Config::DEFAULT;
        let here = Channel {
            ahead_s: 0.0,
            rate: 1.0,
            error_deg: 0.0,
        };
        // The tolerance at speed: 2 degrees, the dating, half of a·t² of a millisecond and a half.
        let slip_deg = 2.0 + 6.0 * spm * 300e-6 + 0.5 * 3e5 * 1.5e-3f64.powi(2) + 1.0;
        let there = Channel {
            error_deg: slip_deg,
            ..here
        };
        let mut peer = Peer::new();
        let found = (0..1_000).find_map(|tick| {
            let sent_s = f64::from(tick) * 1e-3;
            let message = there.own(&crank, sent_s, &mut rng).message(tick as u8);
            let at = here.instant(sent_s + 500e-6);
            let own = here.own(&crank, sent_s + 1e-3, &mut rng);
            peer.step(&config, &own, Some(Received { message, at }))
                .err()
        });
        assert_eq!(found, Some(Disagreement::Angle), "press {letter}");
    }
    assert!(Config::DEFAULT.transport < ms(1));
}

/// A crank stands once it keeps to a band of 0.3 degrees either way, and each channel lays the band
/// where it happens to see the crank: one may take the last 0.6 degrees for standing, the other not.
#[test]
fn the_end_of_a_stop_may_be_seen_apart_for_twice_what_the_softest_brake_takes() {
    let config = Config::DEFAULT;
    let stands = |tick: u64, phase| Own {
        now: Instant::from_micros(1_000_000 + tick * 1_000),
        crank: None,
        phase,
        consent: Consent::default(),
    };
    let is_borne = |ticks: u64| {
        let mut peer = Peer::new();
        (1..=ticks).all(|tick| {
            let there = stands(tick, Phase::Stopping);
            let received = Received {
                message: there.message(tick as u8),
                at: there.now.saturating_add(config.transport),
            };
            let here = stands(tick + 1, Phase::Standing);
            peer.step(&config, &here, Some(received)).is_ok()
        })
    };
    let borne = (1..1_000).take_while(|&ticks| is_borne(ticks)).count();
    let last_ms = LETTERS.map(|letter| {
        let press = Press::builtin(letter).unwrap();
        let braking_deg_s2 = (press.brake.torque_nm / press.masses.crank_kg_m2).to_degrees();
        (2.0 * 0.6 / braking_deg_s2).sqrt() * 1e3
    });
    let longest_ms = last_ms.into_iter().fold(0.0, f64::max);
    println!("{longest_ms:.1} ms for the last 0.6 degrees; {borne} ticks borne");
    assert!(borne as f64 >= 2.0 * longest_ms);
    // And not for so long that a stop that one channel alone sees ends unseen.
    assert!(borne as f64 <= 2.2 * longest_ms);
}
