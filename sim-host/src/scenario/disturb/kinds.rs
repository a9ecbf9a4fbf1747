//! The table of what can break: word, size, where it strikes.

use super::frames::FrameFault;
use super::{Detail, Winding};
use crate::index_switch::IndexSwitch;
use crate::load::LoadFaults;
use crate::plant::{Faults, Plant, Sticking};
use crate::resolver::ResolverFaults;
use crate::units;
use stopwright_core::contacts::{Levels, PairKind};
use stopwright_core::controller::{Inputs, Selector, Service};
use stopwright_core::fault::FaultCode;
use stopwright_core::limit_channels::{CHANNELS, ChannelSet};
use stopwright_core::time::Instant;
use stopwright_core::two_hand::PalmContacts;
use stopwright_core::valve_pair::Captured;

/// How a size is given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Size {
    /// The key, which is its unit.
    pub key: &'static str,
    /// Least.
    pub least: f64,
    /// Most.
    pub most: f64,
}

/// A kind of disturbance.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// Its word.
    pub word: &'static str,
    /// What it does, for the documents.
    pub what: &'static str,
    /// Its size, if it has one.
    pub size: Option<Size>,
    /// It strikes one of so many: `which`, from 1; 0 when there is nothing to choose.
    pub one_of: usize,
    /// It strikes a winding: `winding`.
    pub has_winding: bool,
    /// Its family, for the swarm.
    pub family: &'static str,
    pub(super) strike: Strike,
}

