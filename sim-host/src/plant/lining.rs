//! Brake lining: heat, fade, wear, bedding, moisture.

use super::setup::Setup;
use crate::press::Brake;

/// Specific heat of the cast iron that stores the heat, J/(kg·K).
const SPECIFIC_HEAT: f64 = 480.0;
/// Temperature above which friction falls, °C.
const FADE_FROM_C: f64 = 40.0;
/// Share of the torque that a new lining lacks, and the stops that bed in all but a third of it.
const UNBEDDED_SHARE: f64 = 0.2;
const BEDDING_STOPS: f64 = 150.0;
/// Stops after which all but a third of the moisture is gone.
const DRYING_STOPS: f64 = 2.0;
/// However hot or worn, a lining keeps this share of its torque in the model.
const LEAST_SHARE: f64 = 0.05;

/// Heat and wear of the lining; changed by the energy of each stop.
#[derive(Clone, Debug)]
pub(super) struct Lining {
    capacity_j_k: f64,
    cooling_w_k: f64,
    fade_per_k: f64,
    spring_loss_per_mm: f64,
    gap_ms: f64,
    gap_ms_per_mm: f64,
    wear_mm_per_j: f64,
    ambient_c: f64,
    bedding_stops: Option<f64>,
    moisture: f64,
    stops: f64,
    pub(super) temperature_c: f64,
    pub(super) wear_mm: f64,
}

impl Lining {
    pub(super) fn new(brake: &Brake, setup: &Setup) -> Self {
        Self {
            capacity_j_k: brake.mass_kg * SPECIFIC_HEAT,
            cooling_w_k: brake.cooling_w_per_k,
            fade_per_k: brake.fade_percent_per_k / 100.0,
            spring_loss_per_mm: brake.spring_loss_percent_per_mm / 100.0,
            gap_ms: brake.gap_ms,
            gap_ms_per_mm: brake.gap_ms_per_mm,
            // cm³/MJ over cm² is cm/MJ; times ten, over a million: mm/J.
            wear_mm_per_j: brake.wear_cm3_per_mj / brake.lining_cm2 * 10.0 / 1e6,
            ambient_c: setup.ambient_c,
            bedding_stops: setup.stops_since_relining.map(f64::from),
            moisture: setup.moisture,
            stops: 0.0,
            temperature_c: setup.brake_c,
            wear_mm: setup.lining_wear_mm,
        }
    }

    /// Share of the new, cool torque that is left.
    pub(super) fn torque_share(&self) -> f64 {
        let fade = 1.0 - self.fade_per_k * (self.temperature_c - FADE_FROM_C).max(0.0);
        let spring = 1.0 - self.spring_loss_per_mm * self.wear_mm;
        let bedding = self.bedding_stops.map_or(1.0, |before| {
            1.0 - UNBEDDED_SHARE * (-(before + self.stops) / BEDDING_STOPS).exp()
        });
        let moisture = 1.0 + self.moisture * (-self.stops / DRYING_STOPS).exp();
        (fade.max(0.0) * spring.max(0.0) * bedding * moisture).max(LEAST_SHARE)
    }

    /// Time the piston takes across the gap, ms.
    pub(super) fn gap_ms(&self) -> f64 {
        self.gap_ms + self.gap_ms_per_mm * self.wear_mm
    }

    /// Takes up the energy of braking over one short step and cools.
    pub(super) fn absorb(&mut self, energy_j: f64, span_s: f64) {
        let cooling_w = self.cooling_w_k * (self.temperature_c - self.ambient_c);
        self.temperature_c += (energy_j - cooling_w * span_s) / self.capacity_j_k;
        self.wear_mm += energy_j * self.wear_mm_per_j;
    }

    /// Counts stops made.
    pub(super) fn count(&mut self, stops: f64) {
        self.stops += stops;
    }

    /// Stops counted.
    pub(super) fn stops(&self) -> f64 {
        self.stops
    }

    /// The temperature that this power keeps it at, °C.
    pub(super) fn steady_c(&self, power_w: f64) -> f64 {
        self.ambient_c + power_w / self.cooling_w_k
    }

    /// Brings it to the temperature that this power keeps it at.
    pub(super) fn temper(&mut self, power_w: f64) {
        self.temperature_c = self.steady_c(power_w);
    }

    /// A long span at constant heating power, in closed form.
    pub(super) fn soak(&mut self, power_w: f64, span_s: f64) {
        let final_k = power_w / self.cooling_w_k;
        let decay = (-span_s * self.cooling_w_k / self.capacity_j_k).exp();
        let over_k = self.temperature_c - self.ambient_c;
        self.temperature_c = self.ambient_c + final_k + (over_k - final_k) * decay;
        self.wear_mm += power_w * span_s * self.wear_mm_per_j;
    }
}
