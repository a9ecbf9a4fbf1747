//! The making of a proposal: cells to groups, groups to limits, limits and distance to findings.

use super::findings::{Finding, Reason};
use super::group::{Group, check, gather, rule_text, time, travel};
use super::headroom::{self, Headroom, RuleDistance};
use super::release::{overrun_by_delay_ms, overrun_by_torque_ms};
use super::{
    Cell, Criteria, LimitSet, Limits, LimitsError, Position, Proposal, Safeguard, ShopHabit,
    SpeedReport, Verdict, is_same_speed,
};
use crate::statistics::rest::{RestJudgement, RestVerdict};
use crate::stop_curve::StopCurve;

/// Proposes limits for the stops in `cells`, and judges whether the press may be handed over.
///
/// # Errors
/// [`LimitsError`]: no evidence, a number out of range, or a safeguard that lacks something.
pub fn propose(
    cells: &[Cell],
    safeguard: Option<&Safeguard>,
    criteria: &Criteria,
) -> Result<Proposal, LimitsError> {
    check(cells)?;
    if safeguard.is_some_and(|safeguard| safeguard.rules.is_empty()) {
        return Err(LimitsError::NoRule);
    }
    let groups = gather(cells, criteria)?;
    if groups.is_empty() {
        return Err(LimitsError::NoEvidence);
    }
    let curve = curve_of(&groups);
    let maker = Maker {
        groups: &groups,
        safeguard,
        criteria,
        curve: curve.as_ref(),
    };
    let mut limits = Vec::new();
    let mut speeds = Vec::new();
    let mut findings = few_stops(cells, criteria);
    for speed_spm in speeds_of(&groups) {
        let report = maker.report(speed_spm)?;
        findings.extend(maker.findings(&report)?);
        limits.extend(maker.limit_sets(&report)?);
        speeds.push(report);
    }
    if safeguard.is_none() {
        findings.push(Finding::new(None, Reason::NoSafeguard));
    }
    let verdict = judge(&mut speeds, &mut findings);
    Ok(Proposal {
        verdict,
        findings,
        limits,
        speeds,
        curve,
        criteria: *criteria,
    })
}

/// What all steps of one proposal look at.
struct Maker<'a> {
    groups: &'a [Group<'a>],
    safeguard: Option<&'a Safeguard>,
    criteria: &'a Criteria,
    curve: Option<&'a StopCurve>,
}

