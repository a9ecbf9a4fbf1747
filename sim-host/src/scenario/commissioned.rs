//! Commissioned settings for a scenario: those shipped with a press or in a file of their own, with
//! single values overridden.

use crate::press::Press;
use crate::{rehearse, settings_file};
use stopwright_core::settings::{Settings, Stage};

/// The settings that `rehearse` releases for a built-in press; none for press F, which is not
/// commissionable.
pub(super) fn shipped(letter: &str) -> Option<&'static str> {
    Some(match letter.to_ascii_uppercase().as_str() {
        "A" => include_str!("../../settings/a.toml"),
        "B" => include_str!("../../settings/b.toml"),
        "C" => include_str!("../../settings/c.toml"),
        "D" => include_str!("../../settings/d.toml"),
        "E" => include_str!("../../settings/e.toml"),
        "G" => include_str!("../../settings/g.toml"),
        "H" => include_str!("../../settings/h.toml"),
        _ => return None,
    })
}

/// Lays the values of `over` over those of `base`, at any depth.
pub(super) fn lay_over(base: &mut toml::Table, over: &toml::Table) {
    for (key, value) in over {
        match (base.get_mut(key), value) {
            (Some(toml::Value::Table(below)), toml::Value::Table(above)) => lay_over(below, above),
            _ => {
                base.insert(key.clone(), value.clone());
            }
        }
    }
}

/// Settings of a press from a checked table.
///
/// # Errors
/// What does not hold together, in words.
pub(super) fn settings(press: &Press, table: toml::Table) -> Result<Settings, String> {
    let schema = settings_file::schema(rehearse::data_plate(press), table)?;
    Settings::try_new(schema).map_err(|problems| {
        let problems: Vec<_> = problems.iter().map(|it| format!("{it:?}")).collect();
        problems.join("; ")
    })
}

/// Settings of a press with its data plate alone, zeroed by hand.
///
/// # Errors
/// What does not hold together, in words.
pub(super) fn provisional(press: &Press) -> Result<Settings, String> {
    let mut schema = rehearse::data_plate(press);
    schema.stage = Stage::Provisional;
    schema.receiver.zero_offset = settings_file::zero(press.resolver.zero_deg);
    Settings::try_new(schema).map_err(|problems| format!("{problems:?}"))
}
