//! The journal: every acknowledged entry stands, whatever happens to the power.

use crate::flash::RamFlash;
use crate::schema::{deg, ms, spm};
use proptest::prelude::*;
use stopwright_core::angle::CrankTravel;
use stopwright_core::controller::{Controller, Inputs, Outputs};
use stopwright_core::fault::{FaultCode, FaultSet, Reaction};
use stopwright_core::fault_latch::Standing;
use stopwright_core::journal::{Bookkeeper, Entry, Journal, JournalError, Recovered};
use stopwright_core::poll;
use stopwright_core::settings::Settings;
use stopwright_core::speed::CrankSpeed;
use stopwright_core::stop_time::{StopKind, StopRecord};
use stopwright_core::store::{LayoutError, Standstill};
use stopwright_core::stroke::{Mode, StopReasons, Stroke};
use stopwright_core::time::Instant;

const PAGE: usize = 1024;
/// Two pages a segment.
const SEGMENT: u32 = 2 * PAGE as u32;

type Flash = RamFlash<PAGE>;

fn standstill() -> Standstill {
    Standstill::of(Stroke::PowerUp).unwrap()
}

fn run<T>(future: impl Future<Output = T>) -> T {
    poll::run(future, 10).expect("flash in memory is ready at once")
}

fn journal(flash: Flash) -> Journal<Flash> {
    let segments = [0, 1, 2].map(|index| index * SEGMENT..(index + 1) * SEGMENT);
    Journal::try_new(flash, segments).unwrap()
}

/// As after power-up: opened, and made ready for a run.
fn powered_up(flash: Flash) -> (Journal<Flash>, Recovered) {
    let mut journal = journal(flash);
    journal.flash().power_up();
    let recovered = run(journal.open(standstill())).unwrap();
    run(journal.prepare(standstill())).unwrap();
    (journal, recovered)
}

fn blank() -> Journal<Flash> {
    powered_up(Flash::new(6)).0
}

fn latched(number: usize) -> Entry {
    let latching: Vec<FaultCode> = FaultCode::ALL
        .iter()
        .copied()
        .filter(|code| code.reaction() != Reaction::Advise)
        .collect();
    Entry::Latched {
        faults: FaultSet::EMPTY.with(latching[number % latching.len()]),
        at: Instant::from_micros(number as u64),
        angle: Some(deg(200)),
        speed: spm(60),
    }
}

fn stopped(number: usize) -> Entry {
    let at = Instant::from_micros(number as u64 * 1_000_000);
    let stop = StopRecord {
        kind: StopKind::Top,
        requested_at: at,
        commanded_at: at,
        command_angle: deg(315),
        coil_off_at: at,
        valve_off_at: (!number.is_multiple_of(3)).then_some(at),
        speed: spm(60),
        speed_peak: spm(60),
        stopping_time: ms(186),
        stopping_travel: CrankTravel::from_millidegrees(44_200),
        rest_angle: deg(0),
        reaction: ms(60),
        braking: ms(126),
    };
    Entry::Stopped {
        stop,
        mode: Mode::Single,
        reasons: [StopReasons::NONE, StopReasons::EMERGENCY][number % 2],
    }
}

fn entry() -> impl Strategy<Value = Entry> {
    prop_oneof![
        4 => (0..1_000_000u64).prop_map(|at| Entry::Started { at: Instant::from_micros(at) }),
        4 => (0..1_000usize).prop_map(stopped),
        2 => (0..100usize).prop_map(latched),
        1 => (0..100usize).prop_map(|number| Entry::Reset {
            standing: Standing::KeyHolder,
            remaining: match latched(number) {
                Entry::Latched { faults, .. } if number % 2 == 0 => faults,
                _ => FaultSet::EMPTY,
            },
        }),
        1 => (1..1_000u32).prop_map(|generation| Entry::SettingsSaved { generation }),
    ]
}

/// A reset leaves latched only what was: the last entry has no second copy, and a reset that is lost
/// with it must be one after which less is latched.
fn as_they_happen(mut entries: Vec<Entry>) -> Vec<Entry> {
    for index in 0..entries.len() {
        let before = Told::by(&entries[..index]).latched;
        if let Entry::Reset { remaining, .. } = &mut entries[index] {
            *remaining = remaining.intersection(before);
        }
    }
    entries
}

