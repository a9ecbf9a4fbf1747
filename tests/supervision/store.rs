//! Two copies on flash: old or new, never else.

use crate::flash::RamFlash;
use crate::schema::{job, record};
use proptest::prelude::*;
use std::fmt::Debug;
use stopwright_core::codec::{PressRecord, Stored};
use stopwright_core::fault::{FaultCode, Reaction};
use stopwright_core::job::Job;
use stopwright_core::poll;
use stopwright_core::store::{
    CopyFault, LayoutError, LoadError, Loaded, SaveError, Slot, Standstill, Store,
};
use stopwright_core::stroke::Stroke;

type Flash = RamFlash<2048>;

const PAGES: u32 = 3;
const REGION: u32 = PAGES * 2048;

fn standstill() -> Standstill {
    Standstill::of(Stroke::WaitRelease).unwrap()
}

fn run<T>(future: impl Future<Output = T>) -> T {
    poll::run(future, 10).expect("flash in memory is ready at once")
}

fn store(flash: Flash) -> Store<Flash> {
    Store::try_new(flash, [0..REGION, REGION..2 * REGION]).unwrap()
}

fn blank() -> Store<Flash> {
    store(Flash::new(2 * PAGES as usize))
}

fn load<T: Stored + PartialEq>(
    store: &mut Store<Flash>,
    slot: Slot,
) -> Result<Loaded<T>, LoadError> {
    run(store.load(slot, 0, standstill()))
}

fn save<T: Stored + PartialEq>(
    store: &mut Store<Flash>,
    slot: Slot,
    value: &T,
) -> Result<u32, SaveError> {
    run(store.save(slot, value, standstill()))
}

/// Cuts the power at every step of `count` saves on end and looks at what is left.
fn cut_everywhere<T: Stored + PartialEq + Debug>(count: u32, value: impl Fn(u32) -> T) {
    let mut before = blank();
    save(&mut before, Slot::PRESS, &value(0)).unwrap();
    let (mut cuts, mut olds, mut news, mut erasures) = (0, 0, 0, 0);
    for number in 1..=count {
        let flash = before.flash().clone();
        let mut whole = store(flash.clone());
        save(&mut whole, Slot::PRESS, &value(number)).unwrap();
        let steps = whole.flash().steps - flash.steps;
        erasures += whole.flash().erased - flash.erased;
        for cut in 0..steps {
            let mut broken = store(flash.clone());
            broken.flash().cut_after(cut);
            save(&mut broken, Slot::PRESS, &value(number)).unwrap_err();
            let mut after = store(broken.into_flash());
            after.flash().power_up();
            let loaded = load::<T>(&mut after, Slot::PRESS);
            let loaded =
                loaded.unwrap_or_else(|error| panic!("save {number} cut {cut}: {error:?}"));
            if loaded.value == value(number) {
                news += 1;
            } else {
                assert_eq!(loaded.value, value(number - 1), "save {number} cut {cut}");
                olds += 1;
            }
            cuts += 1;
            // The press goes on: the copies are mended and the next save holds.
            run(after.mend(standstill())).unwrap();
            let mended = load::<T>(&mut after, Slot::PRESS).unwrap();
            assert_eq!((mended.value, mended.other_copy), (loaded.value, None));
            save(&mut after, Slot::PRESS, &value(number + 1)).unwrap();
            let loaded = load::<T>(&mut after, Slot::PRESS).unwrap();
            assert_eq!(loaded.value, value(number + 1));
        }
        before = whole;
    }
    println!("{cuts} cuts in {count} saves: {olds} old, {news} new; {erasures} pages erased");
    assert!(
        olds > 0 && news > 0 && erasures > 0,
        "the hard cases were met"
    );
}

#[test]
fn power_cut_at_every_write_of_a_settings_change_leaves_the_old_or_the_new() {
    cut_everywhere(24, |number| record(2_000_000 + number));
}

#[test]
fn power_cut_at_every_write_of_a_job_change_leaves_the_old_or_the_new() {
    cut_everywhere(6, |number| job(&format!("die {number}")));
}

#[test]
fn any_one_bit_turned_over_leaves_the_newest_settings() {
    let mut healthy = blank();
    for number in 0..3 {
        save(&mut healthy, Slot::PRESS, &record(number)).unwrap();
    }
    let bits = healthy.flash().bits();
    // Every bit of the pages in use would take minutes; every 7th meets each bit of a byte.
    for bit in (0..bits).step_by(7) {
        let mut aged = store(healthy.flash().clone());
        aged.flash().flip(bit);
        let loaded = load::<PressRecord>(&mut aged, Slot::PRESS);
        let loaded = loaded.unwrap_or_else(|error| panic!("bit {bit}: {error:?}"));
        assert_eq!(loaded.value, record(2), "bit {bit}");
    }
}

#[test]
fn both_copies_damaged_is_a_named_error_and_never_an_old_setting() {
    let mut healthy = blank();
    save(&mut healthy, Slot::PRESS, &record(1)).unwrap();
    let mut damaged = store(healthy.flash().clone());
    // The item's data begin behind page marker, header and key; a bit in each copy.
    for copy in 0..2 {
        damaged.flash().flip((copy * REGION as usize + 40) * 8);
    }
    let error = run(damaged.load::<PressRecord>(Slot::PRESS, 1, standstill())).unwrap_err();
    assert!(matches!(error, LoadError::BothDamaged(_)), "{error:?}");
    // Named, and latched from the first tick on.
    assert_eq!(error.fault(), Some(FaultCode::SettingsInvalid));
    assert!(FaultCode::SettingsInvalid.reaction() >= Reaction::ImmediateStop);

    // With an older entry still on the flash only the journal knows better.
    let mut store = healthy;
    let first = store.flash().clone();
    let generation = save(&mut store, Slot::PRESS, &record(2)).unwrap();
    let rolled_back = &mut self::store(first);
    assert_eq!(
        run(rolled_back.load::<PressRecord>(Slot::PRESS, generation, standstill())).unwrap_err(),
        LoadError::Stale { found: 1, saved: 2 }
    );
}

