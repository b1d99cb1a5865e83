//! Gaussian-process algebra at fixed scales: evidence, posterior of line,
//! offset and curve. Everything here is in ms of pulse width (delivered per
//! pulse over a provisional slope), the offset in units of its prior doubt.

use super::cells::NoiseNode;
use super::kernel::{self, Geometry, Member};

/// Columns of the right-hand sides: slope, level, offset, readings, leading shape.
pub(super) const SLOPE: usize = 0;
pub(super) const LEVEL: usize = 1;
pub(super) const OFFSET: usize = 2;
const READINGS: usize = 3;
const MEAN: usize = 4;
const COLUMNS: usize = 5;

/// One family member at one noise node, before its means are chosen.
pub(super) struct Factored {
    /// Upper factor U of K = UᵀU beside the solved right-hand sides U⁻ᵀ B,
    /// rows of `m + COLUMNS`.
    rows: Vec<f64>,
    m: usize,
    gram: [[f64; COLUMNS]; COLUMNS],
    log_determinant: f64,
}

impl Factored {
    /// The entry of U.
    fn upper(&self, row: usize, column: usize) -> f64 {
        self.rows[row * (self.m + COLUMNS) + column]
    }

    /// The solved right-hand sides of one row.
    fn solved(&self, row: usize) -> &[f64] {
        &self.rows[row * (self.m + COLUMNS) + self.m..(row + 1) * (self.m + COLUMNS)]
    }
}

/// Cholesky elimination of `m` rows of `width`, right-hand sides carried along;
/// gives ln|K|, `None` when K is not positive definite.
fn eliminate(rows: &mut [f64], m: usize, width: usize) -> Option<f64> {
    let mut log_determinant = 0.0;
    let mut product = 1.0;
    for k in 0..m {
        let (head, tail) = rows.split_at_mut((k + 1) * width);
        let row = &mut head[k * width..];
        let pivot = row[k];
        if pivot.is_nan() || pivot <= 0.0 {
            return None;
        }
        product *= pivot;
        // A logarithm now and then instead of one per row, before it can underflow.
        if !(1e-100..1e100).contains(&product) {
            log_determinant += product.ln();
            product = 1.0;
        }
        let scale = 1.0 / pivot.sqrt();
        for value in &mut row[k..] {
            *value *= scale;
        }
        for (i, other) in tail.chunks_exact_mut(width).take(m - k - 1).enumerate() {
            let i = i + k + 1;
            let factor = row[i];
            for (value, above) in other[i..].iter_mut().zip(&row[i..]) {
                *value -= factor * above;
            }
        }
    }
    Some(log_determinant + product.ln())
}

/// Factors K = departure + diag(variance of width means) and solves for the
/// regressors (Rasmussen & Williams 2006, algorithm 2.1).
pub(super) fn factor(
    geometry: &Geometry,
    departure: &[f64],
    member: &Member,
    node: &NoiseNode,
) -> Option<Factored> {
    let m = geometry.measured.len();
    let width = m + COLUMNS;
    let mut rows = Vec::with_capacity(m * width);
    for j in 0..m {
        let f = &geometry.measured[j];
        rows.extend_from_slice(&departure[j * m..(j + 1) * m]);
        rows[j * width + j] += node.mean_variance[j];
        rows.extend_from_slice(&[
            f.line[0],
            f.line[1],
            node.offset[j],
            node.mean[j],
            f.shapes[member.leading],
        ]);
    }
    let log_determinant = eliminate(&mut rows, m, width)?;
    let mut gram = [[0.0; COLUMNS]; COLUMNS];
    for row in rows.chunks_exact(width) {
        let u = &row[m..];
        for a in 0..COLUMNS {
            for b in a..COLUMNS {
                gram[a][b] += u[a] * u[b];
            }
        }
    }
    for a in 0..COLUMNS {
        for b in 0..a {
            gram[a][b] = gram[b][a];
        }
    }
    Some(Factored {
        rows,
        m,
        gram,
        log_determinant,
    })
}

