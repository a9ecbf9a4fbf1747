//! Invented presses stopping, and recorders that watch them with all their faults.
//!
//! The stop is an integration of the equation of motion of an in-line slider-crank under friction,
//! gravity and an exponentially rising brake torque; the parameters are those of the invented
//! presses A to H. Nothing here comes from the study that is checked with it.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Normal};
use rand_pcg::Pcg64;

/// What of a press decides its stop, at the crank.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Press {
    pub(crate) name: &'static str,
    stroke_m: f64,
    rod_m: f64,
    moving_kg: f64,
    inertia_kg_m2: f64,
    brake_nm: f64,
    friction_nm: f64,
    /// From coil off to the first brake torque.
    touch_s: f64,
    exhaust_s: f64,
    pub(crate) speeds_spm: &'static [f64],
}

macro_rules! press {
    ($name:literal, $stroke:literal, $rod:literal, $kg:literal, $j:literal, $tb:literal, $tf:literal,
     $valve:literal + $gap:literal, $tau:literal * $p0:literal / $pt:literal, $spm:expr) => {
        (
            Press {
                name: $name,
                stroke_m: $stroke * 1e-3,
                rod_m: $rod * 1e-3,
                moving_kg: $kg,
                inertia_kg_m2: $j,
                brake_nm: $tb,
                friction_nm: $tf,
                touch_s: ($valve + $gap) * 1e-3,
                exhaust_s: $tau * 1e-3,
                speeds_spm: $spm,
            },
            $p0 / $pt,
        )
    };
}

/// The invented presses A to H with their balanced counterbalances.
pub(crate) fn presses() -> Vec<Press> {
    let with_ratio = [
        press!(
            "A",
            25.0,
            250.0,
            180.0,
            0.55,
            560.0,
            12.0,
            10.0 + 2.0,
            12.0 * 5.5 / 3.3,
            &[200.0, 600.0, 800.0]
        ),
        press!(
            "B",
            90.0,
            420.0,
            330.0,
            21.0,
            2100.0,
            90.0,
            18.0 + 4.0,
            20.0 * 5.5 / 3.2,
            &[85.0]
        ),
        press!(
            "C",
            200.0,
            800.0,
            3600.0,
            340.0,
            12_500.0,
            650.0,
            25.0 + 6.0,
            32.0 * 5.5 / 3.3,
            &[40.0]
        ),
        press!(
            "D",
            400.0,
            1500.0,
            15_000.0,
            5200.0,
            72_000.0,
            4500.0,
            35.0 + 10.0,
            55.0 * 5.2 / 3.4,
            &[16.0]
        ),
        press!(
            "E",
            130.0,
            560.0,
            900.0,
            70.0,
            5200.0,
            220.0,
            20.0 + 5.0,
            24.0 * 5.5 / 3.2,
            &[35.0, 55.0, 70.0]
        ),
        press!(
            "F",
            75.0,
            380.0,
            250.0,
            19.0,
            1050.0,
            60.0,
            45.0 + 14.0,
            45.0 * 4.5 / 2.6,
            &[100.0]
        ),
        press!(
            "G",
            80.0,
            620.0,
            1800.0,
            62.0,
            7600.0,
            260.0,
            14.0 + 3.0,
            18.0 * 5.5 / 3.3,
            &[50.0, 120.0, 150.0]
        ),
        press!(
            "H",
            600.0,
            2200.0,
            36_000.0,
            22_000.0,
            240_000.0,
            14_000.0,
            30.0 + 6.0,
            40.0 * 60.0 / 36.0,
            &[8.0, 15.0, 18.0]
        ),
    ];
    // Air leaves exponentially: the brake touches when the pressure has fallen to touch pressure.
    let touching = |(press, ratio): (Press, f64)| Press {
        touch_s: press.touch_s + press.exhaust_s * ratio.ln(),
        ..press
    };
    with_ratio.into_iter().map(touching).collect()
}

/// One of them by its letter.
pub(crate) fn press(name: &str) -> Press {
    presses()
        .into_iter()
        .find(|press| press.name == name)
        .expect("a press of that name")
}

/// What is wrong with the stop itself.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Condition {
    /// Brake torque over that of a healthy press.
    pub(crate) torque: f64,
    /// Exhaust time constant over that of a healthy press: 2 with one of two paths blocked.
    pub(crate) exhaust: f64,
    /// Share of the slide's weight carried by the counterbalance.
    pub(crate) counterbalance: f64,
    /// Swing of the crank after standstill: peak to peak in degrees.
    pub(crate) swing_deg: f64,
}