impl Maker<'_> {
    fn top(&self, speed_spm: f64) -> Option<&Group<'_>> {
        self.groups
            .iter()
            .find(|group| group.position == Position::Top && group.is_at(speed_spm))
    }

    fn closing(&self, speed_spm: f64) -> impl Iterator<Item = &Group<'_>> {
        self.groups
            .iter()
            .filter(move |group| group.position.is_closing() && group.is_at(speed_spm))
    }

    fn report(&self, speed_spm: f64) -> Result<SpeedReport, LimitsError> {
        let top = self.top(speed_spm);
        let ratio = self.ratio(speed_spm);
        let headroom = self.headroom(speed_spm, ratio)?;
        let overrun_deg = self.criteria.overrun_limit_deg;
        Ok(SpeedReport {
            speed_spm,
            is_commissionable: false,
            rest: top.map(|group| self.rest(group)).transpose()?,
            ratio_mid_to_top: ratio,
            habit: top.map(|group| self.habit(group, headroom.as_ref())),
            headroom,
            overrun_by_delay_ms: overrun_by_delay_ms(overrun_deg, speed_spm),
            overrun_by_torque_ms: overrun_by_torque_ms(overrun_deg, speed_spm),
        })
    }

    fn rest(&self, top: &Group<'_>) -> Result<RestJudgement, LimitsError> {
        let rests: Vec<f64> = top.stops().map(|stop| stop.rest_deg).collect();
        Ok(self.criteria.rest.judge(&rests)?)
    }

    /// Why the rests do not meet the criterion. Where they scatter too widely, drift from cold to
    /// warm is told from scatter: the release angle can follow the one and not the other.
    fn rest_reason(&self, report: &SpeedReport) -> Result<Option<Reason>, LimitsError> {
        let (Some(rest), Some(top)) = (&report.rest, self.top(report.speed_spm)) else {
            return Ok(None);
        };
        if !matches!(rest.verdict, RestVerdict::ScatterTooWide { .. }) {
            return Ok(rest_reason(rest));
        }
        let rests = top.rests_without_drift(self.criteria.rest.target_deg);
        let scatter = self.criteria.rest.judge(&rests)?;
        if matches!(scatter.verdict, RestVerdict::ScatterTooWide { .. }) {
            return Ok(rest_reason(&scatter));
        }
        let drift_deg = top.drift(travel).unwrap_or_default();
        Ok(Some(Reason::RestDrifts { drift_deg }))
    }

    fn ratio(&self, speed_spm: f64) -> Option<f64> {
        let longest = self
            .closing(speed_spm)
            .map(|group| group.baseline(time))
            .reduce(f64::max)?;
        Some(longest / self.top(speed_spm)?.baseline(time))
    }

    fn habit(&self, top: &Group<'_>, headroom: Option<&Headroom>) -> ShopHabit {
        let baseline = top.baseline(time);
        let reaction = top
            .reaction_ms()
            .or_else(|| self.curve.map(StopCurve::reaction_ms));
        super::habit::shop_habit(
            baseline,
            reaction.unwrap_or(0.0).clamp(0.0, baseline),
            self.criteria.friction_share,
            headroom.map(|found| found.allowed_top_ms),
        )
    }

    fn headroom(
        &self,
        speed_spm: f64,
        ratio: Option<f64>,
    ) -> Result<Option<Headroom>, LimitsError> {
        let (Some(safeguard), Some(top), Some(ratio)) =
            (self.safeguard, self.top(speed_spm), ratio)
        else {
            return Ok(None);
        };
        let (worst_mid_ms, worst_mid_command_deg) = self.worst_mid(speed_spm)?;
        let (governing_rule, allowed_mid_ms) = headroom::allowed_mid_ms(safeguard)?;
        let growth = ratio.max(1.0);
        let headroom_ms = allowed_mid_ms - worst_mid_ms;
        let baseline = top.baseline(time);
        let allowed = |growth| headroom::allowed_top_ms(baseline, headroom_ms, growth);
        let allowed_top_ms = allowed(growth);
        let limits = top.time_limits(self.criteria, Some(allowed_top_ms));
        let at = |latch| headroom::mid_at_latch_ms(worst_mid_ms, growth, baseline, latch);
        Ok(Some(Headroom {
            installed_mm: safeguard.installed_mm,
            governing_rule,
            allowed_mid_ms,
            worst_mid_ms,
            worst_mid_command_deg,
            headroom_ms,
            growth,
            allowed_top_ms,
            allowed_top_twice_ms: allowed(2.0 * growth),
            needed_mm: self.needed_mm(safeguard, speed_spm, at(limits.latch_wanted))?,
            rules: rule_distances(safeguard, worst_mid_ms, at(limits.latch))?,
        }))
    }

    fn worst_mid(&self, speed_spm: f64) -> Result<(f64, f64), LimitsError> {
        self.closing(speed_spm)
            .try_fold((0.0, 0.0), |worst, group| {
                let found = group.worst_ms(self.criteria)?;
                let Position::MidStroke(command_deg) = group.position else {
                    return Ok(worst);
                };
                Ok(if found > worst.0 {
                    (found, command_deg)
                } else {
                    worst
                })
            })
    }

    /// The distance for the top latch limit with its margin and for those of the mid-stroke places.
    fn needed_mm(
        &self,
        safeguard: &Safeguard,
        speed_spm: f64,
        mid_at_top_latch_ms: f64,
    ) -> Result<f64, LimitsError> {
        let own = self.closing(speed_spm);
        let own = own.map(|group| group.time_limits(self.criteria, None).latch_wanted);
        headroom::needed_mm(safeguard, own.fold(mid_at_top_latch_ms, f64::max))
    }

    fn limit_sets(&self, report: &SpeedReport) -> Result<Vec<LimitSet>, LimitsError> {
        let at_speed = self
            .groups
            .iter()
            .filter(|group| group.is_at(report.speed_spm));
        at_speed
            .map(|group| self.limit_set(group, report))
            .collect()
    }

    fn limit_set(&self, group: &Group<'_>, report: &SpeedReport) -> Result<LimitSet, LimitsError> {
        let time_ms = group.time_limits(self.criteria, self.allowed_ms(group, report)?);
        let travel_deg = group.travel_limits(self.criteria);
        Ok(LimitSet {
            position: group.position,
            speed_spm: report.speed_spm,
            cells: group.evidence.clone(),
            rule: rule_text(group, &time_ms, report.headroom.as_ref(), self.criteria),
            time_ms,
            travel_deg,
        })
    }

    fn allowed_ms(
        &self,
        group: &Group<'_>,
        report: &SpeedReport,
    ) -> Result<Option<f64>, LimitsError> {
        match (group.position, self.safeguard) {
            (Position::Top, _) => Ok(report.headroom.as_ref().map(|found| found.allowed_top_ms)),
            (position, Some(safeguard)) if position.is_closing() => {
                Ok(Some(headroom::allowed_mid_ms(safeguard)?.1))
            }
            _ => Ok(None),
        }
    }

    fn findings(&self, report: &SpeedReport) -> Result<Vec<Finding>, LimitsError> {
        let mut reasons = Vec::new();
        reasons.extend(self.rest_reason(report)?);
        reasons.extend(self.ratio_reason(report));
        reasons.extend(self.distance_reason(report)?);
        reasons.extend(self.missing_reasons(report.speed_spm));
        if let Some(top) = self.top(report.speed_spm) {
            reasons.extend(overrun_reason(&top.travel_limits(self.criteria)));
        }
        let finding = |reason| Finding::new(Some(report.speed_spm), reason);
        Ok(reasons.into_iter().map(finding).collect())
    }

    fn ratio_reason(&self, report: &SpeedReport) -> Option<Reason> {
        let ratio = report.ratio_mid_to_top?;
        let ratio_most = self.criteria.ratio_most;
        (ratio > ratio_most).then_some(Reason::MidStrokeMuchLonger { ratio, ratio_most })
    }

    fn distance_reason(&self, report: &SpeedReport) -> Result<Option<Reason>, LimitsError> {
        let Some(found) = &report.headroom else {
            return Ok(None);
        };
        if found.headroom_ms < 0.0 {
            return Ok(Some(Reason::DistanceTooShort {
                installed_mm: found.installed_mm,
                worst_mid_ms: found.worst_mid_ms,
                allowed_mid_ms: found.allowed_mid_ms,
                needed_mm: found.needed_mm,
                rule: found.governing_rule,
            }));
        }
        for group in self
            .groups
            .iter()
            .filter(|group| group.is_at(report.speed_spm))
        {
            let Some(allowed_ms) = self.allowed_ms(group, report)? else {
                continue;
            };
            let limits = group.time_limits(self.criteria, Some(allowed_ms));
            if !limits.is_ordered() {
                return Ok(Some(Reason::NoRoomForLimits {
                    installed_mm: found.installed_mm,
                    advisory_ms: limits.advisory,
                    allowed_ms,
                    needed_mm: found.needed_mm,
                    rule: found.governing_rule,
                }));
            }
        }
        Ok(None)
    }

    fn missing_reasons(&self, speed_spm: f64) -> Vec<Reason> {
        let mut reasons = Vec::new();
        if self.top(speed_spm).is_none() {
            reasons.push(Reason::NoTopStops);
        }
        if self.safeguard.is_some() && self.closing(speed_spm).next().is_none() {
            reasons.push(Reason::NoMidStrokeStops);
        }
        if self
            .groups
            .iter()
            .any(|group| group.is_at(speed_spm) && group.drift(time).is_none())
        {
            reasons.push(Reason::OneTemperatureOnly);
        }
        reasons
    }
}