/// What entries come to, told without the journal.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Told {
    latched: FaultSet,
    is_running: bool,
    settings: u32,
}

impl Told {
    fn by(entries: &[Entry]) -> Self {
        let mut told = Self::default();
        for entry in entries {
            match *entry {
                Entry::Latched { faults, .. } => told.latched = told.latched.union(faults),
                Entry::Reset { remaining, .. } => {
                    told.latched = remaining;
                    told.is_running = false;
                }
                Entry::Started { .. } => told.is_running = true,
                Entry::Stopped { .. } => told.is_running = false,
                Entry::SettingsSaved { generation } => told.settings = generation,
                Entry::Snapshot { .. } => unreachable!("only the journal writes one"),
            }
        }
        told
    }

    fn of(recovered: Recovered) -> Self {
        Self {
            latched: recovered.latched,
            is_running: recovered.is_running,
            settings: recovered.settings,
        }
    }
}

/// Appends until the power goes away; how many entries were acknowledged.
fn append_until_cut(journal: &mut Journal<Flash>, entries: &[Entry]) -> usize {
    let mut acknowledged = 0;
    for entry in entries {
        if run(journal.append(entry)).is_err() || run(journal.prepare(standstill())).is_err() {
            break;
        }
        acknowledged += 1;
    }
    acknowledged
}

#[test]
fn power_cut_at_every_write_loses_no_acknowledged_entry() {
    // Enough to fill every segment, so that turning and erasing are cut too.
    let entries: Vec<Entry> = (0..90)
        .map(|number| match number % 5 {
            0 => Entry::Started {
                at: Instant::from_micros(number as u64),
            },
            3 => latched(number),
            4 => Entry::Reset {
                standing: Standing::KeyHolder,
                remaining: FaultSet::EMPTY,
            },
            _ => stopped(number),
        })
        .collect();
    let start = blank().into_flash();
    let mut whole = journal(start.clone());
    run(whole.open(standstill())).unwrap();
    run(whole.prepare(standstill())).unwrap();
    assert_eq!(append_until_cut(&mut whole, &entries), entries.len());
    let steps = whole.flash().steps - start.steps;
    assert!(
        whole.flash().erased > start.erased + 2,
        "segments were erased"
    );
    for cut in 0..steps {
        let mut broken = journal(start.clone());
        run(broken.open(standstill())).unwrap();
        run(broken.prepare(standstill())).unwrap();
        broken.flash().cut_after(cut);
        let acknowledged = append_until_cut(&mut broken, &entries);
        let (mut after, recovered) = powered_up(broken.into_flash());
        // What was acknowledged stands; the entry on its way, and only that one, may stand too.
        // The one after it counts where the cut came in the erasing that followed it.
        let told = Told::of(recovered);
        let fits = (acknowledged..=(acknowledged + 1).min(entries.len()))
            .any(|count| told == Told::by(&entries[..count]));
        assert!(
            fits,
            "cut {cut}: {acknowledged} acknowledged, {recovered:?}"
        );
        assert!(!recovered.has_gap, "cut {cut}");
        // And the journal goes on.
        run(after.append(&latched(7))).unwrap();
        let (_, again) = powered_up(after.into_flash());
        assert_eq!(
            again.latched,
            told.latched.union(Told::by(&[latched(7)]).latched)
        );
    }
    println!("{steps} cuts");
}

#[test]
fn a_long_run_never_erases_and_says_when_there_is_no_room() {
    let mut journal = blank();
    let erased = journal.flash().erased;
    let mut count = 0;
    let error = loop {
        match run(journal.append(&stopped(count))) {
            Ok(_) => count += 1,
            Err(error) => break error,
        }
    };
    assert_eq!(error, JournalError::NoRoom);
    assert_eq!(journal.flash().erased, erased);
    // Two segments of two pages hold this many of the longest entries.
    assert!(count >= 40, "{count}");
    println!("{count} stops in one run");
    run(journal.prepare(standstill())).unwrap();
    run(journal.append(&stopped(count))).unwrap();
}

