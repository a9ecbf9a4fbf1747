//! Settings as bytes: nothing lost, nothing else taken for settings, and jobs checked with their
//! press.

use crate::schema::{deg, job, ms, press, record, spm};
use proptest::prelude::*;
use stopwright_core::checksum::checksum;
use stopwright_core::codec::{BLOCK_MAX, DecodeError, NoRoom, PressRecord, decode, encode};
use stopwright_core::contacts::PairKind;
use stopwright_core::fault::FaultCode;
use stopwright_core::health::{Damaged, SECTIONS, SettingsWatch};
use stopwright_core::job::{self, AirWindow, CheckedJob, Job, Release};
use stopwright_core::limit_channels::{ChannelProblem, ConfigError, PARTS};
use stopwright_core::press_identity::Label;
use stopwright_core::settings::{self, Schema, Settings, Stage};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::Duration;

fn bytes_of(record: &PressRecord) -> Vec<u8> {
    let mut buffer = [0; BLOCK_MAX];
    let len = encode(record, 7, &mut buffer).unwrap();
    buffer[..len].to_vec()
}

#[test]
fn the_checksum_is_the_published_one() {
    // Check value of CRC-32/ISO-HDLC for the nine digits (catalogue of parametrised CRC
    // algorithms).
    assert_eq!(checksum(b"123456789"), 0xCBF4_3926);
}

#[test]
fn the_invented_press_and_its_job_hold_together() {
    let press = Settings::try_new(press()).unwrap();
    let checked = CheckedJob::try_new(job("die"), &press, ms(1)).unwrap();
    let at_40 = checked.settings_at(spm(41)).unwrap();
    assert_eq!(at_40.get().top_stop.release, deg(332));
    assert_eq!(at_40.get().angles.mute_end, deg(318));
    assert_eq!(at_40.get().stop, press.get().stop, "a job changes no limit");
}

#[test]
fn a_job_that_its_press_can_not_run_is_refused_by_name() {
    let refusal = |change: fn(&mut Job)| {
        let mut job = job("die");
        change(&mut job);
        CheckedJob::try_new(job, &Settings::try_new(press()).unwrap(), ms(1)).unwrap_err()
    };
    assert_eq!(
        refusal(|job| job.releases = [None; job::RELEASES_MAX]),
        job::Problem::NoRelease
    );
    assert_eq!(
        refusal(|job| job.releases.swap(0, 1)),
        job::Problem::ReleaseSpeed { release: 1 }
    );
    assert_eq!(
        refusal(|job| job.counterbalance = AirWindow {
            lowest_kpa: 400,
            highest_kpa: 400
        }),
        job::Problem::Counterbalance
    );
    let early = refusal(|job| {
        job.releases[0] = Some(Release {
            speed: spm(40),
            angle: deg(199),
        });
    });
    let job::Problem::Press {
        release: 0,
        problems,
    } = early
    else {
        panic!("{early:?}")
    };
    assert!(
        problems.contains(&settings::Problem::ReleaseOutOfRange),
        "{problems:?}"
    );
    let mute = refusal(|job| job.mute_end = deg(170));
    assert!(matches!(mute, job::Problem::Press { .. }), "{mute:?}");
    let lead = refusal(|job| job.limit_channels.channels[3].on_lead = ms(501));
    let problem = ChannelProblem::LeadTooLong;
    assert_eq!(
        lead,
        job::Problem::LimitChannels(ConfigError::Channel {
            channel: 3,
            problem
        })
    );

    let provisional = Schema {
        stage: Stage::Provisional,
        ..press()
    };
    let provisional = Settings::try_new(provisional).unwrap();
    assert_eq!(
        CheckedJob::try_new(job("die"), &provisional, ms(1)).unwrap_err(),
        job::Problem::PressNotCommissioned
    );
}

#[test]
fn the_longest_block_has_room_and_a_short_buffer_is_refused() {
    let mut buffer = [0; BLOCK_MAX];
    // Every channel, window and release in use.
    let mut longest = job("longest label ok");
    longest.releases = [longest.releases[0]; job::RELEASES_MAX];
    longest.limit_channels.channels = [longest.limit_channels.channels[0]; 16];
    let len = encode(&longest, 1, &mut buffer).unwrap();
    println!(
        "job {len} bytes, press {} bytes",
        bytes_of(&record(1)).len()
    );
    for short in 0..len {
        assert_eq!(encode(&longest, 1, &mut buffer[..short]), Err(NoRoom));
    }
    let len = encode(&longest, 1, &mut buffer).unwrap();
    assert_eq!(decode::<Job>(&buffer[..len]).unwrap().value, longest);
}

