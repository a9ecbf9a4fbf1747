//! A job that uses everything there is: sixteen limit channels with four windows each.

use stopwright_core::angle::{AngleWindow, CrankAngle};
use stopwright_core::job::{AirWindow, Job, Release};
use stopwright_core::limit_channels::{self, CHANNELS, Channel, TimedWindow, WINDOWS, Windows};
use stopwright_core::press_identity::Label;
use stopwright_core::settings::Schema;
use stopwright_core::time::Duration;

/// For a press with these settings, at its own angles.
pub(crate) fn full_job(press: &Schema) -> Job {
    let mut releases = [None; stopwright_core::job::RELEASES_MAX];
    releases[0] = Some(Release {
        speed: press.top_stop.speed,
        angle: press.top_stop.release,
    });
    let mut channels = limit_channels::Settings::UNUSED;
    // Twice this is over before a window or a gap of the fastest press is.
    channels.read_back_within = Duration::from_millis(3);
    channels.channels = std::array::from_fn::<_, CHANNELS, _>(channel);
    Job {
        label: Label::try_new("every channel").expect("a label of thirteen letters"),
        take_over: press.angles.take_over,
        mute_end: press.angles.mute_end,
        counterbalance: AirWindow {
            lowest_kpa: 300,
            highest_kpa: 600,
        },
        releases,
        limit_channels: channels,
    }
}

/// Even channels go by angle, odd ones by time; each begins a little later than the one before, and
/// the last window crosses the top.
fn channel(number: usize) -> Channel {
    let degrees = |value: usize| CrankAngle::from_millidegrees((value % 360 * 1_000) as i32);
    let from = |window: usize| 60 + 90 * window + 2 * number;
    let windows = match number % 2 {
        0 => Windows::Angles(std::array::from_fn::<_, WINDOWS, _>(|window| {
            Some(AngleWindow {
                from: degrees(from(window)),
                to: degrees(from(window) + 45),
            })
        })),
        _ => Windows::Timed(std::array::from_fn::<_, WINDOWS, _>(|window| {
            Some(TimedWindow {
                from: degrees(from(window)),
                on_for: Duration::from_millis(9),
            })
        })),
    };
    Channel {
        windows,
        on_lead: Duration::from_millis(1),
        off_lead: Duration::from_millis(1),
        minimum_on: Duration::from_millis(2),
        has_read_back: true,
    }
}