#[test]
fn history_reaches_back_a_whole_segment_and_numbers_have_no_gap() {
    // A segment is left when less than eight of the longest entries, 160 bytes each, have room: so
    // many bytes of it are history then, in stops of at most 112 bytes.
    let whole = (SEGMENT as usize - 8 * 160) / 112;
    let mut journal = blank();
    for number in 0..200 {
        run(journal.append(&stopped(number))).unwrap();
        run(journal.prepare(standstill())).unwrap();
        let mut numbers = Vec::new();
        run(journal.read(standstill(), |number, _| numbers.push(number))).unwrap();
        assert!(
            numbers.windows(2).all(|pair| pair[1] == pair[0] + 1),
            "{numbers:?}"
        );
        let kept = numbers.len();
        assert!(kept >= whole.min(number + 1), "{number}: {kept}");
    }
}

#[test]
fn a_start_without_its_stop_is_found_at_power_up() {
    let mut journal = blank();
    run(journal.append(&stopped(1))).unwrap();
    run(journal.append(&Entry::Started {
        at: Instant::from_micros(5),
    }))
    .unwrap();
    let (_, recovered) = powered_up(journal.into_flash());
    assert!(recovered.is_running);
}

#[test]
fn segments_must_follow_each_other() {
    let refused = |segments| Journal::try_new(Flash::new(6), segments).err();
    let good = [0, 1, 2].map(|index| index * SEGMENT..(index + 1) * SEGMENT);
    assert_eq!(refused(good.clone()), None);
    let [first, second, third] = good;
    assert_eq!(
        refused([first.clone(), third.clone(), second.clone()]),
        Some(LayoutError::Overlap)
    );
    assert_eq!(
        refused([
            first.clone(),
            second.clone(),
            third.start..third.end + SEGMENT
        ]),
        Some(LayoutError::PastEnd)
    );
    assert_eq!(
        refused([first, second, third.start..third.end - 1]),
        Some(LayoutError::Region)
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn what_is_recovered_is_what_was_appended(
        entries in prop::collection::vec(entry(), 1..150),
        cut in 0..20_000usize,
    ) {
        let mut journal = blank();
        journal.flash().cut_after(cut);
        let acknowledged = append_until_cut(&mut journal, &entries);
        let (_, recovered) = powered_up(journal.into_flash());
        let told = Told::of(recovered);
        let fits = (acknowledged..=(acknowledged + 1).min(entries.len()))
            .any(|count| told == Told::by(&entries[..count]));
        prop_assert!(fits, "{acknowledged} acknowledged, {recovered:?}");
    }

    #[test]
    fn no_single_turned_bit_makes_a_latch_forgotten_in_silence(
        entries in prop::collection::vec(entry(), 1..60),
        place in 0.0..1.0f64,
    ) {
        let mut journal = blank();
        let entries = as_they_happen(entries);
        let acknowledged = append_until_cut(&mut journal, &entries);
        prop_assert_eq!(acknowledged, entries.len());
        let mut flash = journal.into_flash();
        let bit = (flash.bits() as f64 * place) as usize;
        flash.flip(bit);
        let (_, recovered) = powered_up(flash);
        let missing = Told::by(&entries)
            .latched
            .iter()
            .any(|code| !recovered.latched.contains(code));
        prop_assert!(!missing || recovered.has_gap, "bit {}: {:?}", bit, recovered);
    }
}

/// What a whole tick says, reduced to what the book is kept of.
fn said(tick: u64, is_on: bool, latched: FaultSet, stop: Option<StopRecord>) -> Outputs {
    let mut controller = Controller::new(
        Settings::try_new(crate::schema::press()).expect("settings"),
        FaultSet::EMPTY,
    );
    let mut outputs = controller.tick(&inputs(tick, None));
    outputs.valve.is_on = is_on;
    outputs.latched = latched;
    outputs.stop = stop;
    outputs
}

fn inputs(tick: u64, reset: Option<Standing>) -> Inputs<'static> {
    Inputs {
        reset,
        ..Inputs::dead(Instant::from_micros(tick * 1_000))
    }
}

