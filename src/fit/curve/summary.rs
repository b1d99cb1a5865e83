//! From the weighted combinations to what is handed over: physical units,
//! moments, intervals, shares.

use super::average::{self, Candidate, Group, Model};
use super::budget::{self, LineWeights};
use super::grid::{self, GridWidth};
use super::kernel::LINE_TARGETS;
use super::mixture::{self, LineComponent};
use super::moments::{GroupWeight, Moments, TargetMoments};
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
    noise: Noise,
    shares: Option<budget::LineVariances>,
}

/// Share of the whole that a mixture's budget needs to be based on.
const BUDGET_SHARE: f64 = 0.02;

/// What the weighted combinations say together.
struct Mixture {
    components: Vec<Component>,
    moments: Moments,
    grid: Vec<GridWidth>,
}

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
    let mut mixture = Mixture {
        components: Vec::with_capacity(kept),
        moments: Moments::default(),
        grid: setup.grid.iter().map(|_| GridWidth::of(kept)).collect(),
    };
    let targets = model.geometry.targets.len();
    average::for_each_group(model, &candidates[..kept], targets, |group| {
        let weighted = |c| (weight(c), group.mean_of(c));
        let of_group: Vec<(f64, f64)> = group.candidates.iter().map(weighted).collect();
        mixture.moments.add(group, &GroupWeight::of(&of_group));
        grid::add(&mut mixture.grid, &model.geometry, group, &of_group);
        add_components(setup, model, group, &of_group, &mut mixture.components);
    });
    let components = &mixture.components;
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
    Ok(assemble(readings, uses, log_odds, setup, model, mixture))
}

