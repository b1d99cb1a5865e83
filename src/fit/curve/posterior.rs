//! Gaussian-process algebra at fixed scales: evidence, posterior of line,
//! offset and curve. Everything here is in ms of pulse width (delivered per
//! pulse over a provisional slope), the offset in units of its prior doubt.

use super::cells::NoiseNode;
use super::family::Member;
use super::kernel::{self, Geometry, TargetPrior};
use super::log_sum::LogProduct;
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
    /// Line and offset.
    pub regression: Regression,
}

/// Regression on line and offset, at whatever mean the leading shape has.
#[derive(Clone, Copy, Default)]
pub(super) struct Regression {
    /// Posterior covariance of (slope, level, offset).
    pub covariance: [[f64; 3]; 3],
    /// Their posterior mean where the leading shape has none.
    pub beta: [f64; 3],
    /// What a unit of mean adds to it.
    pub beta_per_mean: [f64; 3],
    /// How well it agrees with the readings.
    pub evidence: Evidence,
}

impl Regression {
    /// Posterior mean of (slope, level, offset) at one mean of the leading shape.
    pub fn beta_at(&self, mean: f64) -> [f64; 3] {
        std::array::from_fn(|i| self.beta[i] + mean * self.beta_per_mean[i])
    }
}

/// Logarithm of the evidence, apart from a constant common to all members and
/// nodes: coefficients of 1, m, m², where m is the mean of the leading shape.
#[derive(Clone, Copy, Default)]
pub(super) struct Evidence([f64; 3]);

impl Evidence {
    /// Of what cannot be.
    pub const NONE: Self = Self([f64::NEG_INFINITY, 0.0, 0.0]);

    /// At one mean.
    pub fn at(&self, mean: f64) -> f64 {
        self.0[0] + mean * (self.0[1] + mean * self.0[2])
    }

    /// The same with a further factor of which this is the logarithm.
    pub fn times(mut self, log_factor: f64) -> Self {
        self.0[0] += log_factor;
        self
    }
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
    // Sums were taken off nothing: what stands there is −Bᵀ K⁻¹ B and −Bᵀ K⁻¹ z.
    let mut precision = [0, 1, 2].map(|i: usize| [0, 1, 2].map(|j: usize| -gram[i][j]));
    precision[OFFSET][OFFSET] += 1.0 + node.within[0];
    let Some((covariance, determinant)) = invert3(&precision) else {
        return false;
    };
    let mut rhs = [0, 1, 2].map(|i: usize| -gram[i][READINGS]);
    rhs[OFFSET] += node.within[1];
    let rhs_per_mean = [0, 1, 2].map(|i: usize| gram_mean[i]);
    let beta = times(&covariance, &rhs);
    let beta_per_mean = times(&covariance, &rhs_per_mean);
    let square = node.within[2] - gram[READINGS][READINGS] - dot(&beta, &rhs);
    let square_per_mean = gram_mean[READINGS] - dot(&beta, &rhs_per_mean);
    let square_of_mean = mean_mean - dot(&beta_per_mean, &rhs_per_mean);
    out.regression = Regression {
        covariance,
        beta,
        beta_per_mean,
        evidence: Evidence([
            node.log_constant - 0.5 * (log_determinant + determinant.ln() + square),
            -square_per_mean,
            -0.5 * square_of_mean,
        ]),
    };
    true
}

/// Cholesky elimination, right-hand sides carried along; gives ln|K|, `None` when
/// K is not positive definite. Each row of tiles takes those above it off.
fn eliminate(out: &mut Factored) -> Option<f64> {
    let blocks = out.mean.len();
    out.inverse_diagonal.clear();
    let mut determinant = LogProduct::ONE;
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
        determinant = pivots.into_iter().fold(determinant, LogProduct::times);
        out.inverse_diagonal.push(inverse);
    }
    Some(determinant.value())
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

/// What the readings say of four targets, of one member at one node.
#[derive(Clone, Copy)]
pub(super) struct Told {
    /// Posterior mean where the leading shape has none (Rasmussen & Williams
    /// 2006, equation 2.41).
    pub mean: Lanes,
    /// What a unit of its mean adds.
    pub per_mean: Lanes,
    /// Posterior variance (the same, equation 2.42).
    pub variance: Lanes,
    /// Covariance with the offset.
    pub with_offset: Lanes,
    /// Covariance with slope and level of the line; means nothing for a node.
    pub with_line: [Lanes; 2],
}

