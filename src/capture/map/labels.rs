//! What stands beside the table or between its rows: `Injector: A1`, `Pressure | 3 | bar`.

use super::meaning::{What, columns_of, meaning, unit};
use super::pattern::{Pattern, one_line};
use super::shape::{Shape, is_number, parted};
use crate::capture::names::{NAMES, Role};

/// A label, understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Label {
    /// How a mapping writes it.
    pub pattern: String,
    /// What it says.
    pub role: Role,
    /// Names of the capture format that it may have: one where the unit is said.
    pub columns: Vec<String>,
    /// What it says it is.
    pub value: String,
    /// The row it stands in.
    pub row: usize,
}

/// Roles that hold for many rows.
const FOR_MANY_ROWS: [Role; 9] = [
    Role::Injector,
    Role::PulseWidth,
    Role::Pulses,
    Role::Voltage,
    Role::Pressure,
    Role::Period,
    Role::Frequency,
    Role::FluidTemp,
    Role::Stage,
];

/// The labels of a sheet, from top to bottom.
pub(super) fn labels(shape: &Shape<'_>) -> Vec<Label> {
    let mut rows: Vec<usize> = shape.titles.clone();
    rows.extend(&shape.label_rows);
    rows.sort_unstable();
    let mut found = Vec::new();
    for row in rows {
        for column in 0..shape.view.width() {
            found.extend(label(shape, row, column));
        }
    }
    found
}

fn label(shape: &Shape<'_>, row: usize, column: usize) -> Option<Label> {
    let view = &shape.view;
    let text = one_line(view.text(row, column));
    if text.is_empty() || text.contains('*') || is_number(&text) {
        return None;
    }
    let beside: Vec<&str> = (column + 1..view.width())
        .filter(|c| !view.is_blank(row, *c))
        .map(|c| view.text(row, c))
        .take(2)
        .collect();
    let colon = text.find([':', '=']);
    let in_cell = colon.filter(|at| !text[at + 1..].trim().is_empty());
    let (pattern, head, value) = match in_cell {
        Some(at) => (
            format!("{}*", &text[..=at]),
            text[..at].to_owned(),
            text[at + 1..].trim().to_owned(),
        ),
        None => {
            let said = meaning(&text);
            let at = match said.rest.split(' ').next() {
                Some(first) if !first.is_empty() => text.find(first),
                _ => None,
            };
            match at {
                // `Injector A1`: what follows the known words is the value.
                Some(at) if at > 0 && said.what.is_some() => {
                    let head = text[..at].trim_end();
                    (format!("{head} *"), head.to_owned(), text[at..].to_owned())
                }
                Some(_) => return None,
                None => (text.clone(), text.clone(), (*beside.first()?).to_owned()),
            }
        }
    };
    let said = meaning(&head);
    let Some(What::Is(role)) = said.what else {
        return None;
    };
    if !said.rest.is_empty() || !FOR_MANY_ROWS.contains(&role) {
        return None;
    }
    let numeric = !NAMES[role as usize].units.is_empty() || role == Role::Pulses;
    if numeric && !is_number(&value) || !numeric && value.is_empty() {
        return None;
    }
    // The value may carry its unit, or leave it to the next cell.
    let behind = match in_cell {
        Some(_) => None,
        None => beside.get(1).and_then(|text| unit(text)),
    };
    let said_unit = said.unit.or_else(|| unit(parted(&value).1)).or(behind);
    let fits = Pattern::new(&pattern).fits(view.text(row, column));
    fits.then(|| Label {
        pattern,
        role,
        columns: columns_of(&[role], said_unit),
        value,
        row,
    })
}
