//! Readings brought together: equal (width, pulses) become one cell, cells of
//! one width one pseudo-reading. Nothing is lost: all variances are known once
//! the noise scales are, so means and sums of squares are sufficient.

use super::log_sum::LogProduct;
use super::{CurveReading, CurveSetup};
use crate::fit::noise::Noise;

/// Readings that share pulse width, pulse count and further variance.
pub(super) struct Cell {
    /// Index into `Cells::widths`.
    pub width: usize,
    /// Pulses of one reading.
    pub pulses: f64,
    /// Further variance of one reading, delivered units squared.
    pub extra_variance: f64,
    /// Number of readings.
    pub count: f64,
    /// Mean of the delivered quantity.
    pub mean: f64,
    /// Sum of squares about the mean.
    pub within: f64,
}

/// Every used reading of a sweep, collapsed.
pub(super) struct Cells {
    /// Distinct pulse widths, ascending, ms.
    pub widths: Vec<f64>,
    /// Off-time of each width, ms; infinite where the period is unstated.
    pub off_times: Vec<f64>,
    /// The cells in order of width, pulses, further variance.
    pub cells: Vec<Cell>,
    /// The cell of each reading; `None` where the reading is not used.
    pub of_reading: Vec<Option<usize>>,
}

/// Collapses the readings whose `used` flag is set.
pub(super) fn collapse(readings: &[CurveReading], used: &[bool]) -> Cells {
    let mut order: Vec<usize> = (0..readings.len()).filter(|&i| used[i]).collect();
    let key = |i: usize| {
        let r = &readings[i];
        [r.width_ms, r.pulses, r.extra_variance]
    };
    order.sort_by(|&a, &b| {
        let (a, b) = (key(a), key(b));
        a[0].total_cmp(&b[0])
            .then(a[1].total_cmp(&b[1]))
            .then(a[2].total_cmp(&b[2]))
    });
    let mut out = Cells {
        widths: Vec::new(),
        off_times: Vec::new(),
        cells: Vec::new(),
        of_reading: vec![None; readings.len()],
    };
    let mut last: Option<[f64; 3]> = None;
    for i in order {
        let k = key(i);
        let off = readings[i]
            .period_ms
            .map_or(f64::INFINITY, |period| period - k[0]);
        if last.is_none_or(|l| l[0] != k[0]) {
            out.widths.push(k[0]);
            out.off_times.push(off);
        }
        let width = out.widths.len() - 1;
        out.off_times[width] = out.off_times[width].min(off);
        if last != Some(k) {
            out.cells.push(Cell {
                width,
                pulses: k[1],
                extra_variance: k[2],
                count: 0.0,
                mean: 0.0,
                within: 0.0,
            });
        }
        last = Some(k);
        let index = out.cells.len() - 1;
        let cell = &mut out.cells[index];
        // Welford's update: thousands of near-equal totals must not cancel.
        cell.count += 1.0;
        let step = readings[i].delivered - cell.mean;
        cell.mean += step / cell.count;
        cell.within += step * (readings[i].delivered - cell.mean);
        out.of_reading[i] = Some(index);
    }
    out
}

/// Noise scales with what the readings say given them.
pub(super) struct NoiseNode {
    /// The scales.
    pub noise: Noise,
    /// Logarithm of prior weight plus all likelihood factors that do not
    /// involve the curve.
    pub log_constant: f64,
    /// Variance of one reading of each cell, in (ms)² per pulse.
    pub variances: Vec<f64>,
    /// Per width: variance of the weighted mean, (ms)².
    pub mean_variance: Vec<f64>,
    /// Per width: weighted mean of delivered per pulse over scale, ms.
    pub mean: Vec<f64>,
    /// Per width: weighted mean of the offset regressor, ms per unit offset.
    pub offset: Vec<f64>,
    /// Within-width sums: offset², offset·y, y².
    pub within: [f64; 3],
}

/// What the readings say at given noise scales.
pub(super) fn noise_node(
    cells: &Cells,
    setup: &CurveSetup,
    scale: f64,
    noise: Noise,
    log_prior: f64,
) -> NoiseNode {
    let m = cells.widths.len();
    let largest = cells.cells.iter().fold(0.0_f64, |a, c| a.max(c.mean.abs()));
    // Keeps variances positive where every stated one is zero.
    let tiny = (1e-7 * largest).powi(2);
    let mut node = NoiseNode {
        noise,
        log_constant: log_prior,
        variances: Vec::with_capacity(cells.cells.len()),
        mean_variance: vec![0.0; m],
        mean: vec![0.0; m],
        offset: vec![0.0; m],
        within: [0.0; 3],
    };
    let offset_unit = setup.offset_uncertainty / scale;
    // Until all cells are in, `mean_variance` holds precisions.
    for cell in &cells.cells {
        let per_pulse = 1.0 / (cell.pulses * scale);
        let own = noise.variance(cell.pulses, cell.mean) + cell.extra_variance + tiny;
        let v = own * per_pulse * per_pulse;
        node.variances.push(v);
        let weight = cell.count / v;
        node.mean_variance[cell.width] += weight;
        node.mean[cell.width] += weight * (cell.mean - setup.offset_mean) * per_pulse;
        node.offset[cell.width] += weight * offset_unit / cell.pulses;
        node.log_constant -= 0.5 * (cell.count * v.ln() + cell.within * per_pulse * per_pulse / v);
    }
    let mut precisions = LogProduct::ONE;
    for j in 0..m {
        let precision = node.mean_variance[j];
        let variance = 1.0 / precision;
        node.mean[j] *= variance;
        node.offset[j] *= variance;
        node.mean_variance[j] = variance;
        precisions = precisions.times(precision);
    }
    node.log_constant -= 0.5 * precisions.value();
    for (cell, v) in cells.cells.iter().zip(&node.variances) {
        let weight = cell.count / v;
        let y = (cell.mean - setup.offset_mean) / (cell.pulses * scale) - node.mean[cell.width];
        let g = offset_unit / cell.pulses - node.offset[cell.width];
        node.within[0] += weight * g * g;
        node.within[1] += weight * g * y;
        node.within[2] += weight * y * y;
    }
    node
}
