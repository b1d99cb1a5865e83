//! The prior of the departure of the delivery curve from its asymptote, and
//! the geometry that it needs: shapes at the measured widths, at the wanted
//! widths, and under the least-squares line of the range.

use std::iter;

use super::cells::Cells;
use super::family::{DECAY_TIMES_MS, LONG_END, Member, SHAPES};
use super::tiles::{self, LANES, Lanes, Tile};

/// Pulse width past dead time at which amplitudes are stated, ms.
const PAST_DEAD_TIME_MS: f64 = 0.5;
/// Amplitudes are never stated earlier than this after switch-on, ms: current
/// and flux settle after switch-on, however early a slow closing puts the dead
/// time.
const PAST_SWITCH_ON_MS: f64 = 1.0;

/// Width at which amplitudes are stated, ms (equation C5).
pub(super) fn anchor(dead_time: f64) -> f64 {
    (dead_time + PAST_DEAD_TIME_MS).max(PAST_SWITCH_ON_MS)
}

/// The local part: decay time of the envelope, ms, correlation length, ms, and
/// share. Features of current and lift last some 0.4 ms; what follows is smoother.
const LOCAL_PARTS: [(f64, f64, f64); 2] = [(0.5, 0.4, 1.0), (1.2, 1.0, 0.3)];
/// Off-time at which the long-end amplitude is stated, and its decay, ms.
const LONG_END_OFF_MS: f64 = 1.0;
/// Targets before the widths: slope and level of the line.
pub(super) const LINE_TARGETS: usize = 2;
/// Points of the fine grid that stands for the line range.
const RANGE_POINTS: usize = 64;

/// A linear functional of the curve: its straight-line part and its weights on
/// the shapes.
#[derive(Clone, Copy)]
pub(super) struct Functional {
    /// Weights on (slope, level at the centre).
    pub line: [f64; 2],
    /// Weights on the shapes.
    pub shapes: [f64; SHAPES],
}

/// Everything that depends on widths only.
pub(super) struct Geometry {
    /// Width about which the straight part is written, ms.
    pub centre: f64,
    /// The measured widths.
    pub measured: Vec<Functional>,
    /// Line slope, line level at the centre, then the widths of the grid, then the nodes.
    pub targets: Vec<Functional>,
    /// Shapes at the measured widths, in lanes.
    pub measured_shapes: [Vec<Lanes>; SHAPES],
    /// What targets take of slope and level, four targets side by side.
    pub heads: Vec<Tile>,
    /// Shapes of the targets, four targets side by side.
    pub target_shapes: Vec<[Lanes; SHAPES]>,
    /// Local covariance of the measured widths in tiles, row after row, unit
    /// variance at the anchor.
    local: Vec<Tile>,
    /// Local covariance of measured widths with targets: for each four targets a
    /// column of tiles.
    local_cross: Vec<Tile>,
    /// Local covariance of line slope and level with the targets before the nodes.
    local_line: Vec<[Lanes; 2]>,
    /// Local variance of each target.
    local_own: Vec<Lanes>,
}

impl Geometry {
    /// Tiles in a row of measured widths.
    pub fn blocks(&self) -> usize {
        tiles::tiles_of(self.measured.len())
    }
}

/// Where the curve is wanted and where the line lies.
pub(super) struct Wanted<'a> {
    /// Line range, ms.
    pub line_range: (f64, f64),
    /// Widths at which q is wanted, ms.
    pub grid: &'a [f64],
    /// Further widths, of which it is not asked how they go with the line, ms.
    pub nodes: &'a [f64],
    /// Provisional dead time, ms.
    pub dead_time: f64,
}

/// Local covariance as products of one-sided exponentials (equation C6), so
/// that a table needs no more exponentials than points.
struct Local {
    rising: [f64; LOCAL_PARTS.len()],
    falling: [f64; LOCAL_PARTS.len()],
    width: f64,
}

