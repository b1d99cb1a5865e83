//! The surface of one injector, from its sweeps.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::coil::{CoilModel, DeadTimePoint, NoCoilModel, fit_coil};
use super::figure::own_part;
use super::fill::{dead_time_nodes, slope_nodes};
use super::findings;
use super::interpolate::{locate, monotone};
use super::line_range::over_common_range;
use super::nodes::{Grid, Nodes};
use super::power::{PowerLaw, fit_power_law};
use crate::finding::Finding;
use crate::fit::{DeliveryCurve, SweepFit};
use crate::units::{Basis, Estimate};

/// Dead times closer to exact than this are not believed when weights are formed, ms.
const LEAST_DOUBT: f64 = 1e-4;

/// Why a figure cannot be given.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SurfaceError {
    /// No sweep of the injector has flow and dead time.
    #[error("injector {injector} has no sweep with flow and dead time{}", .stage.as_ref().map(|s| format!(" at stage {s}")).unwrap_or_default())]
    NothingFitted {
        /// Injector.
        injector: String,
        /// Stage asked for.
        stage: Option<String>,
    },
    /// Some sweeps were read as volume, others as mass.
    #[error("injector {injector} was read by volume in one sweep and by mass in another")]
    MixedBasis {
        /// Injector.
        injector: String,
    },
    /// Outside the measured range.
    #[error("{what} {asked} {unit} lies outside what was measured, {low} to {high} {unit}")]
    Outside {
        /// What was asked for.
        what: &'static str,
        /// Its unit.
        unit: &'static str,
        /// Value asked for.
        asked: f64,
        /// Lowest measured.
        low: f64,
        /// Highest measured.
        high: f64,
    },
    /// One voltage was run, so that nothing tells how dead time moves.
    #[error("only {run} V was run, so nothing tells the dead time at {asked} V")]
    OneVoltage {
        /// Voltage that was run.
        run: f64,
        /// Voltage asked for.
        asked: f64,
    },
    /// A set point was asked for that the capture does not state.
    #[error("the capture states no {what}, so none can be asked for")]
    NotStated {
        /// What is not stated.
        what: &'static str,
    },
    /// Several set points were run and none was asked for.
    #[error("several values of {what} were run ({}); say which", .choices.iter().map(|c| format!("{c} {unit}")).collect::<Vec<_>>().join(", "))]
    Choose {
        /// What to choose.
        what: &'static str,
        /// Its unit.
        unit: &'static str,
        /// What was run.
        choices: Vec<f64>,
    },
    /// No pulse width within the measured range delivers the quantity.
    #[error("no measured pulse width delivers {asked}: {low:.3} to {high:.3} were measured")]
    Quantity {
        /// Quantity asked for, mm³ or mg.
        asked: f64,
        /// Least delivered.
        low: f64,
        /// Most delivered.
        high: f64,
    },
}

/// One measured condition.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cell {
    pub voltage_v: Option<f64>,
    pub pressure_kpa: Option<f64>,
    /// Slope and dead time over the line range common to the conditions, where there
    /// is one; everything between conditions is carried in these.
    pub slope: Estimate,
    pub dead_time: Estimate,
    /// The same over the condition's own line range, as the fit states them.
    pub own_slope: Estimate,
    pub own_dead_time: Estimate,
    pub curve: DeliveryCurve,
}

/// Over which pulse widths the line is meant whose flow and dead time are told.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum LineMeant {
    /// At a measured condition its own line range, as the fit has it; between
    /// conditions a range between theirs.
    #[default]
    OfCondition,
    /// The range common to all conditions.
    Common,
}

/// How dead time is carried between measured conditions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum DeadTimeModel {
    /// Monotone interpolation in 1/V and P.
    Interpolation,
    /// The coil model; what it leaves at the measured conditions is interpolated.
    Coil,
}

/// One injector over voltage and pressure.
#[derive(Debug, Clone, PartialEq)]
pub struct InjectorSurface {
    /// Injector id.
    pub injector: String,
    /// Stage.
    pub stage: Option<String>,
    /// Volume or mass.
    pub basis: Basis,
    /// Slope against pressure.
    pub power_law: PowerLaw,
    /// The smooth model of dead time, or why there is none.
    pub coil: Result<CoilModel, NoCoilModel>,
    /// Which of the two is used.
    pub dead_time_model: DeadTimeModel,
    /// Root mean square error, ms, at measured conditions that were left out and
    /// predicted from the others: interpolation, coil model. `None` = cannot be told.
    pub left_out_rms: Option<[f64; 2]>,
    /// The line range common to the conditions, ms; `None` where theirs have too little
    /// in common and each keeps its own.
    pub line_range_ms: Option<[f64; 2]>,
    /// Which line flow and dead time are told of.
    pub line_meant: LineMeant,
    /// Doubts.
    pub findings: Vec<Finding>,
    pub(super) grid: Grid,
    pub(super) cells: Vec<Cell>,
    pub(super) dead: Nodes,
    pub(super) log_slope: Nodes,
}

