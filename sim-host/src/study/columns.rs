//! Which column holds what, told by the words and the unit in its name or by the caller.
//!
//! Names are read as words: `CrankAngle_deg`, `crank angle (deg)` and `Kurbelwinkel [°]` say the
//! same. Where two columns could be meant, none is chosen: the caller must name one.

use std::fmt;

use super::ReadOptions;
use super::units::{AngleUnit, TimeUnit, Unit};

/// What a column can be to a study.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    Time,
    Angle,
    Sine,
    Cosine,
    Stop,
}

/// Where the angle comes from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum AngleColumns {
    Angle {
        column: usize,
        unit: Option<AngleUnit>,
    },
    /// A resolver's demodulated windings.
    Pair { sine: usize, cosine: usize },
}

/// The columns of one recording, as positions in its rows.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Columns {
    /// Absent only when the caller gave a sample rate instead.
    pub(super) time: Option<(usize, Option<TimeUnit>)>,
    pub(super) angle: AngleColumns,
    pub(super) stop: usize,
    /// Whether the column's name speaks of the drive (coil, clutch) and not of stopping.
    pub(super) stop_names_drive: bool,
}

/// Why no choice was possible.
#[derive(Clone, Debug, Default)]
pub(super) struct ColumnTrouble {
    pub(super) problems: Vec<String>,
}

const ROLES: [Role; 5] = [
    Role::Time,
    Role::Angle,
    Role::Sine,
    Role::Cosine,
    Role::Stop,
];

struct Words {
    role: Role,
    words: &'static [&'static str],
}

/// English, German, French, Italian and Spanish words that stand for a role (common practice, no
/// source).
const VOCABULARY: [Words; 5] = [
    Words {
        role: Role::Time,
        words: &[
            "time",
            "t",
            "timestamp",
            "zeit",
            "temps",
            "tempo",
            "tiempo",
            "elapsed",
            "clock",
        ],
    },
    Words {
        role: Role::Angle,
        words: &[
            "angle",
            "crank",
            "crankangle",
            "theta",
            "phi",
            "ang",
            "kw",
            "enc",
            "code",
            "codes",
            "position",
            "pos",
            "rotation",
            "encoder",
            "resolver",
            "counts",
            "winkel",
            "kurbelwinkel",
            "kurbel",
            "stellung",
            "angolo",
            "angulo",
            "deg",
            "degrees",
            "crankdeg",
        ],
    },
    Words {
        role: Role::Sine,
        words: &["sin", "sine", "sinus"],
    },
    Words {
        role: Role::Cosine,
        words: &["cos", "cosine", "cosinus", "kosinus"],
    },
    Words {
        role: Role::Stop,
        words: &[
            "stop",
            "stopp",
            "stopcmd",
            "stopcommand",
            "halt",
            "brake",
            "bremse",
            "arret",
            "frein",
            "parada",
            "arresto",
            "cmd",
            "command",
            "befehl",
            "valve",
            "ventil",
            "coil",
            "solenoid",
            "magnet",
            "spule",
            "clutch",
            "kupplung",
            "run",
            "drive",
            "energised",
            "energized",
        ],
    },
];

/// A column with one of these words is something else, whatever other words it holds.
const OTHER_QUANTITIES: &[&str] = &[
    "speed",
    "velocity",
    "rpm",
    "spm",
    "omega",
    "drehzahl",
    "geschwindigkeit",
    "acceleration",
    "torque",
    "moment",
    "pressure",
    "druck",
    "force",
    "kraft",
    "temperature",
    "temp",
    "current",
    "strom",
    "setpoint",
    "target",
    "reference",
    "slide",
    "count",
    "index",
];

/// Words that speak of driving: such a signal is on while the crank is to turn.
const DRIVE_WORDS: &[&str] = &[
    "valve",
    "ventil",
    "coil",
    "solenoid",
    "magnet",
    "spule",
    "clutch",
    "kupplung",
    "run",
    "drive",
    "energised",
    "energized",
];
const STOP_WORDS: &[&str] = &[
    "stop",
    "stopp",
    "stopcmd",
    "stopcommand",
    "halt",
    "brake",
    "bremse",
    "arret",
    "frein",
    "parada",
    "arresto",
];

