//! From the weighted combinations to what is handed over: physical units,
//! moments, intervals, shares.

use super::average::{self, Candidate, Group, Model};
use super::budget::{self, LineWeights};
use super::mixture::{self, LineComponent};
use super::posterior::{self, LEVEL, OFFSET, SLOPE};
use super::result::{
    Asymptote, CurveFit, CurveNode, CurvePoint, Identified, LineOverRange, NoisePosterior,
    OffsetPosterior, Quantity, ReadingFit, ReadingUse,
};
use super::{CurveError, CurveReading, CurveSetup};
use crate::fit::noise::Noise;

/// Weight left out at the light end of the mixture.
const LEFT_OUT: f64 = 3e-3;

/// One component in physical units.
struct Component {
    line: LineComponent,
    asymptote: LineComponent,
    /// Offset mean and variance.
    offset: (f64, f64),
    /// Covariance of the offset with S, Y of the line and S, Y of the asymptote.
    offset_with: [f64; 4],
    /// Per target between line and nodes: mean and variance of q, covariance with S, Y of the
    /// line and with b.
    curve: Vec<[f64; 5]>,
    noise: Noise,
    shares: Option<budget::LineVariances>,
}

/// Share of the whole that a mixture's budget needs to be based on.
const BUDGET_SHARE: f64 = 0.02;

/// Turns weights into the result.
pub(super) fn summarise(
    readings: &[CurveReading],
    uses: &[ReadingUse],
    log_odds: &[Option<f64>],
    setup: &CurveSetup,
    model: &Model,
    candidates: &[Candidate],
) -> Result<CurveFit, CurveError> {
    let top = candidates[0].log_weight;
    let total: f64 = candidates.iter().map(|c| (c.log_weight - top).exp()).sum();
    let mut kept = 0;
    let mut sum = 0.0;
    while kept < candidates.len() && sum < (1.0 - LEFT_OUT) * total {
        sum += (candidates[kept].log_weight - top).exp();
        kept += 1;
    }
    let weight = |candidate: &Candidate| (candidate.log_weight - top).exp() / sum;
    let mut components = Vec::with_capacity(kept);
    let mut nodes = vec![NodeSums::default(); setup.nodes.len()];
    let targets = model.geometry.targets.len();
    average::for_each_group(model, &candidates[..kept], targets, |group| {
        for candidate in group.candidates {
            components.push(component(setup, model, group, candidate, weight(candidate)));
        }
        for (sums, target) in nodes.iter_mut().zip(&model.node_targets) {
            sums.add(group, *target, weight);
        }
    });
    let left: f64 = components.iter().map(|c| c.line.weight).sum();
    let fine = |c: &Component| {
        c.line
            .mean
            .iter()
            .chain(&c.asymptote.mean)
            .all(|v| v.is_finite())
    };
    if left.is_nan() || left <= 0.5 || !components.iter().all(fine) {
        return Err(CurveError::Numerics);
    }
    Ok(assemble(
        readings,
        uses,
        log_odds,
        setup,
        model,
        &components,
        &nodes,
    ))
}

/// What the mixture says of one node, in ms, as sums over its components.
#[derive(Clone, Copy, Default)]
struct NodeSums {
    /// A mean from which the others are counted: squares of the whole would cancel.
    origin: Option<f64>,
    mean: f64,
    square: f64,
    with_offset: f64,
}

impl NodeSums {
    /// Adds the components of a group; they differ in their means alone.
    fn add(&mut self, group: &Group, target: usize, weight: impl Fn(&Candidate) -> f64) {
        let (_, variance, with_offset) = group.target(&group.candidates[0], target);
        for candidate in group.candidates {
            let mean = group.mean(candidate, target);
            let weight = weight(candidate);
            let from_origin = mean - *self.origin.get_or_insert(mean);
            self.mean += weight * from_origin;
            self.square += weight * (variance + from_origin * from_origin);
            self.with_offset += weight * with_offset;
        }
    }

    /// Mean, variance and covariance with the offset.
    fn moments(&self) -> (f64, f64, f64) {
        let mean = self.origin.unwrap_or(0.0) + self.mean;
        let variance = self.square - self.mean * self.mean;
        (mean, variance.max(0.0), self.with_offset)
    }
}

