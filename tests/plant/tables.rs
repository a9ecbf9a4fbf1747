//! The plant against the tables of the design data for the invented presses.
//!
//! The tables of whole stops (called N3, N4, N5 and N13 there) were made with the clutch let go at
//! coil off, a common simplification; the single strokes (N9) with a clutch that follows the
//! pressure, as the plant has it by default. Each is held with the release it was made with, and
//! what the simplification leaves out is held as well (`docs/PLANT.md`).

use crate::bench::*;
use stopwright::kinematics;
use stopwright::plant::{Faults, Mark, Plant, Setup, StopTruth};

/// Rounding of the tables, and the step of the integration they were made with.
const TABLE_MS: f64 = 1.1;
const TABLE_DEG: f64 = 0.1;
const TABLE_SHARE: f64 = 0.004;

/// Table N3: press, strokes per minute, top stop ms and degrees, stop from 90 degrees likewise.
const STOPS: [(&str, f64, f64, f64, f64, f64); 12] = [
    ("A", 200.0, 49.0, 43.9, 50.0, 44.2),
    ("A", 600.0, 91.0, 212.1, 93.0, 217.2),
    ("A", 800.0, 111.0, 330.5, 113.0, 342.0),
    ("B", 85.0, 137.0, 46.6, 138.0, 46.9),
    ("C", 40.0, 185.0, 30.1, 194.0, 31.2),
    ("E", 35.0, 106.0, 16.1, 108.0, 16.4),
    ("E", 55.0, 134.0, 30.6, 137.0, 31.1),
    ("E", 70.0, 155.0, 43.9, 158.0, 44.5),
    ("F", 100.0, 298.0, 120.5, 303.0, 125.0),
    ("G", 50.0, 83.0, 17.8, 85.0, 18.1),
    ("G", 120.0, 144.0, 66.6, 145.0, 66.9),
    ("G", 150.0, 170.0, 95.6, 170.0, 95.6),
];

#[test]
fn stops_from_the_top_and_from_90_degrees_are_those_of_the_table() {
    for (letter, spm, top_ms, top_deg, mid_ms, mid_deg) in STOPS {
        let press = press(letter);
        let setup = released_at_coil_off(&press, spm);
        let top = stop_at_top(&press, &setup);
        let mid = stop_at(&press, &setup, 90.0);
        let what = format!("{letter} at {spm}");
        hold(&what, top.stop_time_ms, top_ms, TABLE_MS, 0.0);
        hold(&what, top.travel_deg, top_deg, TABLE_DEG, TABLE_SHARE);
        hold(&what, mid.stop_time_ms, mid_ms, TABLE_MS, 0.0);
        hold(&what, mid.travel_deg, mid_deg, TABLE_DEG, TABLE_SHARE);
    }
}

#[test]
fn the_flywheel_carries_the_crank_a_little_further_than_the_simplification_says() {
    // The table's own tolerance is 3 ms or 2 %, 0.5 degrees or 2 %; these exceed it, each because
    // the clutch still carries after coil off: on A and F over the largest angles.
    let exceeds = |letter: &str, spm: f64, top_ms: f64, top_deg: f64| {
        let press = press(letter);
        let stop = stop_at_top(&press, &setup(&press, spm));
        (stop.stop_time_ms - top_ms).abs() > f64::max(3.0, 0.02 * top_ms)
            || (stop.travel_deg - top_deg).abs() > f64::max(0.5, 0.02 * top_deg)
    };
    let beyond: Vec<_> = STOPS
        .iter()
        .filter(|row| exceeds(row.0, row.1, row.2, row.3))
        .map(|row| (row.0, row.1))
        .collect();
    assert_eq!(beyond, [("A", 800.0), ("F", 100.0)]);
}

/// Table N9: press, release angle, rest angle, stop ms, locked at ms and degrees, flywheel dip %
/// without and with work, speed at release % without and with work, rest angle with work.
type StrokeRow = (
    &'static str,
    f64,
    f64,
    f64,
    f64,
    f64,
    [f64; 2],
    [f64; 2],
    f64,
);