/// The layout of version 2. Where this fails, a list of fields has changed: give the block the
/// next version, and put the new numbers here. (Before the first release a version itself may
/// still change: nothing was ever stored with it.)
#[test]
fn a_changed_layout_does_not_keep_its_version() {
    let layout = |bytes: &[u8]| {
        // Over a block with its own checksum every checksum is the same.
        let sum = checksum(&bytes[..bytes.len() - 4]);
        println!("{} bytes, {sum:#010x}", bytes.len());
        (bytes.len(), sum)
    };
    let mut buffer = [0; BLOCK_MAX];
    let len = encode(&job("die"), 1, &mut buffer).unwrap();
    let job_layout = layout(&buffer[..len]);
    assert_eq!(
        (layout(&bytes_of(&record(1))), job_layout),
        (PRESS_LAYOUT, JOB_LAYOUT)
    );
}

const PRESS_LAYOUT: (usize, u32) = (615, 0x2011_872d);
const JOB_LAYOUT: (usize, u32) = (852, 0xd2a5_dd06);

#[test]
fn any_turned_bit_and_any_missing_byte_is_refused() {
    let whole = bytes_of(&record(1));
    for bit in 0..whole.len() * 8 {
        let mut damaged = whole.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let refused = decode::<PressRecord>(&damaged).unwrap_err();
        assert!(
            matches!(refused, DecodeError::Checksum | DecodeError::Length),
            "bit {bit}"
        );
    }
    for len in 0..whole.len() {
        assert_eq!(
            decode::<PressRecord>(&whole[..len]),
            Err(DecodeError::Length),
            "{len}"
        );
    }
    let mut longer = whole;
    longer.push(0);
    assert_eq!(decode::<PressRecord>(&longer), Err(DecodeError::Length));
}

/// A block with `change` made and its checksum made anew: what a wrong writer would leave.
fn forged(change: impl Fn(&mut Vec<u8>)) -> Result<(), DecodeError> {
    let mut bytes = bytes_of(&record(1));
    bytes.truncate(bytes.len() - 4);
    change(&mut bytes);
    let sum = checksum(&bytes);
    bytes.extend(sum.to_le_bytes());
    decode::<PressRecord>(&bytes).map(|_| ())
}

#[test]
fn what_a_wrong_writer_leaves_is_refused_by_name() {
    assert_eq!(forged(|_| {}), Ok(()));
    assert_eq!(
        forged(|bytes| bytes[0] = 2),
        Err(DecodeError::Kind { found: 2 })
    );
    assert_eq!(
        forged(|bytes| bytes[1] = 9),
        Err(DecodeError::Version { found: 9, known: 2 })
    );
    // The label is the first field: not printable.
    assert_eq!(
        forged(|bytes| bytes[8] = 7),
        Err(DecodeError::Value { at: 15 })
    );
    let longer = |bytes: &mut Vec<u8>| {
        bytes.push(0);
        let len = bytes.len() as u16 - 8;
        bytes[2..4].copy_from_slice(&len.to_le_bytes());
    };
    assert!(matches!(forged(longer), Err(DecodeError::Value { .. })));
}

