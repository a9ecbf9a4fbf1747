//! The stop command: from levels to spans of time with bracketed edges.
//!
//! An edge lies between the last sample with the old level and the first with the new one; nobody
//! knows where. Both are kept. A short gap in a command is contact bounce: the valve coil lost its
//! current at the first edge, so the first edge is the command.

use super::motion::Path;
use super::recording::{Command, Edge};

/// A gap no longer than this, or of one sample, is contact bounce (common practice, no source:
/// relay contacts come to rest within some 10 ms).
const BOUNCE_S: f64 = 0.012;

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

/// Whether the lower level is the one at which the crank comes to rest; `None` when the crank moves
/// about as much at either.
pub(super) fn rests_at_low(levels: &Levels, path: &Path) -> Option<bool> {
    let (mut travel, mut time) = ([0.0; 2], [0.0; 2]);
    let mut cursor = 0;
    for (times, degs) in path.time_s.windows(2).zip(path.deg.windows(2)) {
        let ([from, to], [before, after]) = (times, degs) else {
            continue;
        };
        while levels
            .samples
            .get(cursor + 1)
            .is_some_and(|sample| sample.0 <= *from)
        {
            cursor += 1;
        }
        let side = usize::from(levels.samples.get(cursor).is_some_and(|sample| sample.1));
        if let (Some(travel), Some(time)) = (travel.get_mut(side), time.get_mut(side)) {
            *travel += after - before;
            *time += to - from;
        }
    }
    let [low, high] = [0, 1].map(|side| (travel[side] / f64::max(time[side], 1e-9)).abs());
    (low.max(high) > 1.5 * low.min(high)).then_some(low < high)
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
