//! What is odd about a surface.

use serde_json::json;

use super::build::InjectorSurface;
use super::figure::own_part;
use crate::finding::{Finding, Kind, Place};

/// Dead times in the wrong order, an unusual exponent, conditions that were filled.
pub(super) fn of(surface: &InjectorSurface) -> Vec<Finding> {
    let grid = &surface.grid;
    let mut list = Vec::new();
    let place = |v: Option<f64>, p: Option<f64>| Place {
        injector: Some(surface.injector.clone()),
        stage: surface.stage.clone(),
        voltage_v: v,
        pressure_kpa: p,
        ..Place::default()
    };
    let mut order = |a: usize, b: usize, kind: Kind, low: f64, high: f64, at: Place| {
        let (x, y) = (&surface.cells[a].dead_time, &surface.cells[b].dead_time);
        let wrong = match kind {
            Kind::DeadTimeNotFalling => y.value - x.value,
            _ => x.value - y.value,
        };
        let doubt = own_part(x).zip(own_part(y)).map(|(a, b)| 2.0 * a.hypot(b));
        if wrong >= 0.0 {
            list.push(Finding::new(
                kind,
                at,
                &[
                    ("low", json!(low)),
                    ("high", json!(high)),
                    ("difference", json!(wrong)),
                    ("doubt", json!(doubt)),
                ],
            ));
        }
    };
    for (pi, row) in grid.cell.iter().enumerate() {
        let run: Vec<(usize, usize)> = row
            .iter()
            .enumerate()
            .filter_map(|(vi, c)| c.map(|c| (vi, c)))
            .collect();
        for pair in run.windows(2) {
            let at = place(None, grid.pressure_stated.then(|| grid.pressures[pi]));
            let (low, high) = (grid.voltages[pair[0].0], grid.voltages[pair[1].0]);
            order(
                pair[0].1,
                pair[1].1,
                Kind::DeadTimeNotFalling,
                low,
                high,
                at,
            );
        }
    }
    for vi in 0..grid.voltages.len() {
        let run: Vec<(usize, usize)> = (0..grid.pressures.len())
            .filter_map(|pi| grid.cell[pi][vi].map(|c| (pi, c)))
            .collect();
        for pair in run.windows(2) {
            let at = place(grid.voltage_stated.then(|| grid.voltages[vi]), None);
            let (low, high) = (grid.pressures[pair[0].0], grid.pressures[pair[1].0]);
            order(pair[0].1, pair[1].1, Kind::DeadTimeNotRising, low, high, at);
        }
    }
    let n = surface.power_law.exponent;
    if !n.assumed && (n.value - 0.5).abs() > 0.05_f64.max(2.0 * n.standard_uncertainty) {
        list.push(Finding::new(
            Kind::ExponentUnusual,
            place(None, None),
            &[
                ("exponent", json!(n.value)),
                ("doubt", json!(2.0 * n.standard_uncertainty)),
            ],
        ));
    }
    if surface.line_range_ms.is_none() && surface.cells.len() > 1 {
        list.push(Finding::new(
            Kind::NoCommonLineRange,
            place(None, None),
            &[],
        ));
    }
    let missing = surface.missing_cells();
    if missing > 0 {
        list.push(Finding::new(
            Kind::ConditionsFilled,
            place(None, None),
            &[
                ("count", json!(missing)),
                ("all", json!(grid.voltages.len() * grid.pressures.len())),
            ],
        ));
    }
    list
}
