//! The stop command: from levels to spans of time with bracketed edges.
//!
//! An edge lies between the last sample with the old level and the first with the new one; nobody
//! knows where. Both are kept. A short gap in a command is contact bounce: the valve coil lost its
//! current at the first edge, so the first edge is the command.

use super::motion::{Path, median};
use super::recording::{Command, Edge};

/// A gap no longer than this, or of one sample, is contact bounce (common practice, no source:
/// relay contacts come to rest within some 10 ms).
const BOUNCE_S: f64 = 0.012;

/// Speed at an edge is taken over this time before it.
const SPEED_SPAN_S: f64 = 0.02;
/// Lead of one reading of the polarity over the other, as a share of the speed, that decides.
const CLEAR_LEAD: f64 = 0.2;

/// Two levels told apart by the middle of their range.
pub(super) struct Levels {
    /// Time and whether the level is the upper one.
    pub(super) samples: Vec<(f64, bool)>,
    /// Share of the samples well away from both levels.
    pub(super) between_share: f64,
}

/// From time and value; `None` when the value never changes.
pub(super) fn levels(values: &[(f64, f64)]) -> Option<Levels> {
    let low = values
        .iter()
        .map(|sample| sample.1)
        .fold(f64::INFINITY, f64::min);
    let high = values
        .iter()
        .map(|sample| sample.1)
        .fold(f64::NEG_INFINITY, f64::max);
    let middle = f64::midpoint(low, high);
    if !(middle.is_finite() && high > low) {
        return None;
    }
    let is_between = |value: f64| ((value - low) / (high - low) - 0.5).abs() < 0.25;
    let between = values.iter().filter(|sample| is_between(sample.1)).count();
    Some(Levels {
        samples: values
            .iter()
            .map(|&(time, value)| (time, value > middle))
            .collect(),
        between_share: between as f64 / values.len() as f64,
    })
}

/// Whether the lower level is the stop command, from the motion: a crank runs when it is told to
/// stop and rests when it is told to run. `None` when its speed at the two edges hardly differs.
pub(super) fn stops_at_low(levels: &Levels, path: &Path, period_s: f64) -> Option<bool> {
    let lead = |active_low: bool| {
        let commands = spans(levels, active_low, period_s);
        let at = |edges: Vec<Edge>| {
            let speeds = edges
                .iter()
                .map(|edge| speed_before(path, edge.earliest_s, period_s));
            median(&speeds.collect::<Vec<_>>()).unwrap_or(0.0)
        };
        let on = at(commands.iter().filter_map(|command| command.on).collect());
        let off = at(commands.iter().filter_map(|command| command.off).collect());
        (on - off, on.max(off))
    };
    let ((high, fastest), (low, _)) = (lead(false), lead(true));
    ((high - low).abs() > CLEAR_LEAD * fastest).then_some(low > high)
}

/// Speed over a short time before `time_s`, without regard to its sense.
fn speed_before(path: &Path, time_s: f64, period_s: f64) -> f64 {
    let at = |time: f64| {
        path.time_s
            .partition_point(|&other| other <= time)
            .saturating_sub(1)
    };
    let (from, to) = (
        at(time_s - f64::max(SPEED_SPAN_S, 3.0 * period_s)),
        at(time_s),
    );
    let change = |series: &[f64]| Some(series.get(to)? - series.get(from)?);
    match (change(&path.deg), change(&path.time_s)) {
        (Some(travel), Some(time)) if time > 0.0 => (travel / time).abs(),
        _ => 0.0,
    }
}

/// Spans in which the command is given.
pub(super) fn spans(levels: &Levels, active_low: bool, period_s: f64) -> Vec<Command> {
    let mut commands: Vec<Command> = Vec::new();
    let mut before: Option<(f64, bool)> = None;
    for &(time, is_high) in &levels.samples {
        let given = is_high != active_low;
        let edge = before.map(|(earliest_s, _)| Edge {
            earliest_s,
            latest_s: time,
        });
        match (before.is_some_and(|(_, given)| given), given) {
            (false, true) => begin(&mut commands, edge, period_s),
            (true, false) => {
                if let Some(command) = commands.last_mut() {
                    command.off = edge;
                }
            }
            _ => {}
        }
        before = Some((time, given));
    }
    commands
}

fn begin(commands: &mut Vec<Command>, on: Option<Edge>, period_s: f64) {
    let bounce = commands.last_mut().zip(on).and_then(|(last, on)| {
        let off = last.off?;
        // Longest the gap can have been, but a single sample is never more than a bounce.
        let gap = on.latest_s - off.latest_s;
        (gap <= BOUNCE_S.max(1.5 * period_s)).then_some((last, on))
    });
    match bounce {
        Some((last, on)) => {
            last.bounces += 1;
            last.off = None;
            last.bounce_s = last.on.map_or(0.0, |first| on.latest_s - first.latest_s);
        }
        None => commands.push(Command {
            on,
            off: None,
            bounces: 0,
            bounce_s: 0.0,
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn levels_of(pattern: &str) -> Levels {
        let values: Vec<_> = pattern
            .bytes()
            .enumerate()
            .map(|(k, level)| (k as f64 * 1e-3, f64::from(level - b'0')))
            .collect();
        levels(&values).expect("two levels")
    }

    #[test]
    fn an_edge_lies_between_two_samples() {
        let commands = spans(&levels_of("000001111"), false, 1e-3);
        let edge = commands[0].on.expect("an edge");
        assert_eq!((edge.earliest_s, edge.latest_s), (0.004, 0.005));
        assert!((edge.middle_s() - 0.0045).abs() < 1e-12);
    }

    #[test]
    fn a_bounced_command_began_with_its_first_edge() {
        let commands = spans(&levels_of("0001011001111111"), false, 1e-3);
        assert_eq!(commands.len(), 1);
        assert_eq!(commands[0].bounces, 2);
        assert_eq!(commands[0].on.expect("an edge").latest_s, 0.003);
        assert!((commands[0].bounce_s - 0.006).abs() < 1e-12);
    }

    #[test]
    fn a_command_withdrawn_for_longer_is_two_commands() {
        let pattern = format!("000111{}111", "0".repeat(30));
        assert_eq!(spans(&levels_of(&pattern), false, 1e-3).len(), 2);
    }

    #[test]
    fn a_level_that_never_changes_holds_no_command() {
        assert!(levels(&[(0.0, 1.0), (0.1, 1.0)]).is_none());
        assert!(levels(&[]).is_none());
    }
}
