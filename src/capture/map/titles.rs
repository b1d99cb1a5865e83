//! What the lines above a table say of its units.

use super::meaning::{Meaning, What, meaning};
use super::pattern::one_line;
use super::shape::Shape;
use crate::capture::names::{NAMES, Role};

/// Whether a quantity of one of these roles may have a unit.
pub(super) fn fits(roles: &[Role], unit: &str) -> bool {
    roles
        .iter()
        .any(|role| NAMES[*role as usize].units.contains(&unit))
}

/// The one unit of the readings that is said above the table.
pub(super) fn amount_unit(shape: &Shape<'_>, roles: &[Role]) -> Option<&'static str> {
    let amount = |what| matches!(what, What::Amount | What::Is(Role::Volume | Role::Mass));
    let mut units: Vec<&'static str> = said(shape)
        .filter(|said| said.what.is_some_and(amount))
        .filter_map(|said| said.unit)
        .filter(|unit| fits(roles, unit))
        .collect();
    units.dedup();
    match units[..] {
        [one] => Some(one),
        _ => None,
    }
}

/// The unit of the pulse widths that is said above the table.
pub(super) fn width_unit(shape: &Shape<'_>) -> Option<&'static str> {
    said(shape)
        .filter(|said| said.what == Some(What::Is(Role::PulseWidth)))
        .filter_map(|said| said.unit)
        .find(|unit| matches!(*unit, "ms" | "us"))
}

fn said<'s>(shape: &'s Shape<'_>) -> impl Iterator<Item = Meaning> + 's {
    let view = &shape.view;
    let rows = shape.titles.iter();
    let texts = rows.flat_map(|row| (0..view.width()).map(|c| view.text(*row, c)));
    texts.flat_map(parts_of).map(|part| meaning(&part))
}

/// Parts of a title: `Volume (ml) at pulse width (ms)` says two things.
fn parts_of(text: &str) -> Vec<String> {
    let text = one_line(text);
    let mut parts = vec![text];
    for between in [
        " from ", " at ", " by ", " vs ", " over ", " bei ", " / ", "; ", ", ",
    ] {
        parts = parts
            .iter()
            .flat_map(|part| part.split(between))
            .map(str::to_owned)
            .collect();
    }
    parts
}