impl Local {
    fn at(width: f64, dead_time: f64) -> Self {
        let x = width - anchor(dead_time);
        // Bounds keep products finite for widths of any size.
        let bounded = |t: f64| t.clamp(-700.0, 300.0).exp();
        let rate = |length: f64| 3.0_f64.sqrt() / length;
        Self {
            rising: LOCAL_PARTS
                .map(|(decay, length, share)| share * bounded((rate(length) - 1.0 / decay) * x)),
            falling: LOCAL_PARTS
                .map(|(decay, length, _)| bounded(-(rate(length) + 1.0 / decay) * x)),
            width,
        }
    }

    fn covariance(&self, other: &Self) -> f64 {
        let (early, late) = if self.width <= other.width {
            (self, other)
        } else {
            (other, self)
        };
        let mut sum = 0.0;
        for (k, (_, length, _)) in LOCAL_PARTS.iter().enumerate() {
            let distance = 3.0_f64.sqrt() * (late.width - early.width) / length;
            sum += (1.0 + distance) * early.rising[k] * late.falling[k];
        }
        sum
    }
}

/// Local covariance of one width with a weighted sum over many. As the parts are
/// products, sums over the earlier and over the later points do for every width.
struct UnderWeights {
    widths: Vec<f64>,
    /// Of the points before each, per part: Σ weight·rising and Σ weight·rising·width.
    before: Vec<[[f64; 2]; LOCAL_PARTS.len()]>,
    /// Of each point and those after it: the same with falling.
    after: Vec<[[f64; 2]; LOCAL_PARTS.len()]>,
}

impl UnderWeights {
    /// Of points by rising width.
    fn of(points: &[Local], weights: &[f64]) -> Self {
        let n = points.len();
        let none = [[0.0; 2]; LOCAL_PARTS.len()];
        let (mut before, mut after) = (vec![none; n + 1], vec![none; n + 1]);
        for i in 0..n {
            let (early, late) = (&points[i], &points[n - 1 - i]);
            for k in 0..LOCAL_PARTS.len() {
                let (up, down) = (
                    weights[i] * early.rising[k],
                    weights[n - 1 - i] * late.falling[k],
                );
                for (power, [up, down]) in [[up, down], [up * early.width, down * late.width]]
                    .into_iter()
                    .enumerate()
                {
                    before[i + 1][k][power] = before[i][k][power] + up;
                    after[n - 1 - i][k][power] = after[n - i][k][power] + down;
                }
            }
        }
        Self {
            widths: points.iter().map(|p| p.width).collect(),
            before,
            after,
        }
    }

    fn covariance(&self, other: &Local) -> f64 {
        let from = self.widths.partition_point(|&w| w <= other.width);
        let mut sum = 0.0;
        for (k, (_, length, _)) in LOCAL_PARTS.iter().enumerate() {
            let rate = 3.0_f64.sqrt() / length;
            let at = rate * other.width;
            let [early, early_width] = self.before[from][k];
            let [late, late_width] = self.after[from][k];
            sum += other.falling[k] * ((1.0 + at) * early - rate * early_width)
                + other.rising[k] * ((1.0 - at) * late + rate * late_width);
        }
        sum
    }
}

/// Shapes at one width (equations C5, C7).
fn shapes(width: f64, off_time: f64, dead_time: f64) -> [f64; SHAPES] {
    let x = width - anchor(dead_time);
    let mut out = [0.0; SHAPES];
    for (value, decay) in out.iter_mut().zip(DECAY_TIMES_MS) {
        *value = (-x / decay).min(20.0).exp();
    }
    out[LONG_END] = (-(off_time - LONG_END_OFF_MS) / LONG_END_OFF_MS)
        .min(5.0)
        .exp();
    out
}

/// Off-time of any width: between measured widths interpolated, beyond them
/// with the period of the nearest.
fn off_time_at(cells: &Cells, width: f64) -> f64 {
    let (widths, off) = (&cells.widths, &cells.off_times);
    let next = widths.partition_point(|&w| w < width);
    if next == 0 {
        return off[0] + widths[0] - width;
    }
    if next == widths.len() {
        return off[next - 1] + widths[next - 1] - width;
    }
    let share = (width - widths[next - 1]) / (widths[next] - widths[next - 1]);
    if off[next].is_infinite() || off[next - 1].is_infinite() {
        return f64::INFINITY;
    }
    off[next - 1] + share * (off[next] - off[next - 1])
}

