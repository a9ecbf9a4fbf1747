//! Limit channels in a scenario: loads at the true crank angle, leads, times, read-backs that lie,
//! and what a file may not say.

use crate::{complaints, measured, played, refused, tampered, written};
use stopwright::scenario::expect::Finding;
use stopwright::scenario::{Report, Scenario};
use stopwright_core::limit_channels::ChannelSet;

/// Press B in continuous at 60 strokes a minute, with these channels.
fn continuous(channels: &str, rest: &str) -> String {
    format!(
        "press = \"B\"\n\
         [setup]\nspm = 60\n\
         [limit_channels]\nhysteresis_deg = 0.5\n{channels}\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"continuous\"\n\
         [[step]]\nact = \"arm\"\n\
         [[step]]\nact = \"press-both\"\n\
         [[step]]\nact = \"let-go\"\nwhen = {{ stroke = 1, angle_deg = 200 }}\n\
         [[step]]\nact = \"top-stop\"\nwhen = {{ time_s = 5.0, angle_deg = 90 }}\n\
         [[step]]\nact = \"wait\"\nwhen = {{ event = \"standstill\", after_ms = 300 }}\n\
         {rest}\n[expect]\n"
    )
}

fn run(channels: &str, rest: &str) -> Report {
    played(&written(&continuous(channels, rest)))
}

fn channel(keys: &str) -> String {
    format!("[[limit_channels.channel]]\n{keys}\n")
}

/// 60 strokes a minute are 0.36 degrees a millisecond; the flywheel runs within a few per cent of it.
const DEG_PER_MS: f64 = 0.36;

#[test]
fn a_load_that_is_led_by_its_reaction_time_acts_at_its_angles() {
    let report = run(
        &channel("from_deg = [90]\nto_deg = [200]\non_lead_ms = 40\noff_lead_ms = 25"),
        "",
    );
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    // The last edge counts: in the first turn the clutch still takes the crank along.
    for what in ["load-on-error-deg", "load-off-error-deg"] {
        let [_, last_deg, ..] = measured(&report, what);
        // A tick early at most, and the doubt of the angle.
        assert!((-0.8..0.6).contains(&last_deg), "{what}: {last_deg}");
    }
}

#[test]
fn a_load_that_is_not_led_comes_late_by_its_time_times_the_speed_and_is_told() {
    let report = run(
        &channel("from_deg = [90]\nto_deg = [200]\nload_on_ms = 40\nload_off_ms = 25"),
        "",
    );
    assert!(
        report.breaches.contains(&"load-in-window"),
        "{:?}",
        report.breaches
    );
    for (what, ms) in [("load-on-error-deg", 40.0), ("load-off-error-deg", 25.0)] {
        let [_, last_deg, ..] = measured(&report, what);
        let late_deg = ms * DEG_PER_MS;
        assert!((last_deg - late_deg).abs() < 1.0, "{what}: {last_deg}");
    }
}

#[test]
fn a_timed_window_ends_after_its_time_and_windows_may_cross_the_top() {
    let channels = [
        channel("from_deg = [100, 250]\non_for_ms = [60, 60]\non_lead_ms = 30\noff_lead_ms = 30"),
        channel("from_deg = [330]\nto_deg = [20]"),
    ];
    let report = run(&channels.concat(), "");
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let [.., least_ms, _] = measured(&report, "load-on-ms");
    assert!((59.0..=61.0).contains(&least_ms), "{least_ms}");
}

/// A stroke of press B cut short on the way down, with these channels.
fn cut_short(channels: &str) -> Scenario {
    written(&format!(
        "press = \"B\"\n\
         [setup]\nscatter = false\n\
         {channels}\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"single\"\n\
         [[step]]\nact = \"press-both\"\n\
         [[step]]\nact = \"let-go\"\nwhen = {{ stroke = 1, angle_deg = 80 }}\n\
         [expect]\n"
    ))
}

