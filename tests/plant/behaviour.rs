//! What the simulated press does when it is used: barring, motor, valves, faults, marks.

use crate::bench::*;
use stopwright::plant::{Event, Faults, Mark, Plant, Setup, Start};
use stopwright::press::{LETTERS, Press};

fn angle_deg(plant: &Plant) -> f64 {
    plant.state().angle_rad.to_degrees()
}

fn first(events: &[Event], mark: Mark) -> f64 {
    events.iter().find(|e| e.mark == mark).unwrap().time_s
}

fn cold(letter: &str, at_deg: f64) -> Plant {
    let press = press(letter);
    let setup = Setup {
        start: Start::Cold(at_deg),
        ..setup(&press, press.speed.nominal_spm)
    };
    Plant::new(&press, &setup, 1)
}

#[test]
fn barring_turns_every_press_a_whole_turn_either_way_at_the_asked_speed() {
    for letter in LETTERS {
        let mut plant = cold(letter, 300.0);
        for (speed_deg_s, sign) in [(6.0, 1.0), (-3.0, -1.0)] {
            let from_deg = angle_deg(&plant);
            let from_s = plant.state().time_s;
            plant.bar(speed_deg_s);
            plant.advance_to(from_s + 1.0 + 360.0 / speed_deg_s.abs());
            let speed = plant.state().speed_rad_s.to_degrees();
            assert!((speed - speed_deg_s).abs() < 0.05, "{letter}: {speed}");
            assert!((angle_deg(&plant) - from_deg) * sign > 360.0);
            plant.bar(0.0);
            plant.advance_to(plant.state().time_s + 1.0);
            assert_eq!(plant.state().speed_rad_s, 0.0, "{letter}");
        }
    }
}

#[test]
fn barring_stops_gently_and_holds_where_it_stopped() {
    for letter in LETTERS {
        let mut plant = cold(letter, 0.0);
        plant.bar(2.0);
        let mut largest: f64 = 0.0;
        for step in 0..40_000 {
            if step == 20_000 {
                plant.bar(0.0);
            }
            plant.advance_to(f64::from(step) * 200e-6);
            if step > 100 {
                largest = largest.max(plant.state().accel_rad_s2.to_degrees().abs());
            }
        }
        // Twice the gear's own 12 °/s², for the last bit when the brake is set.
        assert!(largest < 24.0, "{letter}: {largest}");
        let rest = angle_deg(&plant);
        plant.advance_to(60.0);
        assert_eq!(angle_deg(&plant), rest, "{letter}");
    }
}

#[test]
fn barring_is_never_faster_than_one_stroke_per_minute() {
    let mut plant = cold("B", 0.0);
    for speed in [1e9, f64::INFINITY, -1e9, f64::NAN] {
        plant.bar(speed);
        plant.advance_to(plant.state().time_s + 2.0);
        assert!(plant.state().speed_rad_s.to_degrees().abs() < 6.01);
    }
}

#[test]
fn barring_works_with_the_counterbalance_lost() {
    for letter in LETTERS {
        let mut plant = cold(letter, 0.0);
        plant.set_faults(Faults {
            counterbalance_lost: true,
            ..Faults::default()
        });
        plant.bar(6.0);
        plant.advance_to(70.0);
        assert!(angle_deg(&plant) > 360.0, "{letter}");
    }
}

#[test]
fn the_flywheel_runs_down_over_a_minute_or_more_and_then_rests() {
    for letter in ["B", "E"] {
        let press = press(letter);
        let mut plant = Plant::new(&press, &setup(&press, press.speed.nominal_spm), 1);
        plant.set_motor(false);
        plant.advance_to(60.0);
        assert!(plant.flywheel_spm() > 0.0, "{letter}");
        plant.advance_to(400.0);
        assert_eq!(plant.flywheel_spm(), 0.0, "{letter}");
        plant.set_motor(true);
        plant.advance_to(600.0);
        let share = plant.flywheel_spm() / press.speed.nominal_spm;
        assert!(share > 0.98, "{letter}: {share}");
    }
}

#[test]
fn a_variable_speed_press_follows_its_setting_both_ways_and_a_fixed_one_does_not() {
    let press_e = press("E");
    let mut plant = Plant::new(&press_e, &setup(&press_e, 55.0), 1);
    for spm in [70.0, 35.0] {
        plant.set_speed_spm(spm);
        plant.advance_to(plant.state().time_s + 60.0);
        assert!((plant.flywheel_spm() - spm).abs() < 0.1);
    }
    let press_b = press("B");
    let mut plant = Plant::new(&press_b, &setup(&press_b, 85.0), 1);
    plant.set_speed_spm(40.0);
    plant.advance_to(30.0);
    assert!((plant.flywheel_spm() - 85.0).abs() < 0.1);
}

