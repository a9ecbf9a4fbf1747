//! `stopwright run --swarm` and `stopwright join`: many drawn runs, their results in a file, shares
//! of them put together.

use super::play::{PlayArguments, play, show};
use super::{Problem, say};
use crate::scenario::run::{BROKEN, HOLDS};
use crate::scenario::swarm::{Share, Swarm, Total, draw, join, results, seed_of};
use indicatif::{ProgressBar, ProgressStyle};
use std::path::PathBuf;
use stopwright_core::fault::FaultCode;

/// Broken runs that are named one by one.
const NAMED_MOST: u64 = 10;

#[derive(clap::Args)]
pub(super) struct SwarmArguments {
    /// Draw this many runs from the seed and play them on all cores.
    #[arg(long, value_name = "N", help_heading = "Swarm", value_parser = clap::value_parser!(u64).range(1..=1_000_000_000))]
    pub(super) swarm: Option<u64>,
    /// Part of the swarm, such as 3/64.
    #[arg(
        long,
        value_name = "PART/PARTS",
        help_heading = "Swarm",
        requires = "swarm"
    )]
    share: Option<Share>,
    /// File for the results: .csv, or .parquet when built with that feature.
    #[arg(long, value_name = "FILE", help_heading = "Swarm", requires = "swarm")]
    out: Option<PathBuf>,
    /// Threads; without it one a core.
    #[arg(long, value_name = "N", help_heading = "Swarm", requires = "swarm", value_parser = clap::value_parser!(u16).range(1..=1024))]
    threads: Option<u16>,
    /// Only the run of this number, with its verdict.
    #[arg(long, value_name = "RUN", help_heading = "Swarm", requires = "swarm", conflicts_with_all = ["share", "out"])]
    pub(super) only: Option<u64>,
}

pub(super) fn run(
    arguments: &SwarmArguments,
    how: &PlayArguments,
    runs: u64,
) -> Result<u8, Problem> {
    let swarm = Swarm {
        runs,
        seed: how.seed.unwrap_or(1),
        share: arguments.share.unwrap_or(Share::WHOLE),
    };
    if let Some(index) = arguments.only {
        return only(how, &swarm, index);
    }
    let mut out = arguments.out.as_deref().map(results::create).transpose()?;
    let range = swarm.range();
    let bar = ProgressBar::new(range.end - range.start);
    if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {pos}/{len} {eta}") {
        bar.set_style(style.clone());
    }
    bar.set_message(format!("swarm {}, share {}", swarm.seed, swarm.share));
    let threads = arguments.threads.map_or(0, usize::from);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()?;
    let mut named = Vec::new();
    // Rows go out from this thread, in order; only the runs are made on the pool.
    let total = pool.install(|| -> Result<Total, String> {
        swarm.fly(|row| {
            bar.inc(1);
            if row.exit_status != 0 && (named.len() as u64) < NAMED_MOST {
                named.push(format!("  broken      run {}: {} ({}; {})\n              stopwright run --swarm {} --seed {} --only {}\n",
                    row.run, row.unexcused, row.press, row.broke, swarm.runs, swarm.seed, row.run));
            }
            match &mut out {
                Some(out) => out.row(&row).map_err(|error| error.to_string()),
                None => Ok(()),
            }
        })
    })?;
    bar.finish_and_clear();
    if let Some(mut out) = out {
        out.end()?;
    }
    report(how.json, &total, &named.concat())
}

fn only(arguments: &PlayArguments, swarm: &Swarm, index: u64) -> Result<u8, Problem> {
    if index >= swarm.runs {
        return Err(format!("run {index}: the runs are 0 to {}", swarm.runs - 1).into());
    }
    let scenario = draw(swarm.seed, index);
    let report = play(arguments, &scenario, seed_of(swarm.seed, index))?;
    let replay = format!(
        "stopwright run --swarm {} --seed {} --only {index}",
        swarm.runs, swarm.seed
    );
    show(arguments, &report, &replay)?;
    if !arguments.json {
        for it in &scenario.disturbances {
            let (what, detail) = (it.kind.what, it.detail);
            say(&format!(
                "  breaks      {}: {what}, size {:.2}, which {}, {:?}; from {:?}, for {:?} ms\n",
                it.name,
                detail.size,
                detail.which + 1,
                detail.winding,
                it.from,
                it.for_ms
            ))?;
        }
    }
    Ok(report.exit_status)
}

fn report(json: bool, total: &Total, named: &str) -> Result<u8, Problem> {
    let status = if total.broken == 0 { HOLDS } else { BROKEN };
    if json {
        let value = serde_json::json!({
            "runs": total.runs,
            "broken": total.broken,
            "strokes": total.strokes,
            "lasted_s": total.lasted_s,
            "unexcused": total.unexcused,
            "faults": total.faults,
            "reached": total.reached,
            "digest": total.digest(),
        });
        say(&format!("{value}\n"))?;
        return Ok(status);
    }
    let mut text = format!(
        "{:<12} {} runs, {} broken, {} strokes, {:.0} s of a press\n",
        if status == HOLDS { "HOLDS" } else { "BROKEN" },
        total.runs,
        total.broken,
        total.strokes,
        total.lasted_s
    );
    for (rule, runs) in &total.unexcused {
        text += &format!("  unexcused   {rule}: {runs}\n");
    }
    text += named;
    for (number, runs) in &total.faults {
        let name = FaultCode::from_number(*number).map_or("", |code| code.row().name);
        text += &format!("  latched     {number} {name}: {runs}\n");
    }
    for (case, runs) in &total.reached {
        text += &format!("  reached     {case}: {runs}\n");
    }
    text += &format!("  digest      {}\n", total.digest());
    say(&text)?;
    Ok(status)
}

#[derive(clap::Args)]
pub(super) struct JoinArguments {
    /// Results of all shares of one swarm, .csv or .parquet.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// File for the results of the whole, likewise.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print the totals as JSON.
    #[arg(long)]
    json: bool,
}

pub(super) fn run_join(arguments: &JoinArguments) -> Result<u8, Problem> {
    let (rows, total) = join(&arguments.files)?;
    if let Some(path) = &arguments.out {
        let mut out = results::create(path)?;
        for row in &rows {
            out.row(row)?;
        }
        out.end()?;
    }
    report(arguments.json, &total, "")
}
