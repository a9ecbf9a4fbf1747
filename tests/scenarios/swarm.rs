//! Swarms: equal to the bit on any number of threads and in any number of shares.

use stopwright::scenario::swarm::{JoinError, Row, Share, Swarm, Total, join};

fn flown(swarm: &Swarm, threads: usize) -> (Vec<Row>, Total) {
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
    let mut rows = Vec::new();
    let total = pool.expect("threads").install(|| {
        swarm.fly(|row| {
            rows.push(row);
            Ok::<(), ()>(())
        })
    });
    (rows, total.expect("a swarm"))
}

const fn swarm(runs: u64, seed: u64) -> Swarm {
    Swarm {
        runs,
        seed,
        share: Share::WHOLE,
    }
}

#[test]
fn two_thousand_runs_are_the_same_on_one_thread_and_on_two() {
    let (rows, one) = flown(&swarm(2_000, 5), 1);
    let (_, two) = flown(&swarm(2_000, 5), 2);
    assert_eq!(one.digest(), two.digest());
    assert_eq!((one.runs, two.runs), (2_000, 2_000));
    assert!(rows.iter().map(|row| row.run).eq(0..2_000));
    reaches_the_hard_cases(&one);
    // Whatever breaks, the controller keeps its own rules.
    let broken: Vec<&Row> = rows.iter().filter(|row| row.exit_status != 0).collect();
    assert!(broken.is_empty(), "{broken:#?}");
}

/// The swarm is wild enough: it came to all of these, again and again.
fn reaches_the_hard_cases(total: &Total) {
    for case in [
        "advised",
        "angle-lost",
        "bridged",
        "continuous",
        "latched",
        "muted",
        "reached-while-muted",
        "rest-at-top",
        "rest-while-closing",
        "rest-while-opening",
        "second-means",
        "unpowered-turning",
    ] {
        let runs = total.reached.get(case).copied().unwrap_or(0);
        assert!(runs >= 10, "{case}: {runs} of {}", total.runs);
    }
    assert!(total.faults.len() >= 20, "{:?}", total.faults);
    // What is fitted beside the resolver has spoken, and so have the read-backs.
    for number in [15, 16, 17, 62] {
        assert!(total.faults.contains_key(&number), "{:?}", total.faults);
    }
}

#[test]
fn another_seed_is_another_swarm() {
    let (_, one) = flown(&swarm(20, 1), 2);
    let (_, other) = flown(&swarm(20, 2), 2);
    assert_ne!(one.digest(), other.digest());
}

#[test]
fn shares_join_to_the_whole_and_gaps_are_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let (whole, total) = flown(&swarm(60, 9), 2);
    let mut files = Vec::new();
    for part in 1..=3 {
        let share = Swarm {
            share: format!("{part}/3").parse().expect("a share"),
            ..swarm(60, 9)
        };
        let file = folder.path().join(format!("{part}.csv"));
        let mut writer = csv::Writer::from_path(&file).expect("a file");
        for row in flown(&share, 2).0 {
            writer.serialize(row).expect("a row");
        }
        writer.flush().expect("written");
        files.push(file);
    }
    // In any order.
    files.reverse();
    let (rows, joined) = join(&files).expect("a whole");
    assert_eq!(rows, whole);
    assert_eq!(joined.digest(), total.digest());
    let gap = join(&files[..2]).expect_err("a share is missing");
    assert!(matches!(gap, JoinError::Gap(0, "missing")), "{gap}");
    files.push(files[0].clone());
    let twice = join(&files).expect_err("a share twice");
    assert!(matches!(twice, JoinError::Gap(_, "there twice")), "{twice}");
}
