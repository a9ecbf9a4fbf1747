//! The lock-step world of two channels: one press, two resolvers, two controllers. A tick is a
//! millisecond; what one channel says in it reaches the other half a millisecond later and is
//! compared in the next.

use crate::commissioned;
use stopwright::bench::Panel;
use stopwright::plant::{Mark, Plant, Setup};
use stopwright::press::Press;
use stopwright::resolver::{Resolver, ResolverSetup};
use stopwright_core::contacts::Levels;
use stopwright_core::controller::{Controller, Inputs, Outputs, Selector, Service};
use stopwright_core::fault::FaultSet;
use stopwright_core::fault_latch::Standing;
use stopwright_core::limit_channels::ChannelSet;
use stopwright_core::peer::{self, Message, Received};
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK};
use stopwright_core::stroke::{Mode, Stroke};
use stopwright_core::time::Instant;
use stopwright_core::two_hand::{PalmContacts, Station};
use stopwright_core::valve_pair::{Captured, ELEMENTS, ElementFeedback};

const TICK_US: u64 = 1_000;
const FRAME_US: u64 = TICK_US / FRAMES_PER_TICK as u64;
/// From a message's stamp to its reception.
const TRANSPORT_US: u64 = 500;
/// Ticks without a service after which a watchdog takes the output of its channel away.
const WATCHDOG_TICKS: u32 = 5;
/// The shaft of each resolver differs from what was captured by this, degrees: the capture and the
/// windings of two resolvers together (a quarter of a degree each, common practice, no source).
const ZERO_ERROR_DEG: [f64; 2] = [0.2, -0.2];
const RUNOUT_DEG: [f64; 2] = [0.1, 0.05];
const PATIENCE_MS: u32 = 3_000;

/// A signal and when it last changed, s of true time.
#[derive(Clone, Copy, Default)]
struct Changed {
    is_on: bool,
    at_s: f64,
}

/// One of the two.
pub(crate) struct Channel {
    controller: Controller,
    pub(crate) resolver: Resolver,
    /// What its inputs are made into, when something about them is wrong.
    pub(crate) tamper: fn(&mut Inputs<'_>),
    /// How fast its oscillator runs, against true time.
    clock_rate: f64,
    /// Its own time and the true time when the oscillator last changed, µs.
    clock_from: (f64, f64),
    /// What it says does not reach the other.
    pub(crate) is_mute: bool,
    /// It has stopped in its program: its converter and its transmitter go on by themselves.
    pub(crate) is_stuck: bool,
    /// It has no supply: its output is off.
    pub(crate) is_dead: bool,
    unserviced_ticks: u32,
    /// Level of its output.
    pub(crate) is_driving: bool,
    pub(crate) said: Option<Outputs>,
    /// On its way to the other channel.
    sent: Option<Message>,
}

/// A press with two channels.
pub(crate) struct Pair {
    pub(crate) plant: Plant,
    pub(crate) channels: [Channel; 2],
    pub(crate) panel: Panel,
    /// The panel as the second channel sees it: the two do not sample it at the same instant.
    late_panel: Panel,
    coils: [Changed; ELEMENTS],
    spools: [Changed; ELEMENTS],
    now_us: u64,
}

impl Channel {
    fn new(press: &Press, schema: Schema, number: usize) -> Self {
        let settings = Settings::try_new(schema).expect("settings that hold together");
        Self {
            controller: Controller::new(settings, FaultSet::EMPTY),
            resolver: resolver(press, number),
            tamper: |_| {},
            clock_rate: 1.0,
            // The two oscillators have not begun together.
            clock_from: (number as f64 * 123_456_789.0, 0.0),
            is_mute: false,
            is_stuck: false,
            is_dead: false,
            unserviced_ticks: 0,
            is_driving: false,
            said: None,
            sent: None,
        }
    }

    fn own_us(&self, true_us: f64) -> f64 {
        let (own, from) = self.clock_from;
        own + (true_us - from) * self.clock_rate
    }