/// One candidate in physical units (equations C10–C12).
fn component(
    setup: &CurveSetup,
    model: &Model,
    group: &Group,
    candidate: &Candidate,
    weight: f64,
) -> Component {
    let s = model.scale;
    let centre = model.geometry.centre;
    let regression = &group.regressions[candidate.mean];
    let ub = setup.offset_uncertainty;
    let target = |t| group.target(candidate, t);
    let (slope, level) = (target(0), target(1));
    let projected = &group.projection.targets;
    let of_line =
        [0, 1].map(|line| posterior::times(&regression.covariance, &projected[line].rest));
    let cross = |line: usize, t: usize| projected[t].covariance_with_line(line, &of_line[line]);
    // (slope, level at the centre) to (S, Y) with Y = level − centre·S.
    let to_line = |mean: [f64; 2], c: [[f64; 2]; 2]| LineComponent {
        weight,
        mean: [s * mean[0], s * (mean[1] - centre * mean[0])],
        covariance: {
            let sy = c[0][1] - centre * c[0][0];
            let yy = c[1][1] - 2.0 * centre * c[0][1] + centre * centre * c[0][0];
            [
                [s * s * c[0][0], s * s * sy],
                [s * s * sy, s * s * yy.max(0.0)],
            ]
        },
    };
    let sl = cross(0, 1);
    let line = to_line([slope.0, level.0], [[slope.1, sl], [sl, level.1]]);
    let b = &regression.beta;
    let c = &regression.covariance;
    let asymptote = to_line(
        [b[SLOPE], b[LEVEL]],
        [
            [c[SLOPE][SLOPE], c[SLOPE][LEVEL]],
            [c[LEVEL][SLOPE], c[LEVEL][LEVEL]],
        ],
    );
    let curve = (0..model.widths.len())
        .map(|i| {
            let (m, v, with_b) = target(i + 2);
            // Only the grid is asked how it goes with the line.
            let (with_s, with_y) = if i < setup.grid.len() {
                let with_s = cross(0, i + 2);
                (with_s, cross(1, i + 2) - centre * with_s)
            } else {
                (0.0, 0.0)
            };
            [
                s * m,
                s * s * v,
                s * s * with_s,
                s * s * with_y,
                s * ub * with_b,
            ]
        })
        .collect();
    Component {
        line,
        asymptote,
        offset: (
            setup.offset_mean + ub * b[OFFSET],
            ub * ub * c[OFFSET][OFFSET],
        ),
        offset_with: [
            s * ub * slope.2,
            s * ub * (level.2 - centre * slope.2),
            s * ub * c[SLOPE][OFFSET],
            s * ub * (c[LEVEL][OFFSET] - centre * c[SLOPE][OFFSET]),
        ],
        curve,
        noise: group.node.noise,
        shares: (weight > BUDGET_SHARE).then(|| {
            let take =
                |t| posterior::weights_on_widths(group.factored, group.projection, regression, t);
            let weights = LineWeights {
                slope: take(0),
                level: take(1),
                centre,
            };
            let x = -line.mean[1] / line.mean[0];
            budget::line_variances(model, group.node, setup, &weights, x)
        }),
    }
}

/// Weighted mean and total covariance of two per-component quantities given as
/// (mean a, mean b, covariance).
fn joint(components: &[Component], f: impl Fn(&Component) -> (f64, f64, f64)) -> (f64, f64, f64) {
    let (mut a, mut b) = (0.0, 0.0);
    for c in components {
        let (x, y, _) = f(c);
        a += c.line.weight * x;
        b += c.line.weight * y;
    }
    let cov = components
        .iter()
        .map(|c| {
            let (x, y, v) = f(c);
            c.line.weight * (v + (x - a) * (y - b))
        })
        .sum();
    (a, b, cov)
}

/// Covariance of (S, Y, b) over the mixture.
fn with_offset(
    components: &[Component],
    covariance: [[f64; 2]; 2],
    pick: impl Fn(&Component) -> (LineComponent, [f64; 2]),
) -> [[f64; 3]; 3] {
    let mut out = [[0.0; 3]; 3];
    for i in 0..2 {
        for j in 0..2 {
            out[i][j] = covariance[i][j];
        }
        let (_, _, v) = joint(components, |c| {
            let (line, with) = pick(c);
            (line.mean[i], c.offset.0, with[i])
        });
        out[i][2] = v;
        out[2][i] = v;
    }
    out[2][2] = joint(components, |c| (c.offset.0, c.offset.0, c.offset.1)).2;
    out
}

fn quantity((value, variance): (f64, f64)) -> Quantity {
    Quantity {
        value,
        standard_uncertainty: variance.max(0.0).sqrt(),
    }
}

fn line_quantities(parts: &[LineComponent]) -> ([Quantity; 3], [[f64; 2]; 2]) {
    let none = [[0.0; 2]; 2];
    let (mean, c) = super::result::line_moments(parts);
    let (x, x_variance) = super::result::dead_time_moments(parts, &none);
    let quantities = [(mean[0], c[0][0]), (x, x_variance), (mean[1], c[1][1])];
    (quantities.map(quantity), c)
}

