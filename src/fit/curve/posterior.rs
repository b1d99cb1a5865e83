//! Gaussian-process algebra at fixed scales: evidence, posterior of line,
//! offset and curve. Everything here is in ms of pulse width (delivered per
//! pulse over a provisional slope), the offset in units of its prior doubt.

use super::cells::NoiseNode;
use super::family::Member;
use super::kernel::{self, Geometry, TargetPrior};
use super::tiles::{self, LANES, Lanes, Tile, take_off, take_off_column};

/// Columns of the right-hand sides.
pub(super) const SLOPE: usize = 0;
pub(super) const LEVEL: usize = 1;
pub(super) const OFFSET: usize = 2;
const READINGS: usize = 3;

/// One family member at one noise node, before its means are chosen. Its room
/// is used again from one factorisation to the next.
#[derive(Default)]
pub(super) struct Factored {
    /// U of K = Uᵀ U, row of tiles after row of tiles, each with the solved
    /// right-hand sides U⁻ᵀ B at its end.
    tiles: Vec<Tile>,
    /// The leading shape solved, U⁻ᵀ z.
    mean: Vec<Lanes>,
    /// One over the diagonal of U.
    inverse_diagonal: Vec<Lanes>,
    /// Bᵀ K⁻¹ B.
    gram: Tile,
    /// Bᵀ K⁻¹ z and zᵀ K⁻¹ z.
    gram_mean: Lanes,
    gram_mean_mean: f64,
    /// Posterior covariance of (slope, level, offset).
    covariance: [[f64; 3]; 3],
    /// ln|K| + ln|A|.
    log_determinant: f64,
}

/// What every factorisation of a member starts from.
pub(super) struct Start {
    /// Departure and line, the other right-hand sides zero.
    tiles: Vec<Tile>,
    /// The leading shape.
    mean: Vec<Lanes>,
}

impl Start {
    /// Of a member at the measured widths.
    pub fn of(geometry: &Geometry, member: &Member) -> Self {
        let departure = kernel::covariance(geometry, member);
        let blocks = geometry.blocks();
        let mut tiles = Vec::with_capacity(blocks * (blocks + 1));
        for (block, departure) in departure.chunks_exact(blocks).enumerate() {
            let mut regressors = tiles::ZERO;
            tiles.extend_from_slice(departure);
            let diagonal = tiles.len() - blocks + block;
            for row in 0..LANES {
                match geometry.measured.get(block * LANES + row) {
                    Some(f) => [regressors[row][SLOPE], regressors[row][LEVEL]] = f.line,
                    // A row beyond the last observes nothing.
                    None => tiles[diagonal][row][row] = 1.0,
                }
            }
            tiles.push(regressors);
        }
        Self {
            tiles,
            mean: geometry.measured_shapes[member.leading].clone(),
        }
    }

    /// Covariance of the departure between two measured widths, ms².
    pub fn departure(&self, i: usize, j: usize) -> f64 {
        // Of tiles left of the diagonal nothing is said.
        let (row, column) = (i.min(j), i.max(j));
        let across = self.mean.len() + 1;
        let tile = &self.tiles[row / LANES * across + column / LANES];
        tile[row % LANES][column % LANES]
    }
}

/// Factors K = departure + diag(variance of width means) and solves for the
/// regressors (Rasmussen & Williams 2006, algorithm 2.1), which have a flat prior on
/// the line and N(0, 1) on the offset (equations 2.41–2.45); false when K or A is
/// not positive definite.
pub(super) fn factor(start: &Start, node: &NoiseNode, out: &mut Factored) -> bool {
    let blocks = start.mean.len();
    out.tiles.clone_from(&start.tiles);
    out.mean.clone_from(&start.mean);
    for (j, variance) in node.mean_variance.iter().enumerate() {
        let (block, row) = (j / LANES, j % LANES);
        let tiles = &mut out.tiles[block * (blocks + 1)..][..=blocks];
        tiles[block][row][row] += variance;
        tiles[blocks][row][OFFSET] = node.offset[j];
        tiles[blocks][row][READINGS] = node.mean[j];
    }
    let Some(log_determinant) = eliminate(out) else {
        return false;
    };
    let (mut gram, mut gram_mean, mut mean_mean) = (tiles::ZERO, [0.0; LANES], 0.0);
    for (tiles, mean) in out.tiles.chunks_exact(blocks + 1).zip(&out.mean) {
        take_off(&mut gram, &tiles[blocks], &tiles[blocks]);
        take_off_column(&mut gram_mean, &tiles[blocks], mean);
        mean_mean += mean.iter().map(|v| v * v).sum::<f64>();
    }
    out.gram = gram.map(|row| row.map(|v| -v));
    out.gram_mean = gram_mean.map(|v| -v);
    out.gram_mean_mean = mean_mean;
    let mut a = [0, 1, 2].map(|i: usize| [0, 1, 2].map(|j: usize| out.gram[i][j]));
    a[OFFSET][OFFSET] += 1.0 + node.within[0];
    let Some((covariance, determinant)) = invert3(&a) else {
        return false;
    };
    out.covariance = covariance;
    out.log_determinant = log_determinant + determinant.ln();
    true
}