    fn instant(&self, true_us: f64) -> Instant {
        Instant::from_micros(self.own_us(true_us).round() as u64)
    }

    pub(crate) fn latched(&self) -> FaultSet {
        self.said.map_or(FaultSet::EMPTY, |said| said.latched)
    }

    fn stroke(&self) -> Stroke {
        self.said.map_or(Stroke::PowerUp, |said| said.stroke)
    }

    /// One tick of a channel that runs; without a service its watchdog takes the output away.
    fn tick(&mut self, inputs: &Inputs<'_>) {
        if !self.is_stuck {
            let said = self.controller.tick(inputs);
            self.sent = Some(said.peer);
            self.is_driving = said.valve.is_on;
            self.said = Some(said);
            self.unserviced_ticks += 1;
            if self.controller.service_token().is_some() {
                self.unserviced_ticks = 0;
            }
        } else {
            self.unserviced_ticks += 1;
        }
        if self.unserviced_ticks > WATCHDOG_TICKS || self.is_dead {
            self.is_driving = false;
        }
    }

    /// Starts again, as a watchdog makes it, with the faults that were stored.
    pub(crate) fn restart(&mut self) {
        self.controller = Controller::new(*self.controller.settings(), self.latched());
        (self.is_stuck, self.is_dead) = (false, false);
        self.unserviced_ticks = 0;
    }
}

/// The resolver of one channel, not quite where it was captured.
pub(crate) fn resolver(press: &Press, number: usize) -> Resolver {
    let of_press = ResolverSetup::of_press(press);
    let setup = ResolverSetup {
        zero_deg: of_press.zero_deg + ZERO_ERROR_DEG[number],
        runout_deg: RUNOUT_DEG[number],
        noise_codes: 2.0,
        ..of_press
    };
    Resolver::new(&setup, 7, &format!("resolver of channel {number}"))
}

/// Settings of a press with two channels.
pub(crate) fn schema(press: &Press, spm: f64) -> Schema {
    Schema {
        peer: Some(peer::Config {
            acceleration_max_deg_s2: commissioned::acceleration_max_deg_s2(press),
            ..peer::Config::DEFAULT
        }),
        ..commissioned::schema(press, spm)
    }
}

impl Pair {
    /// A press at this speed setting, slide at the top, the channels at power-up under a schema
    /// each.
    pub(crate) fn new(press: &Press, spm: f64, schemas: [Schema; 2], seed: u64) -> Self {
        let setup = Setup {
            spm,
            ..Setup::nominal(press)
        };
        let [first, second] = schemas;
        Self {
            plant: Plant::new(press, &setup, seed),
            channels: [
                Channel::new(press, first, 0),
                Channel::new(press, second, 1),
            ],
            panel: Panel::default(),
            late_panel: Panel::default(),
            coils: [Changed::default(); ELEMENTS],
            spools: [Changed::default(); ELEMENTS],
            now_us: 0,
        }
    }

    /// Makes the oscillator of a channel run at another rate from now on.
    pub(crate) fn set_clock_rate(&mut self, number: usize, rate: f64) {
        let now_us = self.now_us as f64;
        let channel = &mut self.channels[number];
        channel.clock_from = (channel.own_us(now_us), now_us);
        channel.clock_rate = rate;
    }

    /// One millisecond.
    pub(crate) fn tick(&mut self) {
        let frames = self.sense();
        self.collect();
        let heard = [self.heard(0), self.heard(1)];
        let late = std::mem::replace(&mut self.late_panel, self.panel.clone());
        let panels = [self.panel.clone(), late];
        for number in 0..2 {
            let mut inputs = self.inputs(number, &panels[number], frames[number], heard[number]);
            let channel = &mut self.channels[number];
            (channel.tamper)(&mut inputs);
            channel.tick(&inputs);
            let said = channel.said.expect("it has just ticked");
            let after_us = match said.valve.is_on == channel.is_driving {
                true => said.valve.after.as_micros(),
                // The watchdog's doing.
                false => 0,
            };
            let at_s = (self.now_us as f64 + f64::from(after_us)) / 1e6;
            self.plant.drive(number, channel.is_driving, at_s);
            let codes: Vec<_> = said.latched.iter().collect();
            assert!(!said.second_means, "channel {number}: {codes:?}");
        }
        self.panel.reset = None;
    }

