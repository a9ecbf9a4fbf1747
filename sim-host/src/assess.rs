//! From recorded stops to a record: cells, limits, the curve over speeds, distances. The same
//! judgement as in a rehearsal, on stops that somebody measured.

pub(crate) mod entries;

use crate::distance::{DistanceError, Site};
use crate::limits::{self, Criteria, LimitsError, Position, Proposal, Safeguard, Verdict, Warmth};
use crate::outcome::exit_status;
use crate::record::{self, NamedText, Outcome, Record, Source};
use crate::study::{RecordedStop, StopKind, Study};
use stopwright_core::safety_distance::Rule;

/// Speeds nearer than this, as a share, belong to one cell.
const SPEED_NEAR: f64 = 0.05;
/// Command angles of mid-stroke stops nearer than this belong to one cell, degrees.
const ANGLE_NEAR_DEG: f64 = 3.0;
/// Travel further from the common curve than this says that the stops are not of one press,
/// degrees.
const CURVE_NEAR_DEG: f64 = 2.0;

/// What the recordings alone do not say.
#[derive(Clone, Debug, Default)]
pub struct Question {
    /// Name of the press, for the record.
    pub press: String,
    /// The installed safeguard, where distances are asked for.
    pub guard: Option<Guard>,
    /// Options as they were given, for the record.
    pub given: Vec<NamedText>,
    /// Files as they were read: name, SHA-256, lines.
    pub files: Vec<(String, String, u64)>,
}

/// An installed safeguard.
#[derive(Clone, Debug)]
pub struct Guard {
    /// Installed distance, mm.
    pub installed_mm: f64,
    /// Detection capability, mm; some rules need it.
    pub detection_mm: Option<f64>,
    /// Hand in the field to request, ms.
    pub device_ms: f64,
    /// Request to coil off, ms.
    pub control_ms: f64,
    /// The rules, all of which have to hold.
    pub rules: Vec<Rule>,
}

/// Why no record came of it.
#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    /// No stop at speed was found.
    #[error(
        "no stop at speed in {files} file(s): {moves} positioning move(s) and {warnings} warning(s)"
    )]
    NoStop {
        /// Files read.
        files: usize,
        /// Positioning moves found.
        moves: usize,
        /// Warnings given.
        warnings: usize,
    },
    /// Limits could not be proposed.
    #[error(transparent)]
    Limits(#[from] LimitsError),
    /// Distances could not be computed.
    #[error(transparent)]
    Distance(#[from] DistanceError),
}

/// Stops that belong together.
struct Cell<'a> {
    position: Position,
    speed_spm: f64,
    stops: Vec<&'a RecordedStop>,
}

/// The record of a study.
///
/// # Errors
/// [`AssessError`] when there is nothing to judge.
pub fn assess(study: &Study, question: &Question) -> Result<Record, AssessError> {
    if study.stops.is_empty() {
        return Err(AssessError::NoStop {
            files: study.recordings.len(),
            moves: study.positioning_moves.len(),
            warnings: study.warnings.len(),
        });
    }
    let cells = cells(&study.stops);
    let source = Source::Study {
        recordings: entries::recordings(study, question),
        options: question.given.clone(),
    };
    let press = record::Press {
        name: question.press.clone(),
        ..record::Press::default()
    };
    let mut record = Record::new(source, press);
    (record.stop_matrix, record.stop_signatures) = entries::matrix(study, &cells);
    let enough: Vec<limits::Cell> = cells
        .iter()
        .filter(|cell| cell.stops.len() >= 3)
        .map(Cell::evidence)
        .collect();
    if enough.is_empty() {
        record.open_points.push(
            "no cell has the three stops that a statistic needs: stops are listed, nothing is \
             concluded"
                .to_owned(),
        );
        record.verdict = no_verdict(Vec::new());
        return Ok(record);
    }
    let safeguard = question.guard.as_ref().map(safeguard);
    let proposal = limits::propose(&enough, safeguard.as_ref(), &Criteria::default())?;
    fill(&mut record, &cells, &proposal, question)?;
    Ok(record)
}

