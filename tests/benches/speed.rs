//! How fast a simulated press runs, beside real time and beside a plain scipy integration of the
//! plant alone, and how much memory a long swarm takes.
//!
//! `cargo bench -p stopwright-tests --bench speed` prints, all of one run: what each layer adds up
//! to the whole bench as the scenario runner plays it (press B, continuous, one receiver, carrier
//! frames with noise); a swarm on two threads beside one; scipy. Ratios of one run count, and only
//! on a machine with nothing else to do: what is compared takes turns, and the best round is taken.
//!
//! `cargo bench -p stopwright-tests --bench speed -- --strokes 100000` makes that many strokes of a
//! swarm on all cores and prints the peak of memory. `-- --layer whole` makes one round of a layer,
//! for `speed_instructions.sh`, which counts instructions.

use rayon::ThreadPoolBuilder;
use std::path::Path;
use std::process::Command;
use std::time::Instant;
use stopwright::bench::Bench;
use stopwright::plant::{Plant, Setup, Start};
use stopwright::resolver::{FRAME_S, Resolver};
use stopwright::scenario::expect::Finding;
use stopwright::scenario::swarm::{Share, Swarm};
use stopwright::scenario::{Options, Scenario, run_core};
use stopwright_core::stroke::Mode;

/// Rounds of which the best counts.
const ROUNDS: usize = 7;
/// Time of the press in one round of a layer, ms.
const SPAN_MS: u32 = 60_000;
const SWARM_RUNS: u64 = 1_000;
const SEED: u64 = 1;

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let given = |name: &str| {
        let at = arguments.iter().position(|it| it == name)?;
        arguments.get(at + 1)
    };
    if let Some(strokes) = given("--strokes") {
        memory(strokes.parse().expect("--strokes takes a number"));
    } else if let Some(name) = given("--layer") {
        let scenario = continuous();
        let layers = layers(&scenario);
        let asked = layers.iter().find(|(it, _)| it == name);
        let (_, layer) = asked.expect("--layer takes plant, resolver, controller or whole");
        println!("{:.0} ms", 1e3 * layer().simulated_s);
    } else {
        speed();
    }
}

/// The work up to and with a layer: makes some time of the press.
type Layer<'a> = (&'static str, Box<dyn Fn() -> Timed + 'a>);

/// Time of the press over time of this machine.
#[derive(Clone, Copy)]
struct Timed {
    simulated_s: f64,
    took_s: f64,
}

impl Timed {
    /// Seconds of this machine for a second of the press.
    fn cost(self) -> f64 {
        self.took_s / self.simulated_s
    }
}

fn timed(work: impl FnOnce() -> f64) -> Timed {
    let begun = Instant::now();
    let simulated_s = work();
    Timed {
        simulated_s,
        took_s: begun.elapsed().as_secs_f64(),
    }
}

fn layers(scenario: &Scenario) -> [Layer<'_>; 4] {
    [
        ("plant", Box::new(|| turning(scenario, false))),
        ("resolver", Box::new(|| turning(scenario, true))),
        ("controller", Box::new(|| controlled(scenario))),
        ("whole", Box::new(|| played(scenario))),
    ]
}

fn speed() {
    let scenario = continuous();
    let layers = layers(&scenario);
    let mut costs = [f64::INFINITY; 4];
    for _ in 0..ROUNDS {
        for (cost, (_, layer)) in costs.iter_mut().zip(&layers) {
            *cost = cost.min(layer().cost());
        }
    }
    let whole = costs[3];
    println!("press B, continuous, one receiver, noise; best of {ROUNDS} rounds");
    println!(
        "{:<28}{:>18}{:>18}",
        "", "times real time", "adds of the whole"
    );
    let mut before = 0.0;
    for ((name, _), cost) in layers.iter().zip(costs) {
        let added = 100.0 * (cost - before) / whole;
        println!("{name:<28}{:>18.0}{added:>16.0} %", 1.0 / cost);
        before = cost;
    }
    two_threads();
    match scipy() {
        Ok(ratio) => {
            println!("scipy, the plant alone      {ratio:>18.0}");
            println!(
                "our plant over scipy's      {:>18.1}",
                1.0 / costs[0] / ratio
            );
            println!(
                "our whole bench over scipy's plant {:>11.1}",
                1.0 / whole / ratio
            );
        }
        Err(why) => println!("no comparison with scipy: {why}"),
    }
}

fn continuous() -> Scenario {
    let text = include_str!("continuous.toml");
    Scenario::from_toml("continuous.toml", text, Path::new(".")).unwrap_or_else(|it| panic!("{it}"))
}