/// Puts the result together.
fn assemble(
    readings: &[CurveReading],
    uses: &[ReadingUse],
    log_odds: &[Option<f64>],
    setup: &CurveSetup,
    model: &Model,
    components: &[Component],
    nodes: &[NodeSums],
) -> CurveFit {
    let lines: Vec<LineComponent> = components.iter().map(|c| c.line).collect();
    let asymptotes: Vec<LineComponent> = components.iter().map(|c| c.asymptote).collect();
    let ([slope, dead_time, flow_offset], c_line) = line_quantities(&lines);
    let ([a_slope, a_dead_time, a_flow_offset], c_asymptote) = line_quantities(&asymptotes);
    let offset = offset_posterior(setup, components, &slope, &dead_time);
    let (slope_shares, dead_time_shares) = shares(components, &slope, &dead_time);
    let line_pick = |c: &Component| (c.line, [c.offset_with[0], c.offset_with[1]]);
    let asymptote_pick = |c: &Component| (c.asymptote, [c.offset_with[2], c.offset_with[3]]);
    let grid = setup.grid.len();
    CurveFit {
        line: LineOverRange {
            range_ms: setup.line_range,
            slope,
            dead_time,
            flow_offset,
            covariance: with_offset(components, c_line, line_pick),
        },
        asymptote: Asymptote {
            slope: a_slope,
            dead_time: a_dead_time,
            flow_offset: a_flow_offset,
            covariance: with_offset(components, c_asymptote, asymptote_pick),
        },
        curve: (0..grid)
            .map(|i| curve_point(setup, components, i))
            .collect(),
        nodes: setup
            .nodes
            .iter()
            .zip(nodes)
            .map(|(width, sums)| curve_node(setup, model.scale, *width, sums))
            .collect(),
        offset,
        noise: noise(components),
        slope_shares,
        dead_time_shares,
        readings: reading_fits(readings, uses, log_odds, model, components),
        identified: Identified {
            slope: offset.slope_share <= 0.5,
            dead_time: offset.dead_time_share <= 0.5,
        },
        curve_components: components
            .iter()
            .flat_map(|c| c.curve[..grid].iter().map(|q| (q[0], q[1].sqrt())))
            .collect(),
        line_components: lines,
        asymptote_components: asymptotes,
    }
}

/// Sensitivity of an estimate to a real offset and the share of variance that
/// the offset's prior doubt makes of it (equation C13): the estimate answers a
/// real offset by −cov(estimate, b)/u_b².
fn offset_effect(setup: &CurveSetup, with_offset: f64, variance: f64) -> (f64, f64) {
    let u2 = setup.offset_uncertainty * setup.offset_uncertainty;
    if u2 == 0.0 || variance <= 0.0 {
        return (0.0, 0.0);
    }
    let sensitivity = -with_offset / u2;
    (
        sensitivity,
        (sensitivity * sensitivity * u2 / variance).min(1.0),
    )
}

fn within(components: &[Component], f: impl Fn(&Component) -> f64) -> f64 {
    components.iter().map(|c| c.line.weight * f(c)).sum()
}

fn offset_posterior(
    setup: &CurveSetup,
    components: &[Component],
    slope: &Quantity,
    dead_time: &Quantity,
) -> OffsetPosterior {
    let (value, _, variance) = joint(components, |c| (c.offset.0, c.offset.0, c.offset.1));
    let with_s = within(components, |c| c.offset_with[0]);
    let with_y = within(components, |c| c.offset_with[1]);
    let with_x = -(with_y + dead_time.value * with_s) / slope.value;
    let (slope_sensitivity, slope_share) =
        offset_effect(setup, with_s, slope.standard_uncertainty.powi(2));
    let (dead_time_sensitivity, dead_time_share) =
        offset_effect(setup, with_x, dead_time.standard_uncertainty.powi(2));
    OffsetPosterior {
        value,
        standard_uncertainty: variance.sqrt(),
        slope_sensitivity,
        dead_time_sensitivity,
        slope_share,
        dead_time_share,
    }
}

fn curve_node(setup: &CurveSetup, scale: f64, width_ms: f64, sums: &NodeSums) -> CurveNode {
    let (mean, variance, with_offset) = sums.moments();
    let variance = scale * scale * variance;
    let with_offset = scale * setup.offset_uncertainty * with_offset;
    CurveNode {
        width_ms,
        delivered: scale * mean,
        standard_uncertainty: variance.sqrt(),
        offset_sensitivity: offset_effect(setup, with_offset, variance).0,
    }
}

