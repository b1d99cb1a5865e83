//! Slope anywhere on the surface.

use super::build::{Cell, InjectorSurface, LineMeant, SurfaceError};
use super::carry::{INTERPOLATION_SHARE, as_fitted, inside, scale_by_cells};
use super::figure::Figure;
use super::nodes::{Query, Reach};
use crate::units::Estimate;

impl InjectorSurface {
    /// Slope, mm³/ms or mg/ms (E14: ln S interpolated along 1/V and ln P).
    ///
    /// # Errors
    /// As [`InjectorSurface::dead_time`].
    pub fn slope(&self, query: &Query) -> Result<Figure, SurfaceError> {
        let reach = self.grid.reach(query)?;
        if let Some(c) = self.grid.measured_at(&reach) {
            return Ok(as_fitted(self.told_slope(&self.cells[c])));
        }
        let own = |c: &Cell| (c.own_slope.value / c.slope.value).ln();
        let value = self.slope_value(&reach) * self.to_told_range(&reach, own).exp();
        let model = value * self.slope_model_doubt(&reach);
        let (sensitivity, filled) =
            self.log_slope
                .spread(&self.grid, &inside(&reach, self), f64::ln);
        let scaled = scale_by_cells(&sensitivity, |c| {
            value / self.told_slope(&self.cells[c]).value
        });
        Ok(
            self.combine(value, model.hypot(value * filled), &scaled, &reach, |c| {
                self.told_slope(c)
            }),
        )
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
    pub(super) fn slope_model_doubt(&self, reach: &Reach) -> f64 {
        let edge = inside(reach, self);
        let curved = self.log_slope.interpolate(&self.grid, &edge, f64::ln);
        let within =
            INTERPOLATION_SHARE * (curved - self.log_slope.straight(&self.grid, &edge)).abs();
        let log = (reach.pressure_kpa / edge.pressure_kpa).ln();
        within.hypot(self.power_law.exponent.standard_uncertainty * log)
    }

    /// A condition's slope of the line that is meant.
    fn told_slope<'a>(&self, cell: &'a Cell) -> &'a Estimate {
        match self.line_meant {
            LineMeant::OfCondition => &cell.own_slope,
            LineMeant::Common => &cell.slope,
        }
    }
}