#[test]
fn the_marks_of_a_stop_come_in_order_at_their_own_instants() {
    let press = Press::builtin("B").unwrap();
    let setup = Setup {
        start: Start::Turning(80.0),
        ..setup(&press, 85.0)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    drive_both(&mut plant, false, 0.012_345);
    plant.advance_to(1.0);
    let events = plant.take_events();
    let at = |mark| first(&events, mark);
    let near = |mark, expected: f64| assert!((at(mark) - expected).abs() < 1e-9, "{mark:?}");
    near(Mark::WrittenOff(0), 0.012_345);
    near(Mark::CoilOff(0), 0.020_345);
    near(Mark::ValveOff(0), 0.038_345);
    // 20 ms · ln(5.5/3.2), and 4 ms across the gap.
    let falling = 0.020 * (5.5_f64 / 3.2).ln();
    near(Mark::ClutchFree, 0.038_345 + falling);
    near(Mark::BrakeTouch, 0.038_345 + falling + 0.004);
    assert!(at(Mark::Standstill) > at(Mark::BrakeTouch));
    assert!(events.is_sorted_by(|a, b| a.time_s <= b.time_s));
    let stop = plant.take_stops()[0];
    assert_eq!(stop.command_s, at(Mark::WrittenOff(0)));
    assert_eq!(stop.coil_off_s, at(Mark::CoilOff(0)));
    assert_eq!(stop.standstill_s, at(Mark::Standstill));
    // The reaction of the equivalent stop is near its closed form.
    assert!(
        (stop.reaction_ms - press.reaction_closed_form_ms()).abs() < 6.0,
        "{stop:?}"
    );
}

/// On the way up nothing works, and nothing drives: the crank slows to the first zero of its speed.
/// What it would meet the other way must not throw it back over that zero in the last step.
#[test]
fn a_braked_crank_only_slows_though_work_lies_behind_it() {
    let press = press("B");
    let setup = |coil_off_deg| Setup {
        start: Start::Turning(coil_off_deg),
        work_share: 1.0,
        ..setup(&press, 85.0)
    };
    let mut rested_over_work = 0;
    for step in 0..400 {
        let mut plant = Plant::new(&press, &setup(130.0 + 0.1 * f64::from(step)), 1);
        drive_both(&mut plant, false, 0.0);
        let mut before_deg_s = f64::INFINITY;
        for look in 0..10_000 {
            plant.advance_to(50e-6 * f64::from(look));
            let state = plant.state();
            let is_braked = plant.clutch_pressure_bar() < press.brake.touch_bar;
            if is_braked && state.angle_rad.to_degrees() > 180.0 {
                let now_deg_s = state.speed_rad_s.to_degrees();
                assert!(now_deg_s <= before_deg_s, "{state:?}");
                before_deg_s = now_deg_s;
            }
        }
        let rest_deg = plant.state().angle_rad.to_degrees();
        rested_over_work += u32::from((180.0..200.0).contains(&rest_deg));
    }
    // The work curve begins 3.2 mm above the bottom: 22 degrees.
    assert!(rested_over_work > 50, "{rested_over_work}");
}

#[test]
fn one_element_alone_starts_nothing() {
    let press = press("B");
    for element in [0, 1] {
        let mut plant = Plant::new(&press, &setup(&press, 85.0), 1);
        plant.drive(element, true, 0.0);
        plant.advance_to(1.0);
        assert!(plant.coil(element) && plant.valve_shifted(element));
        assert_eq!(angle_deg(&plant), 0.0);
        assert_eq!(plant.clutch_pressure_bar(), 0.0);
    }
}

#[test]
fn one_element_off_stops_the_press_and_the_feedback_names_the_one_that_stuck() {
    let press = press("B");
    let setup = Setup {
        start: Start::Turning(0.0),
        ..setup(&press, 85.0)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    plant.set_faults(Faults {
        valve_stuck_on: [true, false],
        ..Faults::default()
    });
    drive_both(&mut plant, false, 0.0);
    plant.advance_to(1.0);
    assert!(plant.valve_shifted(0) && !plant.valve_shifted(1));
    assert_eq!(plant.take_stops().len(), 1);
    // Freed, it goes back.
    plant.set_faults(Faults::default());
    assert!(!plant.valve_shifted(0));
}

#[test]
fn both_elements_stuck_keep_the_press_running_until_the_motor_and_the_air_are_gone() {
    let press = press("B");
    let setup = Setup {
        start: Start::Turning(0.0),
        ..setup(&press, 85.0)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    let stuck = Faults {
        valve_stuck_on: [true, true],
        ..Faults::default()
    };
    plant.set_faults(stuck.clone());
    drive_both(&mut plant, false, 0.0);
    plant.advance_to(3.0);
    assert!(plant.take_stops().is_empty());
    assert!(angle_deg(&plant) > 3.0 * 360.0);
    plant.set_faults(Faults {
        supply_bar: Some(0.0),
        ..stuck
    });
    plant.advance_to(5.0);
    assert_eq!(plant.state().speed_rad_s, 0.0);
}

#[test]
fn a_shorted_driver_energises_its_coil_and_drops_it_when_repaired() {
    let press = press("B");
    let mut plant = Plant::new(&press, &setup(&press, 85.0), 1);
    plant.set_faults(Faults {
        output_stuck_on: [true, true],
        ..Faults::default()
    });
    plant.advance_to(1.0);
    assert!(angle_deg(&plant) > 180.0, "it started by itself");
    plant.set_faults(Faults::default());
    plant.advance_to(2.0);
    assert_eq!(plant.take_stops().len(), 1);
    assert!(!plant.coil(0) && !plant.coil(1));
}

#[test]
fn a_write_taken_back_before_the_coil_drops_changes_nothing() {
    let press = Press::builtin("B").unwrap();
    let setup = Setup {
        start: Start::Turning(0.0),
        ..setup(&press, 85.0)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    drive_both(&mut plant, false, 0.010);
    drive_both(&mut plant, true, 0.015);
    plant.advance_to(0.5);
    let events = plant.take_events();
    assert!(events.iter().all(|e| e.mark != Mark::CoilOff(0)));
    assert!((plant.state().speed_rad_s - 85.0 * std::f64::consts::PI / 30.0).abs() < 0.2);
}

#[test]
fn without_brake_and_counterbalance_the_slide_sinks_and_with_a_brake_it_holds() {
    for letter in ["C", "D", "H"] {
        let press = press(letter);
        let setup = Setup {
            start: Start::Ready(60.0),
            faults: Faults {
                counterbalance_lost: true,
                brake_factor: 0.01,
                ..Faults::default()
            },
            ..setup(&press, press.speed.nominal_spm)
        };
        let mut plant = Plant::new(&press, &setup, 1);
        plant.advance_to(2.0);
        assert!(angle_deg(&plant) > 90.0, "{letter} {}", angle_deg(&plant));
        let mut sound = setup.clone();
        sound.faults.brake_factor = 1.0;
        let mut plant = Plant::new(&press, &sound, 1);
        plant.advance_to(2.0);
        assert!((angle_deg(&plant) - 60.0).abs() < 1e-9, "{letter}");
    }
}

#[test]
fn equal_seeds_give_equal_runs_to_the_bit_and_other_seeds_do_not() {
    let press = press("F");
    let run = |seed| {
        let scattering = Setup::nominal(&press);
        let mut plant = Plant::new(&press, &scattering, seed);
        let mut stops = Vec::new();
        for stroke in 0..5 {
            let from_s = f64::from(stroke) * 2.0;
            drive_both(&mut plant, true, from_s);
            drive_both(&mut plant, false, from_s + 0.6);
            plant.advance_to(from_s + 2.0);
            stops.extend(plant.take_stops());
        }
        stops
    };
    let (one, two) = (run(7), run(7));
    assert_eq!(one, two);
    assert_eq!(one.len(), 5);
    assert_ne!(one, run(8));
    assert!(
        one.windows(2)
            .all(|w| w[0].stop_time_ms != w[1].stop_time_ms)
    );
}

#[test]
fn stops_do_not_depend_on_how_often_one_looks() {
    let press = press("B");
    let setup = Setup {
        start: Start::Turning(313.0),
        ..setup(&press, 85.0)
    };
    let run = |look_s: f64| {
        let mut plant = Plant::new(&press, &setup, 1);
        drive_both(&mut plant, false, 0.0);
        let mut time_s = 0.0;
        while time_s < 1.0 {
            time_s += look_s;
            plant.advance_to(time_s);
        }
        plant.take_stops()[0]
    };
    let coarse = run(1.0);
    for look_s in [200e-6, 137e-6, 1e-3, 31e-6] {
        let fine = run(look_s);
        assert!((fine.stop_time_ms - coarse.stop_time_ms).abs() < 0.003);
        assert!((fine.travel_deg - coarse.travel_deg).abs() < 0.002);
    }
}

#[test]
fn a_low_supply_slips_and_a_high_one_lengthens_the_stop() {
    let press = press("B");
    let with_supply = |bar: f64| {
        let mut setup = setup(&press, 85.0);
        setup.faults.supply_bar = Some(bar);
        single_stroke(&press, &setup, 313.7)
    };
    let sound = single_stroke(&press, &setup(&press, 85.0), 313.7);
    let locked = |events: &[Event]| first(events, Mark::LockUp);
    assert!(locked(&with_supply(4.0).events) > 1.2 * locked(&sound.events));
    // τ ln of the ratio of pressures: 3.3 ms for 6.5 bar.
    let longer_ms = with_supply(6.5).stop.stop_time_ms - sound.stop.stop_time_ms;
    assert!((longer_ms - 3.3).abs() < 0.5, "{longer_ms}");
}

/// Stop time from 313 degrees on B with a changed set-up, less the nominal one, ms.
fn longer_ms(change: impl Fn(&mut Setup)) -> f64 {
    let press = press("B");
    let nominal = setup(&press, 85.0);
    let mut changed = nominal.clone();
    change(&mut changed);
    stop_at(&press, &changed, 313.0).stop_time_ms - stop_at(&press, &nominal, 313.0).stop_time_ms
}

#[test]
fn a_new_lining_moisture_broken_springs_and_a_cold_valve_change_the_first_stops() {
    assert!(longer_ms(|s| s.stops_since_relining = Some(0)) > 10.0);
    assert!(longer_ms(|s| s.stops_since_relining = Some(500)) < 1.0);
    assert!(longer_ms(|s| s.moisture = -0.15) > 8.0);
    assert!(longer_ms(|s| s.moisture = 0.15) < -6.0);
    // Springs carry both torque and touch pressure.
    let springs = longer_ms(|s| s.faults.broken_springs = 1);
    let torque = longer_ms(|s| s.faults.brake_factor = 11.0 / 12.0);
    assert!(springs > torque + 1.0, "{springs} {torque}");
    assert!((longer_ms(|s| s.cold_start_ms = 30.0) - 30.0).abs() < 1.5);
}

#[test]
fn a_clutch_that_bites_before_the_brake_lets_go_drags_heats_and_locks_late() {
    let sound = press("B");
    let mut overlapping = sound.clone();
    overlapping.clutch.touch_bar = sound.brake.touch_bar - 0.5;
    let starts = |press: &Press| {
        let mut plant = Plant::new(press, &setup(press, 85.0), 1);
        drive_both(&mut plant, true, 0.0);
        plant.advance_to(0.5);
        (plant.energy().brake_j, plant.take_events())
    };
    let (sound_j, _) = starts(&sound);
    let (drag_j, events) = starts(&overlapping);
    assert_eq!(sound_j, 0.0);
    assert!(drag_j > 0.0, "{drag_j}");
    assert!(first(&events, Mark::StartOfMotion) < first(&events, Mark::BrakeFree));
}

#[test]
fn a_leaking_counterbalance_loses_pressure_and_lengthens_the_mid_stroke_stop() {
    let press = press("C");
    let mut setup = Setup {
        start: Start::Ready(0.0),
        ..setup(&press, 40.0)
    };
    setup.faults.counterbalance_leak_per_min = 0.5;
    let mut plant = Plant::new(&press, &setup, 1);
    let full_bar = plant.counterbalance_bar().unwrap();
    // 3600 kg on 0.101 m².
    assert!((full_bar - 3.495).abs() < 0.01, "{full_bar}");
    plant.advance_to(120.0);
    let left = plant.counterbalance_bar().unwrap() / full_bar;
    assert!((left - (-1.0_f64).exp()).abs() < 0.001, "{left}");
    assert!(
        Plant::new(&crate::bench::press("F"), &setup, 1)
            .counterbalance_bar()
            .is_none()
    );
}

#[test]
fn the_counterbalance_pressure_rises_on_the_way_down() {
    let press = press("C");
    let setup = Setup {
        counterbalance_rise: 0.15,
        start: Start::Cold(0.0),
        ..setup(&press, 40.0)
    };
    let mut plant = Plant::new(&press, &setup, 1);
    let top_bar = plant.counterbalance_bar().unwrap();
    plant.bar(6.0);
    let mut most_bar = top_bar;
    for step in 0..70 {
        plant.advance_to(f64::from(step));
        most_bar = most_bar.max(plant.counterbalance_bar().unwrap());
    }
    assert!((most_bar / top_bar - 1.15).abs() < 0.001);
}
