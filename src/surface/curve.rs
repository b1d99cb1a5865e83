//! One measured curve read at a net pulse width, and the search for a width.

use std::collections::BTreeMap;

use super::build::{Cell, SurfaceError};

/// Steps of the bisection for a pulse width: 2⁻⁴⁸ of the range.
const BISECTIONS: usize = 48;

/// One surrounding curve, read at a net pulse width and scaled to the query's slope.
pub(super) struct CurveReading {
    pub weight: f64,
    pub value: f64,
    pub own: f64,
    /// Standard uncertainty of reading beyond the curve's ends.
    pub stretched: f64,
    pub shared: BTreeMap<String, f64>,
    pub degrees_of_freedom: Option<f64>,
}

impl Cell {
    /// Reads the curve at dead time + `net_ms`; beyond its ends along the end slope.
    pub fn read(&self, weight: f64, net_ms: f64, slope: f64) -> CurveReading {
        let scale = slope / self.slope.value;
        let [first, last] = self
            .curve
            .range()
            .expect("a cell's curve holds at least one width");
        let wanted = self.dead_time.value + net_ms;
        let width = wanted.clamp(first, last);
        let at = self.curve.at(width).expect("clamped to the curve's range");
        let beyond = wanted - width;
        // Long pulses follow the line. Short ones fade out: along the curve's own
        // end slope, not below nothing, half of that in doubt.
        let (added, stretched) = if beyond > 0.0 {
            (self.slope.value * beyond, 0.02 * self.slope.value * beyond)
        } else if beyond < 0.0 {
            let step = 0.02 * (last - first);
            let inner = self.curve.at(first + step).map_or(at.value, |q| q.value);
            let end_slope = ((inner - at.value) / step).max(0.0);
            let added = (end_slope * beyond).max(-at.value.max(0.0));
            (added, 0.5 * added.abs())
        } else {
            (0.0, 0.0)
        };
        let shared_squares: f64 = at.shared.values().map(|s| s * s).sum();
        CurveReading {
            weight,
            value: scale * (at.value + added),
            own: scale
                * (at.standard_uncertainty.powi(2) - shared_squares)
                    .max(0.0)
                    .sqrt(),
            stretched: scale * stretched,
            shared: at
                .shared
                .into_iter()
                .map(|(id, s)| (id, scale * s))
                .collect(),
            degrees_of_freedom: self.curve.degrees_of_freedom,
        }
    }
}

/// Where a rising function crosses zero between `lo` and `hi`, by bisection from the
/// long end, so that a dip at short pulses does not catch it; `None` without a crossing.
pub(super) fn solve(
    lo: f64,
    hi: f64,
    f: impl Fn(f64) -> Result<f64, SurfaceError>,
) -> Result<Option<f64>, SurfaceError> {
    let slack = 1e-12 * hi.abs();
    let (at_lo, at_hi) = (f(lo)?, f(hi)?);
    if at_hi.abs() <= slack {
        return Ok(Some(hi));
    }
    if at_lo.abs() <= slack {
        return Ok(Some(lo));
    }
    if !(at_hi > 0.0 && at_lo < 0.0) {
        return Ok(None);
    }
    let (mut low, mut high) = (lo, hi);
    for _ in 0..BISECTIONS {
        let middle = 0.5 * (low + high);
        if f(middle)? < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(Some(0.5 * (low + high)))
}
