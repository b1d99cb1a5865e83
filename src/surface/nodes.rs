//! The grid of voltages and pressures, where a query lies in it, and figures at its nodes.

use nalgebra::DVector;

use super::build::SurfaceError;
use super::interpolate::{locate, monotone};

/// Set points closer than these are the same (as in the capture file).
const SAME_VOLTAGE: f64 = 0.05;
const SAME_PRESSURE: f64 = 0.5;

/// Where a figure is asked for; `None` = the only one there is.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Query {
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
    /// Whether to answer outside the measured range.
    pub extrapolate: bool,
}

/// A query that was found answerable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reach {
    /// Supply voltage, V (a constant where the capture states none).
    pub voltage_v: f64,
    /// Differential pressure, kPa (a constant where the capture states none).
    pub pressure_kpa: f64,
    /// Whether the voltage lies outside the grid.
    pub beyond_voltage: bool,
    /// Whether the pressure lies outside the grid.
    pub beyond_pressure: bool,
}

impl Reach {
    /// Coordinate along voltage: −1/V, in which dead time is nearly straight.
    pub(super) fn z(&self) -> f64 {
        -1.0 / self.voltage_v
    }

    /// Whether either lies outside the grid.
    pub fn extrapolated(&self) -> bool {
        self.beyond_voltage || self.beyond_pressure
    }
}

/// Measured set points, rising; a single constant where the capture states none.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Grid {
    pub voltages: Vec<f64>,
    pub voltage_stated: bool,
    pub pressures: Vec<f64>,
    pub pressure_stated: bool,
    /// Measured cell by [pressure][voltage]; `None` = not run.
    pub cell: Vec<Vec<Option<usize>>>,
}

impl Grid {
    /// Lays the cells' set points out; a later cell at the same point replaces the earlier.
    pub fn new(points: &[(Option<f64>, Option<f64>)]) -> Self {
        let voltages = axis(points.iter().filter_map(|p| p.0), SAME_VOLTAGE);
        let pressures = axis(points.iter().filter_map(|p| p.1), SAME_PRESSURE);
        let voltage_stated = !voltages.is_empty();
        let pressure_stated = !pressures.is_empty();
        let mut grid = Self {
            voltages: or_constant(voltages),
            voltage_stated,
            pressures: or_constant(pressures),
            pressure_stated,
            cell: Vec::new(),
        };
        grid.cell = vec![vec![None; grid.voltages.len()]; grid.pressures.len()];
        for (index, (v, p)) in points.iter().enumerate() {
            let vi = nearest(&grid.voltages, v.unwrap_or(grid.voltages[0]));
            let pi = nearest(&grid.pressures, p.unwrap_or(grid.pressures[0]));
            grid.cell[pi][vi] = Some(index);
        }
        grid
    }

    /// Checks a query against the grid.
    pub fn reach(&self, query: &Query) -> Result<Reach, SurfaceError> {
        let (voltage_v, beyond_voltage) = place(
            &self.voltages,
            self.voltage_stated,
            query.voltage_v,
            SAME_VOLTAGE,
            "supply voltage",
            "V",
        )?;
        let (pressure_kpa, beyond_pressure) = place(
            &self.pressures,
            self.pressure_stated,
            query.pressure_kpa,
            SAME_PRESSURE,
            "differential pressure",
            "kPa",
        )?;
        if beyond_voltage && self.voltages.len() == 1 {
            return Err(SurfaceError::OneVoltage {
                run: self.voltages[0],
                asked: voltage_v,
            });
        }
        for (beyond, asked, axis, what, unit) in [
            (
                beyond_voltage,
                voltage_v,
                &self.voltages,
                "supply voltage",
                "V",
            ),
            (
                beyond_pressure,
                pressure_kpa,
                &self.pressures,
                "differential pressure",
                "kPa",
            ),
        ] {
            if beyond && !query.extrapolate {
                return Err(SurfaceError::Outside {
                    what,
                    unit,
                    asked,
                    low: axis[0],
                    high: axis[axis.len() - 1],
                });
            }
        }
        Ok(Reach {
            voltage_v,
            pressure_kpa,
            beyond_voltage,
            beyond_pressure,
        })
    }

    pub fn zs(&self) -> Vec<f64> {
        self.voltages.iter().map(|v| -1.0 / v).collect()
    }

    /// The measured cell exactly at a reach, if there is one.
    pub fn measured_at(&self, reach: &Reach) -> Option<usize> {
        let vi = self.voltages.iter().position(|v| *v == reach.voltage_v)?;
        let pi = self
            .pressures
            .iter()
            .position(|p| *p == reach.pressure_kpa)?;
        self.cell[pi][vi]
    }

    /// Nodes around a reach with their bilinear weights (in 1/V and ln P), clamped
    /// to the grid; nodes of no weight left out.
    pub fn corners(&self, reach: &Reach) -> Vec<(usize, usize, f64)> {
        let logs: Vec<f64> = self.pressures.iter().map(|p| p.ln()).collect();
        let (vi, tv) = locate(&self.zs(), reach.z());
        let (pi, tp) = locate(&logs, reach.pressure_kpa.ln());
        let mut list = Vec::new();
        for (dp, wp) in [(0, 1.0 - tp), (1, tp)] {
            for (dv, wv) in [(0, 1.0 - tv), (1, tv)] {
                if wp * wv > 1e-12 {
                    list.push((pi + dp, vi + dv, wp * wv));
                }
            }
        }
        list
    }