/// Weights of the least-squares line over the range on a fine grid: slope and
/// level at `centre`.
fn line_weights(line_range: (f64, f64), centre: f64) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let (lo, hi) = line_range;
    let n = RANGE_POINTS as f64;
    let step = (hi - lo) / n;
    let points: Vec<f64> = (0..RANGE_POINTS)
        .map(|i| lo + (i as f64 + 0.5) * step)
        .collect();
    let middle = 0.5 * (lo + hi);
    // Σ(w − w̄)² of n midpoints is step²·n(n² − 1)/12.
    let spread = step * step * n * (n * n - 1.0) / 12.0;
    let slope: Vec<f64> = points.iter().map(|w| (w - middle) / spread).collect();
    let level = slope
        .iter()
        .map(|s| 1.0 / n + s * (centre - middle))
        .collect();
    (points, slope, level)
}

/// Builds the geometry of one sweep.
pub(super) fn geometry(cells: &Cells, wanted: &Wanted) -> Geometry {
    let widths = &cells.widths;
    let m = widths.len();
    let centre = widths.iter().sum::<f64>() / m as f64;
    let dead_time = wanted.dead_time;
    let at = |w: f64, off: f64| Functional {
        line: [w - centre, 1.0],
        shapes: shapes(w, off, dead_time),
    };
    let measured: Vec<Functional> = widths
        .iter()
        .zip(&cells.off_times)
        .map(|(&w, &off)| at(w, off))
        .collect();

    let (points, slope_weights, level_weights) = line_weights(wanted.line_range, centre);
    let mut lines = [Functional {
        line: [1.0, 0.0],
        shapes: [0.0; SHAPES],
    }; 2];
    lines[1].line = [0.0, 1.0];
    for (i, &w) in points.iter().enumerate() {
        let z = shapes(w, off_time_at(cells, w), dead_time);
        for s in 0..SHAPES {
            lines[0].shapes[s] += slope_weights[i] * z[s];
            lines[1].shapes[s] += level_weights[i] * z[s];
        }
    }
    let mut targets = lines.to_vec();
    let all_wanted = || wanted.grid.iter().chain(wanted.nodes);
    targets.extend(all_wanted().map(|&w| at(w, off_time_at(cells, w))));

    let local_measured: Vec<Local> = widths.iter().map(|&w| Local::at(w, dead_time)).collect();
    let local_points: Vec<Local> = points.iter().map(|&w| Local::at(w, dead_time)).collect();
    let local_wanted: Vec<Local> = all_wanted().map(|&w| Local::at(w, dead_time)).collect();
    let under_slope = UnderWeights::of(&local_points, &slope_weights);
    let under_level = UnderWeights::of(&local_points, &level_weights);
    let under_line = |other: &Local| [&under_slope, &under_level].map(|u| u.covariance(other));
    let line_measured: Vec<[f64; 2]> = local_measured.iter().map(under_line).collect();
    let of_grid = &local_wanted[..wanted.grid.len()];
    let line_wanted: Vec<[f64; 2]> = of_grid.iter().map(under_line).collect();
    let mut line_line = [[0.0; 2]; 2];
    for (i, p) in local_points.iter().enumerate() {
        let sums = under_line(p);
        for b in 0..2 {
            line_line[0][b] += slope_weights[i] * sums[b];
            line_line[1][b] += level_weights[i] * sums[b];
        }
    }

    let blocks = tiles::tiles_of(m);
    let mut local = vec![tiles::ZERO; blocks * blocks];
    let mut local_cross = vec![tiles::ZERO; blocks * tiles::tiles_of(targets.len())];
    for (i, (a, line)) in local_measured.iter().zip(&line_measured).enumerate() {
        for (j, b) in local_measured.iter().enumerate() {
            local[i / LANES * blocks + j / LANES][i % LANES][j % LANES] = a.covariance(b);
        }
        let row = line
            .iter()
            .copied()
            .chain(local_wanted.iter().map(|b| a.covariance(b)));
        for (t, covariance) in row.enumerate() {
            local_cross[t / LANES * blocks + i / LANES][i % LANES][t % LANES] = covariance;
        }
    }
    let [of_slope, of_level] = [0, 1].map(|s| {
        let mut row = line_line[s].to_vec();
        row.extend(line_wanted.iter().map(|l| l[s]));
        tiles::in_lanes(row.into_iter())
    });
    let mut local_own = vec![line_line[0][0], line_line[1][1]];
    local_own.extend(local_wanted.iter().map(|w| w.covariance(w)));
    let of_targets = |f: &dyn Fn(&Functional) -> f64| tiles::in_lanes(targets.iter().map(f));
    let [slopes, levels] = [0, 1].map(|k| of_targets(&|f| f.line[k]));
    let shapes_of_targets: [Vec<Lanes>; SHAPES] =
        std::array::from_fn(|s| of_targets(&|f| f.shapes[s]));
    Geometry {
        centre,
        measured_shapes: std::array::from_fn(|s| {
            tiles::in_lanes(measured.iter().map(|f| f.shapes[s]))
        }),
        heads: slopes
            .into_iter()
            .zip(levels)
            .map(|(slope, level)| [slope, level, [0.0; LANES], [0.0; LANES]])
            .collect(),
        target_shapes: (0..tiles::tiles_of(targets.len()))
            .map(|group| std::array::from_fn(|s| shapes_of_targets[s][group]))
            .collect(),
        measured,
        targets,
        local,
        local_cross,
        local_line: of_slope
            .into_iter()
            .zip(of_level)
            .map(|(slope, level)| [slope, level])
            .collect(),
        local_own: tiles::in_lanes(local_own.into_iter()),
    }
}

