//! Values with their doubt, as words and figures.

use crate::plots::plain;
use crate::units::{Estimate, Interval, rounded_pair};

/// What is shown where a figure is not known.
pub(super) const UNKNOWN: &str = "not known";

/// Sides of an interval that differ by more than this share of its half-width are given apart.
const LOPSIDED: f64 = 0.1;

/// A value with half its 95 % interval, as `0.742 ± 0.027`; both sides where
/// they differ, as `0.742 +0.031 -0.024`; words where a side has no bound.
pub(super) fn with_doubt(value: f64, interval: Interval) -> String {
    match interval {
        // A doubt that only arithmetic left would ask for a dozen digits.
        [Some(lo), Some(hi)] if hi - lo > 1e-9 * value.abs() => {
            let half = (hi - lo) / 2.0;
            let (shown, doubt) = rounded_pair(value, Some(half), 2);
            let (up, down) = (hi - value, value - lo);
            if (up - down).abs() > LOPSIDED * half {
                let places = shown.split_once('.').map_or(0, |(_, tail)| tail.len());
                format!("{shown} {up:+.places$} {:+.places$}", -down)
            } else {
                format!("{shown} ± {}", doubt.unwrap_or_default())
            }
        }
        [Some(_), Some(_)] => format!("{}, no scatter seen", rounded(value)),
        [None, Some(_)] => format!("{}, not bounded below", rounded(value)),
        [Some(_), None] => format!("{}, not bounded above", rounded(value)),
        [None, None] => format!("{}, not bounded", rounded(value)),
    }
}

/// A value whose doubt cannot guide the rounding: four significant digits.
fn rounded(value: f64) -> String {
    crate::units::significant(value, 4)
}

/// An estimate in units of `factor`, or the words for unknown.
pub(super) fn estimate(estimate: Option<&Estimate>, factor: f64) -> String {
    let Some(estimate) = estimate else {
        return UNKNOWN.to_owned();
    };
    let value = estimate.value * factor;
    if estimate.standard_uncertainty.is_none() && estimate.interval_95 == [None, None] {
        return format!("{}, doubt not known", rounded(value));
    }
    let interval = estimate.interval_95.map(|side| side.map(|x| x * factor));
    with_doubt(value, interval)
}

/// A deviation in percent, with its sign.
pub(super) fn deviation(percent: f64, interval: Interval) -> String {
    let shown = with_doubt(percent, interval);
    if percent > 0.0 {
        format!("+{shown}")
    } else {
        shown
    }
}

/// A range of pulse widths in ms, as `2 to 10`.
pub(super) fn range(range: Option<[f64; 2]>) -> String {
    range.map_or_else(
        || UNKNOWN.to_owned(),
        |[lo, hi]| format!("{} to {}", plain(lo), plain(hi)),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_are_given_apart_where_they_differ_and_in_words_where_open() {
        assert_eq!(
            with_doubt(0.7421, [Some(0.715), Some(0.769)]),
            "0.742 ± 0.027"
        );
        assert_eq!(
            with_doubt(0.742, [Some(0.718), Some(0.79)]),
            "0.742 +0.048 -0.024"
        );
        assert_eq!(
            with_doubt(1.37, [None, Some(1.5)]),
            "1.370, not bounded below"
        );
        assert_eq!(with_doubt(1.37, [None, None]), "1.370, not bounded");
        assert_eq!(estimate(None, 1.0), "not known");
        assert_eq!(deviation(0.421, [Some(0.1), Some(0.742)]), "+0.42 ± 0.32");
    }
}