pub(crate) const HEALTHY: Condition = Condition {
    torque: 1.0,
    exhaust: 1.0,
    counterbalance: 1.0,
    swing_deg: 0.0,
};

/// A stop as it truly was; times after the command, angles after top dead centre.
#[derive(Clone, Debug)]
pub(crate) struct TrueStop {
    pub(crate) command_deg: f64,
    pub(crate) speed_spm: f64,
    pub(crate) time_s: f64,
    pub(crate) travel_deg: f64,
    /// Angle every [`STEP_S`] from the command to standstill.
    path_deg: Vec<f64>,
    swing_deg: f64,
}

const STEP_S: f64 = 2e-5;

impl Press {
    /// Slide travel per radian of crank at `deg`.
    fn arm(&self, deg: f64) -> f64 {
        let (radius, (sine, cosine)) = (self.stroke_m / 2.0, deg.to_radians().sin_cos());
        let rod = (self.rod_m.powi(2) - (radius * sine).powi(2)).sqrt();
        // Crank above the slide: the rod term is subtracted.
        radius * sine - radius * radius * sine * cosine / rod
    }

    fn acceleration(&self, deg: f64, speed: f64, time: f64, condition: Condition) -> f64 {
        let (arm, step) = (self.arm(deg), 0.01f64);
        let bend = (self.arm(deg + step) - self.arm(deg - step)) / (2.0 * step.to_radians());
        let since = time - self.touch_s * condition.exhaust.max(1.0).sqrt();
        let rise = 1.0 - (-since.max(0.0) / (self.exhaust_s * condition.exhaust)).exp();
        let brake = self.brake_nm * condition.torque * rise;
        let gravity = self.moving_kg * 9.81 * (1.0 - condition.counterbalance) * arm;
        let inertia = self.inertia_kg_m2 + self.moving_kg * arm * arm;
        let omega = speed.to_radians();
        let torque =
            gravity - brake - self.friction_nm - self.moving_kg * arm * bend * omega * omega;
        (torque / inertia).to_degrees()
    }

    /// The stop commanded at `command_deg` out of a steady speed.
    pub(crate) fn stop(&self, command_deg: f64, speed_spm: f64, condition: Condition) -> TrueStop {
        let (mut deg, mut speed, mut steps) = (command_deg, speed_spm * 6.0, 0u32);
        let mut path_deg = vec![deg];
        loop {
            let time = f64::from(steps) * STEP_S;
            // Midpoint rule: its error at this step is far below a microsecond of standstill.
            let half = speed + self.acceleration(deg, speed, time, condition) * STEP_S / 2.0;
            let middle = deg + speed * STEP_S / 2.0;
            let bent = self.acceleration(middle, half, time + STEP_S / 2.0, condition);
            if speed + bent * STEP_S <= 0.0 {
                let last = -speed / bent;
                let rest = deg + speed * last / 2.0;
                return TrueStop {
                    command_deg,
                    speed_spm,
                    time_s: time + last,
                    travel_deg: rest - command_deg,
                    path_deg,
                    swing_deg: condition.swing_deg,
                };
            }
            deg += half * STEP_S;
            speed += bent * STEP_S;
            steps += 1;
            path_deg.push(deg);
        }
    }
}

impl TrueStop {
    /// Crank angle at a time after the command: steady before it, at rest (or swinging) after it.
    pub(crate) fn deg(&self, time_s: f64) -> f64 {
        if time_s < 0.0 {
            return self.command_deg + self.speed_spm * 6.0 * time_s;
        }
        if time_s >= self.time_s {
            let since = time_s - self.time_s;
            let swing =
                ((std::f64::consts::TAU * 20.0 * since).cos() - 1.0) * (-since / 0.05).exp();
            return self.command_deg + self.travel_deg + self.swing_deg / 2.0 * swing;
        }
        let at = time_s / STEP_S;
        let index = at as usize;
        let here = self.path_deg[index.min(self.path_deg.len() - 1)];
        let rest = self.command_deg + self.travel_deg;
        let next = self.path_deg.get(index + 1).copied().unwrap_or(rest);
        here + (next - here) * (at - index as f64)
    }
}

