//! The surface of one injector, from its sweeps.

use nalgebra::DVector;
use thiserror::Error;

use super::coil::{CoilModel, DeadTimePoint, NoCoilModel, fit_coil};
use super::figure::own_part;
use super::findings;
use super::interpolate::{locate, monotone};
use super::nodes::{Grid, Nodes};
use super::power::{PowerLaw, fit_power_law};
use crate::characterisation::Injector;
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
    #[error("no measured pulse width delivers {asked}: {low} to {high} were measured")]
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
    pub slope: Estimate,
    pub dead_time: Estimate,
    pub curve: DeliveryCurve,
}

/// How dead time is carried between measured conditions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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

/// Builds the surface of an injector.
///
/// `stage`: which; `None` = the last. Where a condition was run more than once, the
/// last sweep counts.
///
/// # Errors
/// [`SurfaceError::NothingFitted`], [`SurfaceError::MixedBasis`].
pub fn build(injector: &Injector, stage: Option<&str>) -> Result<InjectorSurface, SurfaceError> {
    let stage = match stage {
        Some(stage) => Some(stage.to_owned()),
        None => injector.sweeps.last().and_then(|s| s.stage.clone()),
    };
    let sweeps: Vec<(&SweepFit, Cell)> = injector
        .sweeps
        .iter()
        .filter(|s| s.stage == stage)
        .filter_map(|s| Some((s, cell(s)?)))
        .collect();
    let Some((first, _)) = sweeps.first() else {
        return Err(SurfaceError::NothingFitted {
            injector: injector.id.clone(),
            stage,
        });
    };
    let basis = first.basis;
    if sweeps.iter().any(|(s, _)| s.basis != basis) {
        return Err(SurfaceError::MixedBasis {
            injector: injector.id.clone(),
        });
    }
    let cells: Vec<Cell> = sweeps.into_iter().map(|(_, cell)| cell).collect();
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
        injector: injector.id.clone(),
        stage,
        basis,
        power_law,
        coil,
        dead_time_model,
        left_out_rms,
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

fn unit_vector(cells: usize, index: usize) -> DVector<f64> {
    let mut e = DVector::zeros(cells);
    e[index] = 1.0;
    e
}

fn empty_nodes(grid: &Grid, cells: usize) -> Nodes {
    let (rows, columns) = (grid.pressures.len(), grid.voltages.len());
    Nodes {
        value: vec![vec![0.0; columns]; rows],
        sensitivity: vec![vec![DVector::zeros(cells); columns]; rows],
        filled: vec![vec![0.0; columns]; rows],
    }
}

/// Dead time at every node; conditions that were not run are filled from the coil
/// model, else from the neighbouring pressure in proportion.
fn dead_time_nodes(grid: &Grid, cells: &[Cell], coil: Option<&CoilModel>) -> Nodes {
    let mut nodes = empty_nodes(grid, cells.len());
    // A filled condition is never better known than one that was run.
    let own: Vec<f64> = cells
        .iter()
        .map(|c| own_part(&c.dead_time).unwrap_or(0.0))
        .collect();
    let usual = own.iter().sum::<f64>() / own.len() as f64;
    for pi in 0..grid.pressures.len() {
        for vi in 0..grid.voltages.len() {
            let (v, p) = (grid.voltages[vi], grid.pressures[pi]);
            let (value, sensitivity, filled) = match (grid.cell[pi][vi], coil) {
                (Some(c), _) => (cells[c].dead_time.value, unit_vector(cells.len(), c), 0.0),
                (None, Some(model)) if model.at(v, p).is_some() => {
                    let sensitivity = model.sensitivity.tr_mul(&model.gradient(v, p));
                    let value = model.at(v, p).unwrap_or_default();
                    (value, sensitivity, usual.max(model.residual_rms))
                }
                (None, _) => fill_in_proportion(grid, cells, pi, vi),
            };
            nodes.value[pi][vi] = value;
            nodes.sensitivity[pi][vi] = sensitivity;
            nodes.filled[pi][vi] = filled;
        }
    }
    nodes
}

/// X(V, P) = X(V, P′)·R, P′ the nearest pressure run at this voltage, R the mean
/// ratio of the two pressures at voltages where both were run, else (P/P′)^¼ (half
/// of what the one published set shows). Doubt: half the step from X(V, P′), since
/// the rise with pressure is steeper at low voltage, by how much is not known.
fn fill_in_proportion(
    grid: &Grid,
    cells: &[Cell],
    pi: usize,
    vi: usize,
) -> (f64, DVector<f64>, f64) {
    let base_row = (0..grid.pressures.len())
        .filter(|i| grid.cell[*i][vi].is_some())
        .min_by_key(|i| i.abs_diff(pi))
        .expect("each voltage of the grid was run at some pressure");
    let base = grid.cell[base_row][vi].expect("filtered above");
    let x = cells[base].dead_time.value;
    let ratios: Vec<f64> = (0..grid.voltages.len())
        .filter_map(|j| {
            let (here, there) = (grid.cell[pi][j]?, grid.cell[base_row][j]?);
            Some(cells[here].dead_time.value / cells[there].dead_time.value)
        })
        .filter(|r| r.is_finite() && *r > 0.0)
        .collect();
    let ratio = if ratios.is_empty() {
        (grid.pressures[pi] / grid.pressures[base_row]).powf(0.25)
    } else {
        ratios.iter().sum::<f64>() / ratios.len() as f64
    };
    let mut sensitivity = DVector::zeros(cells.len());
    sensitivity[base] = ratio;
    (x * ratio, sensitivity, (0.5 * x * (ratio - 1.0)).abs())
}

/// ln S at every node; conditions that were not run take the slope of the nearest
/// voltage of the same pressure, since slope hardly depends on voltage.
fn slope_nodes(grid: &Grid, cells: &[Cell]) -> Nodes {
    let mut nodes = empty_nodes(grid, cells.len());
    let log = |c: usize| cells[c].slope.value.ln();
    // How far slopes of one pressure really differ between voltages.
    let mut widest: f64 = 0.003;
    for row in &grid.cell {
        let logs: Vec<f64> = row.iter().flatten().map(|c| log(*c)).collect();
        if let (Some(lo), Some(hi)) = (
            logs.iter().copied().reduce(f64::min),
            logs.iter().copied().reduce(f64::max),
        ) {
            widest = widest.max((hi - lo) / 12f64.sqrt());
        }
    }
    for pi in 0..grid.pressures.len() {
        for vi in 0..grid.voltages.len() {
            let c = grid.nearest_cell(pi, vi);
            nodes.value[pi][vi] = log(c);
            nodes.sensitivity[pi][vi] = unit_vector(cells.len(), c);
            if grid.cell[pi][vi].is_none() {
                nodes.filled[pi][vi] = widest;
            }
        }
    }
    nodes
}
