//! Figures anywhere on the surface: dead time, slope, delivered quantity, pulse width.

use std::collections::BTreeMap;

use nalgebra::DVector;

use super::build::{Cell, DeadTimeModel, InjectorSurface, SurfaceError};
use super::curve::{CurveReading, solve};
use super::figure::{Figure, coverage_factor, own_part, welch_satterthwaite};
use super::nodes::{Query, Reach};
use crate::units::Estimate;

/// Share of the step between two ways of interpolating that is taken as standard
/// uncertainty of the one that is used.
const INTERPOLATION_SHARE: f64 = 0.5;
/// Share of an extrapolated change that is taken as its standard uncertainty.
const EXTRAPOLATION_SHARE: f64 = 0.25;
/// Relative pull-in voltage of coils, I·R/V at the lowest voltage run, that the doubt
/// of a straight line between two voltages supposes; the usual range is 0.3 to 0.7.
const USUAL_PULL_IN: f64 = 0.5;
/// Dead time goes with pressure to a power between 0 and ½ (the published
/// high-pressure set shows 0.52); used only beyond a single pressure.
const PRESSURE_POWER: f64 = 0.25;
/// Share of the weighted spread of the surrounding curves' departures from their
/// lines that is taken as standard uncertainty between them.
const DEPARTURE_SHARE: f64 = 0.25;
/// Correlation taken between the own errors of two conditions of one injector. Curve
/// fits of one injector lean the same way (one law of departure, one prior), by how
/// much no fit tells. `examples/grid_coverage.rs` runs the whole chain: with 0 the
/// intervals between conditions held the truth in 92 % of 2430 places, with this in
/// 95 %, as at measured conditions.
const LEANING: f64 = 0.2;

impl InjectorSurface {
    /// Dead time, ms.
    ///
    /// *Method* (E15, E16): at a measured condition the fit's own figure; between
    /// them the model that predicts left-out conditions better.
    ///
    /// # Errors
    /// [`SurfaceError`] where the query lies outside the grid and extrapolation was
    /// not asked for, or one voltage was run.
    pub fn dead_time(&self, query: &Query) -> Result<Figure, SurfaceError> {
        let reach = self.grid.reach(query)?;
        if let Some(c) = self.grid.measured_at(&reach) {
            return Ok(as_fitted(&self.cells[c].dead_time));
        }
        Ok(self.dead_time_between(&reach))
    }