/// A recorder and what is wrong with it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Recorder {
    pub(crate) rate_hz: f64,
    pub(crate) noise_deg: f64,
    pub(crate) step_deg: f64,
    /// Scatter of the sampling instants over the period.
    pub(crate) jitter: f64,
    /// Share of samples that never arrive.
    pub(crate) missing: f64,
    /// Share of samples that are far off.
    pub(crate) spikes: f64,
}

pub(crate) const GOOD: Recorder = Recorder {
    rate_hz: 1000.0,
    noise_deg: 0.03,
    step_deg: 360.0 / 65_536.0,
    jitter: 0.0,
    missing: 0.0,
    spikes: 0.0,
};

/// One row of a recording: time, continuous angle, stop command.
pub(crate) type Sample = (f64, f64, bool);

impl Recorder {
    /// Watches a stop from `before_s` before the command to `after_s` after it; the command falls
    /// anywhere between two samples. Time starts at zero.
    pub(crate) fn watch(&self, stop: &TrueStop, before_s: f64, after_s: f64, seed: u64) -> Watched {
        let mut random = Pcg64::seed_from_u64(seed);
        let period = 1.0 / self.rate_hz;
        let noise = Normal::new(0.0, self.noise_deg).expect("a scatter");
        let command_s = before_s + period * random.random::<f64>();
        let mut samples = Vec::new();
        let mut grid = 0.0;
        while grid < before_s + after_s {
            let time = grid + self.jitter * period * (random.random::<f64>() - 0.5);
            let mut deg = stop.deg(time - command_s) + noise.sample(&mut random);
            if random.random::<f64>() < self.spikes {
                deg += 360.0 * (random.random::<f64>() - 0.5);
            }
            let coded = (deg / self.step_deg).floor() * self.step_deg;
            if random.random::<f64>() >= self.missing {
                samples.push((time, coded, time >= command_s));
            }
            grid += period;
        }
        Watched { samples, command_s }
    }
}

/// Samples, and the true time of the command on their clock.
#[derive(Clone, Debug)]
pub(crate) struct Watched {
    pub(crate) samples: Vec<Sample>,
    pub(crate) command_s: f64,
}

/// How samples are written down.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Writing {
    pub(crate) header: &'static str,
    pub(crate) separator: char,
    pub(crate) decimal: char,
    pub(crate) time_scale: f64,
    pub(crate) time_offset_s: f64,
    pub(crate) angle: Angle,
    pub(crate) active_low: bool,
}

/// How an angle is written down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Angle {
    /// 0 to 360 in units of a turn's parts.
    Wrapped(f64),
    /// Minus half a turn to half a turn.
    Signed(f64),
    /// Going on over turns.
    Continuous(f64),
    /// 360 to 0 while the crank goes forward.
    Falling(f64),
    /// Two windings.
    Pair,
}

pub(crate) const PLAIN: Writing = Writing {
    header: "time_s,crank_deg,stop_cmd",
    separator: ',',
    decimal: '.',
    time_scale: 1.0,
    time_offset_s: 0.0,
    angle: Angle::Wrapped(360.0),
    active_low: false,
};

impl Writing {
    /// The text of a file.
    pub(crate) fn text(&self, samples: &[Sample]) -> String {
        let mut text = format!("{}\n", self.header);
        for &(time, deg, given) in samples {
            let time = format!("{:.7}", (time + self.time_offset_s) * self.time_scale);
            let stop = if given == self.active_low { "0" } else { "1" };
            let cells = [vec![time], self.angle_cells(deg), vec![stop.into()]].concat();
            let cells = cells.join(&self.separator.to_string());
            text += &if self.decimal == '.' {
                cells
            } else {
                cells.replace('.', ",")
            };
            text.push('\n');
        }
        text
    }

    fn angle_cells(&self, deg: f64) -> Vec<String> {
        let part = |deg: f64, turn: f64| vec![format!("{:.5}", deg / 360.0 * turn)];
        match self.angle {
            Angle::Wrapped(turn) => part(deg.rem_euclid(360.0), turn),
            Angle::Signed(turn) => part((deg + 180.0).rem_euclid(360.0) - 180.0, turn),
            Angle::Continuous(turn) => part(deg, turn),
            Angle::Falling(turn) => part((-deg).rem_euclid(360.0), turn),
            Angle::Pair => {
                let (sine, cosine) = deg.to_radians().sin_cos();
                vec![
                    format!("{:.6}", 2.1 * sine + 0.05),
                    format!("{:.6}", 2.0 * cosine - 0.03),
                ]
            }
        }
    }
}
