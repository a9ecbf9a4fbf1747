//! The rows of a table as series over time, in seconds and degrees.

use super::ReadOptions;
use super::columns::AngleColumns;
use super::motion;
use super::problems::{Problems, Warnings};
use super::recording::WarningKind;
use super::table::{BAD_SHARE_MAX, Cells, Reading, SAMPLES_MIN, Table};
use super::units::{AngleUnit, TimeUnit, Unit};
use super::windings;

/// Readings with their times in seconds.
pub(super) struct Timed {
    units: Vec<Option<Unit>>,
    readings: Vec<Reading>,
    pub(super) times: Vec<f64>,
    pub(super) unit: TimeUnit,
}

/// Angle readings and what they are.
pub(super) struct Angles {
    /// Time and degrees.
    pub(super) readings: Vec<(f64, f64)>,
    pub(super) wraps: bool,
    pub(super) unit: String,
}

impl Timed {
    /// Times in seconds, from the time column or from the sample rate.
    pub(super) fn new(
        cells: Cells,
        table: &Table,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Self, Problems> {
        let slot = table.needed().len() - 1;
        let Some((_, named)) = table.columns.time else {
            let period = 1.0 / options.sample_rate_hz.unwrap_or(1.0);
            let times = (0..cells.readings.len())
                .map(|row| row as f64 * period)
                .collect();
            return Ok(Self {
                units: cells.units,
                readings: cells.readings,
                times,
                unit: TimeUnit::Seconds,
            });
        };
        let raw: Vec<f64> = cells
            .readings
            .iter()
            .map(|r| r.values.get(slot).copied().unwrap_or(f64::NAN))
            .collect();
        let written = cells.units.get(slot).copied().flatten();
        let written = if let Some(Unit::Time(unit)) = written {
            Some(unit)
        } else {
            None
        };
        let unit = options.time_unit.or(named).or(written).unwrap_or_else(|| {
            let guess = TimeUnit::guess(middle_step(&raw));
            let message = format!("the unit of time is not named; taken as {guess}");
            warnings.add(WarningKind::UnitGuessed, None, None, message);
            guess
        });
        let rows = cells.readings.into_iter().zip(&raw);
        let rows = rows.filter(|(_, time)| time.is_finite());
        let (readings, times) = rows
            .map(|(reading, time)| (reading, time * unit.seconds()))
            .unzip();
        Self {
            units: cells.units,
            readings,
            times,
            unit,
        }
        .with_rising_time(warnings)
    }

    /// Refuses time that goes back; leaves out rows that repeat the time before them.
    fn with_rising_time(mut self, warnings: &mut Warnings) -> Result<Self, Problems> {
        let mut problems = Problems::default();
        let mut keep = Vec::with_capacity(self.times.len());
        let mut before = f64::NEG_INFINITY;
        for (&time, reading) in self.times.iter().zip(&self.readings) {
            let line = Some(reading.line);
            if time < before {
                problems.add(
                    line,
                    None,
                    format!(
                        "time goes back: {time} s after {before} s; it must rise from row to row"
                    ),
                );
            } else if time == before {
                warnings.add(
                    WarningKind::RepeatedTimes,
                    line,
                    None,
                    "row left out: it has the time of the row before",
                );
            }
            keep.push(time > before);
            before = time;
        }
        problems.none_or_err()?;
        let repeated = warnings.count(WarningKind::RepeatedTimes);
        if repeated as f64 > BAD_SHARE_MAX * self.times.len() as f64 {
            let message = format!(
                "{repeated} of {} rows repeat the time of the row before: the time column is too coarse",
                self.times.len()
            );
            return Err(Problems::one(None, message));
        }
        let mut kept = keep.iter();
        self.times.retain(|_| kept.next() == Some(&true));
        let mut kept = keep.iter();
        self.readings.retain(|_| kept.next() == Some(&true));
        Ok(self)
    }

    pub(super) fn angles(
        &self,
        table: &Table,
        options: &ReadOptions,
        warnings: &mut Warnings,
    ) -> Result<Angles, Problems> {
        let AngleColumns::Angle {
            unit: named,
            column,
        } = table.columns.angle
        else {
            return self.pair_angles(warnings);
        };
        let at = self
            .times
            .iter()
            .zip(&self.readings)
            .map(|(&time, reading)| (time, reading.values[1]));
        let raw: Vec<(f64, f64)> = at.filter(|reading| reading.1.is_finite()).collect();
        require_samples(raw.len())?;
        let saw = SawTooth::of(&raw);
        let written = match self.units.get(1).copied().flatten() {
            Some(Unit::Angle(unit)) => Some(unit),
            _ => None,
        };
        let unit = match options.angle_unit {
            Some(unit) if unit.per_turn() > 0.0 => unit,
            _ => saw.unit(named.or(written), table.name(column), warnings)?,
        };
        let degrees = 360.0 / unit.per_turn();
        Ok(Angles {
            readings: raw
                .iter()
                .map(|&(time, value)| (time, value * degrees))
                .collect(),
            wraps: saw.span * degrees < 1.1 * 360.0,
            unit: unit.to_string(),
        })
    }

    fn pair_angles(&self, warnings: &mut Warnings) -> Result<Angles, Problems> {
        let pairs: Vec<(f64, f64)> = self
            .readings
            .iter()
            .map(|reading| (reading.values[1], reading.values[2]))
            .collect();
        let windings = windings::angles(&pairs);
        if let Some(doubt) = windings.doubt {
            warnings.add(WarningKind::PairUnbalanced, None, None, doubt);
        }
        let at = self.times.iter().copied().zip(windings.deg);
        let readings: Vec<(f64, f64)> = at.filter(|reading| reading.1.is_finite()).collect();
        require_samples(readings.len())?;
        Ok(Angles {
            readings,
            wraps: true,
            unit: "sine and cosine".into(),
        })
    }

    pub(super) fn stop_values(&self) -> Vec<(f64, f64)> {
        let at = self
            .times
            .iter()
            .zip(&self.readings)
            .map(|(&time, reading)| (time, reading.values[0]));
        at.filter(|value| value.1.is_finite()).collect()
    }
}

fn require_samples(count: usize) -> Result<(), Problems> {
    if count >= SAMPLES_MIN {
        return Ok(());
    }
    Err(Problems::one(
        None,
        format!("{count} angles in the file, at least {SAMPLES_MIN} are needed"),
    ))
}

fn counts_unknown(name: &str) -> Problems {
    Problems::one(
        None,
        format!(
            "column `{name}` holds counts, and they do not tell how many make a turn: give the counts of one turn as the angle's unit"
        ),
    )
}

/// How a column of angles falls back at the end of a turn, if it does.
struct SawTooth {
    span: f64,
    falls_back: bool,
}

impl SawTooth {
    fn of(raw: &[(f64, f64)]) -> Self {
        let mut values: Vec<f64> = raw.iter().map(|reading| reading.1).collect();
        values.sort_by(f64::total_cmp);
        // The very ends are left to spikes.
        let end = |share| motion::quantile(&values, share).unwrap_or(0.0);
        let span = end(0.998) - end(0.002);
        let falls = raw
            .windows(2)
            .any(|pair| (pair[1].1 - pair[0].1).abs() > 0.6 * span);
        Self {
            span,
            falls_back: falls && span > 0.0,
        }
    }