#[rustfmt::skip]
const STROKES: [StrokeRow; 6] = [
    ("A", 158.1, 360.4,  89.0,  51.0, 35.0, [4.3, 4.4], [96.2, 95.9], 357.9),
    ("B", 313.7, 360.0, 136.0,  83.0,  7.0, [4.7, 6.0], [98.5, 96.8], 358.8),
    ("C", 329.7, 360.0, 185.0, 123.0,  4.0, [2.1, 4.2], [99.1, 97.9], 359.5),
    ("E", 328.9, 359.7, 134.0,  91.0,  5.0, [2.6, 5.2], [99.2, 97.7], 359.1),
    ("F", 239.6, 360.0, 299.0, 145.0, 12.0, [7.1, 7.3], [96.8, 94.1], 355.7),
    ("G", 295.1, 360.1, 142.0,  93.0, 15.0, [3.1, 3.4], [98.1, 97.3], 359.2),
];

#[test]
fn single_strokes_lock_up_dip_and_rest_as_in_the_table() {
    for (letter, release_deg, rest_deg, stop_ms, lock_ms, lock_deg, dip, speed, rest_work) in
        STROKES
    {
        let press = press(letter);
        let mut setup = setup(&press, press.speed.nominal_spm);
        let idle = single_stroke(&press, &setup, release_deg);
        setup.work_share = 1.0;
        let work = single_stroke(&press, &setup, release_deg);
        let percent = |spm: f64| 100.0 * spm / setup.spm;
        hold(letter, idle.stop.stop_time_ms, stop_ms, 1.0, 0.0);
        // Half a degree or half a per cent of the travel.
        let angle_deg = f64::max(0.5, 0.005 * idle.stop.travel_deg);
        hold(
            letter,
            idle.stop.overrun_deg,
            rest_deg - 360.0,
            angle_deg,
            0.0,
        );
        let lock = idle.events.iter().find(|e| e.mark == Mark::LockUp).unwrap();
        hold(letter, 1e3 * lock.time_s, lock_ms, 0.6, 0.0);
        hold(letter, lock.angle_deg, lock_deg, 0.6, 0.0);
        hold(letter, 100.0 * idle.dip, dip[0], 0.06, 0.0);
        hold(letter, 100.0 * work.dip, dip[1], 0.2, 0.0);
        hold(letter, percent(idle.stop.speed_spm), speed[0], 0.25, 0.0);
        hold(letter, percent(work.stop.speed_spm), speed[1], 0.25, 0.0);
        hold(
            letter,
            work.stop.overrun_deg,
            rest_work - 360.0,
            angle_deg,
            0.0,
        );
    }
}

/// Table N4: press, strokes per minute, stop ms from the top, 45, 60, 90 and 270 degrees with the
/// counterbalance set and with it lost.
const BY_ANGLE: [(&str, f64, [f64; 5], [f64; 5]); 6] = [
    (
        "A",
        600.0,
        [91.0, 91.0, 92.0, 93.0, 93.0],
        [89.0, 91.0, 91.0, 91.0, 94.0],
    ),
    (
        "B",
        85.0,
        [137.0, 138.0, 138.0, 138.0, 138.0],
        [134.0, 147.0, 148.0, 147.0, 131.0],
    ),
    (
        "C",
        40.0,
        [185.0, 190.0, 193.0, 194.0, 193.0],
        [175.0, 251.0, 261.0, 255.0, 155.0],
    ),
    (
        "E",
        55.0,
        [134.0, 136.0, 137.0, 137.0, 137.0],
        [131.0, 150.0, 152.0, 153.0, 125.0],
    ),
    (
        "F",
        100.0,
        [298.0, 306.0, 305.0, 303.0, 302.0],
        [287.0, 317.0, 314.0, 305.0, 298.0],
    ),
    (
        "G",
        120.0,
        [144.0, 145.0, 145.0, 145.0, 145.0],
        [139.0, 158.0, 158.0, 154.0, 136.0],
    ),
];

#[test]
fn stops_by_command_angle_with_and_without_counterbalance_are_those_of_the_table() {
    for (letter, spm, set_ms, lost_ms) in BY_ANGLE {
        let press = press(letter);
        // The release angle stays that of the balanced press.
        let release_deg = stop_at_top(&press, &released_at_coil_off(&press, spm)).coil_off_deg;
        for (lost, row_ms) in [(false, set_ms), (true, lost_ms)] {
            let mut setup = released_at_coil_off(&press, spm);
            setup.faults.counterbalance_lost = lost;
            for (deg, table_ms) in [release_deg, 45.0, 60.0, 90.0, 270.0].iter().zip(row_ms) {
                let stop = stop_at(&press, &setup, *deg);
                let what = format!("{letter} lost {lost} from {deg:.0}");
                hold(&what, stop.stop_time_ms, table_ms, 1.4, 0.0);
            }
        }
    }
}

