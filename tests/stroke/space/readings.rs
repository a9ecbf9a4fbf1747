//! What a receiver says in each sector of the reduced crank. Only a receiver can vouch for a
//! reading, so one is run on frames of an ideal resolver.

use super::press::Sector;
use std::f64::consts::TAU;
use std::sync::LazyLock;
use stopwright_core::receiver::{Config, CrankReading, Receiver, Settings};
use stopwright_core::signal::{CarrierFrame, FRAMES_PER_TICK, SAMPLES_PER_FRAME};
use stopwright_core::speed::CrankSpeed;
use stopwright_core::time::Instant;

/// One turn a second: 0.072 degrees a frame.
const DEG_PER_FRAME: f64 = 0.072;
/// Long enough for the receiver to trust its angle and to settle on its speed.
const TICKS: u32 = 200;

/// Readings by sector, forward and reverse.
static READINGS: LazyLock<[[CrankReading; 2]; 5]> =
    LazyLock::new(|| Sector::ALL.map(|sector| [false, true].map(|back| read(sector, back))));

pub(crate) fn reading(sector: Sector, is_reverse: bool) -> &'static CrankReading {
    &READINGS[sector as usize][usize::from(is_reverse)]
}

fn read(sector: Sector, is_reverse: bool) -> CrankReading {
    let config = Config::new(Settings::DEFAULT);
    let mut receiver = Receiver::new();
    let step_deg = if is_reverse {
        -DEG_PER_FRAME
    } else {
        DEG_PER_FRAME
    };
    let frames = TICKS * FRAMES_PER_TICK as u32;
    for number in 0..frames {
        if number % FRAMES_PER_TICK as u32 == 0 {
            receiver.start_tick(&config);
        }
        let middle = Instant::from_micros(100 + 200 * u64::from(number));
        let left = f64::from(frames - number);
        receiver.frame(
            &config,
            &frame(sector.middle_deg() - left * step_deg),
            middle,
        );
        if (number + 1).is_multiple_of(FRAMES_PER_TICK as u32) {
            receiver.end_tick(&config);
        }
    }
    let now = Instant::from_micros(200 * u64::from(frames));
    *receiver
        .position(&config, now)
        .trusted()
        .expect("an ideal signal is trusted")
}

/// One carrier frame of an ideal resolver. Its own zero lies 45 degrees from the top in the
/// default settings.
fn frame(crank_deg: f64) -> CarrierFrame {
    let (sine, cosine) = (crank_deg + 45.0).to_radians().sin_cos();
    let codes = |winding: f64| {
        std::array::from_fn(|sample| {
            let phase = sample as f64 / SAMPLES_PER_FRAME as f64 * TAU;
            (2_048.0 + 1_800.0 * winding * phase.sin()).round() as u16
        })
    };
    CarrierFrame {
        sine: codes(sine),
        cosine: codes(cosine),
    }
}

#[test]
fn each_sector_has_a_reading_of_its_own_angle_and_direction() {
    for sector in Sector::ALL {
        for is_reverse in [false, true] {
            let reading = reading(sector, is_reverse);
            let millidegrees = reading.angle().to_bits() as f64 / 2f64.powi(32) * 360e3;
            let off = (millidegrees - 1e3 * sector.middle_deg() + 180e3).rem_euclid(360e3) - 180e3;
            assert!(off.abs() < 500.0, "{sector:?}: {millidegrees}");
            assert_eq!(reading.speed() < CrankSpeed::ZERO, is_reverse, "{sector:?}");
        }
    }
}