/// The braked crank is led into a window three degrees past where it comes to rest: nobody could
/// know, and the time of the window runs out all the same. On for longer than that, it is wrong.
#[test]
fn a_timed_window_just_past_the_rest_angle_runs_out_and_is_not_on_for_ever() {
    let [_, rest_deg, ..] = measured(&played(&cut_short("")), "overrun-deg");
    let from_deg = rest_deg + 3.0;
    let scenario = cut_short(&channel(&format!(
        "from_deg = [{from_deg}]\non_for_ms = [300]\non_lead_ms = 40\noff_lead_ms = 40"
    )));
    let report = played(&scenario);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let [_, on_ms, ..] = measured(&report, "load-on-ms");
    assert!((299.0..=301.0).contains(&on_ms), "{on_ms}");

    let first = ChannelSet::from_bits(1);
    let for_longer_ms = |longer_ms: u32| {
        let mut on_ms = 0;
        tampered::played(&scenario, move |_, _, said| {
            on_ms += u32::from(on_ms > 0 || !said.limit_channels.is_empty());
            if (1..=300 + longer_ms).contains(&on_ms) {
                said.limit_channels = first;
            }
        })
    };
    assert!(for_longer_ms(0).breaches.is_empty());
    assert_eq!(for_longer_ms(10).breaches, ["load-in-window"]);
}

#[test]
fn a_short_window_is_stretched_to_the_minimum_on_time() {
    let report = run(
        &channel("from_deg = [100]\nto_deg = [150]\nminimum_on_ms = 70"),
        "[[disturb]]\nname = \"fast\"\nwhat = \"speed-set\"\nspm = 85\nfrom = { stroke = 1, angle_deg = 200 }",
    );
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let [.., least_ms, _] = measured(&report, "load-on-ms");
    assert!(least_ms >= 70.0, "{least_ms}");
}

/// Fault 62 for each way in which an output and its read-back can differ, within two periods of the
/// read-back.
#[test]
fn whatever_makes_an_output_and_its_read_back_differ_is_told() {
    // Where the channel is off, a read-back that shows on differs, and the other way round.
    for (what, angle_deg) in [
        ("channel-output-welded", 10),
        ("channel-read-back-stuck", 10),
        ("channel-output-dead", 120),
        ("channel-read-back-open", 120),
    ] {
        let disturb = format!(
            "[[disturb]]\nname = \"it\"\nwhat = \"{what}\"\nwhich = 2\nfrom = {{ stroke = 1, angle_deg = {angle_deg} }}"
        );
        let channels = [
            channel("from_deg = [300]\nto_deg = [340]"),
            channel("from_deg = [100]\nto_deg = [250]\nread_back = true"),
        ];
        // The fault stops the press at the top; nobody has to ask for it.
        let asks = "[[step]]\nact = \"top-stop\"\nwhen = { time_s = 5.0, angle_deg = 90 }\n";
        let text = continuous(&channels.concat(), &disturb).replace(asks, "");
        let expects = "may_break = [\"load-in-window\"]\n[[expect.fault]]\nnumber = 62\nafter = \"it\"\nwithin_ms = 103\n";
        let report = played(&written(&format!("{text}{expects}")));
        assert_eq!(
            report.verdict,
            Finding::Holds,
            "{what}\n{}",
            complaints(&report)
        );
        let breaks_window = report.breaches.contains(&"load-in-window");
        // A read-back that lies moves no load.
        assert_eq!(breaks_window, what.starts_with("channel-output"), "{what}");
    }
}

/// A trace has what the controller commands, what it reads back a tick later, and what the load does
/// its reaction time after that; and a read-back that lies beside the load that does not.
#[test]
fn a_trace_has_the_outputs_their_read_backs_and_the_loads() {
    const ON_TICKS: usize = 30;
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("traced.toml");
    let disturb = "[[disturb]]\nname = \"it\"\nwhat = \"channel-read-back-open\"\nwhich = 2\nfrom = { stroke = 1, angle_deg = 300 }";
    let channels = [
        channel("from_deg = [300]\nto_deg = [340]"),
        channel("from_deg = [100]\nto_deg = [250]\nload_on_ms = 30"),
    ];
    let text = continuous(&channels.concat(), disturb);
    std::fs::write(&file, format!("title = \"t\"\nlesson = \"l\"\n{text}")).expect("written");
    let signals = "limit_channels,limit_read_back,loads";
    let rows = crate::traces::rows_of(file.to_str().expect("text"), signals);
    let second = |value: f64| value as u16 >> 1 & 1;
    let goes_on = |signal: usize, from: usize| {
        let is_on = |row: &usize| second(rows[*row][signal]) == 1;
        (from..rows.len()).find(is_on).expect("it goes on")
    };
    let commanded = goes_on(0, 0);
    assert_eq!(goes_on(1, 0), commanded + 1);
    assert_eq!(goes_on(2, 0), commanded + ON_TICKS);
    // In the next turn the wire is open.
    let off =
        (commanded..rows.len()).find(|row| second(rows[*row][2]) == 0 && *row > commanded + 100);
    let again = goes_on(0, off.expect("it goes off"));
    let load = goes_on(2, again);
    assert_eq!(load, again + ON_TICKS);
    assert!(rows[again..load].iter().all(|row| second(row[1]) == 0));
}

