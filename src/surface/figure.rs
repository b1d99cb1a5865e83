//! A predicted figure with the parts of its doubt kept apart.

use std::collections::BTreeMap;

use crate::fit::distribution;
use crate::units::{Estimate, Interval, Unit};

/// A predicted value: what it shares with other results, what is its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Value.
    pub value: f64,
    /// Standard uncertainty from the injector's own readings; `None` = unknown.
    pub own: Option<f64>,
    /// Standard uncertainty added by interpolating, filling or extrapolating.
    pub model: f64,
    /// Signed contributions of shared effects, by id.
    pub shared: BTreeMap<String, f64>,
    /// Effective degrees of freedom; `None` = infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Limits, where the fit gave its own.
    pub interval_95: Option<Interval>,
    /// Whether the figure lies outside what was measured.
    pub extrapolated: bool,
}

impl Figure {
    /// Standard uncertainty, all parts together.
    pub fn standard_uncertainty(&self) -> Option<f64> {
        let shared: f64 = self.shared.values().map(|s| s * s).sum();
        self.own
            .map(|own| (own * own + self.model * self.model + shared).sqrt())
    }

    /// The figure as an estimate: the fit's own limits where it gave some, else
    /// value ± t·u.
    pub fn estimate(&self, unit: Unit) -> Estimate {
        let u = self.standard_uncertainty();
        let k = coverage_factor(self.degrees_of_freedom);
        let mut estimate = Estimate::symmetric(self.value, unit, u, self.degrees_of_freedom, k);
        if let Some(interval) = self.interval_95 {
            estimate.interval_95 = interval;
        }
        estimate.shared.clone_from(&self.shared);
        estimate
    }

    /// The figure multiplied by `factor` that has a relative standard uncertainty
    /// of its own, kept under the effect `id`.
    pub fn times(mut self, factor: f64, relative_uncertainty: f64, id: &str) -> Self {
        let value = self.value * factor;
        self.value = value;
        self.own = self.own.map(|u| u * factor.abs());
        self.model *= factor.abs();
        for part in self.shared.values_mut() {
            *part *= factor;
        }
        if relative_uncertainty > 0.0 {
            *self.shared.entry(id.to_owned()).or_insert(0.0) += value * relative_uncertainty;
            self.interval_95 = None;
        } else if factor > 0.0 {
            self.interval_95 = self
                .interval_95
                .map(|sides| sides.map(|side| side.map(|x| x * factor)));
        } else {
            self.interval_95 = None;
        }
        self
    }

    /// The mean of several figures: shared effects add with their sign, the rest in squares.
    ///
    /// `None` for an empty list.
    pub fn mean(figures: &[Figure]) -> Option<Figure> {
        if figures.is_empty() {
            return None;
        }
        let n = figures.len() as f64;
        let mut shared: BTreeMap<String, f64> = BTreeMap::new();
        for figure in figures {
            for (id, part) in &figure.shared {
                *shared.entry(id.clone()).or_insert(0.0) += part / n;
            }
        }
        let own: Option<Vec<f64>> = figures.iter().map(|f| f.own).collect();
        let parts: Vec<(f64, Option<f64>)> = figures
            .iter()
            .map(|f| (f.own.unwrap_or(0.0) / n, f.degrees_of_freedom))
            .collect();
        let model = figures.iter().map(|f| f.model / n).sum::<f64>();
        let own = own.map(|list| list.iter().map(|u| (u / n).powi(2)).sum::<f64>().sqrt());
        Some(Figure {
            value: figures.iter().map(|f| f.value).sum::<f64>() / n,
            degrees_of_freedom: welch_satterthwaite(&parts, model, &shared),
            own,
            model,
            shared,
            interval_95: None,
            extrapolated: figures.iter().any(|f| f.extrapolated),
        })
    }
}

/// Coverage factor of a two-sided 95 % interval; below one degree of freedom that of one.
pub(super) fn coverage_factor(degrees_of_freedom: Option<f64>) -> f64 {
    distribution::coverage_factor(0.95, degrees_of_freedom.map(|nu| nu.max(1.0)))
        .expect("0.95 is a probability and the degrees of freedom are at least one")
}

/// Effective degrees of freedom (GUM G.4.1): `parts` are (uncertainty, degrees of
/// freedom); model and shared parts count as known.
pub(super) fn welch_satterthwaite(
    parts: &[(f64, Option<f64>)],
    model: f64,
    shared: &BTreeMap<String, f64>,
) -> Option<f64> {
    let total: f64 = parts.iter().map(|(u, _)| u * u).sum::<f64>()
        + model * model
        + shared.values().map(|s| s * s).sum::<f64>();
    let spent: f64 = parts
        .iter()
        .filter_map(|(u, nu)| nu.map(|nu| u.powi(4) / nu))
        .sum();
    (spent > 0.0 && total > 0.0).then(|| total * total / spent)
}

/// An estimate's own standard uncertainty: shared contributions taken out.
pub(super) fn own_part(estimate: &Estimate) -> Option<f64> {
    let shared: f64 = estimate.shared.values().map(|s| s * s).sum();
    estimate
        .standard_uncertainty
        .map(|u| (u * u - shared).max(0.0).sqrt())
}
