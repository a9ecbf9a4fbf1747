//! The judge fails what it should fail: each rule, broken on purpose by tampering with what the
//! controller says or with the press itself.

use crate::tampered::played;
use crate::{complaints, shipped, written};
use std::cell::Cell;
use std::collections::BTreeSet;
use std::f64::consts::PI;
use std::rc::Rc;
use stopwright::bench::Moment;
use stopwright::scenario::expect::Finding;
use stopwright::scenario::oracle::RULES;
use stopwright::scenario::run::Observer;
use stopwright::scenario::{Options, Report, Scenario, run};
use stopwright::units;
use stopwright_core::angle::CrankTravel;
use stopwright_core::controller::{Controller, Inputs, Outputs, ServiceReply};
use stopwright_core::fault::FaultSet;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::stroke::Stroke;

/// The rule is broken in this run, and the verdict says so.
#[track_caller]
fn breaks(report: &Report, rule: &str) {
    assert!(
        report.breaches.contains(&rule),
        "{rule}: {:?}",
        report.breaches
    );
    assert_eq!(report.verdict, Finding::Broken);
    assert_eq!(report.exit_status, 4);
}

const STROKE: &str = "press = \"B\"\n
[[step]]\nact = \"power-up\"\n
[[step]]\nact = \"ready\"\nmode = \"single\"\n
[[step]]\nact = \"single-stroke\"\n
[expect]\n";

#[test]
fn a_drive_under_a_latch_is_seen() {
    let scenario = shipped("sine-winding-opens");
    let report = played(&scenario, |_, _, said| {
        said.valve.is_on |= !said.latched.is_empty()
    });
    breaks(&report, "no-drive-under-latch");
}

#[test]
fn a_drive_against_the_emergency_stop_is_seen() {
    let scenario = shipped("emergency-stop-on-the-way-up");
    let report = played(&scenario, |_, inputs, said| {
        said.valve.is_on |= !inputs.emergency_chain.first;
    });
    breaks(&report, "no-drive-without-permit");
}

#[test]
fn a_drive_through_an_open_guard_is_seen() {
    let report = played(&shipped("a-guard-with-a-stuck-contact"), holding(100));
    breaks(&report, "no-drive-without-permit");
}

/// Holds the drive for so long after the first stop began, whatever else is said.
fn holding(hold_ms: u32) -> impl FnMut(u64, &Inputs<'_>, &mut Outputs) {
    let mut held_ms = 0;
    move |_, _, said| {
        let stops = matches!(said.stroke, Stroke::ImmediateStopping { .. });
        held_ms += u32::from(stops || held_ms > 0);
        said.valve.is_on |= (1..hold_ms).contains(&held_ms);
        said.second_means = false;
    }
}

#[test]
fn a_drive_with_a_hand_off_its_button_and_a_hand_that_comes_first_are_seen() {
    let report = played(&shipped("let-go-while-closing"), holding(100));
    breaks(&report, "hands-hold-the-slide");
    let report = played(&shipped("reach-in-while-closing"), holding(150));
    breaks(&report, "no-drive-without-permit");
    breaks(&report, "hand-comes-later");
}

#[test]
fn a_start_without_hands_is_seen() {
    let scenario = written(STROKE);
    let report = played(&scenario, |tick, _, said| {
        said.valve.is_on |= (150..160).contains(&tick)
    });
    breaks(&report, "starts-on-actuation");
}

#[test]
fn a_repeated_stroke_and_a_late_release_are_seen() {
    let mut driven = 0;
    let report = played(&written(STROKE), move |_, _, said| {
        driven += u32::from(said.valve.is_on);
        said.valve.is_on |= (1..4_000).contains(&driven);
        driven += u32::from(driven > 0);
        said.second_means = false;
    });
    breaks(&report, "one-stroke");
    breaks(&report, "release-in-time");
}

/// Eleven degrees are 22 ms at 84 strokes a minute: past the late bound of 2 degrees, well inside
/// the overrun limit.
#[test]
fn a_release_somewhat_late_is_seen_though_the_slide_still_rests_near_the_top() {
    let mut late = 0;
    let report = played(&written(STROKE), move |_, _, said| {
        late += u32::from(matches!(said.stroke, Stroke::TopStopping { .. }));
        said.valve.is_on |= (1..=22).contains(&late);
    });
    breaks(&report, "release-in-time");
    assert!(!report.breaches.contains(&"one-stroke"));
}

#[test]
fn a_late_release_out_of_continuous_is_seen() {
    let mut late = 0;
    let report = played(&shipped("continuous-and-top-stop"), move |_, _, said| {
        late += u32::from(matches!(said.stroke, Stroke::TopStopping { .. }));
        said.valve.is_on |= (1..=22).contains(&late);
    });
    breaks(&report, "release-in-time");
}