fn times(factor: f64, lanes: &Lanes) -> Lanes {
    lanes.map(|v| factor * v)
}

/// Covariance of the departure at the measured widths, ms², in tiles row after
/// row; of those left of the diagonal nothing is said.
pub(super) fn covariance(geometry: &Geometry, member: &Member) -> Vec<Tile> {
    let blocks = geometry.blocks();
    let mut shapes = vec![(LONG_END, member.long_end)];
    shapes.extend(
        member
            .decays_in_play()
            .map(|(s, v)| (s, member.amplitude * v)),
    );
    let mut out = vec![tiles::ZERO; blocks * blocks];
    for row in 0..blocks {
        for column in row..blocks {
            let index = row * blocks + column;
            let pairs = shapes.iter().map(|&(s, variance)| {
                let shape = &geometry.measured_shapes[s];
                (times(variance, &shape[row]), &shape[column])
            });
            out[index] = tiles::products(member.local, &geometry.local[index], pairs);
        }
    }
    out
}

/// What is said of the targets before any reading, four targets side by side.
#[derive(Default)]
pub(super) struct TargetPrior {
    /// Covariance of measured widths with targets, ms²: for each four targets a
    /// column of tiles.
    pub cross: Vec<Tile>,
    /// Variance of each target, ms².
    pub own: Vec<Lanes>,
    /// Covariance of each target before the nodes with slope and level of the line, ms².
    pub with_line: Vec<[Lanes; 2]>,
}

impl TargetPrior {
    /// The sum of these shapes, given with their variances, at the first `count` targets;
    /// those that fill the last four come with them.
    pub fn of_shapes(
        geometry: &Geometry,
        shapes: impl Iterator<Item = (usize, f64)>,
        count: usize,
    ) -> Self {
        let groups = tiles::tiles_of(count);
        let mut out = Self {
            cross: vec![tiles::ZERO; groups * geometry.blocks()],
            own: vec![[0.0; LANES]; groups],
            with_line: vec![[[0.0; LANES]; 2]; groups.min(geometry.local_line.len())],
        };
        for (shape, variance) in shapes {
            out.add_shape(geometry, shape, variance);
        }
        out
    }

