//! What either delivery model says about slope and flow-offset, before doubts
//! from outside the readings (type B) are added.

use super::curve::{CurveFit, CurveNode, CurvePoint};
use super::distribution::coverage_factor;
use super::fieller::{x_intercept, x_intercept_set};
use super::type_b::TypeB;
use super::{BudgetRow, FitError, LackOfFit, Model, Scale, Weighting};
use crate::units::Interval;

/// Level of every interval that is printed.
pub(super) const LEVEL: f64 = 0.95;

/// The line of one sweep over its line range.
#[derive(Debug, Clone)]
pub(super) struct Core {
    pub model: Model,
    pub weighting: Weighting,
    pub scale: Scale,
    /// Slope S per ms and flow-offset Y per pulse.
    pub slope: f64,
    pub offset: f64,
    /// Covariance of (S, Y) from the readings.
    pub covariance: [[f64; 2]; 2],
    /// Its degrees of freedom; `None` = infinite.
    pub degrees_of_freedom: Option<f64>,
    pub r_squared: Option<f64>,
    pub residual_sd: Option<f64>,
    pub lack_of_fit: Option<LackOfFit>,
    /// What the fit expects of each reading per pulse, where that is not the line.
    pub fitted: Vec<Option<f64>>,
    /// Standard uncertainty of each reading, per pulse; `None` where it was not fitted.
    pub reading_uncertainty: Vec<Option<f64>>,
    /// Why the fit left a usable reading out.
    pub left_out: Vec<Option<&'static str>>,
    /// Readings set aside or suspected, by index.
    pub outliers: Vec<Outlier>,
    /// The whole curve, where that model was fitted.
    pub curve: Option<Box<CurveFit>>,
    /// What the readings contribute to the doubt.
    pub budget: Vec<BudgetRow>,
}

/// A reading that the others contradict.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Outlier {
    /// Index of the reading.
    pub index: usize,
    /// How far off, mm³ or mg of the whole reading.
    pub size: f64,
    /// Whether it was set aside.
    pub set_aside: bool,
}

/// What a vessel's reading offset does in common to the figures of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CommonOffset {
    pub slope: f64,
    pub dead_time_ms: f64,
    /// The offset's common part itself, mm³ or mg.
    pub size: f64,
}

/// A value with its doubt, type B included.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Doubted {
    pub value: f64,
    pub standard_uncertainty: f64,
    pub degrees_of_freedom: Option<f64>,
    pub interval_95: Interval,
}

/// The dead time; `open_set` words a Fieller set that is no interval.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct DoubtedDeadTime {
    pub doubted: Doubted,
    pub open_set: Option<String>,
}

impl Core {
    /// Dead time X = −Y/S, ms.
    pub fn dead_time_value(&self) -> f64 {
        -self.offset / self.slope
    }

    /// Delivered quantity of the line per pulse at a width.
    pub fn line_at(&self, width_ms: f64) -> f64 {
        self.offset + self.slope * width_ms
    }

    /// Delivered quantity per pulse at a width of the grid and its variance from
    /// the readings.
    pub fn delivered(&self, width_ms: f64) -> (f64, f64) {
        let known = self.curve_node(width_ms);
        known.map_or_else(
            || {
                let [[ss, sy], [_, yy]] = self.covariance;
                let variance = yy + 2.0 * width_ms * sy + width_ms * width_ms * ss;
                (self.line_at(width_ms), variance.max(0.0))
            },
            |node| (node.delivered, node.standard_uncertainty.powi(2)),
        )
    }

    /// The dense delivery curve at one of its widths.
    pub fn curve_node(&self, width_ms: f64) -> Option<&CurveNode> {
        self.curve
            .as_ref()?
            .nodes
            .iter()
            .find(|n| n.width_ms == width_ms)
    }

    /// The whole curve at a measured width.
    pub fn curve_point(&self, width_ms: f64) -> Option<&CurvePoint> {
        self.curve
            .as_ref()?
            .curve
            .iter()
            .find(|p| p.width_ms == width_ms)
    }

    /// What one standard uncertainty of the vessel's reading offset, as far as
    /// the readings leave it open, does to (S, X) and, per grid width, to q.
    ///
    /// *Method*: the estimate's error from the offset is its sensitivity times
    /// the offset's own error; of that the share s²/u_b² is the prior's and thus
    /// common to all sweeps of the vessel, the rest is each sweep's own.
    pub fn common_offset(&self, offset_uncertainty: f64) -> Option<CommonOffset> {
        let curve = self.curve.as_ref().filter(|_| offset_uncertainty > 0.0)?;
        let common = curve.offset.standard_uncertainty.powi(2) / offset_uncertainty;
        Some(CommonOffset {
            slope: curve.offset.slope_sensitivity * offset_uncertainty.min(common),
            dead_time_ms: curve.offset.dead_time_sensitivity * offset_uncertainty.min(common),
            size: offset_uncertainty.min(common),
        })
    }