    /// The measured cell nearest to a node: the node's own, else of the same
    /// pressure, else by steps of the grid.
    pub fn nearest_cell(&self, pi: usize, vi: usize) -> usize {
        let mut best: Option<(usize, usize)> = None;
        for (i, row) in self.cell.iter().enumerate() {
            for (j, cell) in row.iter().enumerate() {
                if let Some(cell) = cell {
                    let steps = 100 * i.abs_diff(pi) + j.abs_diff(vi);
                    if best.is_none_or(|(least, _)| steps < least) {
                        best = Some((steps, *cell));
                    }
                }
            }
        }
        best.map(|(_, cell)| cell)
            .expect("a grid is laid out from at least one cell")
    }
}

fn axis(values: impl Iterator<Item = f64>, same: f64) -> Vec<f64> {
    let mut list: Vec<f64> = values.collect();
    list.sort_by(f64::total_cmp);
    list.dedup_by(|b, a| (*b - *a).abs() < same);
    list
}

fn or_constant(list: Vec<f64>) -> Vec<f64> {
    if list.is_empty() { vec![1.0] } else { list }
}

fn nearest(axis: &[f64], x: f64) -> usize {
    (0..axis.len())
        .min_by(|a, b| (axis[*a] - x).abs().total_cmp(&(axis[*b] - x).abs()))
        .expect("an axis holds at least one value")
}

/// The axis value a query means, and whether it lies outside.
fn place(
    axis: &[f64],
    stated: bool,
    asked: Option<f64>,
    same: f64,
    what: &'static str,
    unit: &'static str,
) -> Result<(f64, bool), SurfaceError> {
    match (asked, stated) {
        (None, _) if axis.len() == 1 => Ok((axis[0], false)),
        (None, _) => Err(SurfaceError::Choose {
            what,
            unit,
            choices: axis.to_vec(),
        }),
        (Some(_), false) => Err(SurfaceError::NotStated { what }),
        (Some(x), true) => {
            let near = axis[nearest(axis, x)];
            if (near - x).abs() < same {
                Ok((near, false))
            } else {
                Ok((x, x < axis[0] || x > axis[axis.len() - 1]))
            }
        }
    }
}

/// One figure at every node of the grid, with its dependence on the measured ones.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Nodes {
    /// Value by [pressure][voltage].
    pub value: Vec<Vec<f64>>,
    /// ∂value/∂(figure of each measured cell).
    pub sensitivity: Vec<Vec<DVector<f64>>>,
    /// Standard uncertainty of the filling; 0 at measured nodes.
    pub filled: Vec<Vec<f64>>,
}

impl Nodes {
    /// Interpolates: monotone along voltage, then along `coordinate(pressure)`.
    pub fn interpolate(&self, grid: &Grid, reach: &Reach, coordinate: fn(f64) -> f64) -> f64 {
        interpolate(&self.value, grid, reach, coordinate)
    }

    /// The same with straight lines between nodes, inside the grid.
    pub fn straight(&self, grid: &Grid, reach: &Reach) -> f64 {
        grid.corners(reach)
            .iter()
            .map(|(pi, vi, weight)| weight * self.value[*pi][*vi])
            .sum()
    }

    /// ∂(interpolated)/∂(measured cells), and the filling's standard uncertainty there.
    pub fn spread(
        &self,
        grid: &Grid,
        reach: &Reach,
        coordinate: fn(f64) -> f64,
    ) -> (DVector<f64>, f64) {
        let scale = self
            .value
            .iter()
            .flatten()
            .fold(0.0, |m: f64, x| m.max(x.abs()));
        let step = 1e-6 * scale.max(1e-6);
        let cells = self.sensitivity[0][0].len();
        let mut total = DVector::zeros(cells);
        let mut filled = 0.0;
        let mut values = self.value.clone();
        for pi in 0..values.len() {
            for vi in 0..values[pi].len() {
                let node = values[pi][vi];
                values[pi][vi] = node + step;
                let up = interpolate(&values, grid, reach, coordinate);
                values[pi][vi] = node - step;
                let down = interpolate(&values, grid, reach, coordinate);
                values[pi][vi] = node;
                let weight = (up - down) / (2.0 * step);
                total += weight * &self.sensitivity[pi][vi];
                filled = f64::hypot(filled, weight * self.filled[pi][vi]);
            }
        }
        (total, filled)
    }
}

fn interpolate(values: &[Vec<f64>], grid: &Grid, reach: &Reach, coordinate: fn(f64) -> f64) -> f64 {
    let zs = grid.zs();
    let column: Vec<f64> = values
        .iter()
        .map(|row| monotone(&zs, row, reach.z()))
        .collect();
    let ps: Vec<f64> = grid.pressures.iter().map(|p| coordinate(*p)).collect();
    monotone(&ps, &column, coordinate(reach.pressure_kpa))
}