fn fill(
    record: &mut Record,
    cells: &[Cell<'_>],
    proposal: &Proposal,
    question: &Question,
) -> Result<(), AssessError> {
    record.stop_curve = entries::curve(proposal);
    for report in &proposal.speeds {
        record.limits.extend(entries::limits(proposal, report));
        if let Some(guard) = &question.guard {
            record
                .distances
                .extend(entries::distances(guard, proposal, report)?);
        }
    }
    record.top_stops = entries::top_stops(cells, proposal);
    let off_curve = record
        .stop_curve
        .as_ref()
        .is_some_and(|curve| curve.points.len() > 2 && curve.residual_worst_deg > CURVE_NEAR_DEG);
    if off_curve {
        record.open_points.push(
            "travel over speed does not lie on one curve: are the recordings of one press, in one \
             condition?"
                .to_owned(),
        );
    }
    let (against, open): (Vec<_>, Vec<_>) =
        proposal.findings.iter().partition(|finding| finding.blocks);
    record.open_points.extend(
        open.iter()
            .map(|finding| format!("{}: {}", finding.sentence, finding.way_out)),
    );
    if question.guard.is_none() {
        record.open_points.extend(
            against
                .iter()
                .map(|finding| format!("{}: {}", finding.sentence, finding.way_out)),
        );
        record.verdict = no_verdict(vec![
            "name the installed distance and the responses, and record top and mid-stroke stops of \
             every speed, to have the press judged"
                .to_owned(),
        ]);
        return Ok(());
    }
    let outcome = match &proposal.verdict {
        Verdict::Commissionable => Outcome::Commissionable,
        Verdict::Restricted { .. } => Outcome::Restricted,
        Verdict::NotCommissionable => Outcome::NotCommissionable,
    };
    let restricted_to = match &proposal.verdict {
        Verdict::Restricted { speeds_spm } => speeds_spm
            .iter()
            .map(|spm| format!("stops at {spm:.0} SPM"))
            .collect(),
        _ => Vec::new(),
    };
    let mut ways_out: Vec<String> = against
        .iter()
        .map(|finding| finding.way_out.clone())
        .collect();
    ways_out.dedup();
    record.verdict = record::Verdict {
        outcome,
        exit_status: exit_status(outcome),
        restricted_to,
        reasons: against
            .iter()
            .map(|finding| finding.sentence.clone())
            .collect(),
        ways_out,
    };
    Ok(())
}

/// Stops alone release nothing.
fn no_verdict(ways_out: Vec<String>) -> record::Verdict {
    record::Verdict {
        outcome: Outcome::NotJudged,
        exit_status: exit_status(Outcome::NotJudged),
        restricted_to: Vec::new(),
        reasons: vec![
            "stops were studied; without the installed distance no press is judged".to_owned(),
        ],
        ways_out,
    }
}

fn safeguard(guard: &Guard) -> Safeguard {
    Safeguard {
        rules: guard.rules.clone(),
        site: Site {
            detection_mm: guard.detection_mm,
            ..Site::default()
        },
        installed_mm: guard.installed_mm,
        control_ms: guard.control_ms,
        device_ms: guard.device_ms,
    }
}

/// Groups stops by kind, command angle and speed.
fn cells(stops: &[RecordedStop]) -> Vec<Cell<'_>> {
    let mut cells: Vec<Cell<'_>> = Vec::new();
    for stop in stops {
        let found = cells.iter_mut().find(|cell| cell.takes(stop));
        match found {
            Some(cell) => cell.stops.push(stop),
            None => cells.push(Cell {
                position: match stop.kind {
                    StopKind::TopStop => Position::Top,
                    StopKind::MidStroke => Position::MidStroke(stop.command_deg.round()),
                },
                speed_spm: stop.speed_spm,
                stops: vec![stop],
            }),
        }
    }
    for cell in &mut cells {
        let mean =
            cell.stops.iter().map(|stop| stop.speed_spm).sum::<f64>() / cell.stops.len() as f64;
        cell.speed_spm = (mean * 10.0).round() / 10.0;
    }
    cells.sort_by(|a, b| a.speed_spm.total_cmp(&b.speed_spm));
    cells
}

impl Cell<'_> {
    fn takes(&self, stop: &RecordedStop) -> bool {
        let same_place = match (self.position, stop.kind) {
            (Position::Top, StopKind::TopStop) => true,
            (Position::MidStroke(deg), StopKind::MidStroke) => {
                (deg - stop.command_deg).abs() <= ANGLE_NEAR_DEG
            }
            _ => false,
        };
        same_place && (stop.speed_spm / self.speed_spm - 1.0).abs() <= SPEED_NEAR
    }

    /// Recordings do not say how warm the brake was; as found is cold.
    fn evidence(&self) -> limits::Cell {
        limits::Cell {
            position: self.position,
            speed_spm: self.speed_spm,
            warmth: Warmth::Cold,
            stops: self
                .stops
                .iter()
                .map(|stop| limits::Stop {
                    speed_spm: stop.speed_spm,
                    time_ms: stop.time_ms,
                    travel_deg: stop.travel_deg,
                    rest_deg: stop.rest_deg,
                    reaction_ms: Some(stop.reaction_ms),
                })
                .collect(),
        }
    }

    fn id(&self) -> String {
        let place = match self.position {
            Position::Top => "top".to_owned(),
            Position::MidStroke(deg) => format!("{deg:.0} deg"),
        };
        format!("{place} {:.1} SPM", self.speed_spm)
    }
}
