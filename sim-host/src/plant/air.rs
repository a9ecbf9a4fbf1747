//! The clutch air: output stage, valve pair, pressure.
//!
//! Pressure is a chain of exponentials, each towards supply (both elements shifted) or towards
//! exhaust (one or none shifted, half the exhaust area with one). It is known in closed form, so
//! every crossing of a touch pressure is known before it happens and the integration can step
//! exactly onto it.
//!
//! The travel gap is a dead time before the brake bites: it does so `gap` after the falling
//! pressure allows it, and lets go at once. The clutch follows the pressure both ways; the time
//! constant of filling has the piston's way in it.

use super::setup::{ClutchRelease, Faults};
use super::truth::Mark;
use crate::press::Press;

/// Beyond this many time constants an exponential has arrived: e⁻²⁰ is 2e-9.
const ARRIVED: f64 = 20.0;

/// The air side of the press, from the controller's writes to pressures at brake and clutch.
#[derive(Clone, Debug)]
pub(super) struct Air {
    data: AirData,
    elements: [Element; 2],
    /// Newest last; older ones are kept while the gap looks back on them.
    stretches: Vec<Stretch>,
    agenda: Vec<(f64, Item)>,
    next_s: f64,
    released: bool,
    dumped: bool,
    settled_s: f64,
    settled: Shares,
}

/// What the air model needs of press and set-up, in SI units and bar.
#[derive(Clone, Copy, Debug)]
struct AirData {
    supply_bar: f64,
    exhaust_s: f64,
    fill_s: f64,
    shift_on_s: f64,
    shift_off_s: f64,
    drop_s: f64,
    gap_s: f64,
    brake_touch_bar: f64,
    clutch_touch_bar: f64,
    release: ClutchRelease,
}

#[derive(Clone, Copy, Debug, Default)]
struct Element {
    driven: bool,
    coil: bool,
    shifted: bool,
}

/// What the pressure leaves to brake and clutch.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Shares {
    /// Share of the full brake torque that the springs press, 0 to 1.
    pub(super) brake: f64,
    /// Share of the clutch torque at the press's own supply, 0 upwards.
    pub(super) clutch: f64,
}

/// One exponential: from `from_bar` at `since_s` towards `to_bar`.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    since_s: f64,
    from_bar: f64,
    to_bar: f64,
    tau_s: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Item {
    Drive(usize, bool),
    Coil(usize, bool),
    Shift(usize, bool),
    /// A pressure crosses a touch pressure: no change of state, but the integration steps onto it.
    Knot,
}

impl Stretch {
    fn bar(&self, time_s: f64) -> f64 {
        let age = (time_s - self.since_s) / self.tau_s;
        if age > ARRIVED {
            return self.to_bar;
        }
        self.to_bar + (self.from_bar - self.to_bar) * (-age).exp()
    }

    /// When it passes `bar`, if it does.
    fn crossing_s(&self, bar: f64) -> Option<f64> {
        let ratio = (self.from_bar - self.to_bar) / (bar - self.to_bar);
        (ratio > 1.0 && ratio.is_finite()).then(|| self.since_s + self.tau_s * ratio.ln())
    }
}

impl Air {
    /// Exhausted, or with the clutch fully pressed.
    pub(super) fn new(
        press: &Press,
        release: ClutchRelease,
        faults: &Faults,
        pressed: bool,
    ) -> Self {
        let data = AirData {
            supply_bar: press.air.supply_bar,
            exhaust_s: press.air.exhaust_ms * 1e-3,
            fill_s: press.air.fill_ms * 1e-3,
            shift_on_s: press.air.shift_on_ms * 1e-3,
            shift_off_s: press.air.shift_off_ms * 1e-3,
            drop_s: press.control.output_drop_ms * 1e-3,
            gap_s: press.brake.gap_ms * 1e-3,
            brake_touch_bar: press.brake.touch_bar,
            clutch_touch_bar: press.clutch.touch_bar,
            release,
        };
        let bar = if pressed { data.supply_bar } else { 0.0 };
        let mut air = Self {
            data,
            elements: [Element {
                driven: pressed,
                coil: pressed,
                shifted: pressed,
            }; 2],
            stretches: vec![Stretch {
                since_s: 0.0,
                from_bar: bar,
                to_bar: bar,
                tau_s: data.fill_s,
            }],
            agenda: Vec::with_capacity(16),
            next_s: f64::INFINITY,
            released: !pressed,
            dumped: false,
            settled_s: 0.0,
            settled: Shares::default(),
        };
        air.apply_faults(0.0, faults, &mut Vec::new());
        air
    }

    /// Instant of the next thing to happen by itself.
    pub(super) fn next_s(&self) -> f64 {
        self.next_s
    }

