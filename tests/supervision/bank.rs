//! Limit channels against a reference that knows no ticks: edges in continuous time.

use crate::schema::ms;
use proptest::prelude::*;
use stopwright_core::angle::{AngleWindow, CrankAngle, CrankTravel};
use stopwright_core::limit_channels::{
    Channel, ChannelSet, Config, LimitChannels, LoadReaction, Settings, TimedWindow, WINDOWS,
    Windows,
};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::{Duration, Instant};

const TICK_S: f64 = 1e-3;

fn angle(degrees: f64) -> CrankAngle {
    CrankAngle::from_millidegrees((degrees * 1e3).round() as i32)
}

fn config(channel: Channel, speed_max: CrankSpeed) -> Option<Config> {
    let mut settings = Settings::UNUSED;
    settings.channels[0] = channel;
    Config::try_new(&settings, speed_max, ms(1)).ok()
}

/// Changes of channel 0 while the crank turns at constant speed from angle 0: level and time.
fn changes(config: &Config, speed: CrankSpeed, seconds: f64) -> Vec<(bool, f64)> {
    let per_ms = i64::from(speed.as_counts_per_ms());
    let (mut bank, mut is_on, mut seen) = (LimitChannels::new(), false, Vec::new());
    for tick in 0..(seconds / TICK_S) as i64 {
        let here = CrankAngle::from_bits((tick * per_ms) as u32);
        bank.step(config, Some((here, speed)), ChannelSet::EMPTY);
        if bank.on().contains(0) != is_on {
            is_on = !is_on;
            let after = f64::from(bank.change_after(0).as_micros()) * 1e-6;
            seen.push((is_on, tick as f64 * TICK_S + after));
        }
    }
    seen
}

/// Up to four windows, each in its own quarter of the turn, in degrees.
fn windows() -> impl Strategy<Value = Vec<(f64, f64)>> {
    (
        prop::collection::vec((2.0..30.0f64, 40.0..84.0f64), 1..=WINDOWS),
        0.0..360.0f64,
    )
        .prop_map(|(edges, turned)| {
            let quarter = |(index, (from, to)): (usize, (f64, f64))| {
                let base = 90.0 * index as f64 + turned;
                // To the millidegree, as the settings take them.
                let round = |degrees: f64| ((base + degrees) % 360.0 * 1e3).round() / 1e3;
                (round(from), round(to))
            };
            edges.into_iter().enumerate().map(quarter).collect()
        })
}

fn places<T: Copy>(items: impl Iterator<Item = T>) -> [Option<T>; WINDOWS] {
    let mut places = [None; WINDOWS];
    for (place, item) in places.iter_mut().zip(items) {
        *place = Some(item);
    }
    places
}

/// Times at which a crank that turns `deg_s` from 0 passes `at_deg`, led by `lead_s`.
fn passes(at_deg: f64, deg_s: f64, lead_s: f64, seconds: f64) -> Vec<f64> {
    let first = at_deg / deg_s - lead_s;
    let turn = 360.0 / deg_s;
    (0..)
        .map(|count| first + f64::from(count) * turn)
        .skip_while(|&time| time < 0.0)
        .take_while(|&time| time < seconds)
        .collect()
}

fn close(seen: &[(bool, f64)], level: bool, expected: &[f64], seconds: f64) -> Result<(), String> {
    let inner = |time: &f64| *time > 0.05 && *time < seconds - 0.05;
    let seen: Vec<f64> = seen
        .iter()
        .filter(|(is_on, _)| *is_on == level)
        .map(|(_, time)| *time)
        .filter(inner)
        .collect();
    let mut expected: Vec<f64> = expected.iter().copied().filter(inner).collect();
    expected.sort_by(f64::total_cmp);
    // Both to the microsecond; leads are kept to 0.0001 degree.
    let fits = seen.len() == expected.len()
        && seen
            .iter()
            .zip(&expected)
            .all(|(a, b)| (a - b).abs() < 25e-6);
    fits.then_some(())
        .ok_or_else(|| format!("level {level}: {seen:?} for {expected:?}"))
}

/// A valve with a delay of its own each way, from one operation to the next a little different.
struct Load {
    on_ms: f64,
    off_ms: f64,
    changes: Vec<(f64, bool)>,
    scatter: u32,
}

impl Load {
    fn new(on_ms: f64, off_ms: f64) -> Self {
        Self {
            on_ms,
            off_ms,
            changes: Vec::new(),
            scatter: 1,
        }
    }

    /// The output changes at this time.
    fn command(&mut self, is_on: bool, at_ms: f64) {
        self.scatter = self
            .scatter
            .wrapping_mul(1_664_525)
            .wrapping_add(1_013_904_223);
        let more_ms = f64::from(self.scatter >> 16) / 65_536.0 - 0.5;
        let delay_ms = if is_on { self.on_ms } else { self.off_ms };
        self.changes.push((at_ms + delay_ms + more_ms, is_on));
    }

