//! Drills: the worst faults, injected on purpose under the commissioned settings. Each is
//! judged from outside: by the valve outputs, the second means and the latch.

use super::Options;
use crate::bench::Bench;
use crate::operator::Trouble;
use crate::plant::{Faults, Mark};
use crate::record::Drill;
use crate::resolver::ResolverFaults;
use crate::units;
use stopwright_core::controller::Outputs;
use stopwright_core::fault::{FaultCode, Reaction};
use stopwright_core::stroke::Mode;

/// A fault, where it strikes, and what must come of it.
pub(super) struct Plan {
    code: FaultCode,
    /// Another fault that says the same as well.
    or: Option<FaultCode>,
    injected: &'static str,
    /// Crank angle at which it strikes.
    at_deg: f64,
    strike: fn(&mut Bench),
    /// From when the latency counts.
    clock: Clock,
    bound_ms: f64,
}

/// From when a latency counts.
enum Clock {
    /// From the injection.
    Injection,
    /// From the drive going off.
    StopCommand,
    /// From the first latch limit being passed, in time or in travel, by plant truth.
    LatchLimit,
}

/// Blind bound: how long a drill may take at all, ms.
const PATIENCE_MS: u32 = 20_000;

const PLANS: [Plan; 5] = [
    Plan {
        code: FaultCode::SignalLow,
        or: None,
        injected: "sine winding opened while closing",
        at_deg: 60.0,
        strike: |bench| {
            let faults = ResolverFaults {
                sine_open: true,
                ..bench.resolver_mut().faults().clone()
            };
            bench.resolver_mut().set_faults(faults);
        },
        clock: Clock::Injection,
        bound_ms: 3.0,
    },
    Plan {
        code: FaultCode::StopTimeExceeded,
        or: Some(FaultCode::StopTravelExceeded),
        injected: "brake torque down to 40 % before the top stop",
        at_deg: 180.0,
        strike: |bench| {
            let faults = Faults {
                brake_factor: 0.4,
                ..bench.plant().faults().clone()
            };
            bench.plant_mut().set_faults(faults);
        },
        clock: Clock::LatchLimit,
        bound_ms: 20.0,
    },
    Plan {
        code: FaultCode::ValveElementStuck,
        or: None,
        injected: "second valve element stays shifted",
        at_deg: 180.0,
        strike: |bench| {
            let faults = Faults {
                valve_stuck_on: [false, true],
                ..bench.plant().faults().clone()
            };
            bench.plant_mut().set_faults(faults);
        },
        clock: Clock::StopCommand,
        bound_ms: 151.0,
    },
    Plan {
        code: FaultCode::StopNotEnding,
        or: None,
        injected: "both valve elements stay shifted: the press would repeat",
        at_deg: 180.0,
        strike: |bench| {
            let faults = Faults {
                valve_stuck_on: [true; 2],
                ..bench.plant().faults().clone()
            };
            bench.plant_mut().set_faults(faults);
        },
        clock: Clock::LatchLimit,
        bound_ms: 20.0,
    },
    Plan {
        code: FaultCode::PermissiveAir,
        or: None,
        injected: "counterbalance air lost while closing",
        at_deg: 90.0,
        strike: |bench| {
            let faults = Faults {
                counterbalance_lost: true,
                ..bench.plant().faults().clone()
            };
            bench.plant_mut().set_faults(faults);
            bench.panel.counterbalance_air_ok = false;
        },
        clock: Clock::Injection,
        bound_ms: 2.0,
    },
];

/// Share of its travel by which a coupling drags behind in a drill: no jump that the receiver alone
/// would see, and well past every tolerance before the slide is up again.
const CREEP: f64 = 0.08;
/// Difference of the two resolvers at which they must have disagreed, degrees: the limit, and the
/// error of both receivers.
const SEEN_APART_DEG: f64 = 2.2;