/// Where a kind strikes.
#[derive(Clone, Copy, Debug)]
pub(super) enum Strike {
    Frames(FrameFault),
    Resolver(fn(&mut ResolverFaults, &Detail)),
    Inputs(fn(&mut Inputs<'_>, &Detail)),
    Press(fn(&mut Faults, &Detail)),
    Loads(fn(&mut LoadFaults, &Detail)),
    Index(fn(&mut IndexSwitch, &Detail)),
    /// Once, when it begins.
    Once(fn(&mut Plant, &Detail)),
    LateTick,
    Power,
}

/// Two kinds are the same when they have the same word.
impl PartialEq for Kind {
    fn eq(&self, other: &Self) -> bool {
        self.word == other.word
    }
}

impl Kind {
    const fn new(
        family: &'static str,
        word: &'static str,
        what: &'static str,
        strike: Strike,
    ) -> Self {
        Self {
            word,
            what,
            size: None,
            one_of: 0,
            has_winding: false,
            family,
            strike,
        }
    }

    const fn frames(word: &'static str, what: &'static str, fault: FrameFault) -> Self {
        Self::new("samples", word, what, Strike::Frames(fault)).of_a_winding()
    }

    const fn resolver(
        word: &'static str,
        what: &'static str,
        act: fn(&mut ResolverFaults, &Detail),
    ) -> Self {
        Self::new("resolver", word, what, Strike::Resolver(act))
    }

    const fn input(
        word: &'static str,
        what: &'static str,
        act: fn(&mut Inputs<'_>, &Detail),
    ) -> Self {
        Self::new("inputs", word, what, Strike::Inputs(act))
    }

    const fn press(word: &'static str, what: &'static str, act: fn(&mut Faults, &Detail)) -> Self {
        Self::new("press", word, what, Strike::Press(act))
    }

    const fn index(
        word: &'static str,
        what: &'static str,
        act: fn(&mut IndexSwitch, &Detail),
    ) -> Self {
        Self::new("index", word, what, Strike::Index(act))
    }

    const fn loads(
        word: &'static str,
        what: &'static str,
        act: fn(&mut LoadFaults, &Detail),
    ) -> Self {
        Self::new("channels", word, what, Strike::Loads(act)).of_a_channel()
    }

    const fn sized(self, key: &'static str, least: f64, most: f64) -> Self {
        let size = Some(Size { key, least, most });
        Self { size, ..self }
    }

    const fn one_of(self, count: usize) -> Self {
        Self {
            one_of: count,
            ..self
        }
    }

    const fn one_of_two(self) -> Self {
        self.one_of(2)
    }

    const fn of_a_channel(self) -> Self {
        Self {
            one_of: CHANNELS,
            family: "channels",
            ..self
        }
    }

    const fn of_a_winding(self) -> Self {
        Self {
            has_winding: true,
            ..self
        }
    }

    /// Whether it strikes one resolver: `resolver` 1 or 2, the first without it.
    pub const fn is_of_a_resolver(&self) -> bool {
        matches!(self.strike, Strike::Frames(_) | Strike::Resolver(_))
    }

    /// The kind of this word.
    pub fn named(word: &str) -> Option<&'static Self> {
        KINDS.iter().find(|kind| kind.word == word)
    }
}

/// Everything that can break.
pub const KINDS: &[Kind] = &[
    Kind::frames(
        "samples-dropout",
        "no signal at the converter",
        FrameFault::Dropout,
    ),
    Kind::frames(
        "samples-noise",
        "noise on the samples, one sigma",
        FrameFault::Noise,
    )
    .sized("codes", 0.0, 2_000.0),
    Kind::frames(
        "samples-stuck-code",
        "the converter gives one code",
        FrameFault::StuckCode,
    )
    .sized("codes", 0.0, 4_095.0),
    Kind::frames(
        "samples-offset",
        "a direct voltage, share of full scale",
        FrameFault::Offset,
    )
    .sized("percent", -100.0, 100.0),
    Kind::frames(
        "samples-gain-loss",
        "part of the signal lost",
        FrameFault::GainLoss,
    )
    .sized("percent", 0.0, 100.0),
    Kind::new(
        "samples",
        "samples-exchanged",
        "sine and cosine wires swapped",
        Strike::Frames(FrameFault::Exchanged),
    ),
    Kind::frames(
        "samples-reversed",
        "the pair of a winding swapped",
        FrameFault::Reversed,
    ),
    Kind::frames(
        "samples-frozen",
        "the last good samples for ever",
        FrameFault::Frozen,
    ),
    Kind::resolver("winding-open", "a winding is open", |faults, detail| {
        faults.sine_open |= detail.winding != Winding::Cosine;
        faults.cosine_open |= detail.winding != Winding::Sine;
    })
    .of_a_winding(),
    Kind::resolver(
        "winding-short",
        "a short between turns, share lost",
        |faults, detail| {
            let share = detail.size / 100.0;
            if detail.winding != Winding::Cosine {
                faults.sine_short = share;
            }
            if detail.winding != Winding::Sine {
                faults.cosine_short = share;
            }
        },
    )
    .sized("percent", 0.0, 100.0)
    .of_a_winding(),
    Kind::resolver(
        "windings-shorted-together",
        "sine and cosine touch",
        |faults, _| {
            faults.cross_short = true;
        },
    ),
    Kind::resolver(
        "excitation-lost",
        "share of the excitation lost",
        |faults, detail| {
            faults.excitation_loss = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 100.0),
    Kind::resolver(
        "coupling-slip",
        "the coupling has slipped",
        |faults, detail| {
            faults.slip_deg += detail.size;
        },
    )
    .sized("deg", -180.0, 180.0),
    Kind::resolver(
        "coupling-broken",
        "the rotor no longer follows the crank",
        |faults, _| {
            faults.decoupled = true;
        },
    ),
    Kind::resolver(
        "coupling-drags",
        "the coupling lags by this share of all travel",
        |faults, detail| {
            faults.creep = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 100.0),
    Kind::resolver(
        "body-turned",
        "the resolver turned in its mounting",
        |faults, detail| {
            faults.body_deg += detail.size;
        },
    )
    .sized("deg", -180.0, 180.0),
    Kind::index(
        "index-stuck-closed",
        "the index switch stays closed",
        |switch, _| switch.stuck = Some(true),
    ),
    Kind::index(
        "index-stuck-open",
        "the index switch stays open",
        |switch, _| switch.stuck = Some(false),
    ),
    Kind::index(
        "index-shifted",
        "the index switch or its cam has moved",
        |switch, detail| switch.moved_deg += detail.size,
    )
    .sized("deg", -180.0, 180.0),
    Kind::index(
        "index-wanders",
        "the edges of the index switch scatter, one sigma",
        |switch, detail| switch.wander_deg = detail.size,
    )
    .sized("deg", 0.0, 5.0),
    Kind::input(
        "emergency-channel-open",
        "one channel of the chain is open",
        |inputs, detail| {
            channel(
                &mut inputs.emergency_chain,
                PairKind::Equivalent,
                detail,
                false,
            );
        },
    )
    .one_of_two(),
    Kind::input(
        "emergency-channel-welded",
        "a channel stays closed",
        |inputs, detail| {
            channel(
                &mut inputs.emergency_chain,
                PairKind::Equivalent,
                detail,
                true,
            );
        },
    )
    .one_of_two(),
    Kind::input(
        "presence-channel-open",
        "one channel shows an obstacle",
        |inputs, detail| {
            channel(&mut inputs.presence, PairKind::Equivalent, detail, false);
        },
    )
    .one_of_two(),
    Kind::input(
        "presence-channel-stuck",
        "one channel shows clear for ever",
        |inputs, detail| {
            channel(&mut inputs.presence, PairKind::Equivalent, detail, true);
        },
    )
    .one_of_two(),
    Kind::input(
        "guard-channel-open",
        "one channel shows an open guard",
        |inputs, detail| {
            channel(&mut inputs.guards, PairKind::Complementary, detail, false);
        },
    )
    .one_of_two(),
    Kind::input(
        "guard-channel-stuck",
        "one channel shows a closed guard for ever",
        |inputs, detail| {
            channel(&mut inputs.guards, PairKind::Complementary, detail, true);
        },
    )
    .one_of_two(),
    Kind::input(
        "palm-contact-stuck-open",
        "a closing contact stays open",
        |inputs, detail| {
            palm(inputs, detail).normally_open_closed = false;
        },
    )
    .one_of_two(),
    Kind::input(
        "palm-contact-welded",
        "a closing contact stays closed",
        |inputs, detail| {
            palm(inputs, detail).normally_open_closed = true;
        },
    )
    .one_of_two(),
    Kind::input(
        "palm-opening-contact-stuck-open",
        "an opening contact stays open",
        |inputs, detail| {
            palm(inputs, detail).normally_closed_closed = false;
        },
    )
    .one_of_two(),
    Kind::input(
        "palm-opening-contact-welded",
        "an opening contact stays closed",
        |inputs, detail| {
            palm(inputs, detail).normally_closed_closed = true;
        },
    )
    .one_of_two(),
    Kind::input(
        "palm-tied-down",
        "a button is held down by something",
        |inputs, detail| {
            *palm(inputs, detail) = PalmContacts::PRESSED;
        },
    )
    .one_of_two(),
    Kind::input(
        "station-left-out",
        "a station is switched off",
        |inputs, detail| {
            inputs.stations[detail.which].is_active = false;
        },
    )
    .one_of_two(),
    Kind::input(
        "station-brought-in",
        "a station is switched on, whoever is at it",
        |inputs, detail| {
            inputs.stations[detail.which].is_active = true;
        },
    )
    .one_of_two(),
    Kind::input(
        "selector-between",
        "the selector shows no mode",
        |inputs, _| {
            inputs.selector = Selector::from_contacts(0);
        },
    ),
    Kind::input(
        "selector-two-modes",
        "the selector shows two modes",
        |inputs, _| {
            inputs.selector = Selector::from_contacts(0b1_1000);
        },
    ),
    Kind::input(
        "selector-knob-slipped",
        "the selector shows off, barring, inch, single, continuous or test, wherever its knob stands",
        |inputs, detail| {
            inputs.selector = Selector::from_contacts(1 << detail.which);
        },
    )
    .one_of(6),
    Kind::input(
        "stop-control-open",
        "the stop control's contact is open",
        |inputs, _| {
            inputs.stop_control_closed = false;
        },
    ),
    Kind::input(
        "stop-control-welded",
        "the stop control's contact stays closed",
        |inputs, _| {
            inputs.stop_control_closed = true;
        },
    ),
    Kind::input(
        "motor-contact-open",
        "the motor does not report",
        |inputs, _| {
            inputs.motor_forward = false;
        },
    ),
    Kind::input(
        "motor-contact-welded",
        "the motor reports that it runs, for ever",
        |inputs, _| {
            inputs.motor_forward = true;
        },
    ),
    Kind::input(
        "rest-monitor-open",
        "the drive never reports that it is at rest",
        |inputs, _| {
            inputs.drive_at_rest = false;
        },
    ),
    Kind::input(
        "rest-monitor-welded",
        "the drive reports that it is at rest, for ever",
        |inputs, _| {
            inputs.drive_at_rest = true;
        },
    ),
    Kind::input(
        "auxiliaries-lost",
        "lubrication, die protection or overload",
        |inputs, _| {
            inputs.auxiliaries_ok = false;
        },
    ),
    Kind::input(
        "auxiliaries-welded",
        "lubrication, die protection and overload are not heard",
        |inputs, _| {
            inputs.auxiliaries_ok = true;
        },
    ),
    Kind::input(
        "clutch-air-switch-open",
        "clutch air out of its window",
        |inputs, _| {
            inputs.clutch_air_ok = false;
        },
    ),
    Kind::input(
        "clutch-air-switch-welded",
        "the switch of the clutch air stays closed",
        |inputs, _| {
            inputs.clutch_air_ok = true;
        },
    ),
    Kind::input(
        "counterbalance-switch-open",
        "counterbalance air out of its window",
        |inputs, _| {
            inputs.counterbalance_air_ok = false;
        },
    ),
    Kind::input(
        "counterbalance-switch-welded",
        "the switch of the counterbalance air stays closed",
        |inputs, _| {
            inputs.counterbalance_air_ok = true;
        },
    ),
    Kind::input(
        "thermal-switch-open",
        "the thermal switch of the brake stays open",
        |inputs, _| {
            inputs.brake_temperature_ok = false;
        },
    ),
    Kind::input(
        "thermal-switch-welded",
        "the thermal switch of the brake stays closed",
        |inputs, _| {
            inputs.brake_temperature_ok = true;
        },
    ),
    Kind::input("key-contact-open", "the key does nothing", |inputs, _| {
        inputs.key_turned = false;
    }),
    Kind::input(
        "key-contact-welded",
        "the key shows turned for ever",
        |inputs, _| {
            inputs.key_turned = true;
        },
    ),
    Kind::input(
        "arm-button-open",
        "the button of the prior action does nothing",
        |inputs, _| {
            inputs.arm_pressed = false;
        },
    ),
    Kind::input(
        "arm-button-welded",
        "the button of the prior action shows pressed",
        |inputs, _| {
            inputs.arm_pressed = true;
        },
    ),
    Kind::input(
        "top-stop-button-open",
        "the top-stop button does nothing",
        |inputs, _| {
            inputs.top_stop_pressed = false;
        },
    ),
    Kind::input(
        "top-stop-button-welded",
        "the top-stop button shows pressed",
        |inputs, _| {
            inputs.top_stop_pressed = true;
        },
    ),
    Kind::input(
        "reset-button-open",
        "the reset button does nothing",
        |inputs, _| {
            inputs.reset = None;
        },
    ),
    Kind::input(
        "reset-jammed",
        "the reset button of the operator is held in",
        |inputs, _| {
            inputs.reset = Some(stopwright_core::fault_latch::Standing::Operator);
        },
    ),
    Kind::input(
        "test-angle-lost",
        "the angle of a test stroke does not arrive",
        |inputs, _| {
            inputs.test_angle = None;
        },
    ),
    Kind::input(
        "test-angle-wrong",
        "another angle of a test stroke arrives",
        |inputs, detail| {
            inputs.test_angle = Some(units::angle(detail.size));
        },
    )
    .sized("deg", 0.0, 360.0),
    Kind::input(
        "supply-monitor-open",
        "the supply is reported gone while it is there",
        |inputs, _| {
            inputs.supply_ok = false;
        },
    ),
    Kind::input(
        "supply-monitor-welded",
        "the supply is reported there for ever",
        |inputs, _| {
            inputs.supply_ok = true;
        },
    ),
    Kind::input(
        "coil-read-back-stuck",
        "the read-back of a coil shows current",
        |inputs, detail| {
            inputs.valve[detail.which].coil = never_changed(true);
        },
    )
    .one_of_two(),
    Kind::input(
        "coil-read-back-open",
        "the read-back of a coil shows none",
        |inputs, detail| {
            inputs.valve[detail.which].coil = never_changed(false);
        },
    )
    .one_of_two(),
    Kind::input(
        "second-clock-off",
        "a second oscillator runs off, share",
        |inputs, detail| {
            let micros = inputs.now.as_micros() as f64 * (1.0 + detail.size / 100.0);
            inputs.second_clock = Some(Instant::from_micros(micros as u64));
        },
    )
    .sized("percent", -50.0, 50.0),
    Kind::input(
        "memory-test-fails",
        "the memory test reports damage",
        |inputs, _| {
            inputs.reported = inputs.reported.with(FaultCode::MemoryDamaged);
        },
    ),
    Kind::input(
        "zero-capture-asked",
        "commissioning asks for the angle without end",
        |inputs, _| {
            inputs.service = Service::CaptureAngle;
        },
    ),
    Kind::press(
        "valve-stuck-on",
        "an element stays shifted",
        |faults, detail| {
            faults.valve_stuck_on[detail.which] = true;
        },
    )
    .one_of_two(),
    Kind::press(
        "valve-stuck-off",
        "an element does not shift",
        |faults, detail| {
            faults.valve_stuck_off[detail.which] = true;
        },
    )
    .one_of_two(),
    Kind::press(
        "valve-slow",
        "an element is late to exhaust",
        |faults, detail| {
            faults.valve_slow_ms[detail.which] = detail.size;
        },
    )
    .one_of_two()
    .sized("ms", 0.0, 1_000.0),
    Kind::press(
        "valve-sticking",
        "both elements stick now and then, mean delay",
        |faults, detail| {
            let sticking = Sticking {
                chance: 0.3,
                mean_ms: detail.size,
            };
            faults.valve_sticking = [sticking; 2];
        },
    )
    .sized("ms", 0.0, 1_000.0),
    Kind::press(
        "feedback-stuck-on",
        "an element's feedback shows shifted",
        |faults, detail| {
            faults.feedback_stuck[detail.which] = Some(true);
        },
    )
    .one_of_two(),
    Kind::press(
        "feedback-stuck-off",
        "an element's feedback shows exhausted",
        |faults, detail| {
            faults.feedback_stuck[detail.which] = Some(false);
        },
    )
    .one_of_two(),
    Kind::press(
        "output-shorted",
        "an output driver is shorted on",
        |faults, detail| {
            faults.output_stuck_on[detail.which] = true;
        },
    )
    .one_of_two(),
    Kind::press(
        "exhaust-restricted",
        "exhaust time constant, share of sound",
        |faults, detail| {
            faults.exhaust_factor = detail.size / 100.0;
        },
    )
    .sized("percent", 100.0, 1_000.0),
    Kind::press(
        "clutch-drag",
        "pressure that stays in the clutch",
        |faults, detail| {
            faults.residual_bar = detail.size;
        },
    )
    .sized("bar", 0.0, 10.0),
    Kind::press(
        "air-pressure",
        "supply pressure instead of the press's own",
        |faults, detail| {
            faults.supply_bar = Some(detail.size);
        },
    )
    .sized("bar", 0.0, 16.0),
    Kind::press(
        "brake-torque",
        "brake torque, share of sound",
        |faults, detail| {
            faults.brake_factor = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 200.0),
    Kind::press(
        "brake-springs",
        "springs broken, of twelve",
        |faults, detail| {
            faults.broken_springs = detail.size as u32;
        },
    )
    .sized("count", 0.0, 12.0),
    Kind::press(
        "clutch-torque",
        "clutch torque, share of sound",
        |faults, detail| {
            faults.clutch_factor = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 200.0),
    Kind::press(
        "counterbalance-lost",
        "the counterbalance carries nothing",
        |faults, _| {
            faults.counterbalance_lost = true;
        },
    ),
    Kind::press(
        "counterbalance-leak",
        "share of its pressure a minute",
        |faults, detail| {
            faults.counterbalance_leak_per_min = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 100.0),
    Kind::press(
        "work-load",
        "work curve, share of the press's own",
        |faults, detail| {
            faults.work_factor = detail.size / 100.0;
        },
    )
    .sized("percent", 0.0, 500.0),
    Kind::new(
        "press",
        "brake-heat",
        "heat of an hour of stops, stops a minute",
        Strike::Once(|plant, detail| plant.temper(detail.size)),
    )
    .sized("count", 0.0, 120.0),
    Kind::new(
        "press",
        "speed-set",
        "the speed setting is moved",
        Strike::Once(|plant, detail| plant.set_speed_spm(detail.size)),
    )
    .sized("spm", 1.0, 2_000.0),
    Kind::loads(
        "channel-output-welded",
        "the output of a limit channel stays on",
        |faults, detail| faults.welded = with(faults.welded, detail),
    ),
    Kind::loads(
        "channel-output-dead",
        "the output of a limit channel stays off",
        |faults, detail| faults.dead = with(faults.dead, detail),
    ),
    Kind::input(
        "channel-read-back-stuck",
        "the read-back of a limit channel shows on",
        |inputs, detail| inputs.limit_read_back = with(inputs.limit_read_back, detail),
    )
    .of_a_channel(),
    Kind::input(
        "channel-read-back-open",
        "the read-back of a limit channel shows off",
        |inputs, detail| {
            let others = inputs.limit_read_back.to_bits() & !channel_bit(detail);
            inputs.limit_read_back = ChannelSet::from_bits(others);
        },
    )
    .of_a_channel(),
    Kind::new("time", "late-tick", "a tick comes late", Strike::LateTick).sized("ms", 0.0, 1_000.0),
    Kind::new("power", "power-cut", "the supply goes away", Strike::Power),
];

/// One channel of a pair shows on or off, as the press wires it (the core's default).
fn channel(levels: &mut Levels, kind: PairKind, detail: &Detail, is_on: bool) {
    let shown = Levels::of(kind, is_on);
    match detail.which {
        0 => levels.first = shown.first,
        _ => levels.second = shown.second,
    }
}

const fn channel_bit(detail: &Detail) -> u16 {
    1 << (detail.which % CHANNELS)
}

/// These channels and the one that is struck.
const fn with(channels: ChannelSet, detail: &Detail) -> ChannelSet {
    ChannelSet::from_bits(channels.to_bits() | channel_bit(detail))
}

fn palm<'a>(inputs: &'a mut Inputs<'_>, detail: &Detail) -> &'a mut PalmContacts {
    let station = &mut inputs.stations[0];
    match detail.which {
        0 => &mut station.left,
        _ => &mut station.right,
    }
}

/// A contact that stays as it is, and has for ever: what it would have captured did not happen.
const fn never_changed(is_on: bool) -> Captured {
    Captured {
        is_on,
        changed_at: Instant::from_micros(0),
    }
}

#[cfg(test)]
mod tests;