/// Cholesky elimination, right-hand sides carried along; gives ln|K|, `None` when
/// K is not positive definite. Each row of tiles takes those above it off.
fn eliminate(out: &mut Factored) -> Option<f64> {
    let blocks = out.mean.len();
    out.inverse_diagonal.clear();
    let mut log_determinant = 0.0;
    let mut product = 1.0;
    for k in 0..blocks {
        let (above, row) = out.tiles.split_at_mut(k * (blocks + 1));
        let row = &mut row[k..=blocks];
        let (means_above, mean) = out.mean.split_at_mut(k);
        for (above, mean_above) in above.chunks_exact(blocks + 1).zip(means_above) {
            for (tile, right) in row.iter_mut().zip(&above[k..]) {
                take_off(tile, &above[k], right);
            }
            take_off_column(&mut mean[0], &above[k], mean_above);
        }
        let (diagonal, rest) = row.split_at_mut(1);
        let (pivots, inverse) = tiles::factor(&mut diagonal[0])?;
        for tile in rest {
            tiles::solve(tile, &diagonal[0], &inverse);
        }
        tiles::solve_column(&mut mean[0], &diagonal[0], &inverse);
        for pivot in pivots {
            product *= pivot;
            // A logarithm now and then instead of one per row, before it can underflow.
            if !(1e-100..1e100).contains(&product) {
                log_determinant += product.ln();
                product = 1.0;
            }
        }
        out.inverse_diagonal.push(inverse);
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

/// The regression at one mean; `None` where its weight is no number.
pub(super) fn regress(
    factored: &Factored,
    node: &NoiseNode,
    mean: f64,
    log_prior: f64,
) -> Option<Regression> {
    let less_mean = |i: usize| factored.gram[i][READINGS] - mean * factored.gram_mean[i];
    let mut rhs = [0, 1, 2].map(less_mean);
    rhs[OFFSET] += node.within[1];
    let squares = factored.gram[READINGS][READINGS] - 2.0 * mean * factored.gram_mean[READINGS]
        + mean * mean * factored.gram_mean_mean
        + node.within[2];
    let covariance = factored.covariance;
    let beta = times(&covariance, &rhs);
    let log_weight = node.log_constant + log_prior
        - 0.5 * (factored.log_determinant + squares - dot(&beta, &rhs));
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
    /// The same with slope and level of the line; means nothing for a node.
    with_line: [f64; 2],
}

/// The targets projected, and U⁻ᵀ k* of the line's slope and level. Its room is
/// used again.
#[derive(Default)]
pub(super) struct Projection {
    /// In the order of the geometry.
    pub targets: Vec<Projected>,
    cross: Vec<Tile>,
    /// Columns 0 and 1: slope and level.
    line_cross: Vec<Tile>,
}

/// Projects the targets of a prior, four by four.
pub(super) fn project(
    geometry: &Geometry,
    prior: &TargetPrior,
    factored: &Factored,
    out: &mut Projection,
) {
    let blocks = geometry.blocks();
    out.targets.clear();
    for (group, start) in prior.cross.chunks_exact(blocks).enumerate() {
        out.cross.clear();
        out.cross.extend_from_slice(start);
        let mut rest = geometry.heads[group];
        let mut leading = geometry.target_shapes[group][prior.leading];
        let mut own = prior.own[group];
        for k in 0..blocks {
            let (done, from_here) = out.cross.split_at_mut(k);
            let value = &mut from_here[0];
            for (done, above) in done.iter().zip(factored.tiles.chunks_exact(blocks + 1)) {
                take_off(value, &above[k], done);
            }
            let row = &factored.tiles[k * (blocks + 1)..][..=blocks];
            tiles::solve(value, &row[k], &factored.inverse_diagonal[k]);
            take_off(&mut rest, &row[blocks], value);
            take_off_column(&mut leading, value, &factored.mean[k]);
            for value in &*value {
                for (own, value) in own.iter_mut().zip(value) {
                    *own -= value * value;
                }
            }
        }
        if group == 0 {
            out.line_cross.clone_from(&out.cross);
        }
        let mut with_line = [[0.0; LANES]; 2];
        if let Some(before) = prior.with_line.get(group) {
            with_line = *before;
            for (line, value) in out.line_cross.iter().zip(&out.cross) {
                take_off(&mut with_line, line, value);
            }
        }
        out.targets.extend((0..LANES).map(|lane| Projected {
            rest: [rest[SLOPE][lane], rest[LEVEL][lane], rest[OFFSET][lane]],
            readings: -rest[READINGS][lane],
            leading: leading[lane],
            own: own[lane].max(0.0),
            with_line: with_line.map(|row| row[lane]),
        }));
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
    let blocks = factored.inverse_diagonal.len();
    let mut out = vec![0.0; blocks * LANES];
    for i in (0..out.len()).rev() {
        let (block, row) = (i / LANES, i % LANES);
        let tiles = &factored.tiles[block * (blocks + 1)..][..=blocks];
        let u = &tiles[blocks][row];
        let mut value = projection.line_cross[block][row][line]
            + u[SLOPE] * cd[0]
            + u[LEVEL] * cd[1]
            + u[OFFSET] * cd[2];
        for j in i + 1..out.len() {
            value -= tiles[j / LANES][row][j % LANES] * out[j];
        }
        out[i] = value * factored.inverse_diagonal[block][row];
    }
    (out, cd)
}