#[test]
fn a_lost_counterbalance_shortens_the_top_stop_and_lengthens_the_mid_stroke_stop() {
    // Mid-stroke by 31 % and more if the clutch lets go at coil off; less with the clutch following
    // the pressure, because the flywheel holds the falling slide back through the reaction.
    for (letter, share) in [("C", 1.25), ("D", 1.48), ("H", 1.565)] {
        let press = press(letter);
        let set = setup(&press, press.speed.nominal_spm);
        let mut lost = set.clone();
        lost.faults.counterbalance_lost = true;
        let top = stop_at_top(&press, &set);
        let mid = stop_at(&press, &set, 90.0);
        assert!(stop_at(&press, &lost, top.coil_off_deg).stop_time_ms < top.stop_time_ms);
        let longer = stop_at(&press, &lost, 90.0).stop_time_ms / mid.stop_time_ms;
        hold(letter, longer, share, 0.01, 0.0);
    }
}

/// Table N5: press, top stop ms and degrees with one exhaust path blocked, ms and degrees with a
/// slow exhaust (only degrees printed: ms from its text), degrees with a fifth of the torque lost.
const SPOILED: [(&str, [[f64; 2]; 3]); 6] = [
    ("A", [[108.0, 263.4], [99.0, 238.5], [106.0, 239.3]]),
    ("B", [[164.0, 58.2], [151.0, 52.6], [157.0, 51.8]]),
    ("C", [[226.0, 38.1], [206.0, 34.3], [210.0, 33.2]]),
    ("E", [[166.0, 39.0], [150.0, 35.0], [151.0, 33.6]]),
    ("F", [[360.0, 149.6], [330.0, 135.6], [339.0, 132.4]]),
    ("G", [[169.0, 82.3], [157.0, 74.7], [168.0, 75.5]]),
];

#[test]
fn a_blocked_exhaust_path_a_slow_exhaust_and_lost_torque_lengthen_the_top_stop_as_in_the_table() {
    for (letter, [blocked, slow, weak]) in SPOILED {
        let press = press(letter);
        let setup = released_at_coil_off(&press, press.speed.nominal_spm);
        let release_deg = stop_at_top(&press, &setup).coil_off_deg;
        let spoiled = |spoil: fn(&mut Faults), table: [f64; 2]| {
            let mut setup = setup.clone();
            spoil(&mut setup.faults);
            let stop = stop_at(&press, &setup, release_deg);
            hold(letter, stop.stop_time_ms, table[0], 1.4, 0.0);
            hold(letter, stop.travel_deg, table[1], TABLE_DEG, TABLE_SHARE);
        };
        // One element stuck on shuts the supply and leaves half the exhaust area.
        spoiled(|faults| faults.valve_stuck_on[1] = true, blocked);
        spoiled(|faults| faults.exhaust_factor = 2.0, blocked);
        spoiled(|faults| faults.exhaust_factor = 1.5, slow);
        spoiled(|faults| faults.brake_factor = 0.8, weak);
    }
}

/// Tables N5 and N6: press, stops per minute, heat rise in K, time constant min, lining wear mm per
/// million stops, top stop longer when hot ms, longer per mm of wear ms.
const HEAT: [(&str, f64, f64, f64, f64, f64, f64); 6] = [
    ("A", 4.0, 12.0, 8.0, 5.43, 0.0, 11.0),
    ("B", 22.0, 44.0, 27.0, 1.60, 3.0, 14.0),
    ("C", 12.0, 33.0, 38.0, 1.99, 2.0, 15.0),
    ("E", 20.0, 35.0, 31.0, 1.37, 2.0, 13.0),
    ("F", 25.0, 87.0, 22.0, 3.72, 40.0, 29.0),
    ("G", 4.0, 16.0, 22.0, 3.56, 0.0, 14.0),
];

