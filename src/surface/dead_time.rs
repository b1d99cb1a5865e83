//! Dead time anywhere on the surface.

use nalgebra::DVector;

use super::build::{Cell, DeadTimeModel, InjectorSurface, LineMeant, SurfaceError};
use super::carry::{EXTRAPOLATION_SHARE, INTERPOLATION_SHARE, as_fitted, inside};
use super::figure::Figure;
use super::nodes::{Query, Reach};
use crate::units::Estimate;

/// Relative pull-in voltage of coils, I·R/V at the lowest voltage run, that the doubt
/// of a straight line between two voltages supposes; the usual range is 0.3 to 0.7.
const USUAL_PULL_IN: f64 = 0.5;
/// Dead time goes with pressure to a power between 0 and ½ (the published
/// high-pressure set shows 0.52); used only beyond a single pressure.
const PRESSURE_POWER: f64 = 0.25;

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
            return Ok(as_fitted(self.told_dead_time(&self.cells[c])));
        }
        Ok(self.dead_time_between(&reach))
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

    /// A condition's dead time of the line that is meant.
    fn told_dead_time<'a>(&self, cell: &'a Cell) -> &'a Estimate {
        match self.line_meant {
            LineMeant::OfCondition => &cell.own_dead_time,
            LineMeant::Common => &cell.dead_time,
        }
    }

    fn dead_time_between(&self, reach: &Reach) -> Figure {
        let value = self.dead_time_value(reach);
        let (sensitivity, filled) = self.dead_time_spread(reach);
        let model = self.dead_time_doubt(reach).hypot(filled);
        let value =
            value + self.to_told_range(reach, |c| c.own_dead_time.value - c.dead_time.value);
        self.combine(value, model, &sensitivity, reach, |c| {
            self.told_dead_time(c)
        })
    }

    /// ∂X/∂(measured dead times) by the model in use, and the filling's doubt.
    pub(super) fn dead_time_spread(&self, reach: &Reach) -> (DVector<f64>, f64) {
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
    pub(super) fn dead_time_doubt(&self, reach: &Reach) -> f64 {
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
}