impl InjectorSurface {
    /// Measured supply voltages, V, rising; empty where the capture states none.
    pub fn voltages_v(&self) -> &[f64] {
        if self.grid.voltage_stated {
            &self.grid.voltages
        } else {
            &[]
        }
    }

    /// Measured differential pressures, kPa, rising; empty where the capture states none.
    pub fn pressures_kpa(&self) -> &[f64] {
        if self.grid.pressure_stated {
            &self.grid.pressures
        } else {
            &[]
        }
    }

    /// Conditions of the grid that were not run.
    pub fn missing_cells(&self) -> usize {
        self.grid
            .cell
            .iter()
            .flatten()
            .filter(|c| c.is_none())
            .count()
    }
}

/// Builds the surface of an injector from its sweeps.
///
/// `stage`: which; `None` = the last. Where a condition was run more than once, the
/// last sweep counts. Where the conditions have different line ranges, everything is
/// carried over the range they have in common.
///
/// # Errors
/// [`SurfaceError::NothingFitted`], [`SurfaceError::MixedBasis`].
pub fn build(
    injector: &str,
    sweeps: &[SweepFit],
    stage: Option<&str>,
) -> Result<InjectorSurface, SurfaceError> {
    let stage = match stage {
        Some(stage) => Some(stage.to_owned()),
        None => sweeps.last().and_then(|s| s.stage.clone()),
    };
    let sweeps: Vec<(&SweepFit, Cell)> = sweeps
        .iter()
        .filter(|s| s.stage == stage)
        .filter_map(|s| Some((s, cell(s)?)))
        .collect();
    let Some((first, _)) = sweeps.first() else {
        return Err(SurfaceError::NothingFitted {
            injector: injector.to_owned(),
            stage,
        });
    };
    let basis = first.basis;
    if sweeps.iter().any(|(s, _)| s.basis != basis) {
        return Err(SurfaceError::MixedBasis {
            injector: injector.to_owned(),
        });
    }
    let (fits, mut cells): (Vec<&SweepFit>, Vec<Cell>) = sweeps.into_iter().unzip();
    let line_range_ms = over_common_range(&fits, &mut cells);
    let grid = Grid::new(
        &cells
            .iter()
            .map(|c| (c.voltage_v, c.pressure_kpa))
            .collect::<Vec<_>>(),
    );
    let points = dead_time_points(&grid, &cells);
    let coil = fit_coil(
        &points.iter().map(|(_, p)| *p).collect::<Vec<_>>(),
        grid.pressures.len() > 1,
    );
    let coil = spread_to_all_cells(coil, &points, cells.len());
    let left_out_rms = left_out(&grid, &cells);
    let dead_time_model = match (&coil, left_out_rms) {
        (Ok(_), Some([plain, smooth])) if smooth <= plain => DeadTimeModel::Coil,
        _ => DeadTimeModel::Interpolation,
    };
    let power_law = power_law(&grid, &cells);
    let dead = dead_time_nodes(&grid, &cells, coil.as_ref().ok());
    let log_slope = slope_nodes(&grid, &cells);
    let mut surface = InjectorSurface {
        injector: injector.to_owned(),
        stage,
        basis,
        power_law,
        coil,
        dead_time_model,
        left_out_rms,
        line_range_ms,
        line_meant: LineMeant::default(),
        findings: Vec::new(),
        grid,
        cells,
        dead,
        log_slope,
    };
    surface.findings = findings::of(&surface);
    Ok(surface)
}

/// A sweep as a cell; `None` without slope and dead time.
fn cell(sweep: &SweepFit) -> Option<Cell> {
    let slope = sweep.slope.clone().filter(|s| s.value > 0.0)?;
    let dead_time = sweep.dead_time.clone()?;
    let curve = match &sweep.delivery {
        Some(curve) if !curve.pulse_width_ms.is_empty() => curve.clone(),
        _ => line_curve(sweep, &slope, &dead_time)?,
    };
    Some(Cell {
        voltage_v: sweep.voltage_v,
        pressure_kpa: sweep.pressure_kpa,
        own_slope: slope.clone(),
        own_dead_time: dead_time.clone(),
        slope,
        dead_time,
        curve,
    })
}

