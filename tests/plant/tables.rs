//! The plant against the tables of the design data for the invented presses.
//!
//! The tables of whole stops (called N3, N4, N5 and N13 there) were made with the clutch let go at
//! coil off, a common simplification; the single strokes (N9) with a clutch that follows the
//! pressure, as the plant has it by default. Each is held with the release it was made with, and
//! what the simplification leaves out is held as well (`docs/PLANT.md`).

use crate::bench::*;
use stopwright::kinematics;
use stopwright::plant::{Faults, Mark, Plant, Setup, StopTruth};
use stopwright::press::Press;

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

/// Table N9, how the release angle is learned: press, and for each try release angle, rest angle and
/// stop time ms.
#[rustfmt::skip]
const LEARNING: [(&str, &[[f64; 3]]); 6] = [
    ("A", &[[200.0, 406.9, 90.0], [153.1, 355.0, 89.0], [158.1, 360.4, 89.0]]),
    ("B", &[[300.0, 346.3, 137.0], [313.7, 360.0, 136.0]]),
    ("C", &[[300.0, 330.8, 189.0], [329.2, 359.4, 185.0], [329.7, 360.0, 185.0]]),
    ("E", &[[300.0, 331.1, 136.0], [328.9, 359.7, 134.0]]),
    ("F", &[[300.0, 422.0, 303.0], [238.0, 358.5, 299.0], [239.6, 360.0, 299.0]]),
    ("G", &[[300.0, 364.9, 142.0], [295.1, 360.1, 142.0]]),
];

