//! profile stub
use std::path::Path;
use stopwright::scenario::{Options, Scenario, run_core};
fn main() {
    let text = include_str!("continuous.toml");
    let scenario = Scenario::from_toml("continuous.toml", text, Path::new(".")).unwrap_or_else(|it| panic!("{it}"));
    let start = std::time::Instant::now();
    let report = run_core(&scenario, &Options { seed: scenario.seed });
    let wall = start.elapsed().as_secs_f64();
    println!("{:?} {} {} s {:.1}x", report.verdict, report.digest, report.lasted_s, report.lasted_s / wall);
}