fn curve_point(setup: &CurveSetup, components: &[Component], i: usize) -> CurvePoint {
    let w = setup.grid[i];
    let parts = components
        .iter()
        .map(|c| (c.line.weight, c.curve[i][0], c.curve[i][1]));
    let (value, variance) = mixture::moments(parts);
    let (deviation_percent, deviation_interval_95) = match deviation(components, i, w) {
        Some((deviation, interval)) => (Some(deviation), interval),
        None => (None, [None, None]),
    };
    let (offset_sensitivity, offset_share) =
        offset_effect(setup, within(components, |c| c.curve[i][4]), variance);
    CurvePoint {
        width_ms: w,
        delivered: quantity((value, variance)),
        deviation_percent,
        deviation_interval_95,
        covariance_with_line: [0, 1].map(|k| {
            joint(components, |c| {
                (c.curve[i][0], c.line.mean[k], c.curve[i][2 + k])
            })
            .2
        }),
        offset_sensitivity,
        offset_share,
        identified: offset_share <= 0.5,
    }
}

/// Linearity deviation q/(S(w − X)) − 1 with its uncertainty, to first order
/// within each component; `None` where the line is not surely above zero.
fn deviation(components: &[Component], i: usize, w: f64) -> Option<(Quantity, mixture::Interval)> {
    let mut parts = Vec::with_capacity(components.len());
    for c in components {
        let q = &c.curve[i];
        let l = &c.line;
        let level = l.mean[1] + w * l.mean[0];
        let level_variance =
            l.covariance[1][1] + 2.0 * w * l.covariance[0][1] + w * w * l.covariance[0][0];
        if level <= 4.0 * level_variance.max(0.0).sqrt() {
            return None;
        }
        let ratio = q[0] / level;
        let with = q[3] + w * q[2];
        let variance =
            (q[1] - 2.0 * ratio * with + ratio * ratio * level_variance) / (level * level);
        parts.push((
            l.weight,
            100.0 * (ratio - 1.0),
            100.0 * variance.max(0.0).sqrt(),
        ));
    }
    let moments = mixture::moments(parts.iter().map(|p| (p.0, p.1, p.2 * p.2)));
    Some((quantity(moments), mixture::interval(&parts)))
}

fn noise(components: &[Component]) -> NoisePosterior {
    let of = |scale: fn(&Noise) -> f64| {
        let known = |c: &Component| (scale(&c.noise), scale(&c.noise), 0.0);
        let (mean, _, variance) = joint(components, known);
        (mean, variance.max(0.0).sqrt())
    };
    NoisePosterior {
        reading: of(|n| n.read),
        repeatability: of(|n| n.repeatability),
        pulse_scatter: of(|n| n.pulse_scatter),
    }
}

/// Shares of the variances of S and X, from the components heavy enough to count.
fn shares(
    components: &[Component],
    slope: &Quantity,
    dead_time: &Quantity,
) -> (super::VarianceShares, super::VarianceShares) {
    let mut sums = budget::LineVariances::default();
    let mut weight = 0.0;
    for c in components {
        if let Some(v) = &c.shares {
            sums.add(v, c.line.weight);
            weight += c.line.weight;
        }
    }
    // Where no component is heavy the caller still gets the total.
    let weight: f64 = if weight > 0.0 { weight } else { 1.0 };
    let within_s = within(components, |c| c.line.covariance[0][0]);
    let x = dead_time.value;
    let s = slope.value;
    let within_x = within(components, |c| {
        let v = &c.line.covariance;
        (v[1][1] + 2.0 * x * v[0][1] + x * x * v[0][0]) / (s * s)
    });
    (
        budget::shares(
            &sums.slope,
            weight,
            within_s,
            slope.standard_uncertainty.powi(2),
        ),
        budget::shares(
            &sums.dead_time,
            weight,
            within_x,
            dead_time.standard_uncertainty.powi(2),
        ),
    )
}

fn reading_fits(
    readings: &[CurveReading],
    uses: &[ReadingUse],
    log_odds: &[Option<f64>],
    model: &Model,
    components: &[Component],
) -> Vec<ReadingFit> {
    let told = noise(components);
    let noise = Noise {
        read: told.reading.0,
        repeatability: told.repeatability.0,
        pulse_scatter: told.pulse_scatter.0,
    };
    let mut last = None;
    readings
        .iter()
        .enumerate()
        .map(|(i, r)| {
            let (width, n) = (r.width_ms, r.pulses);
            // Repeats follow each other as a rule, and are told the same.
            let told = match last {
                Some((setting, told)) if setting == (width, n) => told,
                _ => {
                    let target = model.target_of(width) - 2;
                    joint(components, |c| {
                        let q = &c.curve[target];
                        let mean = n * q[0] + c.offset.0;
                        (mean, mean, n * n * q[1] + 2.0 * n * q[4] + c.offset.1)
                    })
                }
            };
            last = Some(((width, n), told));
            let (fitted, _, variance) = told;
            let own = noise.variance(n, fitted) + r.extra_variance;
            ReadingFit {
                usage: uses[i],
                fitted,
                fitted_uncertainty: variance.max(0.0).sqrt(),
                reading_uncertainty: own.sqrt(),
                log_odds: log_odds[i],
            }
        })
        .collect()
}
