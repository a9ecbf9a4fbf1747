//! Odd presses and odd use: nothing hangs, nothing panics, every number stays a number.

use proptest::prelude::*;
use stopwright::plant::{Faults, Plant, Setup, Start, Sticking};
use stopwright::press::{LETTERS, Press};
use stopwright::resolver::{Resolver, ResolverSetup};

/// One thing done to a press.
#[derive(Clone, Debug)]
enum Act {
    Drive(usize, bool, f64),
    Motor(bool),
    Speed(f64),
    Bar(f64),
    Dump,
    Soak(f64, f64),
    Break(Faults),
    Wait(f64),
}

fn act() -> impl Strategy<Value = Act> {
    prop_oneof![
        (0..2_usize, any::<bool>(), -0.1..0.3).prop_map(|(e, on, s)| Act::Drive(e, on, s)),
        any::<bool>().prop_map(|on| Act::Drive(0, on, 0.0)),
        any::<bool>().prop_map(Act::Motor),
        any::<f64>().prop_map(Act::Speed),
        prop_oneof![any::<f64>(), -6.0..6.0].prop_map(Act::Bar),
        Just(Act::Dump),
        (0.0..50.0, 0.0..500.0).prop_map(|(rate, minutes)| Act::Soak(rate, minutes)),
        faults().prop_map(Act::Break),
        (0.0..0.5).prop_map(Act::Wait),
    ]
}

prop_compose! {
    fn faults()(
        flags in any::<[bool; 10]>(),
        brake in 0.0..2.0,
        clutch in 0.0..2.0,
        exhaust in 0.1..10.0,
        supply in prop::option::of(0.0..20.0),
        springs in 0..20_u32,
        chance in 0.0..1.0,
    ) -> Faults {
        Faults {
            valve_stuck_on: [flags[0] && flags[1], flags[2] && flags[1]],
            valve_stuck_off: [flags[3] && flags[1], false],
            output_stuck_on: [flags[4] && flags[5], flags[4] && flags[6]],
            feedback_stuck: [flags[7].then_some(flags[8]), None],
            valve_sticking: [Sticking { chance, mean_ms: 40.0 }; 2],
            exhaust_factor: exhaust,
            supply_bar: supply,
            brake_factor: brake,
            clutch_factor: clutch,
            broken_springs: springs,
            counterbalance_lost: flags[9],
            counterbalance_leak_per_min: if flags[8] { 0.5 } else { 0.0 },
            ..Faults::default()
        }
    }
}

/// A press whose numbers are far from any built-in one, but allowed.
fn odd_press() -> impl Strategy<Value = Press> {
    let factor = || (-1.5..1.5).prop_map(|power: f64| 10_f64.powf(power));
    let factors = prop::collection::vec(factor(), 12);
    (0..LETTERS.len(), factors).prop_filter_map("a press allowed", |(index, f)| {
        let mut press = Press::builtin(LETTERS[index]).unwrap();
        press.masses.slide_kg *= f[0];
        press.masses.crank_kg_m2 *= f[1];
        press.masses.flywheel_kg_m2 *= f[2];
        press.motor.power_kw *= f[3];
        press.clutch.torque_nm *= f[4];
        press.brake.torque_nm *= f[5];
        press.drive_train.friction_nm *= f[6];
        press.drive_train.stiffness_nm_per_rad *= f[7] * f[7];
        press.air.exhaust_ms *= f[8];
        press.air.fill_ms *= f[9];
        press.brake.mass_kg *= f[10];
        press.clutch.touch_bar = (press.clutch.touch_bar * f[11]).min(0.99 * press.air.supply_bar);
        let text = toml::to_string(&press).unwrap();
        Press::from_toml("odd", &text).ok()
    })
}

fn perform(plant: &mut Plant, act: &Act) {
    let now_s = plant.state().time_s;
    match act {
        Act::Drive(element, on, after_s) => plant.drive(*element, *on, now_s + after_s),
        Act::Motor(on) => plant.set_motor(*on),
        Act::Speed(spm) => plant.set_speed_spm(*spm),
        Act::Bar(speed) => plant.bar(*speed),
        Act::Dump => plant.dump_air(),
        Act::Soak(rate, minutes) => plant.soak(*rate, *minutes),
        Act::Break(faults) => plant.set_faults(faults.clone()),
        Act::Wait(span_s) => plant.advance_to(now_s + span_s),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn no_press_and_no_use_of_it_breaks_the_plant(
        press in odd_press(),
        acts in prop::collection::vec(act(), 1..30),
        seed in any::<u64>(),
        elastic_train in any::<bool>(),
        start_deg in -720.0..720.0,
        cold in any::<bool>(),
    ) {
        let setup = Setup {
            start: if cold { Start::Cold(start_deg) } else { Start::Ready(start_deg) },
            elastic_train,
            counterbalance_rise: if elastic_train { 0.1 } else { 0.0 },
            work_share: if cold { 0.0 } else { 0.5 },
            ..Setup::nominal(&press)
        };
        let mut plant = Plant::new(&press, &setup, seed);
        let mut resolver = Resolver::new(&ResolverSetup::of_press(&press), seed, "odd");
        for act in &acts {
            perform(&mut plant, act);
            let before_s = plant.state().time_s;
            plant.advance_to(before_s + 0.05);
            let state = plant.state();
            prop_assert!(state.time_s >= before_s + 0.05 - 1e-9);
            for value in [state.angle_rad, state.speed_rad_s, state.accel_rad_s2] {
                prop_assert!(value.is_finite(), "{state:?}");
            }
            prop_assert!(plant.flywheel_spm().is_finite() && plant.brake_temperature_c().is_finite());
            resolver.frame(state.angle_rad, state.speed_rad_s, state.accel_rad_s2);
        }
        for stop in plant.take_stops() {
            prop_assert!(stop.stop_time_ms > 0.0 && stop.travel_deg.is_finite(), "{stop:?}");
        }
        let events = plant.take_events();
        prop_assert!(events.is_sorted_by(|a, b| a.time_s <= b.time_s + 1e-3), "{events:?}");
    }
}
