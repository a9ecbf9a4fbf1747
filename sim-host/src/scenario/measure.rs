//! What a run measured, kept small however long it lasts: of each quantity the first, last, least
//! and most value.

use super::limit_channels::{Bank, Plan};
use super::when::{Facts, Happening};
use crate::bench::Moment;
use crate::statistics::rest::signed_deg;
use crate::units;
use std::f64::consts::PI;
use stopwright_core::fault::FaultSet;

/// Words of everything that is measured.
pub(super) const MEASURES: &[&str] = &[
    "stop-time-ms",
    "stop-travel-deg",
    "overrun-deg",
    "stop-speed-spm",
    "told-time-error-ms",
    "told-travel-error-deg",
    "angle-error-deg",
    "speed-spm",
    "compensation-deg",
    "authority-percent",
    "strokes",
    "stops",
    "turns",
    "brake-c",
    "load-on-error-deg",
    "load-off-error-deg",
    "load-on-ms",
    "drive-off-ms",
    "travel-deg",
];

/// What is noted as the run goes on, in the order of [`MEASURES`]; the words after these are counted
/// from an onset.
#[derive(Clone, Copy, Debug)]
enum Noted {
    StopTimeMs,
    StopTravelDeg,
    OverrunDeg,
    StopSpeedSpm,
    ToldTimeErrorMs,
    ToldTravelErrorDeg,
    AngleErrorDeg,
    SpeedSpm,
    CompensationDeg,
    AuthorityPercent,
    Strokes,
    Stops,
    Turns,
    BrakeC,
    LoadOnErrorDeg,
    LoadOffErrorDeg,
    LoadOnMs,
}

const FAULTS: usize = 128;
/// Crank speed above which an edge of a load is measured, strokes per minute.
const TURNING_SPM: f64 = 1.0;

/// First, last, least and most of a quantity.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Tally {
    /// The first value.
    pub first: f64,
    /// The last.
    pub last: f64,
    /// The least.
    pub least: f64,
    /// The most.
    pub most: f64,
    /// How many.
    pub count: u64,
}

impl Tally {
    fn note(&mut self, value: f64) {
        if self.count == 0 {
            (self.first, self.least, self.most) = (value, value, value);
        }
        self.last = value;
        self.least = self.least.min(value);
        self.most = self.most.max(value);
        self.count += 1;
    }
}

/// Since something struck.
#[derive(Clone, Copy, Debug)]
struct Onset {
    at_s: f64,
    angle_deg: f64,
    drive_off_s: Option<f64>,
}

/// A load went on or off.
#[derive(Clone, Copy, Debug)]
enum Edge {
    On,
    /// After so long a time on, s.
    Off {
        on_s: f64,
    },
}

/// The loads of a bank, and since when each is on.
#[derive(Clone, Debug)]
struct Edges {
    plans: Vec<Plan>,
    on_since_s: Vec<Option<f64>>,
}

impl Edges {
    fn new(bank: &Bank) -> Self {
        Self {
            on_since_s: vec![None; bank.plans.len()],
            plans: bank.plans.clone(),
        }
    }

    /// What the load of this plan did in this millisecond.
    fn take(&mut self, index: usize, moment: &Moment<'_>) -> Option<Edge> {
        let is_on = moment.loads.contains(self.plans[index].channel);
        let since_s = &mut self.on_since_s[index];
        match (*since_s, is_on) {
            (None, true) => {
                *since_s = Some(moment.now_s);
                Some(Edge::On)
            }
            (Some(since), false) => {
                *since_s = None;
                Some(Edge::Off {
                    on_s: moment.now_s - since,
                })
            }
            _ => None,
        }
    }
}

/// Everything measured in one run.
#[derive(Clone, Debug)]
pub(super) struct Measures {
    tallies: [Tally; MEASURES.len()],
    /// Of the run itself, then of each disturbance.
    onsets: Vec<Option<Onset>>,
    first_latched_s: [Option<f64>; FAULTS],
    angle_deg: f64,
    from_deg: Option<f64>,
    /// True stops that the controller has not told of yet: coil off, time, travel.
    untold: Vec<[f64; 3]>,
    loads: Option<Edges>,
    pub(super) latched: FaultSet,
    pub(super) ever: FaultSet,
}

