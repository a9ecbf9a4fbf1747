//! The end of a rehearsal: verdict, commissioned settings, strokes under compensation, drills and
//! function checks, and the record of it all.

use super::{
    AtSpeed, During, HOLD_STROKES, LeftOut, RELEASE_EARLIEST_DEG, Rehearsal, RehearsalError,
    Rehearsed, bench, commission, distances, drills, fill, function_checks, matrix, release,
};
use crate::assess::entries;
use crate::bench::{Bench, MeasuredStop};
use crate::limits::{LimitsError, Proposal, Verdict};
use crate::operator::Trouble;
use crate::outcome::{NOT_COMMISSIONABLE, exit_status};
use crate::plant::Setup;
use crate::record::csv::Trace;
use crate::record::{self, Outcome};
use crate::rehearse::cautions::Step;
use crate::settings_file;
use stopwright_core::settings::{Schema, Settings};

impl Rehearsal<'_> {
    /// A sensor that does not prove itself ends the work.
    pub(super) fn end_early(mut self) -> Rehearsed {
        let mut reasons = Vec::new();
        let record = &self.record;
        if record
            .signal_check
            .as_ref()
            .is_some_and(|check| !check.pass)
        {
            reasons.push("the resolver signal is outside its limits over one barred turn");
        }
        if record
            .zero_capture
            .as_ref()
            .is_some_and(|capture| !capture.pass)
        {
            reasons.push("the zero could not be captured at the top");
        }
        if record
            .direction_proof
            .as_ref()
            .is_some_and(|proof| !proof.pass)
        {
            reasons.push("angle and slide do not go together: direction, ratio or zero is wrong");
        }
        if record.references.iter().any(|reference| !reference.pass) {
            reasons.push("what is fitted to contradict the resolver could not be learned");
        }
        self.record.verdict = record::Verdict {
            outcome: Outcome::NotCommissionable,
            exit_status: NOT_COMMISSIONABLE,
            restricted_to: Vec::new(),
            reasons: reasons.into_iter().map(str::to_owned).collect(),
            ways_out: vec![
                "check resolver, wiring, coupling and mounting, then begin again".to_owned(),
            ],
        };
        Rehearsed {
            record: self.record,
            settings: None,
            traces: Vec::new(),
        }
    }

    /// A press without a speed for single strokes has no stops to judge.
    pub(super) fn end_without_a_speed(mut self, left_out: &[LeftOut]) -> Rehearsed {
        let (reasons, ways_out) = reasons_of(left_out);
        self.record.verdict = record::Verdict {
            outcome: Outcome::NotCommissionable,
            exit_status: NOT_COMMISSIONABLE,
            restricted_to: Vec::new(),
            reasons,
            ways_out,
        };
        Rehearsed {
            record: self.record,
            settings: None,
            traces: Vec::new(),
        }
    }

    /// Verdict and everything that follows from it.
    pub(super) fn conclude(
        mut self,
        speeds: &[AtSpeed],
        left_out: &[LeftOut],
        proposal: &Proposal,
    ) -> Result<Rehearsed, RehearsalError> {
        let traces = self.enter_evidence(speeds, proposal)?;
        self.record.verdict = self.verdict(left_out, proposal);
        let settings = self.commission(speeds, proposal);
        if let Some((schema, spm)) = &settings {
            self.run_commissioned(schema, *spm)?;
        }
        self.downgrade();
        let is_released = self.record.verdict.outcome != Outcome::NotCommissionable;
        let settings = settings
            .filter(|_| is_released)
            .map(|(schema, _)| settings_file::write(&schema, record::NOTICE));
        Ok(Rehearsed {
            record: self.record,
            settings,
            traces,
        })
    }

    fn enter_evidence(
        &mut self,
        speeds: &[AtSpeed],
        proposal: &Proposal,
    ) -> Result<Vec<Trace>, LimitsError> {
        let press = &self.options.press;
        let (stop_matrix, signatures, traces) = fill::stops(speeds, matrix::warm_note(press));
        let record = &mut self.record;
        record.stop_matrix = stop_matrix;
        record.stop_signatures = signatures;
        record.stop_curve = entries::curve(proposal);
        for report in &proposal.speeds {
            record.limits.extend(entries::limits(proposal, report));
            let rules = &self.options.rules;
            record
                .distances
                .extend(distances::at_speed(press, rules, proposal, report)?);
        }
        for at in speeds {
            let report = proposal
                .speeds
                .iter()
                .find(|report| report.speed_spm == at.spm);
            record
                .top_stops
                .push(fill::top_stop_entry(at, report, proposal));
        }
        record.open_points.extend(
            proposal
                .findings
                .iter()
                .filter(|finding| !finding.blocks)
                .map(|finding| format!("{}: {}", finding.sentence, finding.way_out)),
        );
        Ok(traces)
    }

    fn verdict(&self, left_out: &[LeftOut], proposal: &Proposal) -> record::Verdict {
        let mut reasons: Vec<String> = Vec::new();
        let mut ways_out: Vec<String> = Vec::new();
        for finding in proposal.findings.iter().filter(|finding| finding.blocks) {
            reasons.push(finding.sentence.clone());
            push_new(&mut ways_out, finding.way_out.clone());
        }
        for distance in self
            .record
            .distances
            .iter()
            .filter(|d| d.device == "two-hand control")
        {
            if distance.pass == Some(false) {
                reasons.push(format!(
                    "the two-hand control stands at {:.0} mm; {} asks for {:.0} mm at {} SPM",
                    distance.installed_mm.unwrap_or(0.0),
                    distance.rule,
                    distance.required_mm.ceil(),
                    distance.speed_spm
                ));
                push_new(
                    &mut ways_out,
                    format!(
                        "move the two-hand control to at least {:.0} mm",
                        distance.required_mm.ceil()
                    ),
                );
            }
        }
        let two_hand_fails = !reasons.is_empty() && proposal.verdict == Verdict::Commissionable;
        let (more_reasons, more_ways_out) = reasons_of(left_out);
        reasons.extend(more_reasons);
        for way_out in more_ways_out {
            push_new(&mut ways_out, way_out);
        }
        let (outcome, speeds) = match &proposal.verdict {
            _ if two_hand_fails => (Outcome::NotCommissionable, Vec::new()),
            Verdict::NotCommissionable => (Outcome::NotCommissionable, Vec::new()),
            Verdict::Restricted { speeds_spm } => (Outcome::Restricted, speeds_spm.clone()),
            Verdict::Commissionable if left_out.is_empty() => (Outcome::Commissionable, Vec::new()),
            Verdict::Commissionable => {
                let speeds = proposal.speeds.iter().map(|report| report.speed_spm);
                (Outcome::Restricted, speeds.collect())
            }
        };
        record::Verdict {
            outcome,
            exit_status: exit_status(outcome),
            restricted_to: speeds
                .iter()
                .map(|spm| format!("single stroke at {spm} SPM"))
                .collect(),
            reasons,
            ways_out,
        }
    }

    /// The commissioned settings, for the highest speed that passed.
    fn commission(&mut self, speeds: &[AtSpeed], proposal: &Proposal) -> Option<(Schema, f64)> {
        if self.record.verdict.outcome == Outcome::NotCommissionable {
            return None;
        }
        let fit = |at: &&AtSpeed| {
            let report = proposal
                .speeds
                .iter()
                .find(|report| report.speed_spm == at.spm);
            report.is_some_and(|report| report.is_commissionable)
        };
        let at = speeds
            .iter()
            .filter(fit)
            .max_by(|a, b| a.spm.total_cmp(&b.spm))?;
        let used = speeds.iter().filter(|other| other.spm <= at.spm);
        let stops: Vec<Vec<&MeasuredStop>> = used
            .map(|at| at.cells.iter().flat_map(|cell| &cell.stops).collect())
            .collect();
        let evidence = commission::Evidence {
            press: &self.options.press,
            proposal,
            spm: at.spm,
            release_deg: at.release_deg,
            release_spm: at.release_spm,
            top_spm: fill::mean_speed_spm(at, true),
            mid_spm: fill::mean_speed_spm(at, false),
            rest_deviation_deg: fill::rest_deviation_deg(at),
            stops: &stops,
            rules: &self.options.rules,
        };
        let refused = match commission::settings(&self.schema, &evidence) {
            Ok(schema) => match Settings::try_new(schema?) {
                Ok(settings) => return Some((*settings.get(), at.spm)),
                Err(problems) => problems
                    .iter()
                    .map(|problem| format!("the settings do not hold together: {problem:?}"))
                    .collect(),
            },
            Err(no_bound) => vec![no_bound.to_string()],
        };
        self.record.verdict.outcome = Outcome::NotCommissionable;
        self.record.verdict.reasons.extend(refused);
        None
    }

    /// Production strokes, drills and function checks under the commissioned settings.
    fn run_commissioned(&mut self, schema: &Schema, spm: f64) -> Result<(), RehearsalError> {
        self.caution(Step::Strokes);
        self.bench.plant_mut().set_speed_spm(spm);
        matrix::wait_for_speed(&mut self.bench, spm).during("change of speed")?;
        release::put_in_force(&mut self.bench, schema).during("commissioned settings")?;
        self.watch
            .step("single strokes under compensation", HOLD_STROKES);
        let hold = release::hold(&mut self.bench, &schema.top_stop, HOLD_STROKES, self.watch)
            .during("strokes under compensation")?;
        let entry = self
            .record
            .top_stops
            .iter_mut()
            .find(|entry| (entry.speed_spm - spm).abs() < 0.5);
        if let Some(entry) = entry {
            entry.hold = Some(hold);
        }

        self.caution(Step::Drills);
        let options = self.options;
        let settings = super::preparation::settings(schema)?;
        let mut number = 0;
        let mut fresh = || -> Result<Bench, Trouble> {
            number += 1;
            fresh_bench(options, settings, spm, number)
        };
        let plans = drills::plans(options, spm);
        self.watch.step("drills", plans.len() as u32);
        self.record.drills =
            drills::run(&plans, &mut fresh, || self.watch.tick()).during("drills")?;
        self.watch.step("function checks", function_checks::COUNT);
        self.record.function_checks =
            function_checks::run(&mut fresh, || self.watch.tick()).during("function checks")?;
        Ok(())
    }

    /// A drill or a check that failed takes the release away.
    fn downgrade(&mut self) {
        let record = &mut self.record;
        let failed: Vec<String> = record
            .drills
            .iter()
            .filter(|drill| !drill.pass)
            .map(|drill| format!("drill failed: {} ({})", drill.injected, drill.seen))
            .chain(
                record
                    .function_checks
                    .iter()
                    .filter(|check| !check.pass)
                    .map(|check| format!("function check failed: {} ({})", check.name, check.seen)),
            )
            .collect();
        if !failed.is_empty() {
            record.verdict.outcome = Outcome::NotCommissionable;
            record.verdict.restricted_to.clear();
            record.verdict.reasons.extend(failed);
            record
                .verdict
                .ways_out
                .push("find out why before anything else".to_owned());
        }
        record.verdict.exit_status = exit_status(record.verdict.outcome);
    }
}

fn fresh_bench(
    options: &super::Options,
    settings: Settings,
    spm: f64,
    number: u32,
) -> Result<Bench, Trouble> {
    let setup = Setup {
        spm,
        ..Setup::nominal(&options.press)
    };
    let mut bench = bench(options, &setup, settings, &format!("drill {number}"));
    bench.power_up()?;
    Ok(bench)
}

/// Why speeds were left out, and what to do about it.
fn reasons_of(left_out: &[LeftOut]) -> (Vec<String>, Vec<String>) {
    let reason = |out: &LeftOut| {
        format!(
            "a single stroke at {} SPM would have to be released at {:.0} degrees, before {:.0}: \
             not measured",
            out.spm, out.release_deg, RELEASE_EARLIEST_DEG
        )
    };
    let mut ways_out = Vec::new();
    if !left_out.is_empty() {
        ways_out.push("slow the press before a single stroke or a commanded stop".to_owned());
    }
    (left_out.iter().map(reason).collect(), ways_out)
}

fn push_new(list: &mut Vec<String>, text: String) {
    if !list.contains(&text) {
        list.push(text);
    }
}