#[test]
fn a_channel_without_read_back_is_not_watched() {
    let report = run(
        &channel("from_deg = [100]\nto_deg = [250]"),
        "[[disturb]]\nname = \"it\"\nwhat = \"channel-read-back-open\"\nwhich = 1\nfrom = { stroke = 1 }",
    );
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

/// The job is put in force anew after each power-up: a cut in the window takes the load away, and
/// later strokes have it again.
#[test]
fn the_channels_are_there_again_after_a_power_cut() {
    let text = "press = \"B\"\n\
         [limit_channels]\n\
         [[limit_channels.channel]]\nfrom_deg = [100]\nto_deg = [340]\n\
         [[step]]\nact = \"power-up\"\n\
         [[step]]\nact = \"ready\"\nmode = \"single\"\n\
         [[step]]\nact = \"press-both\"\n\
         [[step]]\nact = \"let-go\"\nwhen = { event = \"standstill\", after_ms = 900 }\n\
         [[step]]\nact = \"reset\"\nstanding = \"recommissioned\"\nwhen = { after_ms = 300 }\n\
         [[step]]\nact = \"ready\"\nmode = \"single\"\nwhen = { after_ms = 300 }\n\
         [[step]]\nact = \"single-stroke\"\n\
         [[disturb]]\nname = \"cut\"\nwhat = \"power-cut\"\nfrom = { stroke = 1, angle_deg = 200 }\nfor_ms = 400\n\
         [expect]\nreached = [\"unpowered-turning\"]\nmay_latch = [93]\n";
    let report = played(&written(text));
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let [first_ms, last_ms, ..] = measured(&report, "load-on-ms");
    assert!(first_ms < last_ms, "{first_ms} {last_ms}");
}

#[test]
fn channels_that_cannot_work_are_told_at_their_place() {
    let text = |keys: &str| continuous(&channel(keys), "");
    let place = "`limit_channels.channel[0].from_deg`";
    for (keys, words) in [
        ("from_deg = [90]", "`to_deg`"),
        ("from_deg = [90, 180]\nto_deg = [100]", "`to_deg`"),
        ("from_deg = [90]\nto_deg = [90.5]", "twice the hysteresis"),
        ("from_deg = [90, 95]\nto_deg = [100, 120]", "further apart"),
        (
            "from_deg = [90]\nto_deg = [200]\non_lead_ms = 400",
            "a quarter turn at most",
        ),
        (
            "from_deg = [90]\nto_deg = [100]\nminimum_on_ms = 500",
            "minimum on-time",
        ),
        ("from_deg = [90]\non_for_ms = [5000]", "before the next"),
        (
            "from_deg = [90]\nto_deg = [100]\nread_back = true",
            "`read_back_within_ms`",
        ),
    ] {
        refused(&text(keys), place, words);
    }
    let provisional = text("from_deg = [90]\nto_deg = [100]").replace(
        "press = \"B\"",
        "press = \"B\"\nsettings_file = \"provisional\"",
    );
    refused(&provisional, place, "not commissioned");
}

#[test]
fn a_channel_that_is_not_there_cannot_break() {
    let disturb = |which: &str| {
        format!(
            "[[disturb]]\nname = \"it\"\nwhat = \"channel-output-dead\"\n{which}\nfrom = {{ stroke = 1 }}"
        )
    };
    let channel = channel("from_deg = [90]\nto_deg = [200]");
    let place = "`disturb[0].what`";
    refused(
        &continuous(&channel, &disturb("which = 2")),
        place,
        "not there",
    );
    refused(
        &continuous(&channel, &disturb("")),
        place,
        "`which` from 1 to 16",
    );
    let other = disturb("which = 3").replace("channel-output-dead", "valve-stuck-on");
    refused(
        &continuous(&channel, &other),
        "`disturb[0].which`",
        "`which` from 1 to 2",
    );
}