    /// What both resolvers show while the press turns on to the end of the tick.
    fn sense(&mut self) -> [[CarrierFrame; FRAMES_PER_TICK]; 2] {
        let mut frames = [[CarrierFrame::SILENT; FRAMES_PER_TICK]; 2];
        for frame in 0..FRAMES_PER_TICK {
            let state = self.plant.state();
            for (channel, frames) in self.channels.iter_mut().zip(&mut frames) {
                let resolver = &mut channel.resolver;
                frames[frame] =
                    resolver.frame(state.angle_rad, state.speed_rad_s, state.accel_rad_s2);
            }
            self.now_us += FRAME_US;
            self.plant.advance_to(self.now_us as f64 / 1e6);
        }
        frames
    }

    fn collect(&mut self) {
        for event in self.plant.take_events() {
            let (signal, is_on) = match event.mark {
                Mark::CoilOn(element) => (&mut self.coils[element], true),
                Mark::CoilOff(element) => (&mut self.coils[element], false),
                Mark::ValveOn(element) => (&mut self.spools[element], true),
                Mark::ValveOff(element) => (&mut self.spools[element], false),
                _ => continue,
            };
            *signal = Changed {
                is_on,
                at_s: event.time_s,
            };
        }
    }

    /// What `number` has heard since the last tick: what the other said then.
    fn heard(&self, number: usize) -> Option<Received> {
        let other = &self.channels[1 - number];
        let received_us = (self.now_us - TICK_US + TRANSPORT_US) as f64;
        let message = other.sent.filter(|_| !other.is_mute)?;
        Some(Received {
            message,
            at: self.channels[number].instant(received_us),
        })
    }

    fn inputs(
        &self,
        number: usize,
        panel: &Panel,
        frames: [CarrierFrame; FRAMES_PER_TICK],
        peer: Option<Received>,
    ) -> Inputs<'static> {
        let channel = &self.channels[number];
        let captured = |signal: &Changed| Captured {
            is_on: signal.is_on,
            changed_at: channel.instant(signal.at_s * 1e6),
        };
        let palm = |is_pressed| match is_pressed {
            true => PalmContacts::PRESSED,
            false => PalmContacts::RELEASED,
        };
        let station = Station {
            is_active: true,
            left: palm(panel.left_pressed),
            right: palm(panel.right_pressed),
        };
        let contacts = &channel.controller.settings().get().contacts;
        Inputs {
            now: channel.instant(self.now_us as f64),
            frames,
            second_frames: [CarrierFrame::SILENT; FRAMES_PER_TICK],
            index_closed: false,
            supply_ok: true,
            stations: [station, Station::default()],
            selector: Selector::at(panel.mode),
            emergency_chain: Levels::of(contacts.emergency.kind, !panel.emergency_operated),
            stop_control_closed: !panel.stop_operated,
            presence: Levels::of(contacts.presence.kind, !panel.presence_blocked),
            guards: Levels::of(contacts.guards.kind, true),
            motor_forward: self.plant.motor_on(),
            drive_at_rest: false,
            clutch_air_ok: panel.clutch_air_ok,
            counterbalance_air_ok: panel.counterbalance_air_ok,
            brake_temperature_ok: true,
            auxiliaries_ok: true,
            key_turned: panel.key_turned,
            valve: [0, 1].map(|element| ElementFeedback {
                coil: captured(&self.coils[element]),
                shifted: captured(&self.spools[element]),
            }),
            arm_pressed: panel.arm_pressed,
            top_stop_pressed: panel.top_stop_pressed,
            reset: panel.reset,
            test_angle: None,
            limit_read_back: ChannelSet::EMPTY,
            peer,
            second_clock: None,
            reported: FaultSet::EMPTY,
            service: Service::None,
        }
    }