/// The press turning at its speed, frame by frame, with a resolver or without.
fn turning(scenario: &Scenario, with_resolver: bool) -> Timed {
    let setup = Setup {
        start: Start::Turning(0.0),
        ..scenario.setup.clone()
    };
    let mut plant = Plant::new(&scenario.press, &setup, SEED);
    let resolver = Resolver::new(&scenario.resolver, SEED, "bench");
    let mut resolver = with_resolver.then_some(resolver);
    let span_s = f64::from(SPAN_MS) / 1e3;
    timed(|| {
        for frame in 1..=(span_s / FRAME_S).round() as u32 {
            if let Some(resolver) = &mut resolver {
                let now = plant.state();
                std::hint::black_box(resolver.frame(
                    now.angle_rad,
                    now.speed_rad_s,
                    now.accel_rad_s2,
                ));
            }
            plant.advance_to(f64::from(frame) * FRAME_S);
        }
        assert!(plant.state().angle_rad > 100.0, "the press turns");
        span_s
    })
}

/// Press, resolver and controller in continuous, nobody judging.
fn controlled(scenario: &Scenario) -> Timed {
    let resolver = Resolver::new(&scenario.resolver, SEED, "bench");
    let (press, setup) = (&scenario.press, &scenario.setup);
    let mut bench = Bench::new(press, setup, resolver, scenario.settings, SEED);
    let timed = timed(|| {
        bench.power_up().expect("power");
        bench.ready_at_top(Mode::Continuous).expect("ready");
        bench.panel.arm_pressed = true;
        bench.run_ms(50);
        bench.panel.arm_pressed = false;
        bench.press_both();
        bench.run_ms(600);
        bench.let_go();
        bench.run_ms(SPAN_MS);
        bench.now_s()
    });
    assert!(bench.outputs().is_some_and(|said| said.valve.is_on));
    timed
}

/// The scenario as `stopwright run` plays it.
fn played(scenario: &Scenario) -> Timed {
    timed(|| {
        let seed = scenario.seed;
        let report = run_core(scenario, &Options { seed });
        assert_eq!(report.verdict, Finding::Holds, "{:?}", report.lines);
        report.lasted_s
    })
}

fn two_threads() {
    let [mut one, mut two] = [f64::INFINITY; 2];
    for _ in 0..ROUNDS {
        one = one.min(flown(1));
        two = two.min(flown(2));
    }
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    println!("swarm, one thread           {:>18.0}", 1.0 / one);
    println!("swarm, two threads          {:>18.0}", 1.0 / two);
    println!(
        "two threads over one        {:>18.2}  ({cores} cores here)",
        one / two
    );
}

/// Cost of a swarm on so many threads.
fn flown(threads: usize) -> f64 {
    let pool = ThreadPoolBuilder::new().num_threads(threads).build();
    let swarm = Swarm {
        runs: SWARM_RUNS,
        seed: SEED,
        share: Share::WHOLE,
    };
    let fly = || {
        swarm
            .fly(|_| Ok::<(), ()>(()))
            .map_or(0.0, |it| it.lasted_s)
    };
    timed(|| pool.expect("threads").install(fly)).cost()
}

/// Times real time of `plant.py`.
fn scipy() -> Result<f64, String> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/plant.py");
    let ran = Command::new("python3").arg(&script).output();
    let ran = ran.map_err(|error| format!("python3: {error}"))?;
    if !ran.status.success() {
        let told = String::from_utf8_lossy(&ran.stderr);
        return Err(told.lines().last().unwrap_or("python3 failed").to_owned());
    }
    let said = String::from_utf8_lossy(&ran.stdout);
    said.trim().parse().map_err(|_| format!("{said:?}"))
}

/// Flies a swarm until so many strokes are made.
fn memory(strokes: u64) {
    let swarm = Swarm {
        runs: 1_000_000_000,
        seed: SEED,
        share: Share::WHOLE,
    };
    let (mut runs, mut made, mut lasted_s) = (0_u64, 0, 0.0);
    let begun = Instant::now();
    // It ends as soon as there are enough.
    let _ = swarm.fly(|row| {
        (runs, made, lasted_s) = (runs + 1, made + row.strokes, lasted_s + row.lasted_s);
        if made < strokes { Ok(()) } else { Err(()) }
    });
    let took_s = begun.elapsed().as_secs_f64();
    println!(
        "{made} strokes in {runs} runs, {lasted_s:.0} s of a press in {took_s:.0} s: {:.0} times real time",
        lasted_s / took_s
    );
    match std::fs::read_to_string("/proc/self/status") {
        Ok(status) => println!("peak of memory: {}", peak(&status)),
        Err(error) => println!("peak of memory unknown: /proc/self/status: {error}"),
    }
}

fn peak(status: &str) -> &str {
    let peak = status.lines().find_map(|it| it.strip_prefix("VmHWM:"));
    peak.map_or("not told by this system", str::trim)
}
