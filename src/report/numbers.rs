//! Values with their doubt, as words and figures.

use crate::units::{Estimate, Interval, rounded_pair};
use crate::words::{Voice, fill};

/// Sides of an interval that differ by more than this share of its half-width are given apart.
const LOPSIDED: f64 = 0.1;

/// A value with half its 95 % interval, as `0.742 ± 0.027`; both sides where
/// they differ, as `0.742 +0.031 -0.024`; words where a side has no bound.
pub(super) fn with_doubt(value: f64, interval: Interval, v: Voice) -> String {
    let words = v.words;
    match interval {
        // A doubt that only arithmetic left would ask for a dozen digits.
        [Some(lo), Some(hi)] if hi - lo > 1e-9 * value.abs() => {
            let half = (hi - lo) / 2.0;
            let (shown, doubt) = rounded_pair(value, Some(half), 2);
            let (up, down) = (hi - value, value - lo);
            if (up - down).abs() > LOPSIDED * half {
                let places = shown.split_once('.').map_or(0, |(_, tail)| tail.len());
                v.figure(&format!("{shown} {up:+.places$} {:+.places$}", -down))
            } else {
                v.figure(&format!("{shown} ± {}", doubt.unwrap_or_default()))
            }
        }
        [Some(_), Some(_)] => format!("{}, {}", rounded(value, v), words.no_scatter),
        [None, Some(_)] => format!("{}, {}", rounded(value, v), words.not_bounded_below),
        [Some(_), None] => format!("{}, {}", rounded(value, v), words.not_bounded_above),
        [None, None] => format!("{}, {}", rounded(value, v), words.not_bounded),
    }
}

/// A value whose doubt cannot guide the rounding: four significant digits.
fn rounded(value: f64, v: Voice) -> String {
    v.figure(&crate::units::significant(value, 4))
}

/// An estimate in units of `factor`, or the words for unknown.
pub(super) fn estimate(estimate: Option<&Estimate>, factor: f64, v: Voice) -> String {
    let Some(estimate) = estimate else {
        return v.words.not_known.to_owned();
    };
    let value = estimate.value * factor;
    if estimate.standard_uncertainty.is_none() && estimate.interval_95 == [None, None] {
        return format!("{}, {}", rounded(value, v), v.words.doubt_not_known);
    }
    let interval = estimate.interval_95.map(|side| side.map(|x| x * factor));
    with_doubt(value, interval, v)
}

/// A deviation in percent, with its sign.
pub(super) fn deviation(percent: f64, interval: Interval, v: Voice) -> String {
    let shown = with_doubt(percent, interval, v);
    if percent > 0.0 {
        format!("+{shown}")
    } else {
        shown
    }
}

/// A range of pulse widths in ms, as `2 to 10`.
pub(super) fn range(range: Option<[f64; 2]>, v: Voice) -> String {
    range.map_or_else(
        || v.words.not_known.to_owned(),
        |[lo, hi]| fill(v.words.from_to, &[&v.plain(lo), &v.plain(hi)]),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sides_are_given_apart_where_they_differ_and_in_words_where_open() {
        let v = Voice::default();
        assert_eq!(
            with_doubt(0.7421, [Some(0.715), Some(0.769)], v),
            "0.742 ± 0.027"
        );
        assert_eq!(
            with_doubt(0.742, [Some(0.718), Some(0.79)], v),
            "0.742 +0.048 -0.024"
        );
        assert_eq!(
            with_doubt(1.37, [None, Some(1.5)], v),
            "1.370, not bounded below"
        );
        assert_eq!(with_doubt(1.37, [None, None], v), "1.370, not bounded");
        assert_eq!(estimate(None, 1.0, v), "not known");
        assert_eq!(
            deviation(0.421, [Some(0.1), Some(0.742)], v),
            "+0.42 ± 0.32"
        );
    }
}
