//! Dead time and flow at every node of the grid, conditions that were not run included.

use nalgebra::DVector;

use super::build::Cell;
use super::coil::CoilModel;
use super::figure::own_part;
use super::nodes::{Grid, Nodes};

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
pub(super) fn dead_time_nodes(grid: &Grid, cells: &[Cell], coil: Option<&CoilModel>) -> Nodes {
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
pub(super) fn slope_nodes(grid: &Grid, cells: &[Cell]) -> Nodes {
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