/// All targets given the readings. Its room is used again.
#[derive(Default)]
pub(super) struct Projection {
    /// In the order of the geometry, four targets side by side.
    told: Vec<Told>,
    /// d = h − Hᵀ K⁻¹ k* of the line's slope and level.
    line_rest: [[f64; 3]; 2],
    cross: Vec<Tile>,
    /// U⁻ᵀ k*; columns 0 and 1 are slope and level.
    line_cross: Vec<Tile>,
}

impl Projection {
    /// The targets, four side by side.
    pub fn told(&self) -> &[Told] {
        &self.told
    }

    /// Mean of one target at a mean of the leading shape.
    pub fn mean(&self, target: usize, mean: f64) -> f64 {
        let (told, lane) = (&self.told[target / LANES], target % LANES);
        told.mean[lane] + mean * told.per_mean[lane]
    }

    /// Variance of one target and its covariance with the offset.
    pub fn variance(&self, target: usize) -> (f64, f64) {
        let (told, lane) = (&self.told[target / LANES], target % LANES);
        (told.variance[lane], told.with_offset[lane])
    }

    /// Covariance of the line's slope and level.
    pub fn slope_with_level(&self) -> f64 {
        self.told[0].with_line[SLOPE][LEVEL]
    }
}

/// Projects the targets of a member's prior, four by four.
pub(super) fn project(
    geometry: &Geometry,
    (member, prior): (&Member, &TargetPrior),
    factored: &Factored,
    out: &mut Projection,
) {
    let blocks = geometry.blocks();
    let regression = &factored.regression;
    let mut of_line = [[0.0; 3]; 2];
    out.told.clear();
    for (group, start) in prior.cross.chunks_exact(blocks).enumerate() {
        out.cross.clear();
        out.cross.extend_from_slice(start);
        let mut rest = geometry.heads[group];
        let mut per_mean = geometry.target_shapes[group][member.leading];
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
            take_off_column(&mut per_mean, value, &factored.mean[k]);
            for value in &*value {
                for (own, value) in own.iter_mut().zip(value) {
                    *own -= value * value;
                }
            }
        }
        let [slope, level, offset, readings] = rest;
        if group == 0 {
            out.line_cross.clone_from(&out.cross);
            out.line_rest = [0, 1].map(|line| [slope[line], level[line], offset[line]]);
            of_line = out.line_rest.map(|d| times(&regression.covariance, &d));
        }
        let mut with_line = [[0.0; LANES]; 2];
        if let Some(before) = prior.with_line.get(group) {
            with_line = *before;
            for (line, value) in out.line_cross.iter().zip(&out.cross) {
                take_off(&mut with_line, line, value);
            }
        }
        let along = |weights: &[f64; 3]| -> Lanes {
            std::array::from_fn(|lane| {
                weights[0] * slope[lane] + weights[1] * level[lane] + weights[2] * offset[lane]
            })
        };
        let doubt = regression.covariance.map(|row| along(&row));
        let (mean, tilt) = (along(&regression.beta), along(&regression.beta_per_mean));
        let line = of_line.map(|weights| along(&weights));
        out.told.push(Told {
            mean: std::array::from_fn(|lane| mean[lane] - readings[lane]),
            per_mean: std::array::from_fn(|lane| per_mean[lane] + tilt[lane]),
            variance: std::array::from_fn(|lane| {
                own[lane].max(0.0)
                    + slope[lane] * doubt[SLOPE][lane]
                    + level[lane] * doubt[LEVEL][lane]
                    + offset[lane] * doubt[OFFSET][lane]
            }),
            with_offset: doubt[OFFSET],
            with_line: [0, 1]
                .map(|l| std::array::from_fn(|lane| with_line[l][lane] + line[l][lane])),
        });
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
    line: usize,
) -> (Vec<f64>, [f64; 3]) {
    let cd = times(&factored.regression.covariance, &projection.line_rest[line]);
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
