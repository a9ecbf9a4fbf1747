//! What a press is: its data sheet as TOML, checked as a whole before anything is built from it.
//!
//! The eight presses A to H are invented; so is every number in their files. A file of one's own
//! has the same keys (see any file in `presses/`). Units are in the names.

use crate::toml_check::{self, Key, Kind, Places, Problem, Problems};
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Letters of the built-in presses.
pub const LETTERS: [&str; 8] = ["A", "B", "C", "D", "E", "F", "G", "H"];

/// A part-revolution mechanical power press: everything the simulation and the commissioning
/// know about it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs)]
pub struct Press {
    /// Name of the press, for records.
    pub name: String,
    /// One line: size, frame, use.
    pub description: String,
    pub frame: Frame,
    pub speed: Speed,
    pub masses: Masses,
    pub motor: Motor,
    pub air: Air,
    pub clutch: Clutch,
    pub brake: Brake,
    pub counterbalance: Counterbalance,
    pub drive_train: DriveTrain,
    pub control: Control,
    pub scatter: Scatter,
    pub resolver: ResolverDrive,
    pub guarding: Guarding,
    pub modes: Modes,
    pub work: Work,
}

/// Frame and crank geometry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Frame {
    /// Rated force, kN.
    pub rated_force_kn: f64,
    /// Height above bottom dead centre from which the rated force is allowed, mm.
    pub rated_height_mm: f64,
    /// Stroke: twice the crank radius, mm.
    pub stroke_mm: f64,
    /// Length of the connecting rod between centres, mm.
    pub rod_mm: f64,
}

/// Strokes per minute.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Speed {
    /// Slowest speed, strokes per minute.
    pub min_spm: f64,
    /// Nominal speed, strokes per minute.
    pub nominal_spm: f64,
    /// Highest speed, strokes per minute.
    pub max_spm: f64,
    /// Speeds a commissioning verifies, strokes per minute, rising.
    pub verify_spm: Vec<f64>,
}

/// Masses and inertias; inertias are reduced to the crank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Masses {
    /// Slide, kg.
    pub slide_kg: f64,
    /// Heaviest upper die, kg.
    pub die_max_kg: f64,
    /// Rotating parts on the driven side of the clutch, kg·m².
    pub crank_kg_m2: f64,
    /// Flywheel side of the clutch, kg·m².
    pub flywheel_kg_m2: f64,
}

/// Main motor and its drive.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Motor {
    /// Rated power, kW.
    pub power_kw: f64,
    /// Slip at rated torque, per cent of synchronous speed.
    pub rated_slip_percent: f64,
    /// Highest torque over rated torque.
    pub pull_out: f64,
    /// Whether the speed can be set between its ends.
    pub variable_speed: bool,
    /// Time constant of a change of the speed setting, s.
    pub setting_lag_s: f64,
}

/// Clutch and brake air (or oil) and its valve pair.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// Supply pressure at the valve, bar over ambient.
    pub supply_bar: f64,
    /// Coil off to valve shifted, ms.
    pub shift_off_ms: f64,
    /// Coil on to valve shifted, ms.
    pub shift_on_ms: f64,
    /// Time constant of exhausting through both elements, ms.
    pub exhaust_ms: f64,
    /// Time constant of filling, ms.
    pub fill_ms: f64,
}

/// Clutch, at the crank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Clutch {
    /// Torque capacity at supply pressure, N·m.
    pub torque_nm: f64,
    /// Pressure at which the clutch begins to bite, bar.
    pub touch_bar: f64,
}

/// Spring-applied brake, at the crank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Brake {
    /// Torque with all air out, new and cool, N·m.
    pub torque_nm: f64,
    /// Pressure below which the springs press the lining, bar.
    pub touch_bar: f64,
    /// Time the piston takes across the travel gap, ms.
    pub gap_ms: f64,
    /// Mass that stores the heat, kg.
    pub mass_kg: f64,
    /// Heat given off, W per kelvin over ambient.
    pub cooling_w_per_k: f64,
    /// Loss of friction above the fade temperature, per cent per kelvin.
    pub fade_percent_per_k: f64,
    /// Lining area, cm².
    pub lining_cm2: f64,
    /// Lining volume worn off per energy, cm³/MJ.
    pub wear_cm3_per_mj: f64,
    /// Spring force lost per wear, per cent per mm.
    pub spring_loss_percent_per_mm: f64,
    /// Piston travel time added per wear, ms per mm.
    pub gap_ms_per_mm: f64,
    /// Stops a minute in its hardest production: at these the brake is warm.
    pub stops_per_minute: f64,
}

/// Counterbalance of slide and upper die.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Counterbalance {
    /// What it is.
    pub kind: String,
    /// Piston area of all cylinders, m²; 0 for springs.
    pub area_m2: f64,
    /// Share of the weight of slide and die that it carries as set.
    pub share: f64,
}