#[test]
fn a_stroke_a_latch_and_a_reset_are_kept_once_each_and_found_again() {
    let fault = FaultSet::EMPTY.with(FaultCode::NoMotion);
    let Entry::Stopped { stop: record, .. } = stopped(1) else {
        unreachable!("a stop")
    };
    let story = [
        (false, FaultSet::EMPTY, None, None),
        (true, FaultSet::EMPTY, None, None),
        (true, FaultSet::EMPTY, None, None),
        (false, fault, None, None),
        (false, fault, Some(record), None),
        // A reset that clears nothing is none.
        (false, fault, None, Some(Standing::Operator)),
        (false, FaultSet::EMPTY, None, Some(Standing::KeyHolder)),
    ];
    let (mut journal, mut book) = (blank(), Bookkeeper::new(FaultSet::EMPTY));
    let mut kept = Vec::new();
    for (tick, (is_on, latched, stop, reset)) in (0..).zip(story) {
        let outputs = said(tick, is_on, latched, stop);
        for entry in book.note(&inputs(tick, reset), &outputs) {
            run(journal.append(&entry)).expect("room");
            kept.push(entry);
        }
    }
    assert!(
        matches!(
            kept.as_slice(),
            [
                Entry::Started { .. },
                Entry::Latched { faults, .. },
                Entry::Stopped { .. },
                Entry::Reset {
                    standing: Standing::KeyHolder,
                    ..
                },
            ] if *faults == fault
        ),
        "{kept:?}"
    );
    let (_, recovered) = powered_up(journal.into_flash());
    assert_eq!(recovered.faults(true), FaultSet::EMPTY);
}

/// Switching off and on after a reset does not make the next one the first again, nor does a segment
/// that began anew in between.
#[test]
fn what_an_operator_has_reset_is_known_after_power_up() {
    let fault = FaultSet::EMPTY.with(FaultCode::NoMotion);
    let latched = Entry::Latched {
        faults: fault,
        at: Instant::from_micros(0),
        angle: None,
        speed: CrankSpeed::ZERO,
    };
    let reset = |standing| Entry::Reset {
        standing,
        remaining: FaultSet::EMPTY,
    };
    let mut flash = blank().into_flash();
    for (standing, known) in [
        (Standing::Operator, fault),
        (Standing::KeyHolder, FaultSet::EMPTY),
    ] {
        let (mut journal, _) = powered_up(flash);
        run(journal.prepare(standstill())).expect("room");
        for entry in [latched, reset(standing)] {
            run(journal.append(&entry)).expect("room");
        }
        let first = journal.state().last;
        // Settings are saved until another segment has begun, with its snapshot.
        while journal.state().last < first + 200 {
            run(journal.prepare(standstill())).expect("room");
            let saved = Entry::SettingsSaved { generation: 1 };
            run(journal.append(&saved)).expect("room");
        }
        flash = journal.into_flash();
        let (journal, recovered) = powered_up(flash);
        flash = journal.into_flash();
        assert_eq!(recovered.reset_before, known);
        // It comes back: the operator may reset it if nobody but the key holder has.
        let settings = Settings::try_new(crate::schema::press()).expect("settings");
        let mut controller = Controller::new(settings, fault);
        controller.remember_resets(recovered.reset_before);
        let outputs = controller.tick(&inputs(1, Some(Standing::Operator)));
        let is_latched = outputs.latched.contains(FaultCode::NoMotion);
        assert_eq!(is_latched, known == fault);
    }
}

#[test]
fn what_the_journal_says_at_power_up_are_faults() {
    let lost = Recovered::default();
    assert_eq!(lost.faults(false), FaultSet::EMPTY);
    assert!(lost.faults(true).contains(FaultCode::JournalGap));
    let broken_off = Recovered {
        is_running: true,
        last: 4,
        ..lost
    };
    assert_eq!(
        broken_off.faults(true),
        FaultSet::EMPTY.with(FaultCode::StoredFault)
    );
}
