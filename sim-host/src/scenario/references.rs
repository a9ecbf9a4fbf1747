//! What a scenario fits beside the resolver to contradict it: an index switch, a second resolver.
//! Settings hold what commissioning would have learned of them.

use crate::index_switch::IndexSwitch;
use crate::press::Press;
use crate::rehearse;
use crate::resolver::{ParseOptionError, ResolverSetup};
use crate::settings_file;
use crate::toml_check::{Key, Kind};
use crate::units;
use serde::Deserialize;
use stopwright_core::receiver;
use stopwright_core::settings::Schema;
use stopwright_core::zero_offset::{Direction, ZeroOffset};

const DEG: Kind = Kind::Number(0.0, 359.9999);

pub(super) const INDEX_KEYS: &[Key] = &[
    Key::optional("closes_deg", DEG),
    Key::optional("opens_deg", DEG),
    Key::optional("response_ms", Kind::Number(0.0, 10.0)),
    Key::optional("wander_deg", Kind::Number(0.0, 5.0)),
];

/// An index switch as a file has it.
#[derive(Debug, Deserialize)]
pub(super) struct IndexEntry {
    closes_deg: Option<f64>,
    opens_deg: Option<f64>,
    response_ms: Option<f64>,
    wander_deg: Option<f64>,
}

/// The index switch of a file, or the one that the settings speak of; settings that speak of none
/// learn the file's.
pub(super) fn index_switch(entry: Option<&IndexEntry>, schema: &mut Schema) -> Option<IndexSwitch> {
    let usual = IndexSwitch::default();
    let switch = match (entry, schema.index) {
        (Some(entry), _) => IndexSwitch {
            closes_deg: entry.closes_deg.unwrap_or(usual.closes_deg),
            opens_deg: entry.opens_deg.unwrap_or(usual.opens_deg),
            response_s: entry.response_ms.map_or(usual.response_s, |ms| ms / 1e3),
            wander_deg: entry.wander_deg.unwrap_or(usual.wander_deg),
            ..usual
        },
        (None, Some(learned)) => IndexSwitch {
            closes_deg: units::angle_deg(learned.closed.from),
            opens_deg: units::angle_deg(learned.closed.to),
            ..usual
        },
        (None, None) => return None,
    };
    learn_index(&switch, schema);
    Some(switch)
}

/// Settings that know of no index switch learn this one.
pub(super) fn learn_index(switch: &IndexSwitch, schema: &mut Schema) {
    let learned = rehearse::learned_index(switch.closes_deg, switch.opens_deg);
    schema.index = schema.index.or(Some(learned));
}

/// The word for a second resolver without imperfections, as for `rehearse`.
const PLAIN: &str = "plain";

/// The second resolver of a file, or the one that the settings speak of; settings that speak of none
/// learn the file's zero.
///
/// # Errors
/// An option of the list that is none.
pub(super) fn second_resolver(
    options: Option<&str>,
    press: &Press,
    schema: &mut Schema,
) -> Result<Option<ResolverSetup>, ParseOptionError> {
    let mut setup = ResolverSetup::of_press(press);
    match (options, &schema.second) {
        (Some(options), _) => setup.apply(if options == PLAIN { "" } else { options })?,
        (None, Some(learned)) => setup.zero_deg = zero_deg(learned.receiver.zero_offset),
        (None, None) => return Ok(None),
    }
    let learned = rehearse::learned_second(receiver::Settings {
        zero_offset: settings_file::zero(setup.zero_deg),
        direction: match setup.reversed {
            true => Direction::Decreasing,
            false => Direction::Increasing,
        },
        ..schema.receiver
    });
    schema.second = schema.second.or(Some(learned));
    Ok(Some(setup))
}

/// The electrical angle at top dead centre, degrees.
fn zero_deg(offset: ZeroOffset) -> f64 {
    f64::from(offset.electrical().to_bits()) * 360.0 / 4_294_967_296.0
}