    /// The controller writes an output at an instant, not before `now_s`.
    pub(super) fn drive(&mut self, element: usize, on: bool, at_s: f64, now_s: f64) {
        self.schedule(at_s.max(now_s), Item::Drive(element, on));
    }

    pub(super) fn coil(&self, element: usize) -> bool {
        self.elements[element].coil
    }

    pub(super) fn shifted(&self, element: usize) -> bool {
        self.elements[element].shifted
    }

    pub(super) fn set_brake(&mut self, gap_ms: f64, touch_bar: f64) {
        self.data.gap_s = gap_ms * 1e-3;
        self.data.brake_touch_bar = touch_bar;
        self.settle();
    }

    /// Pressure in the clutch, bar.
    pub(super) fn bar(&self, time_s: f64) -> f64 {
        for stretch in self.stretches.iter().rev() {
            if stretch.since_s <= time_s {
                return stretch.bar(time_s);
            }
        }
        self.stretches[0].from_bar
    }

    /// What the pressure leaves to brake and clutch at an instant from now on.
    pub(super) fn shares(&self, time_s: f64) -> Shares {
        if time_s >= self.settled_s {
            return self.settled;
        }
        self.shares_now(time_s)
    }

    fn shares_now(&self, time_s: f64) -> Shares {
        let bar = self.bar(time_s);
        let trailing = bar.max(self.bar(time_s - self.data.gap_s));
        let released = self.data.release == ClutchRelease::AtCoilOff && self.released;
        let touch = self.data.clutch_touch_bar;
        let pressed = (bar - touch) / (self.data.supply_bar - touch);
        Shares {
            brake: (1.0 - trailing / self.data.brake_touch_bar).max(0.0),
            clutch: if released { 0.0 } else { pressed.max(0.0) },
        }
    }

    /// From when on the shares no longer change, if nothing else happens.
    fn settle(&mut self) {
        let newest = self.stretches[self.stretches.len() - 1];
        self.settled_s = newest.since_s + self.data.gap_s + ARRIVED * newest.tau_s;
        self.settled = self.shares_now(self.settled_s + 1.0);
    }

    /// Does everything due at `now_s`; what happened is added to `marks`. `shift_delay_s` is how much
    /// later than nominal each element goes off in this stop.
    pub(super) fn act(
        &mut self,
        now_s: f64,
        faults: &Faults,
        shift_delay_s: [f64; 2],
        marks: &mut Vec<Mark>,
    ) {
        while let Some(index) = self.due(now_s) {
            let (_, item) = self.agenda.remove(index);
            self.refresh_next();
            match item {
                Item::Drive(element, on) => self.write(now_s, element, on, faults, marks),
                Item::Coil(element, on) => {
                    self.switch_coil(now_s, element, on, faults, shift_delay_s, marks);
                }
                Item::Shift(element, on) => self.shift(now_s, element, on, faults, marks),
                Item::Knot => {}
            }
        }
    }

    /// Brings coils, elements and pressure in line with a changed set of faults.
    pub(super) fn apply_faults(&mut self, now_s: f64, faults: &Faults, marks: &mut Vec<Mark>) {
        for element in 0..2 {
            let wanted = self.elements[element].driven || faults.output_stuck_on[element];
            if wanted != self.elements[element].coil {
                self.schedule(now_s, Item::Coil(element, wanted));
            } else if wanted != self.elements[element].shifted && !self.is_shifting(element) {
                self.schedule(now_s, Item::Shift(element, wanted));
            }
        }
        self.act(now_s, faults, [0.0; 2], marks);
        self.redirect(now_s, faults);
        self.settle();
        let newest = self.stretches[self.stretches.len() - 1];
        self.plan_knots(now_s, &newest);
    }

    /// Opens the dump valve: supply shut off and the clutch exhausted through a way of its own,
    /// whatever the two elements do.
    pub(super) fn dump(&mut self, now_s: f64, faults: &Faults) {
        self.dumped = true;
        self.redirect(now_s, faults);
        self.settle();
    }

    fn is_shifting(&self, element: usize) -> bool {
        self.agenda
            .iter()
            .any(|(_, item)| matches!(item, Item::Shift(e, _) if *e == element))
    }

    fn write(
        &mut self,
        now_s: f64,
        element: usize,
        on: bool,
        faults: &Faults,
        marks: &mut Vec<Mark>,
    ) {
        if self.elements[element].driven == on {
            return;
        }
        self.elements[element].driven = on;
        marks.push(if on {
            Mark::WrittenOn(element)
        } else {
            Mark::WrittenOff(element)
        });
        self.cancel(|item| matches!(item, Item::Coil(e, _) if e == element));
        let wanted = on || faults.output_stuck_on[element];
        if wanted != self.elements[element].coil {
            let drop_s = if on { 0.0 } else { self.data.drop_s };
            self.schedule(now_s + drop_s, Item::Coil(element, wanted));
        }
    }