    fn add_shape(&mut self, geometry: &Geometry, shape: usize, variance: f64) {
        let measured = &geometry.measured_shapes[shape];
        let line = [0, 1].map(|line| variance * geometry.targets[line].shapes[shape]);
        let columns = self.cross.chunks_exact_mut(measured.len());
        for (group, column) in columns.enumerate() {
            let of_targets = &geometry.target_shapes[group][shape];
            for (tile, measured) in column.iter_mut().zip(measured) {
                tiles::add_product(tile, &times(variance, measured), of_targets);
            }
            for (own, shape) in self.own[group].iter_mut().zip(of_targets) {
                *own += variance * shape * shape;
            }
            if let Some(with_line) = self.with_line.get_mut(group) {
                for (out, line) in with_line.iter_mut().zip(line) {
                    for (out, shape) in out.iter_mut().zip(of_targets) {
                        *out += line * shape;
                    }
                }
            }
        }
    }

    /// Becomes the prior by a member, of what its decays say at unit amplitude and the long
    /// end at unit variance: its members share these.
    pub fn of_member(&mut self, geometry: &Geometry, member: &Member, parts: [&Self; 2]) {
        let sum = |local: &[f64], decays: &[f64], long_end: &[f64], out: &mut [f64]| {
            for (((out, local), decays), long_end) in
                out.iter_mut().zip(local).zip(decays).zip(long_end)
            {
                *out =
                    member.local * local + member.amplitude * decays + member.long_end * long_end;
            }
        };
        let [decays, long_end] = parts;
        self.cross.resize(decays.cross.len(), tiles::ZERO);
        self.own.resize(decays.own.len(), [0.0; LANES]);
        self.with_line
            .resize(decays.with_line.len(), [[0.0; LANES]; 2]);
        sum(
            geometry.local_cross.as_flattened().as_flattened(),
            decays.cross.as_flattened().as_flattened(),
            long_end.cross.as_flattened().as_flattened(),
            self.cross.as_flattened_mut().as_flattened_mut(),
        );
        sum(
            geometry.local_own.as_flattened(),
            decays.own.as_flattened(),
            long_end.own.as_flattened(),
            self.own.as_flattened_mut(),
        );
        sum(
            geometry.local_line.as_flattened().as_flattened(),
            decays.with_line.as_flattened().as_flattened(),
            long_end.with_line.as_flattened().as_flattened(),
            self.with_line.as_flattened_mut().as_flattened_mut(),
        );
    }
}

/// The prior of all targets by a member.
pub(super) fn target_prior(geometry: &Geometry, member: &Member) -> TargetPrior {
    let count = geometry.targets.len();
    let decays = TargetPrior::of_shapes(geometry, member.decays_in_play(), count);
    let long_end = TargetPrior::of_shapes(geometry, iter::once((LONG_END, 1.0)), count);
    let mut out = TargetPrior::default();
    out.of_member(geometry, member, [&decays, &long_end]);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn off_times_between_widths_are_interpolated_and_beyond_keep_the_period() {
        let cells = |off_times: &[f64]| Cells {
            widths: vec![2.0, 4.0],
            off_times: off_times.to_vec(),
            cells: Vec::new(),
            of_reading: Vec::new(),
        };
        // Periods of 20 and 14 ms.
        let stated = cells(&[18.0, 10.0]);
        for (width, off_time) in [
            (1.0, 19.0),
            (2.0, 18.0),
            (3.5, 12.0),
            (4.0, 10.0),
            (6.0, 8.0),
        ] {
            assert_eq!(off_time_at(&stated, width), off_time, "{width} ms");
        }
        for half_stated in [[f64::INFINITY, 10.0], [18.0, f64::INFINITY]] {
            assert_eq!(off_time_at(&cells(&half_stated), 3.0), f64::INFINITY);
        }
    }
}