/// Gears and shafts between the brake and the crank.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DriveTrain {
    /// Torsional stiffness at the crank, N·m/rad; 0 for rigid.
    pub stiffness_nm_per_rad: f64,
    /// Gear lash at the crank, degrees.
    pub lash_deg: f64,
    /// Running friction at the crank, N·m.
    pub friction_nm: f64,
}

/// The control's own output stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Control {
    /// From the controller writing its output off to the coil being off, ms.
    pub output_drop_ms: f64,
}

/// Stop-to-stop scatter, one sigma.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Scatter {
    /// Of the reaction, ms.
    pub reaction_ms: f64,
    /// Of the brake torque, as a share.
    pub brake_torque: f64,
}

/// How the resolver is driven.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ResolverDrive {
    /// What drives it.
    pub drive: String,
    /// Lash between crank and resolver, degrees.
    pub lash_deg: f64,
    /// Electrical angle at top dead centre, degrees; best near 45.
    pub zero_deg: f64,
}

/// Safeguarding as installed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guarding {
    /// Distance from the presence-sensing field to the nearest hazard, mm.
    pub installed_distance_mm: f64,
    /// Detection capability of the field, mm.
    pub detection_mm: f64,
    /// Response time of the field, ms.
    pub device_response_ms: f64,
    /// Whether it has two-hand actuation.
    pub two_hand: bool,
    /// Distance from the two-hand station to the nearest hazard, mm.
    pub two_hand_distance_mm: f64,
}

/// Stroking modes the press may be used in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Modes {
    /// Inch.
    pub inch: bool,
    /// Single stroke.
    pub single_stroke: bool,
    /// Continuous.
    pub continuous: bool,
}

/// Work near bottom dead centre as a curve of force over height, straight lines between points.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Work {
    /// Heights above bottom dead centre, mm, falling; no force above the first.
    pub height_mm: Vec<f64>,
    /// Force at each height, kN.
    pub force_kn: Vec<f64>,
}

impl Press {
    /// The built-in press of this letter, A to H; upper or lower case.
    pub fn builtin(letter: &str) -> Option<Self> {
        let text = match letter.to_ascii_uppercase().as_str() {
            "A" => include_str!("../presses/a.toml"),
            "B" => include_str!("../presses/b.toml"),
            "C" => include_str!("../presses/c.toml"),
            "D" => include_str!("../presses/d.toml"),
            "E" => include_str!("../presses/e.toml"),
            "F" => include_str!("../presses/f.toml"),
            "G" => include_str!("../presses/g.toml"),
            "H" => include_str!("../presses/h.toml"),
            _ => return None,
        };
        Self::from_toml(letter, text).ok()
    }

    /// Reads a press from TOML; `file` is the name used in problems.
    ///
    /// # Errors
    /// Every problem of the file, each with its place and what is allowed.
    pub fn from_toml(file: &str, text: &str) -> Result<Self, Problems> {
        let (press, places) = toml_check::read::<Self>(file, text, KEYS)?;
        let problems = press.contradictions(&places);
        if problems.is_empty() {
            Ok(press)
        } else {
            Err(Problems(problems))
        }
    }

    /// Crank radius, mm.
    pub fn crank_radius_mm(&self) -> f64 {
        self.frame.stroke_mm / 2.0
    }

    /// Moving mass with the heaviest die, kg.
    pub fn slide_and_die_max_kg(&self) -> f64 {
        self.masses.slide_kg + self.masses.die_max_kg
    }

    /// Closed form of the reaction, coil off to the equivalent start of full braking, ms:
    /// shift + gap + τ(1 + ln(supply/touch)).
    pub fn reaction_closed_form_ms(&self) -> f64 {
        let air = &self.air;
        air.shift_off_ms
            + self.brake.gap_ms
            + air.exhaust_ms * (1.0 + (air.supply_bar / self.brake.touch_bar).ln())
    }

    /// Closed form of the braking part at a speed, ms: J ω / (brake + friction).
    pub fn braking_closed_form_ms(&self, spm: f64) -> f64 {
        let torque = self.brake.torque_nm + self.drive_train.friction_nm;
        1e3 * self.masses.crank_kg_m2 * spm * PI / 30.0 / torque
    }

    /// Closed form of the stopping time at a speed, ms: reaction and braking.
    pub fn stop_time_closed_form_ms(&self, spm: f64) -> f64 {
        self.reaction_closed_form_ms() + self.braking_closed_form_ms(spm)
    }

    /// Closed form of the stopping travel at a speed, degrees: ω (reaction + braking / 2).
    pub fn stop_travel_closed_form_deg(&self, spm: f64) -> f64 {
        let span_ms = self.reaction_closed_form_ms() + self.braking_closed_form_ms(spm) / 2.0;
        spm * 6.0 * span_ms * 1e-3
    }