    fn has_acted(&self, at_ms: f64) -> bool {
        let past = self
            .changes
            .iter()
            .rev()
            .find(|(time_ms, _)| *time_ms <= at_ms);
        past.is_some_and(|(_, is_on)| *is_on)
    }
}

/// Twelve turns of a crank with `channel` and its load: what is measured, and the crank angles at
/// which the load acted and let go, past the first turn.
fn worked(channel: Channel, spm: i32, load: &mut Load) -> (LoadReaction, Vec<(f64, bool)>) {
    let speed = CrankSpeed::from_milli_spm(spm * 1_000);
    let config = config(channel, CrankSpeed::from_milli_spm(150_000)).expect("a bank");
    let (mut bank, mut measured, mut was_on) = (LimitChannels::new(), LoadReaction::new(), false);
    let turn_ms = 60_000.0 / f64::from(spm);
    for tick in 0..(12.0 * turn_ms) as i64 {
        let now_ms = tick as f64;
        let here = CrankAngle::from_bits((tick * i64::from(speed.as_counts_per_ms())) as u32);
        let has_acted = load.has_acted(now_ms);
        bank.step(&config, Some((here, speed)), ChannelSet::EMPTY);
        let (is_on, after) = (bank.on().contains(0), bank.change_after(0));
        if is_on != was_on {
            load.command(is_on, now_ms + f64::from(after.as_micros()) / 1e3);
            was_on = is_on;
        }
        let now = Instant::from_micros(tick as u64 * 1_000);
        measured.step(now, ms(1), has_acted, is_on, after);
    }
    let acted = load
        .changes
        .iter()
        .filter(|(time_ms, _)| *time_ms > turn_ms);
    let at_deg = |&(time_ms, is_on): &(f64, bool)| (time_ms / turn_ms * 360.0 % 360.0, is_on);
    (measured, acted.map(at_deg).collect())
}