    /// The unit named, unless the height of the saw-tooth is plainly that of another; a guess where
    /// none is named.
    fn unit(
        &self,
        named: Option<AngleUnit>,
        column: &str,
        warnings: &mut Warnings,
    ) -> Result<AngleUnit, Problems> {
        let seen = AngleUnit::guess(self.span, self.falls_back);
        let unit = match (named, seen) {
            (Some(AngleUnit::Counts(number)), _) if number <= 0.0 => {
                let guess = AngleUnit::guess_counts(self.span).filter(|_| self.falls_back);
                guess.ok_or_else(|| counts_unknown(column))?
            }
            // A number before the unit (`0.1 deg`) is not read.
            (Some(unit), Some(seen)) if self.span > 5.0 * unit.per_turn() => seen,
            (Some(unit), _) => return Ok(unit),
            (None, seen) => seen.unwrap_or(AngleUnit::Degrees),
        };
        let message = format!("the unit of `{column}` is not told by its name; taken as {unit}");
        warnings.add(WarningKind::UnitGuessed, None, None, message);
        Ok(unit)
    }
}

/// Middle value of the positive steps.
pub(super) fn middle_step(values: &[f64]) -> f64 {
    let steps = values
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|&step| step > 0.0);
    motion::median(&steps.collect::<Vec<_>>()).unwrap_or(0.0)
}
