//! Bias and scatter of the stopping time over the invented presses A to H.

use stopwright::study::{FindOptions, ReadOptions, RecordedStop, find_stops, read_bytes};

use crate::synthetic::{Condition, GOOD, HEALTHY, PLAIN, Press, Recorder, presses};

pub(crate) struct Errors {
    pub(crate) bias: f64,
    pub(crate) sigma: f64,
    pub(crate) worst: f64,
    pub(crate) covered: f64,
    pub(crate) width: f64,
    pub(crate) lost: usize,
    pub(crate) fit_bias: f64,
    pub(crate) fit_sigma: f64,
    reaction: f64,
    braking: f64,
}

fn measure(press: &Press, at: f64, spm: f64, c: Condition, r: Recorder, n: u64) -> Errors {
    let stop = press.stop(at, spm, c);
    let mut errs: Vec<(f64, f64, f64, RecordedStop)> = vec![];
    let mut lost = 0;
    for seed in 0..n {
        let w = r.watch(&stop, 0.4, stop.time_s + 0.4, seed);
        let rec = read_bytes(
            "x",
            PLAIN.text(&w.samples).as_bytes(),
            &ReadOptions::default(),
        );
        let Ok(rec) = rec else {
            lost += 1;
            continue;
        };
        let f = find_stops(&rec, &FindOptions::default());
        if f.stops.len() != 1 {
            lost += 1;
            if lost == 1 {
                println!("   LOST {:?} {:?}", f.positioning_moves, f.warnings);
            }
            continue;
        }
        let s = f.stops[0].clone();
        errs.push((
            s.time_ms - stop.time_s * 1e3,
            s.time_uncertainty_ms,
            s.time_ms / 1e3 + s.command_time_s - w.command_s - stop.time_s,
            s,
        ));
    }
    let k = errs.len().max(1) as f64;
    let mean =
        |f: &dyn Fn(&(f64, f64, f64, RecordedStop)) -> f64| errs.iter().map(f).sum::<f64>() / k;
    let bias = mean(&|e| e.0);
    let fb = mean(&|e| e.2 * 1e3);
    Errors {
        bias,
        sigma: mean(&|e| (e.0 - bias).powi(2)).sqrt(),
        worst: errs.iter().map(|e| e.0.abs()).fold(0.0, f64::max),
        covered: mean(&|e| f64::from(e.0.abs() <= e.1)),
        width: mean(&|e| e.1),
        lost,
        fit_bias: fb,
        fit_sigma: mean(&|e| (e.2 * 1e3 - fb).powi(2)).sqrt(),
        reaction: mean(&|e| e.3.reaction_ms),
        braking: mean(&|e| e.3.braking_ms),
    }
}

#[test]
fn show() {
    for (label, r) in [
        (
            "1k 0.5deg",
            Recorder {
                step_deg: 0.5,
                ..GOOD
            },
        ),
        (
            "1k 0.2",
            Recorder {
                step_deg: 0.2,
                ..GOOD
            },
        ),
        (
            "1k 0.2 n10",
            Recorder {
                step_deg: 0.2,
                noise_deg: 0.01,
                ..GOOD
            },
        ),
        (
            "1k 1.0",
            Recorder {
                step_deg: 1.0,
                ..GOOD
            },
        ),
        (
            "50",
            Recorder {
                rate_hz: 50.0,
                ..GOOD
            },
        ),
        (
            "1k 12b",
            Recorder {
                step_deg: 360.0 / 4096.0,
                ..GOOD
            },
        ),
    ] {
        println!("== {label}");
        for p in presses() {
            for &spm in p.speeds_spm {
                for at in [0.0, 90.0] {
                    let at = if at == 0.0 {
                        let s = p.stop(0.0, spm, HEALTHY);
                        360.0 - s.travel_deg
                    } else {
                        at
                    };
                    let e = measure(
                        &p,
                        at,
                        spm,
                        HEALTHY,
                        r,
                        std::env::var("N").map_or(16, |n| n.parse().unwrap()),
                    );
                    let s = p.stop(at, spm, HEALTHY);
                    println!(
                        "{} {:4} @{:5.1} T {:6.1} th {:6.1} bias {:+.2} sig {:.2} worst {:.2} cov {:.2} u {:.2} lost {} | fit {:+.3} {:.3} | r {:.0} b {:.0}",
                        p.name,
                        spm,
                        at,
                        s.time_s * 1e3,
                        s.travel_deg,
                        e.bias,
                        e.sigma,
                        e.worst,
                        e.covered,
                        e.width,
                        e.lost,
                        e.fit_bias,
                        e.fit_sigma,
                        e.reaction,
                        e.braking
                    );
                }
            }
        }
    }
}
#[test]
fn debug_one() {
    let p = crate::synthetic::press("D");
    let s = p.stop(0.0, 16.0, HEALTHY);
    let stop = p.stop(360.0 - s.travel_deg, 16.0, HEALTHY);
    let r = Recorder {
        step_deg: 0.5,
        ..GOOD
    };
    let w = r.watch(&stop, 0.4, stop.time_s + 0.4, 3);
    let rec = read_bytes(
        "x",
        PLAIN.text(&w.samples).as_bytes(),
        &ReadOptions::default(),
    )
    .unwrap();
    println!("noise {} res {}", rec.noise_deg, rec.resolution_deg);
    let f = find_stops(&rec, &FindOptions::default());
    println!("{:?}", f.stops[0].time_ms - stop.time_s * 1e3);
    for (t, d, _) in &w.samples {
        let t = t - w.command_s;
        if t > 0.1 && t < 0.3 {
            print!("{:.0}:{:.1} ", t * 1e3, d);
        }
    }
}