/// The components of a group, given as weight and mean of the leading shape, in
/// physical units (equations C10–C12).
fn add_components(
    setup: &CurveSetup,
    model: &Model,
    group: &Group,
    weighted: &[(f64, f64)],
    components: &mut Vec<Component>,
) {
    let s = model.scale;
    let centre = model.geometry.centre;
    let regression = &group.factored.regression;
    let ub = setup.offset_uncertainty;
    // (slope, level at the centre) to (S, Y) with Y = level − centre·S.
    let to_line = |weight: f64, mean: [f64; 2], [ss, sl, ll]: [f64; 3]| {
        let sy = sl - centre * ss;
        let yy = ll - 2.0 * centre * sl + centre * centre * ss;
        LineComponent {
            weight,
            mean: [s * mean[0], s * (mean[1] - centre * mean[0])],
            covariance: [[s * s * ss, s * s * sy], [s * s * sy, s * s * yy.max(0.0)]],
        }
    };
    let projection = group.projection;
    let [(ss, slope_with_b), (ll, level_with_b)] = [0, 1].map(|t| projection.variance(t));
    let of_line = [ss, projection.slope_with_level(), ll];
    let c = &regression.covariance;
    let of_asymptote = [c[SLOPE][SLOPE], c[SLOPE][LEVEL], c[LEVEL][LEVEL]];
    let offset_with = [
        s * ub * slope_with_b,
        s * ub * (level_with_b - centre * slope_with_b),
        s * ub * c[SLOPE][OFFSET],
        s * ub * (c[LEVEL][OFFSET] - centre * c[SLOPE][OFFSET]),
    ];
    let mut line_weights = None;
    for &(weight, mean) in weighted {
        let beta = regression.beta_at(mean);
        let line = to_line(weight, [0, 1].map(|t| projection.mean(t, mean)), of_line);
        components.push(Component {
            line,
            asymptote: to_line(weight, [beta[SLOPE], beta[LEVEL]], of_asymptote),
            offset: (
                setup.offset_mean + ub * beta[OFFSET],
                ub * ub * c[OFFSET][OFFSET],
            ),
            offset_with,
            noise: group.node.noise,
            shares: (weight > BUDGET_SHARE).then(|| {
                let weights = line_weights.get_or_insert_with(|| {
                    let take = |t| posterior::weights_on_widths(group.factored, projection, t);
                    LineWeights {
                        slope: take(0),
                        level: take(1),
                        centre,
                    }
                });
                let x = -line.mean[1] / line.mean[0];
                budget::line_variances(model, group.node, setup, weights, x)
            }),
        });
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
    mixture: Mixture,
) -> CurveFit {
    let Mixture {
        components,
        moments,
        grid,
    } = mixture;
    let components = &components[..];
    let lines: Vec<LineComponent> = components.iter().map(|c| c.line).collect();
    let asymptotes: Vec<LineComponent> = components.iter().map(|c| c.asymptote).collect();
    let ([slope, dead_time, flow_offset], c_line) = line_quantities(&lines);
    let ([a_slope, a_dead_time, a_flow_offset], c_asymptote) = line_quantities(&asymptotes);
    let offset = offset_posterior(setup, components, &slope, &dead_time);
    let noise = noise_posterior(components);
    // What a reading should have been, with its variance.
    let told = |reading: &CurveReading| {
        let (n, scale) = (reading.pulses, model.scale);
        let told = moments.of(model.target_of(reading.width_ms));
        let [_, _, with_offset] = told.with;
        let variance = n * n * scale * scale * told.variance
            + 2.0 * n * scale * setup.offset_uncertainty * with_offset
            + offset.standard_uncertainty.powi(2);
        (n * scale * told.mean + offset.value, variance)
    };
    let (slope_shares, dead_time_shares) = shares(components, &slope, &dead_time);
    let line_pick = |c: &Component| (c.line, [c.offset_with[0], c.offset_with[1]]);
    let asymptote_pick = |c: &Component| (c.asymptote, [c.offset_with[2], c.offset_with[3]]);
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
        curve: grid
            .iter()
            .enumerate()
            .map(|(i, of_width)| {
                curve_point(
                    setup,
                    model,
                    setup.grid[i],
                    &moments.of(LINE_TARGETS + i),
                    of_width,
                )
            })
            .collect(),
        nodes: setup
            .nodes
            .iter()
            .zip(&model.node_targets)
            .map(|(width, target)| curve_node(setup, model.scale, *width, &moments.of(*target)))
            .collect(),
        offset,
        noise,
        slope_shares,
        dead_time_shares,
        readings: reading_fits(readings, uses, log_odds, &noise, told),
        identified: Identified {
            slope: offset.slope_share <= 0.5,
            dead_time: offset.dead_time_share <= 0.5,
        },
        curve_components: grid.into_iter().map(|w| w.delivered).collect(),
        scale: model.scale,
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

fn curve_node(setup: &CurveSetup, scale: f64, width_ms: f64, moments: &TargetMoments) -> CurveNode {
    let variance = scale * scale * moments.variance;
    let with_offset = scale * setup.offset_uncertainty * moments.offset_within;
    CurveNode {
        width_ms,
        delivered: scale * moments.mean,
        standard_uncertainty: variance.sqrt(),
        offset_sensitivity: offset_effect(setup, with_offset, variance).0,
    }
}

fn curve_point(
    setup: &CurveSetup,
    model: &Model,
    width_ms: f64,
    moments: &TargetMoments,
    of_width: &GridWidth,
) -> CurvePoint {
    let s = model.scale;
    let variance = s * s * moments.variance;
    let deviation = (!of_width.no_line).then_some(&of_width.deviation[..]);
    let with_offset = s * setup.offset_uncertainty * moments.offset_within;
    let (offset_sensitivity, offset_share) = offset_effect(setup, with_offset, variance);
    let [with_slope, with_level, _] = moments.with;
    CurvePoint {
        width_ms,
        delivered: quantity((s * moments.mean, variance)),
        deviation_percent: deviation.map(|parts| {
            let parts = parts.iter().map(|&(w, m, sd)| (w, m, sd * sd));
            let (mean, variance) = mixture::moments(parts);
            quantity((100.0 * mean, 1e4 * variance))
        }),
        deviation_interval_95: deviation.map_or([None, None], |parts| {
            mixture::interval(parts).map(|limit| limit.map(|l| 100.0 * l))
        }),
        covariance_with_line: [
            s * s * with_slope,
            s * s * (with_level - model.geometry.centre * with_slope),
        ],
        offset_sensitivity,
        offset_share,
        identified: offset_share <= 0.5,
    }
}

fn noise_posterior(components: &[Component]) -> NoisePosterior {
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
    noise: &NoisePosterior,
    told: impl Fn(&CurveReading) -> (f64, f64),
) -> Vec<ReadingFit> {
    let noise = Noise {
        read: noise.reading.0,
        repeatability: noise.repeatability.0,
        pulse_scatter: noise.pulse_scatter.0,
    };
    let reading_fit = |(i, reading): (usize, &CurveReading)| {
        let (fitted, variance) = told(reading);
        let own = noise.variance(reading.pulses, fitted) + reading.extra_variance;
        ReadingFit {
            usage: uses[i],
            fitted,
            fitted_uncertainty: variance.max(0.0).sqrt(),
            reading_uncertainty: own.sqrt(),
            log_odds: log_odds[i],
        }
    };
    readings.iter().enumerate().map(reading_fit).collect()
}