impl Measures {
    pub(super) fn new(disturbances: usize, bank: Option<&Bank>) -> Self {
        Self {
            tallies: [Tally::default(); MEASURES.len()],
            onsets: vec![None; disturbances + 1],
            first_latched_s: [None; FAULTS],
            angle_deg: 0.0,
            from_deg: None,
            untold: Vec::new(),
            loads: bank.map(Edges::new),
            latched: FaultSet::EMPTY,
            ever: FaultSet::EMPTY,
        }
    }

    fn note(&mut self, what: Noted, value: f64) {
        self.tallies[what as usize].note(value);
    }

    /// Takes in one millisecond. `struck` tells when each disturbance first struck.
    pub(super) fn take(
        &mut self,
        moment: &Moment<'_>,
        facts: &Facts,
        struck: impl Iterator<Item = Option<f64>>,
    ) {
        let state = moment.plant.state();
        let angle_deg = state.angle_rad.to_degrees();
        self.angle_deg = angle_deg;
        let from = *self.from_deg.get_or_insert(angle_deg);
        self.note(Noted::Turns, (angle_deg - from) / 360.0);
        self.note(Noted::SpeedSpm, state.speed_rad_s * 30.0 / PI);
        self.note(Noted::Strokes, f64::from(facts.strokes));
        self.note(Noted::BrakeC, moment.plant.brake_temperature_c());
        let said = moment.outputs;
        self.note(Noted::CompensationDeg, units::travel_deg(said.compensation));
        self.note(Noted::AuthorityPercent, f64::from(said.authority_percent));
        if let Some(reading) = said.position.trusted() {
            let error = units::angle_deg(reading.angle()) - angle_deg;
            self.note(Noted::AngleErrorDeg, signed_deg(error).abs());
        }
        self.take_loads(moment, angle_deg);
        self.take_stops(moment);
        self.take_onsets(moment, facts, angle_deg, struck);
        for code in said.latched.iter() {
            if let Some(first) = self.first_latched_s.get_mut(usize::from(code.number())) {
                first.get_or_insert(moment.now_s);
            }
        }
        self.latched = said.latched;
        self.ever = self.ever.union(said.latched);
    }

    /// How far from its window's edge each load moved, in normal travel.
    fn take_loads(&mut self, moment: &Moment<'_>, angle_deg: f64) {
        let Some(mut edges) = self.loads.take() else {
            return;
        };
        let turns = moment.plant.state().speed_rad_s * 30.0 / PI > TURNING_SPM;
        for index in 0..edges.plans.len() {
            let Some(edge) = edges.take(index, moment) else {
                continue;
            };
            let plan = &edges.plans[index];
            if let Edge::Off { on_s } = edge {
                self.note(Noted::LoadOnMs, 1e3 * on_s);
            }
            let (noted, error_deg) = match edge {
                Edge::On => (Noted::LoadOnErrorDeg, plan.past_beginning_deg(angle_deg)),
                Edge::Off { .. } => (Noted::LoadOffErrorDeg, plan.past_end_deg(angle_deg)),
            };
            if let Some(error_deg) = error_deg.filter(|_| turns) {
                self.note(noted, error_deg);
            }
        }
        self.loads = Some(edges);
    }

