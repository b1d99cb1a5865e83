//! Slope against pressure: S = C·Pⁿ.

use crate::capture::SAME_PRESSURE_KPA;
use crate::fit::line::{LineFit, ScaleSource, Weights, fit_line};
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
    let mut pressures: Vec<f64> = points.iter().map(|p| p.0).collect();
    pressures.sort_by(f64::total_cmp);
    pressures.dedup_by(|a, b| (*a - *b).abs() < SAME_PRESSURE_KPA);
    let line = (pressures.len() >= 3).then(|| log_line(points)).flatten();
    let (exponent, reference, coefficient) = match line {
        Some(line) => {
            let scatter = line.residual_sum_of_squares / (points.len() - 2) as f64;
            let exponent = Exponent {
                value: line.slope,
                standard_uncertainty: (scatter.max(1.0) * line.covariance[1][1]).sqrt(),
                assumed: false,
            };
            (exponent, line.x_mean, line.y_at_x_mean)
        }
        None => {
            let weights: Vec<f64> = points.iter().map(|p| doubt(p).powi(-2)).collect();
            let mean = |f: fn(&(f64, f64, f64)) -> f64| {
                let sum: f64 = points.iter().zip(&weights).map(|(p, w)| w * f(p)).sum();
                sum / weights.iter().sum::<f64>()
            };
            (Exponent::ASSUMED, mean(|p| p.0.ln()), mean(|p| p.1.ln()))
        }
    };
    PowerLaw {
        exponent,
        coefficient: coefficient.exp(),
        reference_kpa: Some(reference.exp()),
        pressures: pressures.len(),
    }
}

/// Relative doubt of a slope as a weight takes it: never so small that one point is all.
fn doubt(point: &(f64, f64, f64)) -> f64 {
    point.2.max(1e-6)
}

/// The weighted line of ln S on ln P.
fn log_line(points: &[(f64, f64, f64)]) -> Option<LineFit> {
    let x: Vec<f64> = points.iter().map(|p| p.0.ln()).collect();
    let y: Vec<f64> = points.iter().map(|p| p.1.ln()).collect();
    let u: Vec<f64> = points.iter().map(doubt).collect();
    fit_line(&x, &y, Weights::FromUncertainty(&u), ScaleSource::Stated).ok()
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