/// The columns of `header`, by the caller's names first and by vocabulary else.
///
/// # Errors
/// Every role that has no column, or more than one, with what was found and what was looked for.
pub(super) fn choose(header: &[String], options: &ReadOptions) -> Result<Columns, ColumnTrouble> {
    let mut chooser = Chooser {
        header,
        trouble: ColumnTrouble::default(),
    };
    let time = match options.sample_rate_hz {
        Some(_) => None,
        None => chooser.find(Role::Time, options.time.as_deref()),
    };
    let angle = chooser.angle(options);
    let stop = chooser.find(Role::Stop, options.stop.as_deref());
    match (angle, stop) {
        (Some(angle), Some(stop)) if chooser.trouble.problems.is_empty() => Ok(Columns {
            time: time.map(|column| (column, chooser.label(column).time_unit())),
            angle,
            stop,
            stop_names_drive: chooser.label(stop).names_drive(),
        }),
        _ => Err(chooser.trouble),
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Time => "time",
            Self::Angle => "angle",
            Self::Sine => "sine",
            Self::Cosine => "cosine",
            Self::Stop => "stop",
        })
    }
}

struct Chooser<'a> {
    header: &'a [String],
    trouble: ColumnTrouble,
}

impl Chooser<'_> {
    fn label(&self, column: usize) -> Label {
        Label::new(self.header.get(column).map_or("", String::as_str))
    }

    fn angle(&mut self, options: &ReadOptions) -> Option<AngleColumns> {
        let pair_named = options.sine.is_some() || options.cosine.is_some();
        let has_pair = [Role::Sine, Role::Cosine].map(|role| !self.columns_for(role).is_empty());
        let no_angle = options.angle.is_none() && self.columns_for(Role::Angle).is_empty();
        if pair_named || (no_angle && has_pair != [false, false]) {
            let sine = self.find(Role::Sine, options.sine.as_deref());
            let cosine = self.find(Role::Cosine, options.cosine.as_deref());
            return Some(AngleColumns::Pair {
                sine: sine?,
                cosine: cosine?,
            });
        }
        let column = self.find(Role::Angle, options.angle.as_deref())?;
        Some(AngleColumns::Angle {
            column,
            unit: self.label(column).angle_unit(),
        })
    }

    /// The one column for `role`; `None` leaves the reason in `trouble`.
    fn find(&mut self, role: Role, named: Option<&str>) -> Option<usize> {
        let candidates = match named {
            Some(name) => self.columns_named(name),
            None => self.columns_for(role),
        };
        match candidates[..] {
            [column] => return Some(column),
            [] => self.missing(role, named),
            _ => self.ambiguous(role, &candidates),
        }
        None
    }

    /// A number is the number of a column, from 1; anything else a name, without regard to case.
    fn columns_named(&self, name: &str) -> Vec<usize> {
        match name.trim().parse::<usize>() {
            Ok(number) if (1..=self.header.len()).contains(&number) => {
                vec![number.saturating_sub(1)]
            }
            _ => self.positions(|header| header.trim().eq_ignore_ascii_case(name.trim())),
        }
    }

    /// The columns whose words fit `role` best.
    fn columns_for(&self, role: Role) -> Vec<usize> {
        let score = |header: &String| Label::new(header).score(role);
        let best = self.header.iter().map(score).max().unwrap_or(0);
        if best == 0 {
            Vec::new()
        } else {
            self.positions(|header| score(header) == best)
        }
    }

    fn positions(&self, keep: impl Fn(&String) -> bool) -> Vec<usize> {
        (0..)
            .zip(self.header)
            .filter(|(_, header)| keep(header))
            .map(|(index, _)| index)
            .collect()
    }

    fn missing(&mut self, role: Role, named: Option<&str>) {
        let looked_for = match named {
            Some(name) => format!("a column named or numbered `{name}`"),
            None => words_for(role).join(", "),
        };
        let found = self
            .header
            .iter()
            .map(|name| format!("`{name}`"))
            .collect::<Vec<_>>();
        self.trouble.problems.push(format!(
            "no {role} column: found {}; looked for {looked_for}; name it with --{role}",
            found.join(", ")
        ));
    }

    fn ambiguous(&mut self, role: Role, candidates: &[usize]) {
        let name = |&column: &usize| {
            let name = self.header.get(column).map_or("", String::as_str);
            format!("`{name}` (column {})", column.saturating_add(1))
        };
        let names: Vec<String> = candidates.iter().map(name).collect();
        self.trouble.problems.push(format!(
            "{} columns could be the {role}: {}; choose one by its number with --{role}",
            candidates.len(),
            names.join(", ")
        ));
    }
}