    fn take_stops(&mut self, moment: &Moment<'_>) {
        for stop in moment.stops {
            self.note(Noted::StopTimeMs, stop.stop_time_ms);
            self.note(Noted::StopTravelDeg, stop.travel_deg);
            self.note(Noted::OverrunDeg, stop.overrun_deg);
            self.note(Noted::StopSpeedSpm, stop.speed_spm);
            let stops = self.tallies[Noted::Stops as usize].count;
            self.note(Noted::Stops, (stops + 1) as f64);
            // A few wait at most: the controller tells of a stop a tenth of a second later.
            self.untold.truncate(8);
            self.untold
                .insert(0, [stop.coil_off_s, stop.stop_time_ms, stop.travel_deg]);
        }
        let Some(record) = moment.outputs.stop else {
            return;
        };
        let coil_off_s = units::instant_s(record.coil_off_at);
        let truth = self
            .untold
            .iter()
            .find(|it| (it[0] - coil_off_s).abs() < 1e-3);
        if let Some(&[_, time_ms, travel_deg]) = truth {
            let time_error = units::duration_ms(record.stopping_time) - time_ms;
            let travel_error = units::travel_deg(record.stopping_travel) - travel_deg;
            self.note(Noted::ToldTimeErrorMs, time_error.abs());
            self.note(Noted::ToldTravelErrorDeg, travel_error.abs());
        }
    }

    fn take_onsets(
        &mut self,
        moment: &Moment<'_>,
        facts: &Facts,
        angle_deg: f64,
        struck: impl Iterator<Item = Option<f64>>,
    ) {
        let all = std::iter::once(Some(0.0)).chain(struck);
        for (onset, struck) in self.onsets.iter_mut().zip(all) {
            let Some(at_s) = struck else { continue };
            let onset = onset.get_or_insert(Onset {
                at_s,
                angle_deg: facts.angle_before_deg.min(angle_deg),
                drive_off_s: None,
            });
            if facts.has(Happening::DriveOff) {
                let at_s = moment.now_s + units::duration_ms(moment.outputs.valve.after) / 1e3;
                onset.drive_off_s.get_or_insert(at_s);
            }
        }
    }

    /// A quantity of the whole run.
    pub(super) fn tally(&self, word: &str) -> Option<Tally> {
        let index = MEASURES.iter().position(|it| *it == word)?;
        self.tallies.get(index).copied().filter(|it| it.count > 0)
    }

    /// All quantities that were measured.
    pub(super) fn all(&self) -> impl Iterator<Item = (&'static str, Tally)> + '_ {
        let named = MEASURES.iter().copied().zip(self.tallies.iter().copied());
        named.filter(|(_, tally)| tally.count > 0)
    }

    /// A quantity counted from an onset: 0 the run, then the disturbances.
    pub(super) fn since(&self, word: &str, onset: usize) -> Option<f64> {
        let onset = (*self.onsets.get(onset)?)?;
        match word {
            "drive-off-ms" => onset.drive_off_s.map(|off| 1e3 * (off - onset.at_s)),
            "travel-deg" => Some(self.angle_deg - onset.angle_deg),
            _ => None,
        }
    }

    /// When a fault first latched, s.
    pub(super) fn latched_s(&self, number: u8) -> Option<f64> {
        self.first_latched_s
            .get(usize::from(number))
            .copied()
            .flatten()
    }
}

/// Whether a quantity is counted from an onset.
pub(super) fn is_since(word: &str) -> bool {
    matches!(word, "drive-off-ms" | "travel-deg")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `StopTimeMs` is `stop-time-ms`.
    #[test]
    fn what_is_noted_stands_in_the_order_of_the_words() {
        use Noted as N;
        let all = [
            N::StopTimeMs,
            N::StopTravelDeg,
            N::OverrunDeg,
            N::StopSpeedSpm,
            N::ToldTimeErrorMs,
            N::ToldTravelErrorDeg,
            N::AngleErrorDeg,
            N::SpeedSpm,
            N::CompensationDeg,
            N::AuthorityPercent,
            N::Strokes,
            N::Stops,
            N::Turns,
            N::BrakeC,
            N::LoadOnErrorDeg,
            N::LoadOffErrorDeg,
            N::LoadOnMs,
        ];
        for noted in all {
            let word = MEASURES[noted as usize];
            assert_eq!(
                word.replace('-', ""),
                format!("{noted:?}").to_lowercase(),
                "{word}"
            );
        }
        assert!(MEASURES[all.len()..].iter().all(|word| is_since(word)));
    }
}