fn rule_distances(
    safeguard: &Safeguard,
    as_measured_ms: f64,
    at_latch_ms: f64,
) -> Result<Vec<RuleDistance>, LimitsError> {
    let one = |rule: &stopwright_core::safety_distance::Rule| {
        Ok(RuleDistance {
            rule: rule.text().name,
            as_measured_mm: headroom::distance_mm(safeguard, *rule, as_measured_ms)?,
            at_latch_mm: headroom::distance_mm(safeguard, *rule, at_latch_ms)?,
        })
    };
    safeguard.rules.iter().map(one).collect()
}

fn rest_reason(rest: &RestJudgement) -> Option<Reason> {
    match rest.verdict {
        RestVerdict::Met => None,
        RestVerdict::MoveRelease { by_deg } => Some(Reason::RestOffTarget {
            offset_deg: -by_deg,
        }),
        RestVerdict::NotShown { stops_needed } => Some(Reason::RestNotShown {
            stops: rest.stops,
            stops_needed,
        }),
        RestVerdict::ScatterTooWide {
            deviation_least_deg,
            deviation_allowed_deg,
        } => Some(Reason::ScatterTooWide {
            deviation_deg: rest.deviation_deg,
            deviation_least_deg,
            deviation_allowed_deg,
            slower_spm: None,
        }),
    }
}