fn words_for(role: Role) -> Vec<&'static str> {
    let of_role = VOCABULARY.iter().filter(|entry| entry.role == role);
    of_role
        .flat_map(|entry| entry.words.iter().copied())
        .collect()
}

/// A column's name, taken apart into words and a unit.
struct Label {
    words: Vec<String>,
    unit: Option<Unit>,
}

impl Label {
    fn new(name: &str) -> Self {
        let mut words = words_of(name);
        let unit = words.last().and_then(|word| Unit::from_word(word));
        // `t` alone is a name, `deg` alone is an angle: a unit is taken off only from a longer name.
        if unit.is_some() && words.len() > 1 {
            words.pop();
        }
        words
            .iter_mut()
            .for_each(|word| *word = word.to_lowercase());
        Self { words, unit }
    }

    /// How well the name fits a role: 0 not at all. A word weighs more than a unit alone.
    fn score(&self, role: Role) -> usize {
        let hits = |role| {
            let words = words_for(role);
            self.words
                .iter()
                .filter(|word| words.contains(&word.as_str()))
                .count()
        };
        // `stop time` is a result, `sine of angle` and `valve position` are no angles.
        let is_foreign = ROLES.iter().any(|&other| other != role && hits(other) > 0);
        if is_foreign || self.has(OTHER_QUANTITIES) || !self.unit_fits(role) {
            return 0;
        }
        let has_telling_unit = matches!(
            (role, self.unit),
            (Role::Time, Some(Unit::Time(_)))
                | (
                    Role::Angle,
                    Some(Unit::Angle(AngleUnit::Degrees | AngleUnit::Radians))
                )
        );
        2 * hits(role) + usize::from(has_telling_unit)
    }

    fn unit_fits(&self, role: Role) -> bool {
        match (role, self.unit) {
            (_, None) => true,
            (Role::Time, Some(unit)) => matches!(unit, Unit::Time(_)),
            (Role::Angle, Some(unit)) => matches!(unit, Unit::Angle(_)),
            (Role::Sine | Role::Cosine | Role::Stop, Some(unit)) => {
                matches!(unit, Unit::Level | Unit::Angle(AngleUnit::Counts(_)))
            }
        }
    }

    fn has(&self, words: &[&str]) -> bool {
        self.words.iter().any(|word| words.contains(&word.as_str()))
    }

    fn names_drive(&self) -> bool {
        self.has(DRIVE_WORDS) && !self.has(STOP_WORDS)
    }

    fn time_unit(&self) -> Option<TimeUnit> {
        match self.unit {
            Some(Unit::Time(unit)) => Some(unit),
            _ => None,
        }
    }

    fn angle_unit(&self) -> Option<AngleUnit> {
        match self.unit {
            Some(Unit::Angle(unit)) => Some(unit),
            _ => None,
        }
    }
}

/// Words are runs of letters or of digits; a capital after a small letter begins one.
fn words_of(name: &str) -> Vec<String> {
    let mut words = vec![String::new()];
    let mut before = ' ';
    for sign in name.chars() {
        let breaks = !is_word_sign(sign)
            || (before.is_lowercase() && sign.is_uppercase())
            || (before.is_numeric() != sign.is_numeric());
        if breaks {
            words.push(String::new());
        }
        if let (true, Some(word)) = (is_word_sign(sign), words.last_mut()) {
            word.push(sign);
        }
        before = sign;
    }
    words.retain(|word| !word.is_empty());
    words
}

fn is_word_sign(sign: char) -> bool {
    sign.is_alphanumeric() || matches!(sign, '\u{b0}' | '\u{b5}' | '%')
}