    fn switch_coil(
        &mut self,
        now_s: f64,
        element: usize,
        on: bool,
        faults: &Faults,
        shift_delay_s: [f64; 2],
        marks: &mut Vec<Mark>,
    ) {
        if self.elements[element].coil == on {
            return;
        }
        self.elements[element].coil = on;
        self.released = !on || (self.released && !self.elements.iter().all(|e| e.coil));
        marks.push(if on {
            Mark::CoilOn(element)
        } else {
            Mark::CoilOff(element)
        });
        self.settle();
        self.cancel(|item| matches!(item, Item::Shift(e, _) if e == element));
        if self.elements[element].shifted != on {
            let delay_s = if on {
                self.data.shift_on_s
            } else {
                // Even the quickest spool needs a part of its nominal time.
                let scattered = self.data.shift_off_s + shift_delay_s[element];
                scattered.max(0.2 * self.data.shift_off_s) + faults.valve_slow_ms[element] * 1e-3
            };
            self.schedule(now_s + delay_s, Item::Shift(element, on));
        }
    }

    fn shift(
        &mut self,
        now_s: f64,
        element: usize,
        on: bool,
        faults: &Faults,
        marks: &mut Vec<Mark>,
    ) {
        let stuck = if on {
            faults.valve_stuck_off
        } else {
            faults.valve_stuck_on
        }[element];
        if stuck || self.elements[element].shifted == on {
            return;
        }
        self.elements[element].shifted = on;
        marks.push(if on {
            Mark::ValveOn(element)
        } else {
            Mark::ValveOff(element)
        });
        self.redirect(now_s, faults);
    }

    /// Starts a new exponential when target or time constant have changed.
    fn redirect(&mut self, now_s: f64, faults: &Faults) {
        let shifted = self.elements.iter().filter(|e| e.shifted).count();
        let (to_bar, tau_s) = match shifted {
            _ if self.dumped => (0.0, self.data.exhaust_s),
            2 => (
                faults.supply_bar.unwrap_or(self.data.supply_bar),
                self.data.fill_s,
            ),
            // One element back: the supply is shut, and half the exhaust area is open.
            1 => (
                faults.residual_bar,
                2.0 * self.data.exhaust_s * faults.exhaust_factor,
            ),
            _ => (
                faults.residual_bar,
                self.data.exhaust_s * faults.exhaust_factor,
            ),
        };
        let newest = self.stretches[self.stretches.len() - 1];
        if (newest.to_bar, newest.tau_s) == (to_bar, tau_s) {
            return;
        }
        let stretch = Stretch {
            since_s: now_s,
            from_bar: self.bar(now_s),
            to_bar,
            tau_s,
        };
        self.forget_before(now_s - self.data.gap_s);
        self.stretches.push(stretch);
        self.settle();
        self.plan_knots(now_s, &stretch);
    }

    fn forget_before(&mut self, time_s: f64) {
        while self.stretches.len() > 1 && self.stretches[1].since_s <= time_s {
            self.stretches.remove(0);
        }
    }

    fn plan_knots(&mut self, now_s: f64, stretch: &Stretch) {
        // Knots of older stretches that only wait for the gap stay; passing one costs nothing.
        self.agenda
            .retain(|(at_s, item)| *item != Item::Knot || *at_s <= now_s + self.data.gap_s);
        for bar in [self.data.brake_touch_bar, self.data.clutch_touch_bar] {
            if let Some(at_s) = stretch.crossing_s(bar) {
                self.schedule(at_s, Item::Knot);
                self.schedule(at_s + self.data.gap_s, Item::Knot);
            }
        }
        self.schedule(now_s + self.data.gap_s, Item::Knot);
        self.refresh_next();
    }

    fn schedule(&mut self, at_s: f64, item: Item) {
        self.agenda.push((at_s, item));
        self.next_s = self.next_s.min(at_s);
    }

    fn cancel(&mut self, is_off: impl Fn(Item) -> bool) {
        self.agenda.retain(|(_, item)| !is_off(*item));
        self.refresh_next();
    }

    fn refresh_next(&mut self) {
        self.next_s = self
            .agenda
            .iter()
            .fold(f64::INFINITY, |first, (at_s, _)| first.min(*at_s));
    }

    /// The earliest thing due; of several at one instant, the one scheduled first.
    fn due(&self, now_s: f64) -> Option<usize> {
        let mut first: Option<usize> = None;
        for (index, (at_s, _)) in self.agenda.iter().enumerate() {
            if *at_s <= now_s && first.is_none_or(|f| *at_s < self.agenda[f].0) {
                first = Some(index);
            }
        }
        first
    }
}
