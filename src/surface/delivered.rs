//! Delivered quantity anywhere on the surface, and the pulse width for a quantity.

use std::collections::BTreeMap;

use super::build::{InjectorSurface, SurfaceError};
use super::carry::{inside, joint};
use super::curve::{CurveReading, solve};
use super::figure::{Figure, coverage_factor, own_part, welch_satterthwaite};
use super::nodes::{Query, Reach};

/// Share of the weighted spread of the surrounding curves' departures from their
/// lines that is taken as standard uncertainty between them.
const DEPARTURE_SHARE: f64 = 0.25;

impl InjectorSurface {
    /// Delivered quantity per pulse of `width_ms`, mm³ or mg.
    ///
    /// *Method* (E17): q(w) = Σ λ·(S/S_c)·q_c(w − X + X_c) over the surrounding
    /// measured curves, so that each is read at the same net pulse width; λ are
    /// bilinear in 1/V and ln P. At a measured condition it is the fitted curve.
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`], and [`SurfaceError::Outside`] for the width.
    pub fn delivered(&self, query: &Query, width_ms: f64) -> Result<Figure, SurfaceError> {
        let reach = self.grid.reach(query)?;
        let outside = self.check_width(query, &reach, width_ms)?;
        let corners = self.corner_cells(&reach);
        let (x, s) = (self.dead_time_value(&reach), self.slope_value(&reach));
        let readings: Vec<CurveReading> = corners
            .iter()
            .map(|(c, weight)| self.cells[*c].read(*weight, width_ms - x, s))
            .collect();
        let value: f64 = readings.iter().map(|r| r.weight * r.value).sum();
        let mut shared: BTreeMap<String, f64> = BTreeMap::new();
        for reading in &readings {
            for (id, part) in &reading.shared {
                *shared.entry(id.clone()).or_insert(0.0) += reading.weight * part;
            }
        }
        let measured = self.grid.measured_at(&reach).is_some();
        let between = if measured {
            0.0
        } else {
            self.delivered_doubt(&reach, &corners, &readings, value, s)
        };
        let beyond = readings
            .iter()
            .map(|r| r.weight * r.stretched)
            .fold(0.0, f64::hypot);
        let model = between.hypot(beyond);
        let parts: Vec<(f64, Option<f64>)> = readings
            .iter()
            .map(|r| (r.weight * r.own, r.degrees_of_freedom))
            .collect();
        let own = joint(parts.iter().map(|(u, _)| *u));
        Ok(Figure {
            value,
            own: self.doubt_known().then_some(own),
            model,
            degrees_of_freedom: welch_satterthwaite(&parts, model, &shared),
            shared,
            interval_95: None,
            extrapolated: reach.extrapolated() || outside,
        })
    }

    /// Pulse widths, ms, that lie inside what was measured around a query.
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`].
    pub fn width_range(&self, query: &Query) -> Result<[f64; 2], SurfaceError> {
        let reach = self.grid.reach(query)?;
        Ok(self.measured_widths(&reach))
    }

    /// The pulse width that delivers `quantity` (mm³ or mg), ms: the inverse of
    /// [`InjectorSurface::delivered`]. The limits are the widths whose own limits
    /// of delivery meet the quantity.
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`]; [`SurfaceError::Quantity`] where no width
    /// in range delivers it.
    pub fn pulse_width(&self, query: &Query, quantity: f64) -> Result<Figure, SurfaceError> {
        let reach = self.grid.reach(query)?;
        let range = self.measured_widths(&reach);
        let [lo, hi] = if query.extrapolate {
            let longest = self.dead_time_value(&reach) + quantity / self.slope_value(&reach);
            [0.5 * range[0], range[1].max(2.0 * longest)]
        } else {
            range
        };
        let at = |w: f64| self.delivered(query, w);
        let (least, most) = (at(lo)?.value, at(hi)?.value);
        let width =
            solve(lo, hi, |w| Ok(at(w)?.value - quantity))?.ok_or(SurfaceError::Quantity {
                asked: quantity,
                low: least,
                high: most,
            })?;
        let there = at(width)?;
        let step = (1e-3 * (hi - lo)).min(0.5 * (hi - lo));
        let (a, b) = ((width - step).max(lo), (width + step).min(hi));
        let local = (at(b)?.value - at(a)?.value) / (b - a);
        let flow = if local > 0.0 {
            local
        } else {
            self.slope_value(&reach)
        };
        let limit = |sign: f64| -> Result<Option<f64>, SurfaceError> {
            solve(lo, hi, |w| {
                let q = at(w)?;
                let u = q.standard_uncertainty().unwrap_or(f64::INFINITY);
                Ok(q.value + sign * coverage_factor(q.degrees_of_freedom) * u - quantity)
            })
        };
        let interval_95 = if self.doubt_known() {
            let k = coverage_factor(there.degrees_of_freedom);
            let half = k * there.standard_uncertainty().unwrap_or(0.0) / flow;
            // Beyond the ends of the curve the limits follow its local slope.
            let low = limit(1.0)?.unwrap_or(width - half);
            let high = limit(-1.0)?.unwrap_or(width + half);
            Some([Some(low), Some(high)])
        } else {
            None
        };
        Ok(Figure {
            value: width,
            own: there.own.map(|u| u / flow),
            model: there.model / flow,
            // More delivered at the same width is a shorter pulse for the same quantity.
            shared: there
                .shared
                .iter()
                .map(|(id, s)| (id.clone(), -s / flow))
                .collect(),
            degrees_of_freedom: there.degrees_of_freedom,
            interval_95,
            extrapolated: there.extrapolated || !(range[0]..=range[1]).contains(&width),
        })
    }

    /// Standard uncertainty of a delivered quantity from carrying it.
    fn delivered_doubt(
        &self,
        reach: &Reach,
        corners: &[(usize, f64)],
        readings: &[CurveReading],
        value: f64,
        slope: f64,
    ) -> f64 {
        let (sensitivity, filled) = self.dead_time_spread(reach);
        let dead = self.dead_time_doubt(reach).hypot(filled);
        // What the dead time's own doubt exceeds that of the curves read: more than
        // nothing only where it is extrapolated or filled.
        let total: f64 = (0..self.cells.len())
            .map(|c| (sensitivity[c] * own_part(&self.cells[c].dead_time).unwrap_or(0.0)).powi(2))
            .sum();
        let read: f64 = corners
            .iter()
            .map(|(c, w)| (w * own_part(&self.cells[*c].dead_time).unwrap_or(0.0)).powi(2))
            .sum();
        let excess = if reach.extrapolated() || filled > 0.0 {
            (total - read).max(0.0).sqrt()
        } else {
            0.0
        };
        let (_, slope_filled) = self
            .log_slope
            .spread(&self.grid, &inside(reach, self), f64::ln);
        let flow = value.abs() * self.slope_model_doubt(reach).hypot(slope_filled);
        let mean: f64 = readings.iter().map(|r| r.weight * r.value).sum();
        let spread: f64 = readings
            .iter()
            .map(|r| r.weight * (r.value - mean).powi(2))
            .sum::<f64>()
            .sqrt();
        [slope * dead, slope * excess, flow, DEPARTURE_SHARE * spread]
            .into_iter()
            .fold(0.0, f64::hypot)
    }

    /// Widths measured at every surrounding condition.
    fn measured_widths(&self, reach: &Reach) -> [f64; 2] {
        self.corner_cells(reach)
            .iter()
            .filter_map(|(c, _)| self.cells[*c].curve.range())
            .fold([f64::MIN, f64::MAX], |a, b| {
                [a[0].max(b[0]), a[1].min(b[1])]
            })
    }

    /// Whether the width lies outside; an error unless extrapolation was asked for.
    fn check_width(&self, query: &Query, reach: &Reach, w: f64) -> Result<bool, SurfaceError> {
        let [lo, hi] = self.measured_widths(reach);
        let slack = 1e-9 * hi.abs();
        let outside = w < lo - slack || w > hi + slack;
        if outside && !query.extrapolate {
            return Err(SurfaceError::Outside {
                what: "pulse width",
                unit: "ms",
                asked: w,
                low: lo,
                high: hi,
            });
        }
        Ok(outside)
    }
}