/// A coupling that drags behind, for a press where something is fitted that can contradict the resolver.
fn coupling_drags(options: &Options, spm: f64) -> Option<Plan> {
    let turn_ms = 60e3 / spm;
    let (code, bound_ms) = match (&options.second_resolver, &options.index_switch) {
        (Some(_), _) => {
            let apart_after_ms = SEEN_APART_DEG / CREEP / 360.0 * turn_ms;
            (FaultCode::ReceiversDisagree, apart_after_ms + 5.0)
        }
        (None, Some(_)) => (FaultCode::IndexContradicts, turn_ms),
        (None, None) => return None,
    };
    Some(Plan {
        code,
        or: None,
        injected: "coupling of the resolver drags behind by 8 % of the travel",
        at_deg: 90.0,
        strike: |bench| {
            let faults = ResolverFaults {
                creep: CREEP,
                ..bench.resolver_mut().faults().clone()
            };
            bench.resolver_mut().set_faults(faults);
        },
        clock: Clock::Injection,
        bound_ms,
    })
}

/// The drills of a press at a speed.
pub(super) fn plans(options: &Options, spm: f64) -> Vec<Plan> {
    PLANS
        .into_iter()
        .chain(coupling_drags(options, spm))
        .collect()
}

/// Runs every drill, each on a press of its own.
pub(super) fn run(
    plans: &[Plan],
    fresh: &mut dyn FnMut() -> Result<Bench, Trouble>,
    mut each: impl FnMut(),
) -> Result<Vec<Drill>, Trouble> {
    let mut drills = Vec::new();
    for plan in plans {
        drills.push(plan.run(fresh()?)?);
        each();
    }
    Ok(drills)
}

impl Plan {
    fn run(&self, mut bench: Bench) -> Result<Drill, Trouble> {
        bench.ready_at_top(Mode::Single)?;
        bench.press_both();
        let at = units::angle(self.at_deg);
        bench.until("the drill's angle", PATIENCE_MS, |outputs| {
            let ahead = outputs
                .position
                .trusted()
                .map(|seen| at.offset_from(seen.angle()));
            ahead.is_some_and(|ahead| {
                units::travel_deg(ahead).abs() < 90.0 && units::travel_deg(ahead) <= 0.0
            })
        })?;
        bench.take_events();
        (self.strike)(&mut bench);
        let seen = self.watch(&mut bench);
        bench.let_go();
        Ok(self.judge(&seen))
    }

    /// Follows the press until the fault has latched and the press stands, and a second more.
    fn watch(&self, bench: &mut Bench) -> Seen {
        let start_s = bench.now_s();
        let mut seen = Seen {
            injected_deg: crank_deg(bench),
            ..Seen::default()
        };
        let mut quiet_ms = 0;
        for _ in 0..PATIENCE_MS {
            let outputs = *bench.tick();
            seen.note(bench, &outputs, self, start_s);
            let is_over = seen.latched_s.is_some() && outputs.stroke.is_standing();
            quiet_ms = if is_over { quiet_ms + 1 } else { 0 };
            if quiet_ms > 1_000 {
                break;
            }
        }
        seen.settle(bench);
        seen
    }

    fn is_met_by(&self, outputs: &Outputs) -> bool {
        let mut codes = [Some(self.code), self.or].into_iter().flatten();
        codes.any(|code| outputs.latched.contains(code))
    }

    fn judge(&self, seen: &Seen) -> Drill {
        let row = self.code.row();
        let from_s = match self.clock {
            Clock::Injection => Some(0.0),
            Clock::StopCommand => seen.commanded_s,
            Clock::LatchLimit => seen.limit_s,
        };
        let latency_ms = from_s
            .zip(seen.latched_s)
            .map(|(from, to)| (to - from) * 1e3);
        let needs_second = self.code.reaction() == Reaction::SecondMeans;
        let in_time = latency_ms.is_some_and(|latency| latency <= self.bound_ms);
        let pass = in_time && seen.stays_off && (!needs_second || seen.second_means);
        let expected = match self.code.reaction() {
            Reaction::SecondMeans => "stop now, latch, dump the air and drop the motor",
            Reaction::ImmediateStop => "stop now (or let the running stop end) and latch",
            Reaction::TopStop => "stop at the top and latch",
            Reaction::Advise => "show it",
        };
        Drill {
            fault_number: u16::from(row.number),
            fault: row.name.to_owned(),
            injected: self.injected.to_owned(),
            injected_deg: seen.injected_deg,
            expected: expected.to_owned(),
            seen: seen.in_words(),
            latency_ms,
            latency_deg: latency_ms.map(|ms| ms / 1e3 * 6.0 * seen.speed_spm),
            bound_ms: Some(self.bound_ms),
            pass,
        }
    }
}

