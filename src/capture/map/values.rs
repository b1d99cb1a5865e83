//! What the values of a column look like.

use super::shape::parted;

/// Relative spread within which values that all differ look measured rather than set.
const MEASURED_SPREAD: f64 = 0.05;

fn number(text: &str) -> Option<f64> {
    parted(text).0.replace(',', ".").parse().ok()
}

/// The least and the greatest number of some cells, as they stand.
pub(super) fn range(cells: &[String]) -> String {
    let mut numbers: Vec<(f64, &String)> = cells
        .iter()
        .filter_map(|text| Some((number(text)?, text)))
        .collect();
    numbers.sort_by(|a, b| a.0.total_cmp(&b.0));
    match (numbers.first(), numbers.last()) {
        (Some((_, least)), Some((_, most))) if least != most => format!("{least} to {most}"),
        (Some((_, one)), _) => (*one).clone(),
        _ => cells
            .first()
            .map_or_else(|| "nothing".to_owned(), |text| format!("{text:?}")),
    }
}

/// Values that nearly all differ and lie close together were measured, not set.
pub(super) fn look_measured(cells: &[String]) -> bool {
    let mut values: Vec<f64> = cells.iter().filter_map(|text| number(text)).collect();
    values.sort_by(f64::total_cmp);
    let (Some(least), Some(most)) = (values.first().copied(), values.last().copied()) else {
        return false;
    };
    let count = values.len();
    values.dedup();
    values.len() > 3 && 3 * values.len() > count && most - least <= MEASURED_SPREAD * most.abs()
}