/// Measured on one speed, entered as its leads, the load acts at its angles on every other. A valve of
/// 25 ms is 22.5 degrees late at 150 strokes a minute and 7.5 at 50: 6 degrees a second for each
/// stroke a minute.
#[test]
fn leads_that_were_measured_bring_the_load_to_its_angle_at_every_speed() {
    let channel = Channel {
        windows: Windows::Angles(places(
            [AngleWindow {
                from: angle(200.0),
                to: angle(290.0),
            }]
            .into_iter(),
        )),
        ..Channel::UNUSED
    };
    let (measured, _) = worked(channel, 100, &mut Load::new(25.0, 14.0));
    let reaction = measured.result().expect("enough operations");
    let off_ms =
        |measured: Duration, true_ms: f64| (f64::from(measured.as_micros()) / 1e3 - true_ms).abs();
    // Half a tick, and half a millisecond by which the load scatters.
    assert!(off_ms(reaction.on, 25.0) <= 1.0, "{reaction:?}");
    assert!(off_ms(reaction.off, 14.0) <= 1.0, "{reaction:?}");
    assert!(reaction.scatter <= ms(2), "{reaction:?}");
    for spm in [50, 100, 150] {
        // The same and the load's own scatter once more, at 0.006 degrees a millisecond and stroke
        // a minute.
        let within_deg = 1.5 * 0.006 * f64::from(spm);
        let late_deg = 25.0 * 0.006 * f64::from(spm);
        for (channel, late_deg) in [(channel, late_deg), (reaction.applied_to(channel), 0.0)] {
            let (_, acted) = worked(channel, spm, &mut Load::new(25.0, 14.0));
            let on: Vec<f64> = acted.iter().filter(|it| it.1).map(|it| it.0).collect();
            assert!(on.len() >= 10, "{spm}: {acted:?}");
            let wanted_deg = 200.0 + late_deg;
            assert!(
                on.iter()
                    .all(|at_deg| (at_deg - wanted_deg).abs() <= within_deg),
                "{spm}: {on:?} for {wanted_deg}"
            );
        }
        let (_, acted) = worked(
            reaction.applied_to(channel),
            spm,
            &mut Load::new(25.0, 14.0),
        );
        let mut off = acted.iter().filter(|it| !it.1).map(|it| it.0);
        assert!(
            off.all(|at_deg| (at_deg - 290.0).abs() <= within_deg),
            "{spm}: {acted:?}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn every_edge_comes_at_its_time(
        windows in windows(),
        spm in 10.0..400.0f64,
        on_lead_us in 0..30_000u32,
        off_lead_us in 0..30_000u32,
    ) {
        let speed = CrankSpeed::from_milli_spm((spm * 1e3) as i32);
        let channel = Channel {
            windows: Windows::Angles(places(windows.iter().map(|&(from, to)| AngleWindow {
                from: angle(from),
                to: angle(to),
            }))),
            on_lead: Duration::from_micros(on_lead_us),
            off_lead: Duration::from_micros(off_lead_us),
            minimum_on: ms(1),
            has_read_back: false,
        };
        // A bank that can not work at this speed is refused, and that is right; the next draw.
        let Some(config) = config(channel, speed) else {
            return Err(TestCaseError::reject("refused"));
        };
        let deg_s = 360.0 * f64::from(speed.as_counts_per_ms()) * 1e3 / 2f64.powi(32);
        let seconds = 3.0 * 360.0 / deg_s;
        let seen = changes(&config, speed, seconds);
        let all = |edge: fn(&(f64, f64)) -> f64, lead_us: u32| -> Vec<f64> {
            let lead = f64::from(lead_us) * 1e-6;
            windows.iter().flat_map(|window| passes(edge(window), deg_s, lead, seconds)).collect()
        };
        let result = close(&seen, true, &all(|window| window.0, on_lead_us), seconds)
            .and(close(&seen, false, &all(|window| window.1, off_lead_us), seconds));
        prop_assert_eq!(result, Ok(()));
    }

    #[test]
    fn every_timed_pulse_begins_at_its_angle_and_lasts_its_time(
        from_deg in 0..360_000i32,
        spm in 10.0..400.0f64,
        on_lead_us in 0..30_000u32,
        on_for_us in 2_000..100_000u32,
    ) {
        let speed = CrankSpeed::from_milli_spm((spm * 1e3) as i32);
        let from = CrankAngle::from_millidegrees(from_deg);
        let window = TimedWindow { from, on_for: Duration::from_micros(on_for_us) };
        let channel = Channel {
            windows: Windows::Timed(places([window].into_iter())),
            on_lead: Duration::from_micros(on_lead_us),
            minimum_on: ms(1),
            ..Channel::UNUSED
        };
        let Some(config) = config(channel, speed) else {
            return Err(TestCaseError::reject("refused"));
        };
        let deg_s = 360.0 * f64::from(speed.as_counts_per_ms()) * 1e3 / 2f64.powi(32);
        let seconds = 3.0 * 360.0 / deg_s;
        let seen = changes(&config, speed, seconds);
        let lead = f64::from(on_lead_us) * 1e-6;
        let on = passes(f64::from(from_deg) / 1e3, deg_s, lead, seconds);
        prop_assert_eq!(close(&seen, true, &on, seconds), Ok(()));
        for pair in seen.windows(2).filter(|pair| pair[0].0) {
            let lasted = pair[1].1 - pair[0].1;
            prop_assert!((lasted - f64::from(on_for_us) * 1e-6).abs() < 3e-6, "{lasted}");
        }
    }

    /// Whatever the crank does: off without trust, a pulse never shorter than asked for, and no
    /// panic.
    #[test]
    fn no_motion_makes_a_pulse_shorter_than_the_least_or_an_output_without_trust(
        steps in prop::collection::vec((any::<u32>(), -2_000_000..2_000_000i32, 0..40u8), 1..400),
        minimum_on_ms in 1..20u32,
    ) {
        let window = AngleWindow { from: angle(350.0), to: angle(20.0) };
        let channel = Channel {
            windows: Windows::Angles(places([window].into_iter())),
            minimum_on: ms(minimum_on_ms),
            ..Channel::UNUSED
        };
        let config = config(channel, CrankSpeed::from_milli_spm(100_000)).unwrap();
        let mut bank = LimitChannels::new();
        let mut here = angle(340.0);
        // When the pulse began, if it began by passing its edge; one that began because the angle
        // jumped into the window has no least time.
        let mut began_us: Option<i64> = None;
        let (mut now_us, mut was_on) = (0, false);
        for (far, milli_spm, kind) in steps {
            let speed = CrankSpeed::from_milli_spm(milli_spm);
            here = match kind {
                0 => CrankAngle::from_bits(far),
                _ => here.wrapping_add(CrankTravel::from_millidegrees(milli_spm / 300)),
            };
            let is_trusted = kind != 1;
            bank.step(&config, is_trusted.then_some((here, speed)), ChannelSet::EMPTY);
            let is_on = bank.on().contains(0);
            prop_assert!(is_trusted || !is_on);
            prop_assert!(bank.change_after(0) <= ms(1));
            let change_us = now_us + i64::from(bank.change_after(0).as_micros());
            match (was_on, is_on) {
                (false, true) => began_us = (change_us > now_us).then_some(change_us),
                (true, false) if is_trusted => {
                    if let Some(began_us) = began_us {
                        let lasted_us = change_us - began_us;
                        let least_us = i64::from(minimum_on_ms) * 1_000;
                        prop_assert!(lasted_us >= least_us - 2, "{lasted_us} us");
                    }
                }
                _ => {}
            }
            was_on = is_on;
            now_us += 1_000;
        }
    }
}