/// What a drill brought.
#[derive(Debug, Default)]
struct Seen {
    injected_deg: Option<f64>,
    speed_spm: f64,
    /// Seconds after the injection.
    latched_s: Option<f64>,
    commanded_s: Option<f64>,
    limit_s: Option<f64>,
    second_means: bool,
    coil_off_deg: Option<f64>,
    others: Vec<u8>,
    /// The valve stayed off after the latch, whatever the hands did.
    stays_off: bool,
    turned_after_deg: f64,
}

impl Seen {
    fn note(&mut self, bench: &mut Bench, outputs: &Outputs, plan: &Plan, start_s: f64) {
        let now_s = bench.now_s() - start_s;
        self.speed_spm = self
            .speed_spm
            .max(bench.plant().state().speed_rad_s * 30.0 / std::f64::consts::PI);
        if self.commanded_s.is_none() && !outputs.valve.is_on {
            self.commanded_s = Some(now_s + units::duration_ms(outputs.valve.after) / 1e3);
        }
        self.note_limit(bench, start_s);
        if self.latched_s.is_none() && plan.is_met_by(outputs) {
            self.latched_s = Some(now_s);
        }
        self.second_means |= outputs.second_means;
        for fault in outputs.raised.iter().filter(|fault| *fault != plan.code) {
            self.others.push(fault.number());
        }
    }

    /// When the stop passed the first of its two limits.
    fn note_limit(&mut self, bench: &mut Bench, start_s: f64) {
        let off = bench
            .take_events()
            .into_iter()
            .find(|event| matches!(event.mark, Mark::CoilOff(_)));
        self.coil_off_deg = self.coil_off_deg.or(off.map(|event| event.angle_deg));
        let now_s = bench.now_s();
        let travel_deg = self
            .coil_off_deg
            .map(|from| bench.plant().state().angle_rad.to_degrees() - from);
        let latch = bench.controller().settings().get().stop.top.travel_latch;
        let too_far = travel_deg.is_some_and(|travel| travel > units::travel_deg(latch));
        let too_long = bench.limit_runs_out_s().is_some_and(|limit| now_s > limit);
        if self.limit_s.is_none() && (too_far || too_long) {
            self.limit_s = Some(now_s - start_s);
        }
    }

    /// Presses both hands again: nothing may move.
    fn settle(&mut self, bench: &mut Bench) {
        bench.let_go();
        bench.run_ms(200);
        let before = bench.plant().state().angle_rad;
        bench.press_both();
        self.stays_off = (0..1_000).all(|_| !bench.tick().valve.is_on);
        self.turned_after_deg = (bench.plant().state().angle_rad - before).to_degrees();
    }

    fn in_words(&self) -> String {
        let mut words = match self.latched_s {
            Some(_) => "latched".to_owned(),
            None => "not latched".to_owned(),
        };
        if self.second_means {
            words += ", second means used";
        }
        words += if self.stays_off {
            ", no stroke on renewed actuation"
        } else {
            ", valve came on again"
        };
        if !self.others.is_empty() {
            let numbers: Vec<String> = self.others.iter().map(u8::to_string).collect();
            words += &format!("; also latched: {}", numbers.join(", "));
        }
        words
    }
}

fn crank_deg(bench: &Bench) -> Option<f64> {
    Some(
        bench
            .plant()
            .state()
            .angle_rad
            .to_degrees()
            .rem_euclid(360.0),
    )
}
