//! A value, its standard uncertainty and the interval the truth should lie in.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Unit;

/// The two limits of a 95 % interval; a side that has no bound is `None`.
pub type Interval = [Option<f64>; 2];

/// Coverage factor of a two-sided 95 % interval of a normal quantity: the 97.5 %
/// point of the standard normal distribution.
pub const NORMAL_95: f64 = 1.959_963_984_540_054;

/// A measured or derived quantity with its doubt.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Estimate {
    /// The value in `unit`.
    pub value: f64,
    /// The unit in words.
    pub unit: Unit,
    /// Standard uncertainty in `unit`; null where it is unknown.
    pub standard_uncertainty: Option<f64>,
    /// Effective degrees of freedom; null means infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Limits of the 95 % interval; null where a side is unbounded.
    pub interval_95: Interval,
    /// What effects common to several results contribute, signed, in `unit`, by effect id.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub shared: BTreeMap<String, f64>,
}

impl Estimate {
    /// Makes an estimate with a symmetric interval `value ± k·u`.
    ///
    /// `coverage_factor` is that of 95 %; a missing or non-finite uncertainty
    /// leaves both sides of the interval open.
    pub fn symmetric(
        value: f64,
        unit: Unit,
        standard_uncertainty: Option<f64>,
        degrees_of_freedom: Option<f64>,
        coverage_factor: f64,
    ) -> Self {
        let u = standard_uncertainty.filter(|u| u.is_finite());
        let half = u.map(|u| u * coverage_factor);
        Self {
            value,
            unit,
            standard_uncertainty: u,
            degrees_of_freedom,
            interval_95: [half.map(|h| value - h), half.map(|h| value + h)],
            shared: BTreeMap::new(),
        }
    }

    /// Returns half the width of the 95 % interval; `None` where a side is open.
    pub fn half_width(&self) -> Option<f64> {
        match self.interval_95 {
            [Some(lo), Some(hi)] => Some((hi - lo) / 2.0),
            _ => None,
        }
    }

    /// Multiplies value, uncertainty, limits and shared parts by an exact
    /// positive `factor` and names the new unit.
    pub fn scaled(&self, factor: f64, unit: Unit) -> Self {
        Self {
            value: self.value * factor,
            unit,
            standard_uncertainty: self.standard_uncertainty.map(|u| u * factor),
            degrees_of_freedom: self.degrees_of_freedom,
            interval_95: self.interval_95.map(|side| side.map(|x| x * factor)),
            shared: self
                .shared
                .iter()
                .map(|(id, part)| (id.clone(), part * factor))
                .collect(),
        }
    }
}

/// Rounds a value to the place that `digits` significant digits of its doubt
/// reach, and the doubt with it; both as text. The one function that does so.
///
/// With no usable doubt the value is given to six significant digits.
pub fn rounded_pair(value: f64, doubt: Option<f64>, digits: i32) -> (String, Option<String>) {
    match doubt.filter(|d| d.is_finite() && *d > 0.0) {
        Some(doubt) => {
            // 0.0996 to two digits is 0.10: the exponent of the rounded doubt counts.
            let mut exponent = doubt.log10().floor() as i32;
            let unit = 10f64.powi(exponent - digits + 1);
            if (doubt / unit).round() >= 10f64.powi(digits) {
                exponent += 1;
            }
            let places = (digits - 1 - exponent).clamp(0, 12) as usize;
            (
                format!("{value:.places$}"),
                Some(format!("{doubt:.places$}")),
            )
        }
        None => (significant(value, 6), None),
    }
}

/// Writes a number to `digits` significant digits, without an exponent.
pub fn significant(value: f64, digits: i32) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let places = (digits - 1 - value.abs().log10().floor() as i32).clamp(0, 12) as usize;
    format!("{value:.places$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn value_follows_the_place_of_its_doubt() {
        assert_eq!(
            rounded_pair(4.23456, Some(0.0123), 2),
            ("4.235".into(), Some("0.012".into()))
        );
        assert_eq!(
            rounded_pair(1.0, Some(0.0996), 2),
            ("1.00".into(), Some("0.10".into()))
        );
        assert_eq!(rounded_pair(1234.5, Some(56.0), 2).0, "1234");
        assert_eq!(rounded_pair(0.5, None, 2), ("0.500000".into(), None));
    }
}
