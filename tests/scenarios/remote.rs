//! Any controller: the core at the end of a socket, a few lines of Python at the end of a pipe or of
//! a serial line, one that dies, and one that talks nonsense.

use crate::{complaints, load, measured, root};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use stopwright::bench::JobKeeper;
use stopwright::scenario::expect::Finding;
use stopwright::scenario::protocol::{
    Answer, Question, Said, VERSION, Wired, framed, said, unframed,
};
use stopwright::scenario::remote::Remote;
use stopwright::scenario::{Options, Report, Scenario, run, run_core};
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Controller, Inputs, Selector, Service};
use stopwright_core::fault::{FaultCode, FaultSet};
use stopwright_core::fault_latch::Standing;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::signal::CarrierFrame;
use stopwright_core::time::Instant;
use stopwright_core::two_hand::{PalmContacts, Station};
use stopwright_core::valve_pair::{Captured, ElementFeedback};

fn scenario(name: &str) -> Scenario {
    load(&root().join(format!("tests/scenarios/remote/{name}.toml")))
}

fn played(scenario: &Scenario, remote: Remote) -> Report {
    let options = Options {
        seed: scenario.seed,
    };
    run(scenario, &options, remote, None)
}

/// The command of the example controller, or none without Python: then the test says so, unless it
/// has been told that Python must be there.
fn example(arguments: &str) -> Option<String> {
    let has = Command::new("python3").arg("--version").output().is_ok();
    if !has {
        let needed = std::env::var_os("STOPWRIGHT_NEEDS_PYTHON").is_some();
        assert!(!needed, "there is no python3");
        eprintln!("no python3: the example controller was not played");
        return None;
    }
    let file = root().join("sim-host/examples/controller.py");
    Some(format!("python3 {} {arguments}", file.display()))
}

/// The example at the end of a pipe.
fn python(arguments: &str) -> Option<Remote> {
    let line = example(arguments)?;
    Some(Remote::open(line.trim()).expect("the example controller"))
}

/// A program at the far end of a serial line, ended with the test.
#[cfg(unix)]
struct FarEnd {
    program: Child,
    /// The near end.
    path: String,
}

#[cfg(unix)]
impl Drop for FarEnd {
    fn drop(&mut self) {
        let _ = self.program.kill();
        let _ = self.program.wait();
    }
}

/// The example at the far end of a pair of pseudo-terminals, which stand for a serial line.
#[cfg(unix)]
fn on_a_line(arguments: &str) -> Option<FarEnd> {
    // The near end stays open in the example, as a line does between two runs.
    const LINE: &str = "import os, sys
far, near = os.openpty()
print(os.ttyname(near), flush=True)
os.set_inheritable(near, True)
os.dup2(far, 0)
os.dup2(far, 1)
os.execvp(sys.argv[1], sys.argv[1:])";
    let line = example(arguments)?;
    let mut program = Command::new("python3")
        .args(["-c", LINE])
        .args(line.split_whitespace())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3");
    let mut path = String::new();
    let out = program.stdout.take().expect("a pipe");
    BufReader::new(out).read_line(&mut path).expect("a path");
    let path = path.trim().to_owned();
    Some(FarEnd { program, path })
}