/// The straight line as a delivery curve over its line range, where the sweep has no curve.
fn line_curve(sweep: &SweepFit, slope: &Estimate, dead_time: &Estimate) -> Option<DeliveryCurve> {
    let range = sweep.line_range_ms?;
    let matrix = &sweep.covariance.as_ref()?.matrix;
    let widths: Vec<f64> = (0..=20)
        .map(|i| range[0] + (range[1] - range[0]) * f64::from(i) / 20.0)
        .collect();
    let variance = |w: f64| w * w * matrix[0][0] + 2.0 * w * matrix[0][1] + matrix[1][1];
    Some(DeliveryCurve {
        delivered: widths
            .iter()
            .map(|w| slope.value * (w - dead_time.value))
            .collect(),
        standard_uncertainty: widths
            .iter()
            .map(|w| variance(*w).max(0.0).sqrt())
            .collect(),
        degrees_of_freedom: slope.degrees_of_freedom,
        shared: Default::default(),
        pulse_width_ms: widths,
    })
}

/// Measured cells in the order of the grid, as points of the coil model.
fn dead_time_points(grid: &Grid, cells: &[Cell]) -> Vec<(usize, DeadTimePoint)> {
    let mut list = Vec::new();
    for (pi, row) in grid.cell.iter().enumerate() {
        for (vi, index) in row.iter().enumerate() {
            if let Some(index) = index {
                let x = &cells[*index].dead_time;
                list.push((
                    *index,
                    DeadTimePoint {
                        voltage_v: grid.voltages[vi],
                        pressure_kpa: grid.pressures[pi],
                        value: x.value,
                        u: own_part(x).unwrap_or(1.0).max(LEAST_DOUBT),
                    },
                ));
            }
        }
    }
    list
}

/// Rewrites the model's sensitivities from the fitted points to all cells.
fn spread_to_all_cells(
    coil: Result<CoilModel, NoCoilModel>,
    points: &[(usize, DeadTimePoint)],
    cells: usize,
) -> Result<CoilModel, NoCoilModel> {
    coil.map(|mut model| {
        let mut wide = nalgebra::DMatrix::zeros(model.parameters.len(), cells);
        for (column, (index, _)) in points.iter().enumerate() {
            wide.set_column(*index, &model.sensitivity.column(column));
        }
        model.sensitivity = wide;
        model
    })
}

/// Leaves each measured cell with measured neighbours in voltage out and predicts it
/// both ways.
fn left_out(grid: &Grid, cells: &[Cell]) -> Option<[f64; 2]> {
    let points = dead_time_points(grid, cells);
    let mut squares = [0.0; 2];
    let mut count = 0.0;
    for (pi, row) in grid.cell.iter().enumerate() {
        let here: Vec<(f64, f64, usize)> = row
            .iter()
            .enumerate()
            .filter_map(|(vi, c)| c.map(|c| (grid.voltages[vi], cells[c].dead_time.value, c)))
            .collect();
        for gone in 1..here.len().saturating_sub(1) {
            let (voltage, truth, index) = here[gone];
            let others: Vec<DeadTimePoint> = points
                .iter()
                .filter(|(i, _)| *i != index)
                .map(|(_, p)| *p)
                .collect();
            let Ok(model) = fit_coil(&others, grid.pressures.len() > 1) else {
                continue;
            };
            let rest: Vec<&(f64, f64, usize)> =
                here.iter().filter(|(_, _, i)| *i != index).collect();
            let zs: Vec<f64> = rest.iter().map(|(v, _, _)| -1.0 / v).collect();
            let xs: Vec<f64> = rest.iter().map(|(_, x, _)| *x).collect();
            let z = -1.0 / voltage;
            let residual = |i: usize| Some(xs[i] - model.at(rest[i].0, grid.pressures[pi])?);
            let (left, t) = locate(&zs, z);
            let smooth = || {
                let carried = (1.0 - t) * residual(left)? + t * residual(left + 1)?;
                Some(model.at(voltage, grid.pressures[pi])? + carried)
            };
            if let Some(smooth) = smooth() {
                squares[0] += (monotone(&zs, &xs, z) - truth).powi(2);
                squares[1] += (smooth - truth).powi(2);
                count += 1.0;
            }
        }
    }
    (count > 0.0).then(|| squares.map(|s| (s / count).sqrt()))
}

fn power_law(grid: &Grid, cells: &[Cell]) -> PowerLaw {
    let points: Vec<(f64, f64, f64)> = grid
        .cell
        .iter()
        .enumerate()
        .flat_map(|(pi, row)| {
            row.iter().flatten().map(move |c| {
                let slope = &cells[*c].slope;
                let u = own_part(slope).unwrap_or(0.0) / slope.value;
                (grid.pressures[pi], slope.value, u.max(1e-4))
            })
        })
        .collect();
    let mut law = fit_power_law(&points);
    if !grid.pressure_stated {
        law.reference_kpa = None;
    }
    law
}