    pub(crate) fn run_ms(&mut self, ms: u32) {
        for _ in 0..ms {
            self.tick();
        }
    }

    /// Ticks until it is so; how many it took.
    #[track_caller]
    pub(crate) fn until(
        &mut self,
        waiting_for: &str,
        limit_ms: u32,
        is_so: impl Fn(&Self) -> bool,
    ) -> u32 {
        for ms in 1..=limit_ms {
            self.tick();
            if is_so(self) {
                return ms;
            }
        }
        panic!("waited for {waiting_for} in vain; {}", self.told())
    }

    /// What both channels say, for whoever reads a failure.
    pub(crate) fn told(&self) -> String {
        let one = |channel: &Channel| {
            let codes: Vec<_> = channel.latched().iter().collect();
            format!("{:?} {codes:?}", channel.stroke())
        };
        let [first, second] = &self.channels;
        let angle = self.plant.state().angle_rad.to_degrees() % 360.0;
        format!("at {angle:.1} degrees: {}; {}", one(first), one(second))
    }

    pub(crate) fn both(&self, is_so: impl Fn(&Channel) -> bool) -> bool {
        self.channels.iter().all(is_so)
    }

    pub(crate) fn is_healthy(&self) -> bool {
        self.both(|channel| channel.latched().is_empty())
    }

    pub(crate) fn is_off(&self) -> bool {
        self.both(|channel| !channel.is_driving)
    }

    pub(crate) fn is_at_rest(&self) -> bool {
        self.is_off() && self.both(|channel| channel.stroke().is_standing())
    }

    pub(crate) fn hands(&mut self, are_pressed: bool) {
        self.panel.left_pressed = are_pressed;
        self.panel.right_pressed = are_pressed;
    }

    /// Waits for both self-tests and takes up a mode.
    #[track_caller]
    pub(crate) fn power_up(&mut self, mode: Mode) {
        self.panel.key_turned = true;
        self.until("the self-tests", PATIENCE_MS, |pair| {
            pair.both(|channel| channel.stroke() != Stroke::PowerUp)
        });
        self.select(mode);
    }

    #[track_caller]
    pub(crate) fn select(&mut self, mode: Mode) {
        self.hands(false);
        self.panel.mode = mode;
        self.run_ms(300);
        self.until("the mode to be taken up", PATIENCE_MS, |pair| {
            pair.both(|channel| {
                channel.said.is_some_and(|said| said.mode == mode)
                    && matches!(
                        channel.stroke(),
                        Stroke::Off | Stroke::Ready | Stroke::ReadyAwayFromTop
                    )
            })
        });
    }

    /// Presses and holds until both drive.
    #[track_caller]
    pub(crate) fn start(&mut self) {
        self.hands(true);
        self.until("both to drive", 50, |pair| {
            pair.both(|channel| channel.is_driving)
        });
    }

    /// Arms continuous and starts it; hands off once it runs.
    #[track_caller]
    pub(crate) fn start_continuous(&mut self) {
        self.panel.arm_pressed = true;
        self.tick();
        self.panel.arm_pressed = false;
        self.run_ms(100);
        self.start();
        self.until("continuous to run", 20_000, |pair| {
            pair.both(|channel| channel.stroke() == Stroke::ContinuousRunning)
        });
        self.hands(false);
    }

    /// Ticks on until the crank stands at this angle or has passed it by less than half a turn.
    #[track_caller]
    pub(crate) fn until_angle(&mut self, angle_deg: f64) {
        self.until("an angle", 20_000, |pair| {
            let at = pair.plant.state().angle_rad.to_degrees() - angle_deg;
            at.rem_euclid(360.0) < 30.0
        });
    }

    #[track_caller]
    pub(crate) fn until_rest(&mut self) {
        self.until("standstill", 20_000, Self::is_at_rest);
    }

    /// One reset, with the standing that clears everything whose cause has gone.
    pub(crate) fn reset(&mut self) {
        self.panel.reset = Some(Standing::Recommissioned);
        self.tick();
        self.run_ms(5);
    }
}