#[test]
fn a_few_lines_of_python_make_two_strokes() {
    let Some(remote) = python("") else { return };
    assert_eq!(remote.name(), "example in Python");
    let report = played(&scenario("strokes"), remote);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

#[cfg(unix)]
#[test]
fn one_controller_at_the_end_of_a_serial_line_is_there_for_one_run_after_the_other() {
    let Some(far) = on_a_line("") else { return };
    let scenario = scenario("strokes");
    let piped = played(&scenario, python("").expect("Python"));
    for place in ["", ",9600", ",4000000"].map(|baud| format!("serial:{}{baud}", far.path)) {
        let remote = Remote::open(&place).expect("a line");
        assert_eq!(remote.name(), "example in Python");
        let report = played(&scenario, remote);
        assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
        assert_eq!(report.digest, piped.digest);
    }
}

#[cfg(unix)]
#[test]
fn a_controller_killed_at_the_end_of_a_serial_line_is_lost_and_the_valve_is_off() {
    let Some(far) = on_a_line("--die-at 90") else {
        return;
    };
    let remote = Remote::open(&format!("serial:{}", far.path)).expect("a line");
    let report = played(&scenario("killed"), remote);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let line = report.lines.iter().find(|line| line.about == "controller");
    assert!(line.expect("a line").seen.starts_with("lost, as meant"));
}

#[test]
fn a_serial_line_that_is_none_is_told() {
    for place in [
        "serial:",
        "serial:,9600",
        "serial:/dev/null,fast",
        "serial:/dev/null,1199",
        "serial:/dev/null,4000001",
    ] {
        let problem = Remote::open(place).expect_err(place).to_string();
        assert!(
            problem.contains("from 1200 to 4000000"),
            "{place}: {problem}"
        );
    }
    for (place, path) in [
        ("serial:/dev/no-such-line", "/dev/no-such-line"),
        ("serial:/dev/no-such-line,9600", "/dev/no-such-line"),
        // There, and no line.
        ("serial:/dev/null", "/dev/null"),
    ] {
        let problem = Remote::open(place).expect_err(place).to_string();
        assert!(problem.starts_with("controller"), "{place}: {problem}");
        assert!(problem.contains(path), "{place}: {problem}");
    }
}

/// The example switches a channel by its angle and leads nothing.
#[test]
fn a_few_lines_of_python_switch_a_limit_channel() {
    let Some(remote) = python("--channel 200 280") else {
        return;
    };
    let report = played(&scenario("channels"), remote);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

#[test]
fn a_controller_killed_in_mid_stroke_is_lost_and_the_valve_is_off() {
    let Some(remote) = python("--die-at 90") else {
        return;
    };
    let scenario = scenario("killed");
    let report = played(&scenario, remote);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
    let line = report.lines.iter().find(|line| line.about == "controller");
    assert!(line.expect("a line").seen.starts_with("lost, as meant"));
    // At 90 degrees, and a stop later at rest for good.
    let [_, rest_turns, ..] = measured(&report, "turns");
    let [_, stop_deg, ..] = measured(&report, "stop-travel-deg");
    let off_deg = 360.0 * rest_turns - stop_deg;
    // Half a degree a tick, and the output stage of 8 ms.
    assert!((90.0..97.0).contains(&off_deg), "{off_deg}");
    // A run that did not expect it fails.
    let mut unexpected = scenario;
    unexpected.expect.controller_lost = false;
    let report = played(&unexpected, python("--die-at 90").expect("Python"));
    assert_eq!(report.verdict, Finding::Broken);
    assert!(complaints(&report).contains("controller lost"));
}

/// Serves one run on a socket of this machine; `answer` makes of each question what is sent.
fn served(mut answer: impl FnMut(Question) -> Option<Vec<u8>> + Send + 'static) -> Remote {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("an address");
    std::thread::spawn(move || {
        let (stream, _) = listener.accept().expect("the bench");
        let mut out: TcpStream = stream.try_clone().expect("a socket");
        let mut reader = BufReader::new(stream);
        loop {
            let mut frame = Vec::new();
            if !matches!(reader.read_until(0, &mut frame), Ok(bytes) if bytes > 0) {
                return;
            }
            let question = unframed(frame).expect("a question");
            let is_tick = matches!(question, Question::Tick(_) | Question::Hello { .. });
            match answer(question) {
                Some(bytes) if out.write_all(&bytes).is_ok() => {}
                None if !is_tick => {}
                _ => return,
            }
        }
    });
    Remote::open(&format!("tcp:{address}")).expect("a controller")
}

fn hello() -> Option<Vec<u8>> {
    let answer = Answer::Hello {
        version: VERSION,
        name: "test".to_owned(),
    };
    Some(framed(&answer).expect("a frame"))
}

/// The core at the far end of the socket, with the job of the scenario, which it has from elsewhere.
fn core(scenario: &Scenario) -> impl FnMut(Question) -> Option<Vec<u8>> + Send + 'static {
    let (settings, bank) = (scenario.settings, scenario.limit_channels.clone());
    let mut core = Controller::new(settings, FaultSet::EMPTY);
    let keeper = move || bank.as_ref().map(|bank| JobKeeper::new(bank.job));
    let (mut job, mut before) = (keeper(), None);
    move |question| match question {
        Question::Hello { .. } => hello(),
        Question::PowerUp { stored } => {
            let code = |number: &u8| FaultCode::from_number(*number).expect("a fault");
            let stored = stored
                .iter()
                .map(code)
                .fold(FaultSet::EMPTY, FaultSet::with);
            core = Controller::new(settings, stored);
            (job, before) = (keeper(), None);
            None
        }
        Question::Tick(wired) => {
            let mut inputs = inputs(&wired);
            let due = job.as_ref().zip(before.as_ref());
            let due = due.and_then(|(keeper, said)| keeper.due(said));
            inputs.service = due.map_or(Service::None, Service::AdoptJob);
            let was_asked = due.is_some();
            let outputs = core.tick(&inputs);
            if let Some(keeper) = &mut job {
                keeper.note(&outputs, was_asked);
            }
            before = Some(outputs);
            let answer = Answer::Tick(said(&outputs));
            Some(framed(&answer).expect("a frame"))
        }
        Question::Bye => None,
    }
}

fn inputs(wired: &Wired) -> Inputs<'static> {
    let palm = |contacts: [bool; 2]| PalmContacts {
        normally_open_closed: contacts[0],
        normally_closed_closed: contacts[1],
    };
    let pair = |levels: [bool; 2]| Levels {
        first: levels[0],
        second: levels[1],
    };
    let captured = |is_on, us| Captured {
        is_on,
        changed_at: Instant::from_micros(us),
    };
    let station = Station {
        is_active: true,
        left: palm(wired.palms[0]),
        right: palm(wired.palms[1]),
    };
    let standings = [
        Standing::Operator,
        Standing::KeyHolder,
        Standing::Recommissioned,
    ];
    Inputs {
        now: Instant::from_micros(wired.now_us),
        second_frames: std::array::from_fn(|frame| CarrierFrame {
            sine: wired.second_sine[frame],
            cosine: wired.second_cosine[frame],
        }),
        index_closed: wired.index_closed,
        frames: std::array::from_fn(|frame| CarrierFrame {
            sine: wired.sine[frame],
            cosine: wired.cosine[frame],
        }),
        supply_ok: wired.supply_ok,
        stations: [station, Station::default()],
        selector: Selector::from_contacts(wired.selector as u8),
        emergency_chain: pair(wired.emergency_chain),
        stop_control_closed: wired.stop_control_closed,
        presence: pair(wired.presence),
        guards: pair(wired.guards),
        motor_forward: wired.motor_forward,
        drive_at_rest: wired.drive_at_rest,
        clutch_air_ok: wired.clutch_air_ok,
        counterbalance_air_ok: wired.counterbalance_air_ok,
        brake_temperature_ok: wired.brake_temperature_ok,
        auxiliaries_ok: wired.auxiliaries_ok,
        key_turned: wired.key_turned,
        valve: wired.valve.map(|element| ElementFeedback {
            coil: captured(element.coil_on, element.coil_changed_us),
            shifted: captured(element.shifted, element.shifted_changed_us),
        }),
        arm_pressed: wired.arm_pressed,
        top_stop_pressed: wired.top_stop_pressed,
        reset: wired.reset.map(|reset| standings[usize::from(reset)]),
        test_angle: None,
        limit_read_back: ChannelSet::from_bits(wired.limit_read_back),
        peer: None,
        second_clock: None,
        reported: FaultSet::EMPTY,
        service: Service::None,
    }
}