#[test]
fn muting_in_the_closing_stroke_is_seen() {
    let report = played(&written(STROKE), |_, _, said| said.is_muted = true);
    breaks(&report, "mutes-in-opening-only");
}

#[test]
fn a_late_stop_passed_over_is_seen_and_so_is_a_stroke_after_it() {
    let scenario = shipped("oil-on-the-brake");
    let report = played(&scenario, |_, _, said| {
        said.latched = FaultSet::EMPTY;
        said.raised = FaultSet::EMPTY;
    });
    breaks(&report, "late-stop-holds");
}

#[test]
fn a_latch_that_goes_away_by_itself_is_seen() {
    let mut latched_ms = 0;
    let report = played(&shipped("sine-winding-opens"), move |_, _, said| {
        latched_ms += u32::from(!said.latched.is_empty());
        if latched_ms > 300 {
            said.latched = FaultSet::EMPTY;
        }
    });
    breaks(&report, "latch-holds");
}

#[test]
fn a_compensation_past_its_bound_is_seen() {
    let report = played(&written(STROKE), |tick, _, said| {
        if tick > 300 {
            said.compensation = CrankTravel::from_millidegrees(-9_000);
        }
    });
    breaks(&report, "compensation-bounded");
}

#[test]
fn settings_adopted_while_turning_are_seen() {
    let report = played(&written(STROKE), |_, _, said| {
        if said.stroke == Stroke::Closing {
            said.reply = ServiceReply::Adopted;
        }
    });
    breaks(&report, "settings-at-rest");
}

/// The supply comes back while the crank coasts; the limit channels are asked for anew when it
/// stands. The train of press C then rings inside the lash of its resolver's drive.
const RINGS: &str = "press = \"C\"\nrest_s = 1\n
[setup]\nelastic_train = true\n
[[limit_channels.channel]]\nfrom_deg = [200]\nto_deg = [300]\n
[[step]]\nact = \"power-up\"\n
[[step]]\nact = \"ready\"\nmode = \"single\"\n
[[disturb]]\nname = \"supply\"\nwhat = \"power-cut\"\nfor_ms = 99\nfrom = { stroke = 1, angle_deg = 98.4 }\n
[[step]]\nact = \"press-both\"\n
[expect]\nmay_latch = [21, 23, 93]\n";

/// Crank speed as the controller trusts it, strokes a minute.
fn seen_spm(said: &Outputs) -> f64 {
    let reading = said.position.trusted();
    reading.map_or(0.0, |it| units::speed_spm(it.speed()))
}

/// Highest true speed at which settings were taken, strokes a minute.
struct Taken(Rc<Cell<f64>>);

impl Observer for Taken {
    fn see(&mut self, moment: &Moment<'_>) {
        if moment.outputs.reply == ServiceReply::Adopted {
            let speed_spm = moment.plant.state().speed_rad_s.abs() * 30.0 / PI;
            self.0.set(self.0.get().max(speed_spm));
        }
    }
}

/// Standstill is the first zero of crank speed; what rings on from there is no motion.
#[test]
fn settings_taken_while_a_train_rings_are_taken_at_rest_and_in_the_coast_before_it_are_not() {
    let scenario = written(RINGS);
    let (options, core) = (
        Options { seed: 1 },
        Controller::new(scenario.settings, FaultSet::EMPTY),
    );
    let fastest_spm = Rc::new(Cell::new(0.0));
    let observer = Box::new(Taken(Rc::clone(&fastest_spm)));
    let report = run(&scenario, &options, core, Some(observer));
    assert_eq!(report.exit_status, 0, "{}", complaints(&report));
    assert!(fastest_spm.get() > 0.5, "it did not ring: {fastest_spm:?}");

    // The controller is up again, the crank slows, and settings are said to be taken already.
    let coasting = |_: u64, _: &Inputs<'_>, said: &mut Outputs| {
        if seen_spm(said) > 10.0 && !said.valve.is_on {
            said.reply = ServiceReply::Adopted;
        }
    };
    breaks(&played(&scenario, coasting), "settings-at-rest");
}

/// At rest on its way down, without brake and counterbalance from a while on.
const SINKS: &str = "press = \"D\"\n[setup]\nstart_deg = 60\n
[[step]]\nact = \"power-up\"\n
[[disturb]]\nname = \"brake\"\nwhat = \"brake-torque\"\npercent = 0\nfrom = { time_s = 0.3 }\n
[[disturb]]\nname = \"hose\"\nwhat = \"counterbalance-lost\"\nfrom = { time_s = 0.3 }\n
[expect]\n";