#[test]
fn a_copy_that_is_behind_is_said_and_mended() {
    let mut store = blank();
    save(&mut store, Slot::PRESS, &record(1)).unwrap();
    let steps = {
        let mut whole = self::store(store.flash().clone());
        save(&mut whole, Slot::PRESS, &record(2)).unwrap();
        whole.flash().steps - store.flash().steps
    };
    store.flash().cut_after(steps * 3 / 4);
    let error = save(&mut store, Slot::PRESS, &record(2)).unwrap_err();
    assert!(matches!(error, SaveError::SecondCopy(_)), "{error:?}");
    store.flash().power_up();
    let loaded = load::<PressRecord>(&mut store, Slot::PRESS).unwrap();
    assert_eq!(loaded.value, record(2));
    assert_eq!(loaded.other_copy, Some(CopyFault::Behind));
    assert_eq!(run(store.mend(standstill())).unwrap().rewritten, 1);
    let loaded = load::<PressRecord>(&mut store, Slot::PRESS).unwrap();
    assert_eq!(loaded.other_copy, None);
}

#[test]
fn nothing_stored_is_missing_and_not_damaged() {
    let error = load::<PressRecord>(&mut blank(), Slot::PRESS).unwrap_err();
    assert_eq!(error, LoadError::Missing);
    assert_eq!(error.fault(), None);
}

#[test]
fn press_and_jobs_do_not_disturb_each_other() {
    let mut store = Store::try_new(
        RamFlash::<4096>::new(16),
        [0..8 * 4096, 8 * 4096..16 * 4096],
    )
    .unwrap();
    run(store.save(Slot::PRESS, &record(1), standstill())).unwrap();
    for round in 0..3 {
        for number in 0..8 {
            let slot = Slot::job(number).unwrap();
            let job = job(&format!("die {number} {round}"));
            run(store.save(slot, &job, standstill())).unwrap();
        }
    }
    for number in 0..8 {
        let slot = Slot::job(number).unwrap();
        let loaded: Loaded<Job> = run(store.load(slot, 0, standstill())).unwrap();
        assert_eq!(loaded.value, job(&format!("die {number} 2")));
    }
    let loaded: Loaded<PressRecord> = run(store.load(Slot::PRESS, 0, standstill())).unwrap();
    assert_eq!(loaded.value, record(1));
    assert_eq!(Slot::job(16), None);
}

#[test]
fn a_block_of_another_kind_is_refused() {
    let mut store = blank();
    save(&mut store, Slot::PRESS, &job("die")).unwrap();
    let error = load::<PressRecord>(&mut store, Slot::PRESS).unwrap_err();
    assert!(matches!(
        error,
        LoadError::BothDamaged([CopyFault::Block(_), CopyFault::Block(_)])
    ));
}

#[test]
fn settings_are_written_at_standstill_only() {
    assert!(Standstill::of(Stroke::Closing).is_none());
    assert!(Standstill::of(Stroke::ContinuousRunning).is_none());
    assert!(Standstill::of(Stroke::Ready).is_some());
}

#[test]
fn a_layout_that_can_not_work_is_refused() {
    let refused = |regions| Store::try_new(Flash::new(6), regions).err();
    assert_eq!(
        refused([0..REGION, 2048..2048 + REGION]),
        Some(LayoutError::Overlap)
    );
    assert_eq!(
        refused([0..REGION, REGION..2 * REGION - 1]),
        Some(LayoutError::Region)
    );
    assert_eq!(
        refused([0..REGION, REGION..3 * REGION]),
        Some(LayoutError::PastEnd)
    );
    #[allow(clippy::reversed_empty_ranges)]
    let reversed = [0..REGION, 2 * REGION..REGION];
    assert_eq!(refused(reversed), Some(LayoutError::Region));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Nobody mends, and the power goes away again and again: what is saved next must never give
    /// up the better copy first.
    #[test]
    fn power_cut_in_save_after_save_leaves_the_last_or_the_new(
        cuts in prop::collection::vec(0..260usize, 1..12),
    ) {
        let mut flash = Flash::new(2 * PAGES as usize);
        let mut stands = 0;
        let mut first = store(flash);
        save(&mut first, Slot::PRESS, &record(0)).unwrap();
        flash = first.into_flash();
        for (number, cut) in (1..).zip(cuts) {
            let mut broken = store(flash);
            broken.flash().cut_after(cut);
            let saved = save(&mut broken, Slot::PRESS, &record(number));
            broken.flash().power_up();
            let loaded = load::<PressRecord>(&mut broken, Slot::PRESS).unwrap();
            let is_new = loaded.value == record(number);
            prop_assert!(is_new || loaded.value == record(stands), "{:?}", saved);
            prop_assert!(is_new || saved.is_err());
            stands = if is_new { number } else { stands };
            flash = broken.into_flash();
        }
    }
}