/// Regression part at one mean of the leading shape.
pub(super) struct Regression {
    /// Posterior mean of (slope, level, offset).
    pub beta: [f64; 3],
    /// Its covariance.
    pub covariance: [[f64; 3]; 3],
    /// Logarithm of prior weight times evidence, apart from a constant
    /// common to all members and nodes.
    pub log_weight: f64,
}

/// Explicit basis functions with a flat prior on the line and N(0, 1) on the
/// offset (Rasmussen & Williams 2006, equations 2.41–2.45).
pub(super) fn regress(
    factored: &Factored,
    node: &NoiseNode,
    mean: f64,
    log_prior: f64,
) -> Option<Regression> {
    let g = &factored.gram;
    let mut a = [[0.0; 3]; 3];
    let mut rhs = [0.0; 3];
    for i in 0..3 {
        a[i].copy_from_slice(&g[i][..3]);
        rhs[i] = g[i][READINGS] - mean * g[i][MEAN];
    }
    a[OFFSET][OFFSET] += 1.0 + node.within[0];
    rhs[OFFSET] += node.within[1];
    let squares = g[READINGS][READINGS] - 2.0 * mean * g[READINGS][MEAN]
        + mean * mean * g[MEAN][MEAN]
        + node.within[2];
    let (covariance, determinant) = invert3(&a)?;
    let mut beta = [0.0; 3];
    for i in 0..3 {
        beta[i] = (0..3).map(|j| covariance[i][j] * rhs[j]).sum();
    }
    let explained: f64 = (0..3).map(|i| beta[i] * rhs[i]).sum();
    let log_weight = node.log_constant + log_prior
        - 0.5 * (factored.log_determinant + determinant.ln() + squares - explained);
    log_weight.is_finite().then_some(Regression {
        beta,
        covariance,
        log_weight,
    })
}

/// Inverse and determinant of a symmetric positive definite 3 × 3 matrix, by
/// its Cholesky factor after scaling the diagonal to one.
fn invert3(a: &[[f64; 3]; 3]) -> Option<([[f64; 3]; 3], f64)> {
    let mut scale = [0.0; 3];
    for i in 0..3 {
        if a[i][i].is_nan() || a[i][i] <= 0.0 {
            return None;
        }
        scale[i] = a[i][i].sqrt();
    }
    let mut l = [[0.0; 3]; 3];
    let mut inverse = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            let rest = a[i][j] / (scale[i] * scale[j]) - dot;
            l[i][j] = if i > j {
                rest / l[j][j]
            } else if rest > 0.0 {
                rest.sqrt()
            } else {
                return None;
            };
        }
        // Inverse of the lower factor.
        inverse[i][i] = 1.0 / l[i][i];
        for j in 0..i {
            let sum: f64 = (j..i).map(|k| l[i][k] * inverse[k][j]).sum();
            inverse[i][j] = -sum / l[i][i];
        }
    }
    let mut out = [[0.0; 3]; 3];
    let mut determinant = 1.0;
    for i in 0..3 {
        determinant *= (l[i][i] * scale[i]).powi(2);
        for j in 0..3 {
            let sum: f64 = (0..3).map(|k| inverse[k][i] * inverse[k][j]).sum();
            out[i][j] = sum / (scale[i] * scale[j]);
        }
    }
    Some((out, determinant))
}

/// What all means of one member and node share about the targets.
pub(super) struct Projection {
    /// L⁻¹ K*, measured × targets.
    cross: Vec<f64>,
    /// d = h − Hᵀ K⁻¹ k*, per target, for slope, level, offset.
    pub rest: Vec<[f64; 3]>,
    /// k*ᵀ K⁻¹ y and k*ᵀ K⁻¹ z, per target.
    pulled: Vec<[f64; 2]>,
    /// Σ of squares of the columns of `cross`.
    squares: Vec<f64>,
    targets: usize,
}

