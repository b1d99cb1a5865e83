//! Gaussian-process algebra at fixed scales: evidence, posterior of line,
//! offset and curve. Everything here is in ms of pulse width (delivered per
//! pulse over a provisional slope), the offset in units of its prior doubt.

use super::cells::NoiseNode;
use super::kernel::{self, Geometry, LANES, Lanes, Member};

/// Columns of the right-hand sides: slope, level, offset, readings, leading shape.
pub(super) const SLOPE: usize = 0;
pub(super) const LEVEL: usize = 1;
pub(super) const OFFSET: usize = 2;
const READINGS: usize = 3;
const MEAN: usize = 4;
const COLUMNS: usize = 5;

/// One family member at one noise node, before its means are chosen. Its room
/// is used again from one factorisation to the next.
#[derive(Default)]
pub(super) struct Factored {
    /// Rows of K beside the right-hand sides, turned into those of U.
    rows: Vec<Lanes>,
    /// Lower factor L of K = L Lᵀ without its diagonal, row after row.
    lower: Vec<f64>,
    /// One over the diagonal of L.
    inverse_diagonal: Vec<f64>,
    /// The solved right-hand sides L⁻¹ B, row by row.
    solved: Vec<[f64; COLUMNS]>,
    gram: [[f64; COLUMNS]; COLUMNS],
    log_determinant: f64,
}

/// Row `i` of a lower triangle without its diagonal.
fn lower_row(lower: &[f64], i: usize) -> &[f64] {
    let start = i * i.saturating_sub(1) / 2;
    &lower[start..start + i]
}

/// Lanes in a row of `m` covariances and the right-hand sides.
fn row_lanes(m: usize) -> usize {
    (m + COLUMNS).div_ceil(LANES)
}

/// The rows from which every factorisation of a member starts: departure, line
/// and leading shape, the rest zero.
pub(super) fn rows_of(geometry: &Geometry, member: &Member) -> Vec<Lanes> {
    let m = geometry.measured.len();
    let departure = kernel::covariance(geometry, member);
    let mut rows = vec![[0.0; LANES]; m * row_lanes(m)];
    for (j, row) in rows.chunks_exact_mut(row_lanes(m)).enumerate() {
        let f = &geometry.measured[j];
        let row = row.as_flattened_mut();
        row[..m].copy_from_slice(&departure[j * m..(j + 1) * m]);
        row[m + SLOPE] = f.line[0];
        row[m + LEVEL] = f.line[1];
        row[m + MEAN] = f.shapes[member.leading];
    }
    rows
}

/// Factors K = departure + diag(variance of width means) and solves for the
/// regressors (Rasmussen & Williams 2006, algorithm 2.1). `start` is what
/// [`rows_of`] gives; false when K is not positive definite.
pub(super) fn factor(start: &[Lanes], node: &NoiseNode, out: &mut Factored) -> bool {
    let m = node.mean.len();
    out.rows.clear();
    out.rows.extend_from_slice(start);
    for (j, row) in out.rows.chunks_exact_mut(row_lanes(m)).enumerate() {
        let row = row.as_flattened_mut();
        row[j] += node.mean_variance[j];
        row[m + OFFSET] = node.offset[j];
        row[m + READINGS] = node.mean[j];
    }
    let Some(log_determinant) = eliminate(m, out) else {
        return false;
    };
    out.log_determinant = log_determinant;
    out.solved.clear();
    out.gram = [[0.0; COLUMNS]; COLUMNS];
    for row in out.rows.chunks_exact(row_lanes(m)) {
        let u: &[f64; COLUMNS] = row.as_flattened()[m..]
            .first_chunk()
            .expect("rows hold the right-hand sides");
        out.solved.push(*u);
        for a in 0..COLUMNS {
            for b in a..COLUMNS {
                out.gram[a][b] += u[a] * u[b];
            }
        }
    }
    for a in 0..COLUMNS {
        for b in 0..a {
            out.gram[a][b] = out.gram[b][a];
        }
    }
    true
}