#[test]
fn a_release_angle_is_learned_in_as_many_strokes_as_in_the_table() {
    for (letter, tries) in LEARNING {
        let press = press(letter);
        let setup = setup(&press, press.speed.nominal_spm);
        for [release_deg, rest_deg, stop_ms] in tries {
            let stop = single_stroke(&press, &setup, *release_deg).stop;
            hold(letter, stop.stop_time_ms, *stop_ms, 1.0, 0.0);
            // Half a degree or half a per cent of the travel, and what the crank turns in a tenth of a
            // millisecond, the step of the table's integration, in which it finds the release angle.
            let angle_deg = f64::max(0.5, 0.005 * stop.travel_deg) + 6e-4 * setup.spm;
            hold(letter, stop.overrun_deg, rest_deg - 360.0, angle_deg, 0.0);
        }
        // Each next release angle is the last one less its overrun.
        for pair in tries.windows(2) {
            hold(
                letter,
                pair[0][0] - (pair[0][1] - 360.0),
                pair[1][0],
                0.11,
                0.0,
            );
        }
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

/// Table N5: press, share of brake torque left when the top stop takes 50 and 100 ms longer, and how
/// much further it runs at 100 ms by lost torque and by delay, degrees.
const LONGER: [(&str, [f64; 2], [f64; 2]); 6] = [
    ("A", [0.54, 0.37], [180.0, 360.0]),
    ("B", [0.61, 0.43], [26.0, 51.0]),
    ("C", [0.66, 0.49], [12.0, 24.0]),
    ("E", [0.58, 0.40], [17.0, 33.0]),
    ("F", [0.76, 0.61], [29.0, 60.0]),
    ("G", [0.65, 0.48], [37.0, 72.0]),
];

#[test]
fn a_top_stop_that_grows_by_torque_or_by_delay_runs_further_as_in_the_table() {
    for (letter, torque_left, [by_torque_deg, by_delay_deg]) in LONGER {
        let press = press(letter);
        let setup = released_at_coil_off(&press, press.speed.nominal_spm);
        let sound = stop_at_top(&press, &setup);
        let weak = |left: f64| {
            let mut setup = setup.clone();
            setup.faults.brake_factor = left;
            stop_at(&press, &setup, sound.coil_off_deg)
        };
        for (longer_ms, share) in [50.0, 100.0].into_iter().zip(torque_left) {
            let (mut least, mut most) = (0.2, 1.0);
            for _ in 0..20 {
                let left = 0.5 * (least + most);
                match weak(left).stop_time_ms > sound.stop_time_ms + longer_ms {
                    true => least = left,
                    false => most = left,
                }
            }
            hold(letter, least, share, 0.0055, 0.0);
            if longer_ms == 100.0 {
                let further_deg = weak(least).travel_deg - sound.travel_deg;
                hold(letter, further_deg, by_torque_deg, 0.6, 0.0);
            }
        }
        // The table's delay is one at full speed: that of a clutch that carries on meanwhile. The
        // motor's slip takes up to one and a half per cent of it.
        let mut carried = self::setup(&press, setup.spm);
        let on_time = stop_at(&press, &carried, sound.coil_off_deg);
        carried.faults.valve_slow_ms = [100.0; 2];
        let late = stop_at(&press, &carried, sound.coil_off_deg);
        let further_deg = late.travel_deg - on_time.travel_deg;
        hold(letter, further_deg, by_delay_deg, 0.6, 0.015);
    }
}

/// Tables N5 and N6 at nominal speed: press, stops per minute, energy of a stop kJ, heating W, heat
/// rise in K, time constant min, top stop longer when hot ms and degrees.
type HeatRow = (&'static str, f64, f64, f64, f64, f64, [f64; 2]);

#[rustfmt::skip]
const HEAT: [HeatRow; 6] = [
    ("A",  4.0, 1.09,  72.0, 12.0,  8.0, [ 0.0,  0.0]),
    ("B", 22.0, 0.83, 305.0, 44.0, 27.0, [ 3.0,  0.8]),
    ("C", 12.0, 2.98, 597.0, 33.0, 38.0, [ 2.0,  0.3]),
    ("E", 20.0, 1.16, 387.0, 35.0, 31.0, [ 2.0,  0.3]),
    ("F", 25.0, 1.04, 434.0, 87.0, 22.0, [40.0, 12.0]),
    ("G",  4.0, 4.90, 326.0, 16.0, 22.0, [ 0.0,  0.0]),
];

/// Table N6 at nominal speed: press, lining wear mm per million stops, top stop longer per mm of
/// wear ms and degrees, longer per million stops ms, million stops to 50 ms longer.
#[rustfmt::skip]
const WEAR: [(&str, f64, [f64; 2], f64, f64); 6] = [
    ("A", 5.43, [11.0, 28.0],  58.0, 0.9),
    ("B", 1.60, [14.0,  5.2],  22.0, 2.3),
    ("C", 1.99, [15.0,  2.7],  30.0, 1.7),
    ("E", 1.37, [13.0,  3.2],  17.0, 2.9),
    ("F", 3.72, [29.0, 11.3], 110.0, 0.5),
    ("G", 3.56, [14.0,  7.3],  50.0, 1.0),
];

/// How much longer a stop from the same release angle is, ms, and how much further, degrees.
fn longer(press: &Press, sound: &StopTruth, setup: &Setup) -> [f64; 2] {
    let stop = stop_at(press, setup, sound.coil_off_deg);
    [
        stop.stop_time_ms - sound.stop_time_ms,
        stop.travel_deg - sound.travel_deg,
    ]
}

#[test]
fn heat_is_that_of_the_table() {
    for (letter, rate, stop_kj, heating_w, rise_k, minutes, [hot_ms, hot_deg]) in HEAT {
        let press = press(letter);
        let cool = released_at_coil_off(&press, press.speed.nominal_spm);
        let mut plant = Plant::new(&press, &cool, 1);
        plant.soak(rate, minutes);
        let share = (plant.brake_temperature_c() - 20.0) / rise_k;
        hold(letter, share, 1.0 - (-1.0_f64).exp(), 0.03, 0.0);
        plant.soak(rate, 600.0);
        let over_k = plant.brake_temperature_c() - 20.0;
        hold(letter, over_k, rise_k, 1.0, 0.01);
        let power_w = over_k * press.brake.cooling_w_per_k;
        hold(letter, power_w, heating_w, 1.0, 0.0);
        hold(letter, 60e-3 * power_w / rate, stop_kj, 0.006, 0.0);
        let hot = Setup {
            brake_c: plant.brake_temperature_c(),
            ..cool.clone()
        };
        let [ms, deg] = longer(&press, &stop_at_top(&press, &cool), &hot);
        hold(letter, ms, hot_ms, 0.6, 0.0);
        hold(letter, deg, hot_deg, 0.06, 0.0);
    }
}

#[test]
fn wear_is_that_of_the_table() {
    for (letter, wear_mm, [per_mm_ms, per_mm_deg], per_million_ms, millions) in WEAR {
        let press = press(letter);
        let fresh = released_at_coil_off(&press, press.speed.nominal_spm);
        let mut plant = Plant::new(&press, &fresh, 1);
        plant.soak(1_000.0, 1_000.0);
        hold(letter, plant.lining_wear_mm(), wear_mm, 0.01, 0.003);
        let worn = |mm| Setup {
            lining_wear_mm: mm,
            ..fresh.clone()
        };
        let sound = stop_at_top(&press, &fresh);
        let [ms, deg] = longer(&press, &sound, &worn(1.0));
        hold(letter, ms, per_mm_ms, 0.7, 0.0);
        hold(letter, deg, per_mm_deg, 0.08, 0.0);
        // The table goes on as the first millimetre went; the press gets worse faster.
        let straight_ms = ms * plant.lining_wear_mm();
        hold(letter, straight_ms, per_million_ms, 0.6, 0.0);
        hold(letter, 50.0 / straight_ms, millions, 0.051, 0.0);
        let [worn_ms, _] = longer(&press, &sound, &worn(plant.lining_wear_mm()));
        assert!(worn_ms > straight_ms, "{letter}: {worn_ms}");
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
        ("E", 70.0, 2.8, 0.93),
        ("F", 100.0, 14.0, 6.29),
        ("G", 120.0, 2.5, 1.29),
        ("G", 150.0, 2.9, 1.75),
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

/// Table N8 at the highest speed: press, worst stop from 45 to 105 degrees ms.
const WORST: [(&str, f64); 6] = [
    ("A", 113.0),
    ("B", 138.0),
    ("C", 194.0),
    ("E", 159.0),
    ("F", 306.0),
    ("G", 170.0),
];

#[test]
fn the_worst_stop_in_the_downstroke_is_that_of_the_table() {
    for (letter, worst_ms) in WORST {
        let press = press(letter);
        let setup = released_at_coil_off(&press, press.speed.max_spm);
        let time_ms = |deg| stop_at(&press, &setup, f64::from(deg)).stop_time_ms;
        let worst = (45..=105).step_by(5).map(time_ms).fold(0.0, f64::max);
        hold(letter, worst, worst_ms, TABLE_MS, 0.0);
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