fn overrun_reason(limits: &Limits) -> Option<Reason> {
    let allowed_deg = limits.allowed?;
    let advisory_deg = limits.advisory;
    (!limits.is_ordered()).then_some(Reason::OverrunWithinScatter {
        advisory_deg,
        allowed_deg,
    })
}

/// Marks the speeds, tells a slower way out where there is one, sorts the findings.
fn judge(speeds: &mut [SpeedReport], findings: &mut [Finding]) -> Verdict {
    for report in speeds.iter_mut() {
        let stands_against = |finding: &Finding| {
            finding.blocks
                && finding
                    .speed_spm
                    .is_none_or(|spm| is_same_speed(spm, report.speed_spm))
        };
        report.is_commissionable = !findings.iter().any(stands_against);
    }
    let good: Vec<f64> = speeds
        .iter()
        .filter(|report| report.is_commissionable)
        .map(|r| r.speed_spm)
        .collect();
    for finding in findings.iter_mut() {
        offer_slower_speed(finding, &good);
    }
    findings.sort_by_key(|finding| (!finding.blocks, finding.reason.rank()));
    match good.len() {
        0 => Verdict::NotCommissionable,
        count if count == speeds.len() => Verdict::Commissionable,
        _ => Verdict::Restricted { speeds_spm: good },
    }
}

fn offer_slower_speed(finding: &mut Finding, good_spm: &[f64]) {
    let Some(speed) = finding.speed_spm else {
        return;
    };
    let mut reason = finding.reason;
    if let Reason::ScatterTooWide { slower_spm, .. } = &mut reason {
        *slower_spm = good_spm
            .iter()
            .copied()
            .filter(|good| *good < speed)
            .reduce(f64::max);
        *finding = Finding::new(finding.speed_spm, reason);
    }
}

fn few_stops(cells: &[Cell], criteria: &Criteria) -> Vec<Finding> {
    let few = cells
        .iter()
        .filter(|cell| cell.stops.len() < criteria.stops_least);
    let reason = |cell: &Cell| Reason::TooFewStops {
        warmth: cell.warmth,
        is_top: cell.position == Position::Top,
        have: cell.stops.len(),
        need: criteria.stops_least,
    };
    few.map(|cell| Finding::new(Some(cell.speed_spm), reason(cell)))
        .collect()
}

fn speeds_of(groups: &[Group<'_>]) -> Vec<f64> {
    let mut speeds: Vec<f64> = groups.iter().map(|group| group.speed_spm).collect();
    speeds.sort_by(f64::total_cmp);
    speeds.dedup_by(|left, right| is_same_speed(*left, *right));
    speeds
}

/// The means of the top stops against speed; none when they make no curve.
fn curve_of(groups: &[Group<'_>]) -> Option<StopCurve> {
    let tops = groups
        .iter()
        .filter(|group| group.position == Position::Top);
    let points: Vec<_> = tops.map(Group::mean_stop).collect();
    StopCurve::fit(&points).ok()
}
