//! Where the variance of the line comes from (equation C13).

use super::CurveSetup;
use super::average::Model;
use super::cells::NoiseNode;
use super::posterior::OFFSET;
use super::result::VarianceShares;

/// What the estimates of slope and level take from the width means, and from
/// the offset regressors.
pub(super) struct LineWeights {
    pub slope: (Vec<f64>, [f64; 3]),
    pub level: (Vec<f64>, [f64; 3]),
    pub centre: f64,
}

/// Variance of one estimate by source: reading, repeatability, offset.
pub(super) type Sources = [f64; 3];

/// Variances of slope and time-offset by source, physical units.
#[derive(Default)]
pub(super) struct LineVariances {
    pub slope: Sources,
    pub dead_time: Sources,
}

impl LineVariances {
    /// Adds another, weighted.
    pub fn add(&mut self, other: &Self, weight: f64) {
        for i in 0..3 {
            self.slope[i] += weight * other.slope[i];
            self.dead_time[i] += weight * other.dead_time[i];
        }
    }
}

/// Propagates the noise of each cell and the prior of the offset through the
/// estimates' weights on the readings. `x` is the time-offset.
pub(super) fn line_variances(
    model: &Model,
    node: &NoiseNode,
    setup: &CurveSetup,
    weights: &LineWeights,
    x: f64,
) -> LineVariances {
    let mut out = LineVariances::default();
    let s = model.scale;
    let shift = weights.centre - x;
    for (cell, v) in model.cells.cells.iter().zip(&node.variances) {
        let j = cell.width;
        let per_pulse = 1.0 / (cell.pulses * s);
        let precision = cell.count / v;
        let offset = setup.offset_uncertainty * per_pulse - node.offset[j];
        let take = |w: &(Vec<f64>, [f64; 3])| {
            precision * (w.0[j] * node.mean_variance[j] + w.1[OFFSET] * offset)
        };
        let slope = take(&weights.slope);
        // X = −(level − (centre − X)·slope)/slope, differentiated at slope 1 (scaled units).
        let dead_time = -(take(&weights.level) - shift * slope);
        let repeat = (node.noise.repeatability * cell.mean.max(0.0) * per_pulse).powi(2);
        let rest = (v - repeat).max(0.0);
        for (target, w, unit) in [
            (&mut out.slope, slope, s),
            (&mut out.dead_time, dead_time, 1.0),
        ] {
            target[0] += (unit * w).powi(2) * rest / cell.count;
            target[1] += (unit * w).powi(2) * repeat / cell.count;
        }
    }
    let slope = weights.slope.1[OFFSET];
    out.slope[2] = (s * slope).powi(2);
    out.dead_time[2] = (weights.level.1[OFFSET] - shift * slope).powi(2);
    out
}

/// Shares of a total variance, `sources` being sums over components of total
/// weight `weight`, `within` the mean variance within components.
pub(super) fn shares(sources: &Sources, weight: f64, within: f64, total: f64) -> VarianceShares {
    if total.is_nan() || total <= 0.0 {
        return VarianceShares {
            reading: 0.0,
            repeatability: 0.0,
            offset: 0.0,
            departure: 0.0,
            scales: 0.0,
        };
    }
    let known: f64 = sources.iter().sum::<f64>() / weight;
    // Components left out of the sources may differ a little from those in.
    let fit = if known > within { within / known } else { 1.0 };
    let share = |v: f64| fit * v / (weight * total);
    VarianceShares {
        reading: share(sources[0]),
        repeatability: share(sources[1]),
        offset: share(sources[2]),
        departure: (within - fit * known).max(0.0) / total,
        scales: ((total - within) / total).max(0.0),
    }
}