#[test]
fn heat_and_wear_are_those_of_the_table() {
    for (letter, rate, rise_k, minutes, wear_mm, hot_ms, per_mm_ms) in HEAT {
        let press = press(letter);
        let cool = released_at_coil_off(&press, press.speed.nominal_spm);
        let mut plant = Plant::new(&press, &cool, 1);
        plant.soak(rate, minutes);
        let share = (plant.brake_temperature_c() - 20.0) / rise_k;
        hold(letter, share, 1.0 - (-1.0_f64).exp(), 0.03, 0.0);
        plant.soak(rate, 600.0);
        hold(
            letter,
            plant.brake_temperature_c() - 20.0,
            rise_k,
            1.0,
            0.01,
        );
        let mut fresh = Plant::new(&press, &cool, 1);
        fresh.soak(1_000.0, 1_000.0);
        hold(letter, fresh.lining_wear_mm(), wear_mm, 0.01, 0.003);
        let release_deg = stop_at_top(&press, &cool).coil_off_deg;
        let longer = |setup: &Setup| {
            stop_at(&press, setup, release_deg).stop_time_ms
                - stop_at(&press, &cool, release_deg).stop_time_ms
        };
        let hot = Setup {
            brake_c: plant.brake_temperature_c(),
            ..cool.clone()
        };
        hold(letter, longer(&hot), hot_ms, 1.0, 0.0);
        let worn = Setup {
            lining_wear_mm: 1.0,
            ..cool.clone()
        };
        hold(letter, longer(&worn), per_mm_ms, 1.0, 0.0);
    }
}

#[test]
fn stops_scatter_as_in_the_table() {
    // Table N7: one sigma of stop time ms and of stop angle degrees. 400 stops know a sigma to 4 %
    // (one sigma); A is left out, where the table's own closed form is not the sum of its parts.
    for (letter, spm, sigma_ms, sigma_deg) in [
        ("B", 85.0, 2.6, 1.11),
        ("C", 40.0, 3.3, 0.65),
        ("E", 55.0, 2.5, 0.70),
        ("F", 100.0, 14.0, 6.29),
        ("G", 120.0, 2.5, 1.29),
    ] {
        let press = press(letter);
        let scattering = Setup {
            scatter: true,
            ..setup(&press, spm)
        };
        let release_deg = stop_at_top(&press, &setup(&press, spm)).coil_off_deg;
        let stops: Vec<_> = (0..400)
            .map(|seed| stop_with_seed(&press, &scattering, release_deg, seed))
            .collect();
        let spread = |value: fn(&StopTruth) -> f64| {
            let values: Vec<f64> = stops.iter().map(value).collect();
            let mean = values.iter().sum::<f64>() / 400.0;
            (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 399.0).sqrt()
        };
        hold(letter, spread(|s| s.stop_time_ms), sigma_ms, 0.0, 0.15);
        hold(letter, spread(|s| s.travel_deg), sigma_deg, 0.0, 0.15);
    }
}

/// Table N13 at the highest speed: press, crank angle where 6 mm are left, latest command angle
/// that still stops before it.
const NO_RETURN: [(&str, f64, Option<u32>); 6] = [
    ("A", 123.0, None),
    ("B", 152.0, Some(104)),
    ("C", 161.0, Some(130)),
    ("E", 156.0, Some(111)),
    ("F", 149.0, Some(23)),
    ("G", 149.0, Some(54)),
];

#[test]
fn the_point_of_no_return_is_that_of_the_table() {
    for (letter, gap_deg, table) in NO_RETURN {
        let press = press(letter);
        let (r_mm, rod_mm) = (press.crank_radius_mm(), press.frame.rod_mm);
        let before_deg = kinematics::degrees_before_bdc_at_height(r_mm, rod_mm, 6.0).unwrap();
        hold(letter, 180.0 - before_deg, gap_deg, 0.6, 0.0);
        let latest = |setup: &Setup| {
            (0..180).rev().find(|deg| {
                let stop = stop_at(&press, setup, f64::from(*deg));
                stop.coil_off_deg + stop.travel_deg <= 180.0 - before_deg
            })
        };
        assert_eq!(
            latest(&released_at_coil_off(&press, press.speed.max_spm)),
            table,
            "{letter}"
        );
        // With the flywheel carrying on, it comes up to three degrees earlier.
        let real = latest(&setup(&press, press.speed.max_spm));
        match (table, real) {
            (None, None) => {}
            (Some(table), Some(real)) => {
                assert!((table - 3..=table).contains(&real), "{letter}: {real}")
            }
            _ => panic!("{letter}: {table:?} {real:?}"),
        }
    }
}