/// It has stood, and is no further from there than a train that rings: but it has set out again.
#[test]
fn settings_taken_by_a_slide_that_begins_to_sink_are_seen() {
    let mut is_told = false;
    let sinking = move |_: u64, _: &Inputs<'_>, said: &mut Outputs| {
        let reading = said.position.trusted();
        let seen_deg = reading.map_or(0.0, |it| units::angle_deg(it.angle()));
        if !is_told && seen_deg > 60.8 {
            (is_told, said.reply) = (true, ServiceReply::Adopted);
        }
    };
    let report = played(&written(SINKS), sinking);
    breaks(&report, "settings-at-rest");
    let lines = report.lines.iter();
    let line = lines.map(|it| &it.seen).find(|it| it.contains("settings"));
    let angle = line.and_then(|it| it.split([' ']).nth(2)?.parse::<f64>().ok());
    assert!(angle.is_some_and(|it| it < 61.5), "{line:?}");
}

#[test]
fn a_slide_that_falls_by_itself_is_seen() {
    breaks(&crate::played(&written(SINKS)), "stands-unless-driven");
}

#[test]
fn coils_that_stay_on_are_seen() {
    let scenario = written(
        "press = \"B\"\n
[[step]]\nact = \"power-up\"\n
[[step]]\nact = \"ready\"\nmode = \"single\"\n
[[disturb]]\nname = \"one\"\nwhat = \"output-shorted\"\nwhich = 1\nfrom = { stroke = 1, angle_deg = 90 }\n
[[disturb]]\nname = \"two\"\nwhat = \"output-shorted\"\nwhich = 2\nfrom = { stroke = 1, angle_deg = 90 }\n
[[step]]\nact = \"press-both\"\n
[[step]]\nact = \"let-go\"\nwhen = { angle_deg = 300 }\n
[expect]\n",
    );
    breaks(&crate::played(&scenario), "off-means-off");
}

/// The stroke with a load at the first limit channel.
fn stroke_with_a_load() -> Scenario {
    let load = "[limit_channels]\n[[limit_channels.channel]]\nfrom_deg = [200]\nto_deg = [300]\n";
    written(&STROKE.replacen("[[step]]", &format!("{load}[[step]]"), 1))
}

#[test]
fn a_load_outside_its_window_is_seen_and_so_is_one_that_stays_away() {
    let first = ChannelSet::from_bits(1);
    let report = played(&stroke_with_a_load(), move |tick, _, said| {
        if (400..420).contains(&tick) {
            said.limit_channels = first;
        }
    });
    breaks(&report, "load-in-window");
    let report = played(&stroke_with_a_load(), |_, _, said| {
        said.limit_channels = ChannelSet::EMPTY;
    });
    breaks(&report, "load-in-window");
    let report = played(&stroke_with_a_load(), |_, _, _| {});
    assert!(report.breaches.is_empty(), "{:?}", report.breaches);
}

#[test]
fn a_channel_that_is_on_without_an_angle_is_seen() {
    let report = played(&shipped("sine-winding-opens"), |_, _, said| {
        said.limit_channels = ChannelSet::from_bits(1);
    });
    breaks(&report, "channel-needs-angle");
}

/// Every rule has a run above that breaks it.
#[test]
fn no_rule_is_left_without_a_test() {
    let source = include_str!("oracle.rs");
    let quoted: BTreeSet<&str> = source.split('"').collect();
    for rule in RULES {
        assert!(quoted.contains(rule.word()), "{}", rule.word());
    }
}

#[test]
fn an_untampered_run_breaks_nothing() {
    let report = played(&written(STROKE), |_, _, _| {});
    assert!(report.breaches.is_empty(), "{:?}", report.breaches);
    assert_eq!(report.exit_status, 0);
}

/// Nothing is wrong with this run but that it shows nothing.
#[test]
fn a_run_that_never_reaches_its_case_does_not_pass() {
    let scenario = written(&format!("{STROKE}reached = [\"second-means\"]\n"));
    let report = crate::played(&scenario);
    assert_eq!(
        (report.verdict, report.exit_status),
        (Finding::NotReached, 3)
    );
    let scenario = written(&STROKE.replace(
        "[expect]",
        "[[disturb]]\nname = \"x\"\nwhat = \"late-tick\"\nms = 5\nfrom = { stroke = 7 }\n[expect]",
    ));
    assert_eq!(crate::played(&scenario).verdict, Finding::NotReached);
}

/// A fault that nobody expects fails a run, and so does an expected one that does not come.
#[test]
fn faults_are_expected_exactly() {
    let text = "press = \"B\"\n
[[step]]\nact = \"power-up\"\n
[[disturb]]\nname = \"late\"\nwhat = \"late-tick\"\nms = 5\nfrom = { time_s = 0.3 }\n
[expect]\n";
    let fault = |number: u8| {
        written(&format!(
            "{text}\n[[expect.fault]]\nnumber = {number}\nafter = \"late\"\nwithin_ms = 7\n"
        ))
    };
    assert_eq!(crate::played(&written(text)).exit_status, 4);
    assert_eq!(crate::played(&fault(91)).exit_status, 0);
    assert_eq!(crate::played(&fault(93)).exit_status, 4);
}