#[test]
fn settings_that_change_in_memory_are_found_within_as_many_ticks_as_sections() {
    // Not commissioned, so that each part may change by itself and still be settings.
    let schema = Schema {
        stage: Stage::Provisional,
        ..press()
    };
    let changes: [fn(&mut Schema); 16] = [
        |schema| schema.stage = Stage::ZeroPending,
        |schema| schema.receiver.bandwidth_hz ^= 1,
        |schema| schema.two_hand.release_hold = ms(0),
        |schema| schema.valve_pair.shift[1].off_within = ms(151),
        |schema| schema.motion.speed_max = spm(91),
        |schema| schema.stop.mid_stroke.time_latch = ms(251),
        |schema| schema.top_stop.release = deg(316),
        |schema| schema.angles.mute_end = deg(321),
        |schema| schema.control_response = ms(19),
        |schema| schema.guards = [None; settings::GUARDS_MAX],
        |schema| schema.second = None,
        |schema| schema.index = None,
        |schema| schema.contacts.guards.kind = PairKind::Equivalent,
        |schema| schema.peer = None,
        |schema| schema.run_in.bedding_stops = 1,
        |schema| schema.trend.top = None,
    ];
    // What is made of these parts is watched beside them.
    let made_of = |section| match section {
        1 => Some(16),
        10 => Some(17),
        11 => Some(18),
        _ => None,
    };
    let made = changes
        .iter()
        .enumerate()
        .filter(|(at, _)| made_of(*at).is_some());
    assert_eq!(changes.len() + made.count(), SECTIONS);
    let healthy = Settings::try_new(schema).expect("settings");
    for (section, change) in changes.iter().enumerate() {
        let mut watch = SettingsWatch::new(&healthy);
        assert!((0..2 * SECTIONS).all(|_| watch.step(&healthy).is_ok()));
        let mut damaged = schema;
        change(&mut damaged);
        let damaged = Settings::try_new(damaged)
            .unwrap_or_else(|problems| panic!("section {section}: {problems:?}"));
        let found: Vec<usize> = (0..SECTIONS)
            .filter(|_| {
                let mut alone = watch;
                let _ = watch.step(&healthy);
                alone.step(&damaged) == Err(Damaged)
            })
            .collect();
        let expected: Vec<usize> = [section].into_iter().chain(made_of(section)).collect();
        assert_eq!(found, expected);
        // It stays named, whatever is looked at next, until it is seen to be whole.
        let mut round = |settings| -> Vec<bool> {
            let steps = (0..SECTIONS).map(|_| watch.step(settings).is_err());
            steps.collect()
        };
        let last = expected.iter().copied().max();
        let named_from: Vec<bool> = (0..SECTIONS).map(|at| at >= section).collect();
        let named_until: Vec<bool> = (0..SECTIONS).map(|at| Some(at) < last).collect();
        assert_eq!(
            (round(&damaged), round(&healthy)),
            (named_from, named_until)
        );
    }
}

#[test]
fn the_table_of_faults_says_how_long_damage_may_stand() {
    let bound = format!("1 tick; settings {SECTIONS} ticks, limit channels {PARTS}");
    assert_eq!(FaultCode::MemoryDamaged.row().latency, bound);
}

prop_compose! {
    fn any_record()(
        text in "[ -~]{1,16}",
        times in prop::array::uniform8(any::<u32>()),
        counts in prop::array::uniform8(any::<i32>()),
        stage in 0..3usize,
        has_index in any::<bool>(),
        guards in 0..5usize,
    ) -> PressRecord {
        let mut record = record(times[0]);
        record.press = Label::try_new(&text).unwrap();
        record.fingerprint.index_angle = has_index.then(|| deg(counts[0] % 360));
        record.fingerprint.balance.gain_ppm = counts[1];
        let schema = &mut record.schema;
        schema.stage = [Stage::ZeroPending, Stage::Provisional, Stage::Commissioned][stage];
        schema.receiver.amplitude_nominal = counts[2] as i16;
        schema.receiver.phase_millidegrees = counts[3];
        schema.two_hand.synchronous_within = Duration::from_micros(times[1]);
        schema.valve_pair.shift[0].on_within = Duration::from_micros(times[2]);
        schema.motion.speed_max = CrankSpeed::from_counts_per_ms(counts[4]);
        schema.stop.top.time_latch = Duration::from_micros(times[3]);
        schema.stop.mid_stroke.travel_latch =
            stopwright_core::angle::CrankTravel::from_counts(i64::from(counts[5]) << 20);
        schema.angles.take_over = stopwright_core::angle::CrankAngle::from_bits(times[4]);
        let guard = schema.guards[0];
        for (index, slot) in schema.guards.iter_mut().enumerate() {
            *slot = if index < guards { guard } else { None };
        }
        record
    }
}

proptest! {
    #[test]
    fn what_was_written_is_read(record in any_record(), generation in any::<u32>()) {
        let mut buffer = [0; BLOCK_MAX];
        let len = encode(&record, generation, &mut buffer).unwrap();
        let read = decode::<PressRecord>(&buffer[..len]).unwrap();
        prop_assert_eq!((read.value, read.generation), (record, generation));
    }

    #[test]
    fn bytes_of_any_kind_are_refused_without_a_panic(
        bytes in prop::collection::vec(any::<u8>(), 0..600),
        places in prop::collection::vec((8..400usize, any::<u8>()), 0..8),
    ) {
        prop_assert!(decode::<PressRecord>(&bytes).is_err());
        // A right checksum over wrong values: read or refused, and what is read is written back
        // to the same bytes.
        let mut forged = bytes_of(&record(1));
        let end = forged.len() - 4;
        for (place, byte) in places {
            forged[8 + (place - 8) % (end - 8)] = byte;
        }
        let sum = checksum(&forged[..end]);
        forged[end..].copy_from_slice(&sum.to_le_bytes());
        if let Ok(read) = decode::<PressRecord>(&forged) {
            prop_assert_eq!(bytes_of(&read.value), forged);
        }
    }
}