/// Projects the targets `from..` of the geometry.
pub(super) fn project(
    geometry: &Geometry,
    cross_covariance: &[f64],
    factored: &Factored,
) -> Projection {
    let m = geometry.measured.len();
    let t = geometry.targets.len();
    let mut cross = cross_covariance.to_vec();
    let mut rest: Vec<[f64; 3]> = geometry
        .targets
        .iter()
        .map(|f| [f.line[0], f.line[1], 0.0])
        .collect();
    let mut pulled = vec![[0.0; 2]; t];
    let mut squares = vec![0.0; t];
    for i in 0..m {
        let (done, tail) = cross.split_at_mut(i * t);
        let row = &mut tail[..t];
        for k in 0..i {
            let l = factored.upper(k, i);
            for (value, other) in row.iter_mut().zip(&done[k * t..(k + 1) * t]) {
                *value -= l * other;
            }
        }
        let inverse = 1.0 / factored.upper(i, i);
        let u = factored.solved(i);
        for (j, value) in row.iter_mut().enumerate() {
            *value *= inverse;
            let v = *value;
            rest[j][0] -= v * u[SLOPE];
            rest[j][1] -= v * u[LEVEL];
            rest[j][2] -= v * u[OFFSET];
            pulled[j][0] += v * u[READINGS];
            pulled[j][1] += v * u[MEAN];
            squares[j] += v * v;
        }
    }
    Projection {
        cross,
        rest,
        pulled,
        squares,
        targets: t,
    }
}

/// Quadratic form of two vectors with a symmetric 3 × 3 matrix.
pub(super) fn form(a: &[f64; 3], c: &[[f64; 3]; 3], b: &[f64; 3]) -> f64 {
    (0..3)
        .map(|i| a[i] * (0..3).map(|j| c[i][j] * b[j]).sum::<f64>())
        .sum()
}

/// Posterior mean of a target (Rasmussen & Williams 2006, equation 2.41 with a
/// mean departure).
pub(super) fn target_mean(
    geometry: &Geometry,
    member: &Member,
    projection: &Projection,
    regression: &Regression,
    mean: f64,
    target: usize,
) -> f64 {
    let d = &projection.rest[target];
    let b = &regression.beta;
    let [y, z] = projection.pulled[target];
    d[0] * b[0]
        + d[1] * b[1]
        + d[2] * b[2]
        + y
        + mean * (geometry.targets[target].shapes[member.leading] - z)
}

/// Posterior variance of a target (Rasmussen & Williams 2006, equation 2.42).
pub(super) fn target_variance(
    geometry: &Geometry,
    member: &Member,
    projection: &Projection,
    regression: &Regression,
    target: usize,
) -> f64 {
    let d = &projection.rest[target];
    let own = kernel::own_variance(geometry, member, target) - projection.squares[target];
    own.max(0.0) + form(d, &regression.covariance, d)
}

/// Posterior covariance of the line's slope or level (`line` 0 or 1) with a target.
pub(super) fn line_target_covariance(
    geometry: &Geometry,
    member: &Member,
    projection: &Projection,
    regression: &Regression,
    line: usize,
    target: usize,
) -> f64 {
    let t = projection.targets;
    let shared: f64 = projection
        .cross
        .chunks_exact(t)
        .map(|row| row[line] * row[target])
        .sum();
    kernel::line_covariance(geometry, member, line, target) - shared
        + form(
            &projection.rest[line],
            &regression.covariance,
            &projection.rest[target],
        )
}

/// K⁻¹ (k* + H C d) of a target: what the target's estimate takes from the mean
/// of each width, with C d, what it takes from the offset regressors.
pub(super) fn weights_on_widths(
    factored: &Factored,
    projection: &Projection,
    regression: &Regression,
    target: usize,
) -> (Vec<f64>, [f64; 3]) {
    let m = factored.m;
    let d = &projection.rest[target];
    let mut cd = [0.0; 3];
    for i in 0..3 {
        cd[i] = (0..3).map(|j| regression.covariance[i][j] * d[j]).sum();
    }
    let mut out: Vec<f64> = (0..m)
        .map(|i| {
            let u = factored.solved(i);
            projection.cross[i * projection.targets + target]
                + u[0] * cd[0]
                + u[1] * cd[1]
                + u[2] * cd[2]
        })
        .collect();
    for i in (0..m).rev() {
        out[i] /= factored.upper(i, i);
        for k in 0..i {
            out[k] -= factored.upper(k, i) * out[i];
        }
    }
    (out, cd)
}