    /// Rules between keys.
    fn contradictions(&self, places: &Places) -> Vec<Problem> {
        let mut problems = Vec::new();
        let mut rule = |holds: bool, key: &str, found: f64, allowed: String| {
            if !holds {
                problems.push(places.problem(key, found, allowed));
            }
        };
        let (frame, speed, air) = (&self.frame, &self.speed, &self.air);
        rule(
            frame.rod_mm >= 1.5 * self.crank_radius_mm(),
            "frame.rod_mm",
            frame.rod_mm,
            format!("at least {} (0.75 of the stroke)", 0.75 * frame.stroke_mm),
        );
        rule(
            frame.rated_height_mm < frame.stroke_mm,
            "frame.rated_height_mm",
            frame.rated_height_mm,
            format!("less than the stroke, {}", frame.stroke_mm),
        );
        rule(
            (speed.min_spm..=speed.max_spm).contains(&speed.nominal_spm),
            "speed.nominal_spm",
            speed.nominal_spm,
            format!(
                "{} to {} (min_spm to max_spm)",
                speed.min_spm, speed.max_spm
            ),
        );
        rule(
            self.motor.variable_speed || speed.min_spm == speed.max_spm,
            "speed.min_spm",
            speed.min_spm,
            format!("{}, because motor.variable_speed is false", speed.max_spm),
        );
        for spm in &speed.verify_spm {
            rule(
                (speed.min_spm..=speed.max_spm).contains(spm),
                "speed.verify_spm",
                *spm,
                format!(
                    "{} to {} (min_spm to max_spm)",
                    speed.min_spm, speed.max_spm
                ),
            );
        }
        rule(
            speed.verify_spm.is_sorted_by(|a, b| a < b),
            "speed.verify_spm",
            speed.verify_spm[0],
            "rising speeds".to_owned(),
        );
        for (key, touch_bar) in [
            ("brake.touch_bar", self.brake.touch_bar),
            ("clutch.touch_bar", self.clutch.touch_bar),
        ] {
            rule(
                touch_bar < air.supply_bar,
                key,
                touch_bar,
                format!("less than air.supply_bar, {}", air.supply_bar),
            );
        }
        rule(
            self.brake.torque_nm > self.drive_train.friction_nm,
            "brake.torque_nm",
            self.brake.torque_nm,
            format!(
                "more than the running friction, {}",
                self.drive_train.friction_nm
            ),
        );
        rule(
            self.clutch.torque_nm > self.drive_train.friction_nm,
            "clutch.torque_nm",
            self.clutch.torque_nm,
            format!(
                "more than the running friction, {}",
                self.drive_train.friction_nm
            ),
        );
        let work = &self.work;
        rule(
            work.height_mm.len() == work.force_kn.len(),
            "work.force_kn",
            work.force_kn.len() as f64,
            format!(
                "{} values, one for each of work.height_mm",
                work.height_mm.len()
            ),
        );
        rule(
            work.height_mm.is_sorted_by(|a, b| a > b) && work.height_mm[0] < frame.stroke_mm,
            "work.height_mm",
            work.height_mm[0],
            format!("falling heights, below the stroke of {}", frame.stroke_mm),
        );
        problems
    }
}