    /// Slope and dead time of the asymptote with their doubt.
    ///
    /// # Errors
    /// As [`Core::dead_time`].
    pub fn asymptote(&self, effects: &[TypeB]) -> Result<Option<(Doubted, Doubted)>, FitError> {
        let Some(curve) = &self.curve else {
            return Ok(None);
        };
        let (far, extra) = (&curve.asymptote, self.type_b_covariance(effects));
        let c = far.covariance;
        let all = x_intercept(
            far.flow_offset.value,
            far.slope.value,
            [
                [c[1][1] + extra[1][1], c[0][1] + extra[0][1]],
                [c[0][1] + extra[0][1], c[0][0] + extra[0][0]],
            ],
        )?;
        let slope = linear(
            far.slope.value,
            c[0][0] + extra[0][0],
            None,
            Some(curve.interval_asymptote_slope(extra[0][0])),
        )?;
        let dead_time = Doubted {
            value: all.value,
            standard_uncertainty: all.standard_uncertainty,
            degrees_of_freedom: None,
            interval_95: curve.interval_asymptote_dead_time(extra),
        };
        Ok(Some((slope, dead_time)))
    }

    /// Covariance that type B effects add to (S, Y).
    fn type_b_covariance(&self, effects: &[TypeB]) -> [[f64; 2]; 2] {
        let mut total = [[0.0; 2]; 2];
        for effect in effects {
            let part = [
                effect.on_slope(self.slope),
                effect.on_offset(self.slope, self.offset),
            ];
            for (row, a) in total.iter_mut().zip(part) {
                for (cell, b) in row.iter_mut().zip(part) {
                    *cell += a * b;
                }
            }
        }
        total
    }

    /// Covariance of (S, Y), everything included.
    pub fn total_covariance(&self, effects: &[TypeB]) -> [[f64; 2]; 2] {
        let b = self.type_b_covariance(effects);
        let a = self.covariance;
        [
            [a[0][0] + b[0][0], a[0][1] + b[0][1]],
            [a[1][0] + b[1][0], a[1][1] + b[1][1]],
        ]
    }

    /// Slope with its doubt.
    ///
    /// # Errors
    /// Where the distribution functions refuse their arguments.
    pub fn slope_doubted(&self, effects: &[TypeB]) -> Result<Doubted, FitError> {
        let total = self.total_covariance(effects);
        let dof = effective_dof(self.covariance[0][0], total[0][0], self.degrees_of_freedom);
        let interval = self
            .curve
            .as_ref()
            .map(|c| c.interval_slope(self.type_b_covariance(effects)[0][0]));
        linear(self.slope, total[0][0], dof, interval)
    }

    /// Flow-offset with its doubt.
    ///
    /// # Errors
    /// As [`Core::slope_doubted`].
    pub fn offset_doubted(&self, effects: &[TypeB]) -> Result<Doubted, FitError> {
        let total = self.total_covariance(effects);
        let dof = effective_dof(self.covariance[1][1], total[1][1], self.degrees_of_freedom);
        linear(self.offset, total[1][1], dof, None)
    }

    /// Dead time with its doubt: Fieller's set of the total covariance.
    ///
    /// # Errors
    /// [`FitError::SlopeIsZero`] where no line crosses zero delivery.
    pub fn dead_time(&self, effects: &[TypeB]) -> Result<DoubtedDeadTime, FitError> {
        let total = self.total_covariance(effects);
        let swapped = |c: [[f64; 2]; 2]| [[c[1][1], c[0][1]], [c[0][1], c[0][0]]];
        let own = x_intercept(self.offset, self.slope, swapped(self.covariance))?;
        let all = x_intercept(self.offset, self.slope, swapped(total))?;
        let dof = effective_dof(
            own.standard_uncertainty.powi(2),
            all.standard_uncertainty.powi(2),
            self.degrees_of_freedom,
        );
        let set = x_intercept_set(self.offset, self.slope, swapped(total), dof, LEVEL)?;
        let (mut interval_95, open_set) = set.of_dead_times();
        if let (Some(curve), None) = (&self.curve, &open_set) {
            interval_95 = curve.interval_dead_time(self.type_b_covariance(effects));
        }
        Ok(DoubtedDeadTime {
            doubted: Doubted {
                value: all.value,
                standard_uncertainty: all.standard_uncertainty,
                degrees_of_freedom: dof,
                interval_95,
            },
            open_set,
        })
    }
}

/// A quantity that is linear in what was read: Student interval, or the one given.
fn linear(
    value: f64,
    variance: f64,
    degrees_of_freedom: Option<f64>,
    interval: Option<Interval>,
) -> Result<Doubted, FitError> {
    let u = variance.sqrt();
    let half = coverage_factor(LEVEL, degrees_of_freedom)? * u;
    Ok(Doubted {
        value,
        standard_uncertainty: u,
        degrees_of_freedom,
        interval_95: interval.unwrap_or([Some(value - half), Some(value + half)]),
    })
}

/// Effective degrees of freedom where type B parts are known exactly.
///
/// *Method*: ν_eff = ν·(u²/u_A²)². *Source*: GUM G.4, equation G.2b
/// (Welch–Satterthwaite), the number of the equation from memory.
pub(super) fn effective_dof(own: f64, total: f64, dof: Option<f64>) -> Option<f64> {
    dof.filter(|_| own > 0.0)
        .map(|dof| dof * (total / own).powi(2))
}