/// Measured from records and positions, which the protocol does not carry.
const TOLD: [&str; 3] = [
    "told-time-error-ms",
    "told-travel-error-deg",
    "angle-error-deg",
];

/// The protocol leaves nothing out that the core needs: at the end of a socket it does the same, to
/// the bit of the press's motion.
#[test]
fn the_core_at_the_end_of_a_socket_does_what_it_does_in_process() {
    for name in ["strokes", "channels"] {
        let scenario = scenario(name);
        let here = run_core(
            &scenario,
            &Options {
                seed: scenario.seed,
            },
        );
        let there = played(&scenario, served(core(&scenario)));
        assert_eq!(there.verdict, Finding::Holds, "{}", complaints(&there));
        assert_eq!(here.measured.len(), there.measured.len() + TOLD.len());
        for it in here.measured.iter().filter(|it| !TOLD.contains(&it.what)) {
            let what = it.what;
            assert_eq!(measured(&here, what), measured(&there, what), "{what}");
        }
    }
}

/// Power comes back on a controller far away, with what was latched.
#[test]
fn a_power_cut_reaches_a_controller_at_the_end_of_a_socket() {
    let scenario = crate::shipped("power-cut-in-a-stroke");
    let mut there = scenario.clone();
    // Its steps look at states only.
    there.file = "power cut".to_owned();
    let report = played(&there, served(core(&scenario)));
    assert!(report.faults.contains(&93), "{:?}", report.faults);
    assert_eq!(report.verdict, Finding::Holds, "{}", complaints(&report));
}

#[test]
fn a_controller_that_talks_nonsense_is_lost() {
    let nonsense: [fn() -> Option<Vec<u8>>; 4] = [
        || Some(vec![7, 7, 7, 0]),
        hello,
        || {
            let said = Said {
                state: 99,
                ..Said::default()
            };
            Some(framed(&Answer::Tick(said)).expect("a frame"))
        },
        || None,
    ];
    let scenario = scenario("killed");
    for answer in nonsense {
        let mut ticks = 0;
        let remote = served(move |question| match question {
            Question::Hello { .. } => hello(),
            Question::Tick(_) => {
                ticks += 1;
                if ticks > 30 {
                    return answer();
                }
                Some(framed(&Answer::Tick(Said::default())).expect("a frame"))
            }
            _ => None,
        });
        let report = played(&scenario, remote);
        let line = report.lines.iter().find(|line| line.about == "controller");
        assert!(line.expect("a line").seen.starts_with("lost, as meant"));
        let [_, turns, ..] = measured(&report, "turns");
        assert_eq!(turns, 0.0);
    }
}

#[test]
fn only_this_machine_is_connected_to_and_a_missing_command_is_told() {
    for place in [
        "tcp:192.0.2.1:4000",
        "tcp:localhost",
        "tcp:",
        "no-such-command-here",
        "",
    ] {
        let problem = Remote::open(place).expect_err(place).to_string();
        assert!(problem.starts_with("controller"), "{place}: {problem}");
    }
}