/// Cholesky elimination of `m` rows, right-hand sides carried along; gives
/// ln|K|, `None` when K is not positive definite.
///
/// Each row takes the rows above it off, lanes by lanes so that sums stay in
/// registers; lanes left of the diagonal are not worked on.
fn eliminate(m: usize, out: &mut Factored) -> Option<f64> {
    let lanes = row_lanes(m);
    out.lower.clear();
    out.inverse_diagonal.clear();
    let mut log_determinant = 0.0;
    let mut product = 1.0;
    for k in 0..m {
        let (above, row) = out.rows[..(k + 1) * lanes].split_at_mut(k * lanes);
        let from = out.lower.len();
        out.lower.extend(
            above
                .chunks_exact(lanes)
                .map(|row| row[k / LANES][k % LANES]),
        );
        let factors = &out.lower[from..];
        for c in k / LANES..lanes {
            let mut sums = row[c];
            for (factor, above) in factors.iter().zip(above.chunks_exact(lanes)) {
                for (sum, above) in sums.iter_mut().zip(&above[c]) {
                    *sum -= factor * above;
                }
            }
            row[c] = sums;
        }
        let pivot = row[k / LANES][k % LANES];
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
        for value in row[k / LANES..].as_flattened_mut() {
            *value *= scale;
        }
        out.inverse_diagonal.push(scale);
    }
    Some(log_determinant + product.ln())
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

/// A target given the readings of one member and node, apart from what the
/// regression adds.
#[derive(Clone, Copy, Default)]
pub(super) struct Projected {
    /// d = h − Hᵀ K⁻¹ k*, for slope, level, offset.
    pub rest: [f64; 3],
    /// k*ᵀ K⁻¹ y.
    readings: f64,
    /// The leading shape less k*ᵀ K⁻¹ z.
    leading: f64,
    /// k** − k*ᵀ K⁻¹ k*, at least zero.
    own: f64,
    /// The same with slope and level of the line; 0 for a node.
    with_line: [f64; 2],
}

/// The targets projected, and L⁻¹ k* of the line's slope and level.
#[derive(Default)]
pub(super) struct Projection {
    /// In the order of the geometry.
    pub targets: Vec<Projected>,
    line_cross: [Vec<f64>; 2],
}

/// Projects the targets of a prior, lane by lane.
pub(super) fn project(
    geometry: &Geometry,
    prior: &kernel::TargetPrior,
    factored: &Factored,
    out: &mut Projection,
) {
    let m = geometry.measured.len();
    let count = prior.own.len();
    let mut cross = vec![[0.0; LANES]; m];
    out.targets.clear();
    for (chunk, start) in prior.cross.chunks_exact(m).enumerate() {
        cross.copy_from_slice(start);
        let mut solved = [[0.0; LANES]; COLUMNS];
        let mut squares = [0.0; LANES];
        for i in 0..m {
            let (done, rest) = cross.split_at_mut(i);
            let value = &mut rest[0];
            for (l, done) in lower_row(&factored.lower, i).iter().zip(&*done) {
                for (value, done) in value.iter_mut().zip(done) {
                    *value -= l * done;
                }
            }
            for (square, value) in squares.iter_mut().zip(&mut *value) {
                *value *= factored.inverse_diagonal[i];
                *square += *value * *value;
            }
            for (sum, u) in solved.iter_mut().zip(&factored.solved[i]) {
                for (sum, value) in sum.iter_mut().zip(&*value) {
                    *sum += u * value;
                }
            }
        }
        if chunk == 0 {
            out.line_cross = [0, 1].map(|line| cross.iter().map(|v| v[line]).collect());
        }
        let mut shared = [[0.0; LANES]; 2];
        if chunk * LANES < prior.with_line[0].len() {
            for (i, value) in cross.iter().enumerate() {
                for (sum, line) in shared.iter_mut().zip(&out.line_cross) {
                    for (sum, value) in sum.iter_mut().zip(value) {
                        *sum += line[i] * value;
                    }
                }
            }
        }
        for (lane, t) in (chunk * LANES..count).take(LANES).enumerate() {
            let f = &geometry.targets[t];
            out.targets.push(Projected {
                rest: [
                    f.line[0] - solved[SLOPE][lane],
                    f.line[1] - solved[LEVEL][lane],
                    -solved[OFFSET][lane],
                ],
                readings: solved[READINGS][lane],
                leading: f.shapes[prior.leading] - solved[MEAN][lane],
                own: (prior.own[t] - squares[lane]).max(0.0),
                with_line: [0, 1].map(|line| {
                    let before = prior.with_line[line].get(t);
                    before.map_or(0.0, |before| before - shared[line][lane])
                }),
            });
        }
    }
}

impl Projected {
    /// Posterior mean (Rasmussen & Williams 2006, equation 2.41 with a mean
    /// departure).
    pub fn mean(&self, regression: &Regression, mean: f64) -> f64 {
        dot(&self.rest, &regression.beta) + self.readings + mean * self.leading
    }

    /// Posterior variance (Rasmussen & Williams 2006, equation 2.42).
    pub fn variance(&self, regression: &Regression) -> f64 {
        self.own + dot(&self.rest, &times(&regression.covariance, &self.rest))
    }

    /// Posterior covariance with the line's slope or level, given C d of that; not for a node.
    pub fn covariance_with_line(&self, line: usize, of_line: &[f64; 3]) -> f64 {
        self.with_line[line] + dot(&self.rest, of_line)
    }
}

/// Scalar product.
pub(super) fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// A symmetric 3 × 3 matrix times a vector.
pub(super) fn times(c: &[[f64; 3]; 3], b: &[f64; 3]) -> [f64; 3] {
    [dot(&c[0], b), dot(&c[1], b), dot(&c[2], b)]
}

/// K⁻¹ (k* + H C d) of the line's slope or level: what its estimate takes from
/// the mean of each width, with C d, what it takes from the offset regressors.
pub(super) fn weights_on_widths(
    factored: &Factored,
    projection: &Projection,
    regression: &Regression,
    line: usize,
) -> (Vec<f64>, [f64; 3]) {
    let cd = times(&regression.covariance, &projection.targets[line].rest);
    let mut out: Vec<f64> = projection.line_cross[line]
        .iter()
        .zip(&factored.solved)
        .map(|(cross, u)| cross + u[SLOPE] * cd[0] + u[LEVEL] * cd[1] + u[OFFSET] * cd[2])
        .collect();
    for i in (0..out.len()).rev() {
        let (before, rest) = out.split_at_mut(i);
        rest[0] *= factored.inverse_diagonal[i];
        for (value, l) in before.iter_mut().zip(lower_row(&factored.lower, i)) {
            *value -= l * rest[0];
        }
    }
    (out, cd)
}
