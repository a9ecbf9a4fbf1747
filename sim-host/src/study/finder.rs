//! Every stop command of a recording: stops at speed, positioning moves, and what gave neither.

use super::codes::Coding;
use super::hold::DRIFT_MAX_DEG;
use super::motion::shortest;
use super::recording::{Recording, Warning, WarningKind};
use super::stop_search::{FindOptions, Outcome, StopSearch};
use super::{Found, PositioningMove, RecordedStop, StopKind};

/// A move from mid-stroke slower than this share of the recording's fastest stop is positioning.
const POSITIONING_SHARE: f64 = 0.6;

/// Finds and measures every stop of a recording.
pub fn find_stops(recording: &Recording, options: &FindOptions) -> Found {
    let mut found = Found {
        stops: Vec::new(),
        positioning_moves: Vec::new(),
        warnings: Vec::new(),
    };
    let coding = Coding::of(recording);
    for command in &recording.commands {
        let Some(on) = command.on else { continue };
        match (StopSearch {
            recording,
            command,
            on,
            options,
            coding,
        })
        .outcome()
        {
            Outcome::Stop(stop) => found.stops.push(*stop),
            Outcome::Move(moved) => found.positioning_moves.push(moved),
            Outcome::LeftOut(warning) => found.warnings.push(warning),
        }
    }
    set_slow_returns_apart(recording, options, &mut found);
    found
        .stops
        .iter_mut()
        .enumerate()
        .for_each(|(index, stop)| stop.index = index);
    add_warnings(recording, &mut found);
    found
}

/// Stops that began from a rest in mid-stroke, end at the top and are slow beside the fastest stop
/// only bring the slide back.
fn set_slow_returns_apart(recording: &Recording, options: &FindOptions, found: &mut Found) {
    let fastest = found
        .stops
        .iter()
        .map(|stop| stop.speed_spm)
        .fold(0.0, f64::max);
    let began_at_top = |stop: &RecordedStop| {
        let rest = rest_before(recording, stop.command_time_s);
        rest.is_none_or(|deg| shortest(deg).abs() <= options.top_window_deg)
    };
    let is_return = |stop: &RecordedStop| {
        stop.kind == StopKind::TopStop
            && stop.speed_spm < POSITIONING_SHARE * fastest
            && !began_at_top(stop)
    };
    let (returns, stops) = std::mem::take(&mut found.stops)
        .into_iter()
        .partition(is_return);
    found.stops = stops;
    let returns: Vec<RecordedStop> = returns;
    found
        .positioning_moves
        .extend(returns.into_iter().map(|stop| PositioningMove {
            reason: format!(
                "slow return from mid-stroke: {:.1} of {fastest:.1} strokes per minute",
                stop.speed_spm
            ),
            recording: stop.recording,
            command_time_s: stop.command_time_s,
            command_deg: stop.command_deg,
            speed_spm: stop.speed_spm,
            rest_deg: stop.rest_deg,
        }));
    found
        .positioning_moves
        .sort_by(|a, b| a.command_time_s.total_cmp(&b.command_time_s));
}

/// Angle at the end of the command before the one at `time_s`, where the crank rested.
fn rest_before(recording: &Recording, time_s: f64) -> Option<f64> {
    let off = recording.commands.iter().filter_map(|command| command.off);
    let last = off.rev().find(|off| off.latest_s < time_s)?;
    let index = recording
        .time_s
        .partition_point(|&time| time <= last.earliest_s);
    recording.crank_deg.get(index.saturating_sub(1)).copied()
}

fn add_warnings(recording: &Recording, found: &mut Found) {
    let bounced = recording
        .commands
        .iter()
        .filter(|command| command.bounces > 0);
    let bounced: Vec<f64> = bounced
        .filter_map(|command| Some(command.on?.latest_s))
        .collect();
    let moved = found
        .stops
        .iter()
        .filter(|stop| stop.hold_drift_deg.abs() > DRIFT_MAX_DEG);
    let moved: Vec<f64> = moved.map(|stop| stop.command_time_s).collect();
    let mut add = |kind, times: &[f64], message: String| {
        found.warnings.push(Warning {
            recording: recording.name.clone(),
            kind,
            count: times.len().max(1),
            line: None,
            time_s: times.first().copied(),
            message,
        });
    };
    if !bounced.is_empty() {
        let message = "stop command with bounce; its first edge was taken".into();
        add(WarningKind::CommandBounced, &bounced, message);
    }
    if !moved.is_empty() {
        let message = format!("the crank moved more than {DRIFT_MAX_DEG} degrees after this stop");
        add(WarningKind::DoesNotHold, &moved, message);
    }
    if found.stops.is_empty() {
        let message = format!(
            "no stop at speed in it: {} spans of the stop command, {} positioning moves",
            recording.commands.len(),
            found.positioning_moves.len()
        );
        add(WarningKind::NoStop, &[], message);
    }
}