    /// Dead time by the model that is not used, for comparison; `None` where there
    /// is no coil model or it does not reach.
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`].
    pub fn other_dead_time(&self, query: &Query) -> Result<Option<f64>, SurfaceError> {
        let reach = self.grid.reach(query)?;
        Ok(match self.dead_time_model {
            DeadTimeModel::Coil => Some(self.interpolated(&reach)),
            DeadTimeModel::Interpolation => self
                .coil
                .as_ref()
                .ok()
                .and_then(|m| m.at(reach.voltage_v, reach.pressure_kpa)),
        })
    }

    /// ∂X/∂V (ms/V) and ∂X/∂P (ms/kPa); `None` along a direction in which one value
    /// was run.
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`].
    pub fn dead_time_derivatives(
        &self,
        query: &Query,
    ) -> Result<(Option<f64>, Option<f64>), SurfaceError> {
        let reach = self.grid.reach(query)?;
        let at = |dv: f64, dp: f64| {
            self.dead_time_value(&Reach {
                voltage_v: reach.voltage_v + dv,
                pressure_kpa: reach.pressure_kpa + dp,
                ..reach
            })
        };
        let (hv, hp) = (0.1, 0.01 * reach.pressure_kpa);
        let by_voltage =
            (self.grid.voltages.len() > 1).then(|| (at(hv, 0.0) - at(-hv, 0.0)) / (2.0 * hv));
        let by_pressure =
            (self.grid.pressures.len() > 1).then(|| (at(0.0, hp) - at(0.0, -hp)) / (2.0 * hp));
        Ok((by_voltage, by_pressure))
    }

    /// Slope, mm³/ms or mg/ms (E14: ln S interpolated along 1/V and ln P).
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`].
    pub fn slope(&self, query: &Query) -> Result<Figure, SurfaceError> {
        let reach = self.grid.reach(query)?;
        if let Some(c) = self.grid.measured_at(&reach) {
            return Ok(as_fitted(&self.cells[c].slope));
        }
        let value = self.slope_value(&reach);
        let model = value * self.slope_model_doubt(&reach);
        let (sensitivity, filled) =
            self.log_slope
                .spread(&self.grid, &inside(&reach, self), f64::ln);
        let scaled = scale_by_cells(&sensitivity, |c| value / self.cells[c].slope.value);
        Ok(
            self.combine(value, model.hypot(value * filled), &scaled, &reach, |c| {
                &c.slope
            }),
        )
    }

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

    /// Dead time without its doubt.
    pub(super) fn dead_time_value(&self, reach: &Reach) -> f64 {
        if let Some(c) = self.grid.measured_at(reach) {
            return self.cells[c].dead_time.value;
        }
        match self.dead_time_model {
            DeadTimeModel::Coil => self
                .by_coil(reach)
                .unwrap_or_else(|| self.interpolated(reach)),
            DeadTimeModel::Interpolation => self.interpolated(reach),
        }
    }

    /// Monotone interpolation; beyond a single pressure a weak power of it.
    fn interpolated(&self, reach: &Reach) -> f64 {
        let x = self.dead.interpolate(&self.grid, reach, |p| p);
        if reach.beyond_pressure && self.grid.pressures.len() == 1 {
            x * (reach.pressure_kpa / self.grid.pressures[0]).powf(PRESSURE_POWER)
        } else {
            x
        }
    }

    /// The coil model with its residuals at the nodes interpolated.
    fn by_coil(&self, reach: &Reach) -> Option<f64> {
        let model = self.coil.as_ref().ok()?;
        let mut value = model.at(reach.voltage_v, reach.pressure_kpa)?;
        for (pi, vi, weight) in self.grid.corners(reach) {
            let node = model.at(self.grid.voltages[vi], self.grid.pressures[pi])?;
            value += weight * (self.dead.value[pi][vi] - node);
        }
        if reach.beyond_pressure && self.grid.pressures.len() == 1 {
            value *= (reach.pressure_kpa / self.grid.pressures[0]).powf(PRESSURE_POWER);
        }
        Some(value)
    }

    fn dead_time_between(&self, reach: &Reach) -> Figure {
        let value = self.dead_time_value(reach);
        let (sensitivity, filled) = self.dead_time_spread(reach);
        let model = self.dead_time_doubt(reach).hypot(filled);
        self.combine(value, model, &sensitivity, reach, |c| &c.dead_time)
    }

    /// ∂X/∂(measured dead times) by the model in use, and the filling's doubt.
    fn dead_time_spread(&self, reach: &Reach) -> (DVector<f64>, f64) {
        let coil = match (self.dead_time_model, &self.coil) {
            (DeadTimeModel::Coil, Ok(model)) => model,
            _ => return self.dead.spread(&self.grid, reach, |p| p),
        };
        let mut gradient = coil.gradient(reach.voltage_v, reach.pressure_kpa);
        let mut total = DVector::zeros(self.cells.len());
        let mut filled = 0.0;
        for (pi, vi, weight) in self.grid.corners(reach) {
            gradient -= weight * coil.gradient(self.grid.voltages[vi], self.grid.pressures[pi]);
            total += weight * &self.dead.sensitivity[pi][vi];
            filled = f64::hypot(filled, weight * self.dead.filled[pi][vi]);
        }
        (total + coil.sensitivity.tr_mul(&gradient), filled)
    }

    /// Standard uncertainty of dead time from carrying it between or beyond the
    /// measured conditions, ms; 0 at the nodes.
    fn dead_time_doubt(&self, reach: &Reach) -> f64 {
        let plain = self.interpolated(reach);
        let within = match self.by_coil(reach) {
            Some(coil) => (coil - plain).abs(),
            None => (plain - self.dead.straight(&self.grid, reach)).abs(),
        };
        let mut doubt = if reach.extrapolated() {
            0.0
        } else {
            INTERPOLATION_SHARE * within
        };
        if self.coil.is_err() && self.grid.voltages.len() == 2 && !reach.beyond_voltage {
            doubt = doubt.hypot(self.unseen_bow(reach));
        }
        if reach.extrapolated() {
            let edge = self.dead_time_value(&inside(reach, self));
            let change = (self.dead_time_value(reach) - edge).abs();
            doubt = doubt.hypot(EXTRAPOLATION_SHARE * change);
            if reach.beyond_pressure && self.grid.pressures.len() == 1 {
                // The power lies anywhere from 0 to ½.
                let log = (reach.pressure_kpa / self.grid.pressures[0]).ln();
                doubt = doubt.hypot(edge * PRESSURE_POWER / 3f64.sqrt() * log.abs());
            }
        }
        doubt
    }

    /// What a coil's curve would bow below a straight line in 1/V between two
    /// voltages: second term of the logarithm, a·K/2·(z − z₁)(z₂ − z).
    fn unseen_bow(&self, reach: &Reach) -> f64 {
        let zs = self.grid.zs();
        let at = |v: f64| {
            self.interpolated(&Reach {
                voltage_v: v,
                ..inside(reach, self)
            })
        };
        let (v0, v1) = (self.grid.voltages[0], self.grid.voltages[1]);
        let slope = ((at(v0) - at(v1)) / (zs[1] - zs[0])).abs();
        let z = reach.z();
        0.5 * slope * USUAL_PULL_IN * v0 * ((z - zs[0]) * (zs[1] - z)).max(0.0)
    }

    pub(super) fn slope_value(&self, reach: &Reach) -> f64 {
        if let Some(c) = self.grid.measured_at(reach) {
            return self.cells[c].slope.value;
        }
        let edge = inside(reach, self);
        let log = self.log_slope.interpolate(&self.grid, &edge, f64::ln);
        let beyond = self.power_law.exponent.value * (reach.pressure_kpa / edge.pressure_kpa).ln();
        (log + beyond).exp()
    }

    /// Relative standard uncertainty of the slope from carrying it.
    fn slope_model_doubt(&self, reach: &Reach) -> f64 {
        let edge = inside(reach, self);
        let curved = self.log_slope.interpolate(&self.grid, &edge, f64::ln);
        let within =
            INTERPOLATION_SHARE * (curved - self.log_slope.straight(&self.grid, &edge)).abs();
        let log = (reach.pressure_kpa / edge.pressure_kpa).ln();
        within.hypot(self.power_law.exponent.standard_uncertainty * log)
    }

    /// Cells around a reach with their weights; a node that was not run lends its
    /// weight to the nearest measured one.
    fn corner_cells(&self, reach: &Reach) -> Vec<(usize, f64)> {
        let mut list: Vec<(usize, f64)> = Vec::new();
        for (pi, vi, weight) in self.grid.corners(reach) {
            let cell = self.grid.nearest_cell(pi, vi);
            match list.iter_mut().find(|(c, _)| *c == cell) {
                Some((_, sum)) => *sum += weight,
                None => list.push((cell, weight)),
            }
        }
        list
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

    /// Whether every fit told its uncertainty.
    fn doubt_known(&self) -> bool {
        self.cells.iter().all(|c| {
            c.dead_time.standard_uncertainty.is_some() && c.slope.standard_uncertainty.is_some()
        })
    }

    /// A figure from its dependence on the measured ones.
    fn combine(
        &self,
        value: f64,
        model: f64,
        sensitivity: &DVector<f64>,
        reach: &Reach,
        of: fn(&Cell) -> &Estimate,
    ) -> Figure {
        let mut shared: BTreeMap<String, f64> = BTreeMap::new();
        let mut parts = Vec::new();
        let mut signed = Vec::new();
        for (c, weight) in sensitivity.iter().enumerate() {
            let estimate = of(&self.cells[c]);
            for (id, part) in &estimate.shared {
                *shared.entry(id.clone()).or_insert(0.0) += weight * part;
            }
            signed.push(weight * own_part(estimate).unwrap_or(0.0));
            parts.push((
                weight.abs() * own_part(estimate).unwrap_or(0.0),
                estimate.degrees_of_freedom,
            ));
        }
        let own = joint(signed.into_iter());
        Figure {
            value,
            own: self.doubt_known().then_some(own),
            model,
            degrees_of_freedom: welch_satterthwaite(&parts, model, &shared),
            shared,
            interval_95: None,
            extrapolated: reach.extrapolated(),
        }
    }
}

/// Own errors of several conditions together, each with the sign of its weight: partly
/// leaning the same way, never less than if they were unrelated.
fn joint(parts: impl Iterator<Item = f64>) -> f64 {
    let (squares, sum) = parts.fold((0.0, 0.0), |(q, s), p| (q + p * p, s + p));
    let leaning = (1.0 - LEANING) * squares + LEANING * sum * sum;
    leaning.max(squares).sqrt()
}

/// The nearest reach inside the grid.
fn inside(reach: &Reach, surface: &InjectorSurface) -> Reach {
    let clamp = |x: f64, axis: &[f64]| x.clamp(axis[0], axis[axis.len() - 1]);
    Reach {
        voltage_v: clamp(reach.voltage_v, &surface.grid.voltages),
        pressure_kpa: clamp(reach.pressure_kpa, &surface.grid.pressures),
        beyond_voltage: false,
        beyond_pressure: false,
    }
}

fn scale_by_cells(vector: &DVector<f64>, factor: impl Fn(usize) -> f64) -> DVector<f64> {
    DVector::from_iterator(
        vector.len(),
        vector.iter().enumerate().map(|(c, x)| x * factor(c)),
    )
}

/// A measured figure as the fit gave it.
fn as_fitted(estimate: &Estimate) -> Figure {
    Figure {
        value: estimate.value,
        own: own_part(estimate),
        model: 0.0,
        shared: estimate.shared.clone(),
        degrees_of_freedom: estimate.degrees_of_freedom,
        interval_95: Some(estimate.interval_95),
        extrapolated: false,
    }
}
