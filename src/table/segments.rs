//! Two straight lines with a break, fitted to a whole delivery curve.

use nalgebra::{DMatrix, DVector};

/// Relative floor of the weights: a quantity below this share of the largest is
/// weighed as if it were this large, so that the last drop does not rule the fit.
const WEIGHT_FLOOR: f64 = 0.02;

/// Two straight lines that meet at a break.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoSegments {
    /// Slope from the break up, quantity per ms.
    pub slope_above: f64,
    /// Where the upper line meets zero, ms.
    pub dead_time_ms: f64,
    /// Slope below the break.
    pub slope_below: f64,
    /// Pulse width of the break, ms.
    pub break_ms: f64,
    /// Quantity at the break.
    pub break_quantity: f64,
}

impl TwoSegments {
    /// Quantity that the two lines give at a pulse width, never below zero.
    pub fn at(&self, width_ms: f64) -> f64 {
        let quantity = if width_ms >= self.break_ms {
            self.slope_above * (width_ms - self.dead_time_ms)
        } else {
            self.break_quantity - self.slope_below * (self.break_ms - width_ms)
        };
        quantity.max(0.0)
    }
}

/// Fits two lines to points of a delivery curve.
///
/// `widths` (ms) rise strictly, `quantities` belong to them; points that deliver
/// nothing are left out.
/// *Method* (E19): q = S·(w − X) − g·(w_b − w)₊ by least squares of relative
/// residuals; w_b by golden-section search from the best of a scan.
/// `None` with fewer than five delivering points, or where the upper line falls.
pub fn fit_two_segments(widths: &[f64], quantities: &[f64]) -> Option<TwoSegments> {
    let largest = quantities.iter().copied().fold(0.0, f64::max);
    let points: Vec<(f64, f64, f64)> = widths
        .iter()
        .zip(quantities)
        .filter(|(_, q)| **q > 1e-3 * largest)
        .map(|(w, q)| (*w, *q, 1.0 / (q + WEIGHT_FLOOR * largest)))
        .collect();
    if points.len() < 5 {
        return None;
    }
    let inner = &points[1..points.len() - 2];
    let cost = |at: f64| fit_at(&points, at).map_or(f64::INFINITY, |(_, cost)| cost);
    let best = (0..inner.len()).min_by(|a, b| cost(inner[*a].0).total_cmp(&cost(inner[*b].0)))?;
    let (mut lo, mut hi) = (points[best].0, points[best + 2].0);
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    for _ in 0..60 {
        let (a, b) = (hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo));
        if cost(a) <= cost(b) { hi = b } else { lo = a }
    }
    fit_at(&points, 0.5 * (lo + hi))
        .map(|(fit, _)| fit)
        .filter(|fit| fit.slope_above > 0.0)
}

fn fit_at(points: &[(f64, f64, f64)], break_ms: f64) -> Option<(TwoSegments, f64)> {
    let rows = points.len();
    let design = DMatrix::from_fn(rows, 3, |i, j| {
        let (w, _, weight) = points[i];
        weight
            * match j {
                0 => 1.0,
                1 => w,
                _ => -(break_ms - w).max(0.0),
            }
    });
    let target = DVector::from_iterator(rows, points.iter().map(|(_, q, weight)| q * weight));
    let solution = design.clone().svd(true, true).solve(&target, 1e-12).ok()?;
    let cost = (&design * &solution - target).norm_squared();
    let (offset, slope, bend) = (solution[0], solution[1], solution[2]);
    let fit = TwoSegments {
        slope_above: slope,
        dead_time_ms: -offset / slope,
        slope_below: slope + bend,
        break_ms,
        break_quantity: offset + slope * break_ms,
    };
    Some((fit, cost))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_lines_are_given_back() {
        let truth = TwoSegments {
            slope_above: 4.0,
            dead_time_ms: 0.9,
            slope_below: 5.5,
            break_ms: 1.7,
            break_quantity: 3.2,
        };
        let widths: Vec<f64> = (0..100).map(|i| 1.3 + 0.1 * f64::from(i)).collect();
        let quantities: Vec<f64> = widths.iter().map(|w| truth.at(*w)).collect();
        let found = fit_two_segments(&widths, &quantities).unwrap();
        for w in &widths {
            assert!((found.at(*w) - truth.at(*w)).abs() < 1e-6, "{found:?}");
        }
        assert!((found.break_ms - 1.7).abs() < 1e-3, "{found:?}");
        assert!(fit_two_segments(&widths[..4], &quantities[..4]).is_none());
    }
}
