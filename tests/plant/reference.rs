//! The plant against an independent integration of the same equations (`reference.py`: scipy,
//! adaptive steps, tight tolerances, events), and its books of energy.

use crate::bench::*;
use stopwright::plant::{Faults, Mark, Plant, Setup};

const STOPS: &str = include_str!("reference_stops.csv");
const STARTS: &str = include_str!("reference_starts.csv");

/// What `docs/PLANT.md` promises of the step.
pub(crate) const STOP_TIME_MS: f64 = 0.005;
pub(crate) const TRAVEL_DEG: f64 = 0.005;

fn rows(text: &str) -> impl Iterator<Item = Vec<&str>> {
    text.lines().skip(1).map(|line| line.split(',').collect())
}

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

#[test]
fn stops_of_all_presses_agree_with_the_independent_integration() {
    let mut count = 0;
    for row in rows(STOPS) {
        let press = press(row[0]);
        let mut setup = setup(&press, number(row[1]));
        setup.faults.counterbalance_lost = row[2] == "lost";
        let stop = stop_at(&press, &setup, number(row[4]));
        let what = row.join(" ");
        hold(&what, stop.stop_time_ms, number(row[5]), STOP_TIME_MS, 0.0);
        hold(&what, stop.travel_deg, number(row[6]), TRAVEL_DEG, 0.0);
        count += 1;
    }
    assert_eq!(count, 160);
}

#[test]
fn starts_of_all_presses_agree_with_the_independent_integration() {
    for row in rows(STARTS) {
        let press = press(row[0]);
        let mut plant = Plant::new(&press, &setup(&press, number(row[1])), 1);
        drive_both(&mut plant, true, 0.0);
        plant.advance_to(0.6);
        let events = plant.take_events();
        let at = |mark| *events.iter().find(|e| e.mark == mark).unwrap();
        let what = row.join(" ");
        let moves_ms = 1e3 * at(Mark::StartOfMotion).time_s;
        hold(&what, moves_ms, number(row[2]), STOP_TIME_MS, 0.0);
        let lock = at(Mark::LockUp);
        hold(&what, 1e3 * lock.time_s, number(row[3]), STOP_TIME_MS, 0.0);
        hold(&what, lock.angle_deg, number(row[4]), TRAVEL_DEG, 0.0);
        hold(&what, lock.speed_spm, number(row[5]), 0.0, 1e-4);
    }
}

#[test]
fn the_books_of_energy_balance_over_a_stroke() {
    for letter in stopwright::press::LETTERS {
        for lost in [false, true] {
            let press = press(letter);
            let setup = Setup {
                work_share: 0.5,
                faults: Faults {
                    counterbalance_lost: lost,
                    ..Faults::default()
                },
                ..setup(&press, press.speed.min_spm)
            };
            let mut plant = Plant::new(&press, &setup, 1);
            let before_j = plant.stored_j();
            let watched = plant.watch(230.0);
            drive_both(&mut plant, true, 0.0);
            let mut passed = false;
            for tick in 0..20_000 {
                plant.advance_to(f64::from(tick) * 1e-3);
                let events = plant.take_events();
                if !passed && events.iter().any(|e| e.mark == Mark::Passed(watched)) {
                    passed = true;
                    drive_both(&mut plant, false, 0.0);
                }
            }
            assert_eq!(plant.take_stops().len(), 1, "{letter}");
            let e = plant.energy();
            let given_j = e.motor_j + e.barring_j;
            let taken_j = e.brake_j + e.friction_j + e.clutch_j + e.work_j;
            let stored_j = plant.stored_j() - before_j;
            let turned_over_j = taken_j.max(given_j);
            let open = (given_j - taken_j - stored_j).abs() / turned_over_j;
            assert!(open < 0.000_5, "{letter} {lost}: {open:.6} {e:?}");
        }
    }
}
