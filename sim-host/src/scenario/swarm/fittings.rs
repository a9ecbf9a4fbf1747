//! What the press of a drawn run has beside the resolver: a second one, an index switch, limit
//! channels; each there or not by chance.

use crate::index_switch::IndexSwitch;
use crate::load::Reaction;
use crate::press::Press;
use crate::prng::Stream;
use crate::resolver::ResolverSetup;
use crate::scenario::limit_channels::Bank;
use crate::scenario::references;
use crate::units;
use rand::RngExt;
use stopwright_core::angle::AngleWindow;
use stopwright_core::limit_channels::{
    CHANNELS, Channel, Settings as BankSettings, TimedWindow, WINDOWS, Windows,
};
use stopwright_core::settings::{Schema, Settings};
use stopwright_core::time::Duration;

const SECOND_CHANCE: f64 = 0.3;
const INDEX_CHANCE: f64 = 0.4;
const BANK_CHANCE: f64 = 0.4;
const CHANNELS_MOST: usize = 3;
/// Short, so that a window of a fast press lasts until its read-back is judged.
const READ_BACK_WITHIN: Duration = Duration::from_millis(20);

/// What is fitted, and the settings with it.
pub(super) struct Fittings {
    pub(super) settings: Settings,
    pub(super) second_resolver: Option<ResolverSetup>,
    pub(super) index_switch: Option<IndexSwitch>,
    pub(super) limit_channels: Option<Bank>,
}

impl Fittings {
    /// Whatever does not hold together with the press is not fitted.
    pub(super) fn draw(stream: &mut Stream, press: &Press, settings: &Settings) -> Self {
        let mut schema = *settings.get();
        let second_resolver = second_resolver(stream, press, &mut schema);
        let index_switch = index_switch(stream, &mut schema);
        let mut fittings = match Settings::try_new(schema) {
            Ok(settings) => Self {
                settings,
                second_resolver,
                index_switch,
                limit_channels: None,
            },
            Err(_) => Self {
                settings: *settings,
                second_resolver: None,
                index_switch: None,
                limit_channels: None,
            },
        };
        if stream.random_bool(BANK_CHANCE) {
            fittings.limit_channels = bank(stream, &fittings.settings);
        }
        fittings
    }

    /// Whether there is what disturbances of this family break.
    pub(super) fn has(&self, family: &str) -> bool {
        match family {
            "index" => self.index_switch.is_some(),
            "channels" => self.limit_channels.is_some(),
            _ => true,
        }
    }
}

fn second_resolver(
    stream: &mut Stream,
    press: &Press,
    schema: &mut Schema,
) -> Option<ResolverSetup> {
    if !stream.random_bool(SECOND_CHANCE) {
        return None;
    }
    let zero_deg = stream.random_range(0..360);
    let list = format!("zero={zero_deg}deg");
    references::second_resolver(Some(&list), press, schema).ok()?
}

fn index_switch(stream: &mut Stream, schema: &mut Schema) -> Option<IndexSwitch> {
    if !stream.random_bool(INDEX_CHANCE) {
        return None;
    }
    let closes_deg = stream.random_range(0.0..360.0);
    let switch = IndexSwitch {
        closes_deg,
        opens_deg: (closes_deg + stream.random_range(30.0..150.0)) % 360.0,
        ..IndexSwitch::default()
    };
    references::learn_index(&switch, schema);
    Some(switch)
}

fn bank(stream: &mut Stream, settings: &Settings) -> Option<Bank> {
    let mut bank = BankSettings {
        read_back_within: READ_BACK_WITHIN,
        ..BankSettings::UNUSED
    };
    let mut reactions = [Reaction::default(); CHANNELS];
    let count = stream.random_range(1..=CHANNELS_MOST);
    for (channel, reaction) in bank.channels.iter_mut().zip(&mut reactions).take(count) {
        (*channel, *reaction) = drawn(stream);
    }
    Bank::try_new(bank, reactions, settings).ok()
}

/// A channel with one window, and a load that is led by what it takes.
fn drawn(stream: &mut Stream) -> (Channel, Reaction) {
    let from = units::angle(stream.random_range(0.0..360.0));
    let windows = if stream.random_bool(0.3) {
        let on_for = Duration::from_millis(stream.random_range(50..90));
        let mut windows = [None; WINDOWS];
        windows[0] = Some(TimedWindow { from, on_for });
        Windows::Timed(windows)
    } else {
        let width = units::travel(stream.random_range(60.0..200.0));
        let to = from.wrapping_add(width);
        let mut windows = [None; WINDOWS];
        windows[0] = Some(AngleWindow { from, to });
        Windows::Angles(windows)
    };
    let [on_ms, off_ms] = [(); 2].map(|()| stream.random_range(0..40));
    let channel = Channel {
        windows,
        on_lead: Duration::from_millis(on_ms),
        off_lead: Duration::from_millis(off_ms),
        has_read_back: stream.random_bool(0.5),
        ..Channel::UNUSED
    };
    let reaction = Reaction {
        on_us: u64::from(on_ms) * 1_000,
        off_us: u64::from(off_ms) * 1_000,
    };
    (channel, reaction)
}
