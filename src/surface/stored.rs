//! The surface as the characterisation file has it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::build::{DeadTimeModel, InjectorSurface, LineMeant, SurfaceError};
use super::coil::CoilModel;
use super::nodes::Query;
use crate::finding::Finding;
use crate::units::{Estimate, NORMAL_95, Unit};

/// Flow and dead time of one injector over voltage and pressure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Surface {
    /// Stage.
    pub stage: Option<String>,
    /// Line range common to all conditions, ms, which the nodes belong to; null where the
    /// conditions have too little in common, and each node keeps its own.
    pub line_range_ms: Option<[f64; 2]>,
    /// Every combination of the measured voltages and pressures.
    pub nodes: Vec<SurfaceNode>,
    /// Exponent n of flow against pressure.
    pub exponent: Estimate,
    /// Whether that was assumed, since fewer than three pressures were run.
    pub exponent_assumed: bool,
    /// Flow by that law at `reference_kpa`, mm³/ms or mg/ms.
    pub flow_coefficient: f64,
    /// Differential pressure of `flow_coefficient`, kPa; null where none is stated.
    pub reference_kpa: Option<f64>,
    /// How dead time is carried between conditions.
    pub dead_time_model: DeadTimeModel,
    /// Errors of both models at conditions that were left out; null where that cannot be told.
    pub left_out_rms_ms: Option<LeftOut>,
    /// The coil model, where the dead times carry it.
    pub coil: Option<Coil>,
    /// Why there is none.
    pub no_coil_model: Option<String>,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// One combination of voltage and pressure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SurfaceNode {
    /// Supply voltage, V; null where the capture states none.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa; null where the capture states none.
    pub pressure_kpa: Option<f64>,
    /// Whether it was run; else it is filled from the others.
    pub run: bool,
    /// Slope over the common line range.
    pub slope: Estimate,
    /// Dead time over the common line range, ms.
    pub dead_time: Estimate,
}

/// Root mean square errors at conditions that were left out and predicted, ms.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LeftOut {
    /// Monotone interpolation.
    pub interpolation: f64,
    /// Coil model.
    pub coil: f64,
}

/// The smooth model of dead time: −(L/R)·ln(1 − K(P)/V) + x₀.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Coil {
    /// L/R, ms.
    pub time_constant_ms: f64,
    /// Voltage that drives the pull-in current, I·R.
    pub pull_in: Estimate,
    /// Constant part x₀.
    pub constant: Estimate,
    /// Relative rise of the pull-in voltage for a pressure doubled; null where one
    /// pressure was run.
    pub pull_in_rise: Option<f64>,
    /// Sum of squared residuals over their uncertainty, and degrees of freedom.
    pub chi_squared: [f64; 2],
    /// Covariance of (a = L/R·I·R in V·ms, I·R in V, x₀ in ms and, with several
    /// pressures, the rise).
    pub covariance: Vec<Vec<f64>>,
}

impl InjectorSurface {
    /// The surface as the file has it: figures over the common line range.
    ///
    /// # Errors
    /// None that [`super::build`] lets through; those of [`InjectorSurface::dead_time`].
    pub fn stored(&self) -> Result<Surface, SurfaceError> {
        let n = self.power_law.exponent;
        Ok(Surface {
            stage: self.stage.clone(),
            line_range_ms: self.line_range_ms,
            nodes: self.stored_nodes()?,
            exponent: known(n.value, Unit::Ratio, n.standard_uncertainty),
            exponent_assumed: n.assumed,
            flow_coefficient: self.power_law.coefficient,
            reference_kpa: self.power_law.reference_kpa,
            dead_time_model: self.dead_time_model,
            left_out_rms_ms: self.left_out_rms.map(|[interpolation, coil]| LeftOut {
                interpolation,
                coil,
            }),
            coil: self.coil.as_ref().ok().map(coil),
            no_coil_model: self.coil.as_ref().err().map(ToString::to_string),
            findings: self.findings.clone(),
        })
    }

    fn stored_nodes(&self) -> Result<Vec<SurfaceNode>, SurfaceError> {
        let common = Self {
            line_meant: LineMeant::Common,
            ..self.clone()
        };
        let mut nodes = Vec::new();
        for (pi, row) in self.grid.cell.iter().enumerate() {
            for (vi, cell) in row.iter().enumerate() {
                let query = Query {
                    voltage_v: self.grid.voltage_stated.then(|| self.grid.voltages[vi]),
                    pressure_kpa: self.grid.pressure_stated.then(|| self.grid.pressures[pi]),
                    extrapolate: false,
                };
                let dead_time = common.dead_time(&query)?;
                let slope = common.slope(&query)?;
                nodes.push(SurfaceNode {
                    voltage_v: query.voltage_v,
                    pressure_kpa: query.pressure_kpa,
                    run: cell.is_some(),
                    slope: slope.estimate(self.basis.flow_unit()),
                    dead_time: dead_time.estimate(Unit::Millisecond),
                });
            }
        }
        Ok(nodes)
    }
}

fn known(value: f64, unit: Unit, u: f64) -> Estimate {
    Estimate::symmetric(value, unit, Some(u), None, NORMAL_95)
}

fn coil(model: &CoilModel) -> Coil {
    let count = model.parameters.len();
    let of = |i: usize, unit| known(model.parameters[i], unit, model.covariance[(i, i)].sqrt());
    Coil {
        time_constant_ms: model.time_constant(),
        pull_in: of(1, Unit::Volt),
        constant: of(2, Unit::Millisecond),
        pull_in_rise: model.parameters.get(3).copied(),
        chi_squared: [model.chi_squared.0, model.chi_squared.1],
        covariance: (0..count)
            .map(|i| (0..count).map(|j| model.covariance[(i, j)]).collect())
            .collect(),
    }
}