const KEYS: &[Key] = &[
    Key::required("name", Kind::Text(60)),
    Key::required("description", Kind::Text(200)),
    Key::table(
        "frame",
        &[
            Key::number("rated_force_kn", 1.0, 100_000.0),
            Key::number("rated_height_mm", 0.1, 100.0),
            Key::number("stroke_mm", 5.0, 1500.0),
            Key::number("rod_mm", 20.0, 10_000.0),
        ],
    ),
    Key::table(
        "speed",
        &[
            Key::number("min_spm", 1.0, 2000.0),
            Key::number("nominal_spm", 1.0, 2000.0),
            Key::number("max_spm", 1.0, 2000.0),
            Key::required("verify_spm", Kind::Numbers(1, 8, 1.0, 2000.0)),
        ],
    ),
    Key::table(
        "masses",
        &[
            Key::number("slide_kg", 1.0, 200_000.0),
            Key::number("die_max_kg", 0.0, 200_000.0),
            Key::number("crank_kg_m2", 0.01, 1e6),
            Key::number("flywheel_kg_m2", 0.1, 1e8),
        ],
    ),
    Key::table(
        "motor",
        &[
            Key::number("power_kw", 0.1, 5000.0),
            Key::number("rated_slip_percent", 0.5, 20.0),
            Key::number("pull_out", 1.0, 5.0),
            Key::required("variable_speed", Kind::Flag),
            Key::number("setting_lag_s", 0.05, 10.0),
        ],
    ),
    Key::table(
        "air",
        &[
            Key::number("supply_bar", 1.0, 400.0),
            Key::number("shift_off_ms", 1.0, 200.0),
            Key::number("shift_on_ms", 1.0, 200.0),
            Key::number("exhaust_ms", 2.0, 500.0),
            Key::number("fill_ms", 2.0, 500.0),
        ],
    ),
    Key::table(
        "clutch",
        &[
            Key::number("torque_nm", 10.0, 1e8),
            Key::number("touch_bar", 0.1, 400.0),
        ],
    ),
    Key::table(
        "brake",
        &[
            Key::number("torque_nm", 1.0, 1e8),
            Key::number("touch_bar", 0.1, 400.0),
            Key::number("gap_ms", 0.0, 100.0),
            Key::number("mass_kg", 0.5, 50_000.0),
            Key::number("cooling_w_per_k", 0.1, 1e5),
            Key::number("fade_percent_per_k", 0.0, 2.0),
            Key::number("lining_cm2", 1.0, 1e6),
            Key::number("wear_cm3_per_mj", 0.0, 10.0),
            Key::number("spring_loss_percent_per_mm", 0.0, 50.0),
            Key::number("gap_ms_per_mm", 0.0, 100.0),
            Key::number("stops_per_minute", 0.1, 120.0),
        ],
    ),
    Key::table(
        "counterbalance",
        &[
            Key::required("kind", Kind::Text(100)),
            Key::number("area_m2", 0.0, 20.0),
            Key::number("share", 0.0, 1.5),
        ],
    ),
    Key::table(
        "drive_train",
        &[
            Key::number("stiffness_nm_per_rad", 0.0, 1e10),
            Key::number("lash_deg", 0.0, 5.0),
            Key::number("friction_nm", 0.1, 1e6),
        ],
    ),
    Key::table("control", &[Key::number("output_drop_ms", 0.0, 100.0)]),
    Key::table(
        "scatter",
        &[
            Key::number("reaction_ms", 0.0, 50.0),
            Key::number("brake_torque", 0.0, 0.3),
        ],
    ),
    Key::table(
        "resolver",
        &[
            Key::required("drive", Kind::Text(100)),
            Key::number("lash_deg", 0.0, 10.0),
            Key::number("zero_deg", -360.0, 360.0),
        ],
    ),
    Key::table(
        "guarding",
        &[
            Key::number("installed_distance_mm", 100.0, 5000.0),
            Key::number("detection_mm", 10.0, 116.0),
            Key::number("device_response_ms", 0.0, 500.0),
            Key::required("two_hand", Kind::Flag),
            Key::number("two_hand_distance_mm", 100.0, 5000.0),
        ],
    ),
    Key::table(
        "modes",
        &[
            Key::required("inch", Kind::Flag),
            Key::required("single_stroke", Kind::Flag),
            Key::required("continuous", Kind::Flag),
        ],
    ),
    Key::table(
        "work",
        &[
            Key::required("height_mm", Kind::Numbers(2, 20, 0.0, 1500.0)),
            Key::required("force_kn", Kind::Numbers(2, 20, 0.0, 100_000.0)),
        ],
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_has_a_press_without_a_problem() {
        for letter in LETTERS {
            let text = std::fs::read_to_string(format!(
                "{}/presses/{}.toml",
                env!("CARGO_MANIFEST_DIR"),
                letter.to_lowercase()
            ))
            .unwrap();
            if let Err(problems) = Press::from_toml(letter, &text) {
                panic!("{problems}");
            }
            assert_eq!(
                Press::builtin(letter),
                Press::builtin(&letter.to_lowercase())
            );
        }
        assert_eq!(Press::builtin("I"), None);
        assert_eq!(Press::builtin(""), None);
    }

    #[test]
    fn contradictions_between_keys_are_found_together_with_their_places() {
        let text = include_str!("../presses/b.toml")
            .replace("rod_mm = 420", "rod_mm = 60")
            .replace("nominal_spm = 85", "nominal_spm = 90")
            .replace("supply_bar = 5.5", "supply_bar = 3");
        let problems = Press::from_toml("b.toml", &text).unwrap_err().0;
        let keys: Vec<_> = problems.iter().map(|p| p.key.as_str()).collect();
        let expected = [
            "frame.rod_mm",
            "speed.nominal_spm",
            "brake.touch_bar",
            "clutch.touch_bar",
        ];
        assert_eq!(keys, expected);
        assert!(problems.iter().all(|p| p.line > 1 && p.file == "b.toml"));
    }

    #[test]
    fn a_press_written_out_reads_back_the_same() {
        for letter in LETTERS {
            let press = Press::builtin(letter).unwrap();
            let text = toml::to_string(&press).unwrap();
            assert_eq!(Press::from_toml("copy", &text).unwrap(), press);
        }
    }
}
