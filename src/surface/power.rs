//! Slope against pressure: S = C·Pⁿ.

use crate::fluid::Exponent;

/// The power law of slope against differential pressure (E14).
#[derive(Debug, Clone, PartialEq)]
pub struct PowerLaw {
    /// Exponent n.
    pub exponent: Exponent,
    /// Slope at `reference_kpa` by the law, inner units.
    pub coefficient: f64,
    /// Pressure at which `coefficient` holds, kPa; `None` where it is not stated.
    pub reference_kpa: Option<f64>,
    /// Number of pressures behind it.
    pub pressures: usize,
}

/// Fits the power law to (pressure kPa, slope, relative own uncertainty).
///
/// *Method* (E14): weighted regression of ln S on ln P with three or more
/// pressures; the uncertainty of n is the larger of what the weights and what the
/// scatter say. With fewer, n = 0.5 is assumed.
pub(super) fn fit_power_law(points: &[(f64, f64, f64)]) -> PowerLaw {
    let weight = |u: f64| u.max(1e-6).powi(-2);
    let total: f64 = points.iter().map(|(_, _, u)| weight(*u)).sum();
    let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| {
        points.iter().map(|p| weight(p.2) * f(p)).sum::<f64>() / total
    };
    let x0 = mean(&|p| p.0.ln());
    let y0 = mean(&|p| p.1.ln());
    let mut pressures: Vec<f64> = points.iter().map(|p| p.0).collect();
    pressures.sort_by(f64::total_cmp);
    pressures.dedup_by(|a, b| (*a - *b).abs() < 0.5);
    let exponent = if pressures.len() < 3 {
        Exponent::ASSUMED
    } else {
        let sxx: f64 = points
            .iter()
            .map(|p| weight(p.2) * (p.0.ln() - x0).powi(2))
            .sum();
        let sxy: f64 = points
            .iter()
            .map(|p| weight(p.2) * (p.0.ln() - x0) * (p.1.ln() - y0))
            .sum();
        let n = sxy / sxx;
        let chi: f64 = points
            .iter()
            .map(|p| weight(p.2) * (p.1.ln() - y0 - n * (p.0.ln() - x0)).powi(2))
            .sum();
        let scatter = chi / (points.len() - 2) as f64;
        Exponent {
            value: n,
            standard_uncertainty: (scatter.max(1.0) / sxx).sqrt(),
            assumed: false,
        }
    };
    PowerLaw {
        exponent,
        coefficient: y0.exp(),
        reference_kpa: Some(x0.exp()),
        pressures: pressures.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_slopes_give_their_exponent() {
        // tests/tables/slope_against_pressure.csv; exponent 0.51281775, standard
        // error 0.00502731 by ordinary regression, computed outside this project.
        let table = include_str!("../../tests/tables/slope_against_pressure.csv");
        let points: Vec<(f64, f64, f64)> = table
            .lines()
            .filter(|l| !l.starts_with('#'))
            .skip(1)
            .map(|l| {
                let cells: Vec<f64> = l.split(',').map(|c| c.parse().unwrap()).collect();
                (1000.0 * cells[0], cells[1], 1e-6)
            })
            .collect();
        let law = fit_power_law(&points);
        assert!((law.exponent.value - 0.512_817_75).abs() < 1e-8, "{law:?}");
        assert!((law.exponent.standard_uncertainty - 0.005_027_31).abs() < 1e-8);
        assert!(fit_power_law(&points[..2]).exponent.assumed);
    }
}
