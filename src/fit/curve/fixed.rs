//! The posterior at stated scales: the algebra of the fit laid open, so that
//! an independent program can be held against it.

use super::cells::{self, NoiseNode};
use super::family::{DECAY_TIMES_MS, Member};
use super::kernel;
use super::posterior::{self, OFFSET, Start};
use super::{CurveError, CurveReading, CurveSetup};
use crate::fit::noise::Noise;

/// Scales that the fit averages over, stated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FixedScales {
    /// Slope that turns amplitudes in ms into quantity, per ms.
    pub slope: f64,
    /// Dead time that the departure is anchored at, ms.
    pub dead_time_ms: f64,
    /// Which decay time of the family the slow departure has.
    pub decay_index: usize,
    /// Standard deviation of the slow departure 0.5 ms past dead time, ms.
    pub slow_ms: f64,
    /// Standard deviation of the local departure there, ms.
    pub local_ms: f64,
    /// Standard deviation of the long-end departure at 1 ms off-time, ms.
    pub long_end_ms: f64,
    /// Mean of the slow departure there, ms.
    pub mean_ms: f64,
    /// Reading uncertainty.
    pub reading: f64,
    /// Relative repeatability.
    pub repeatability: f64,
}

/// The posterior at stated scales.
#[derive(Clone, Debug, PartialEq)]
pub struct FixedPosterior {
    /// Mean of (S, Y, b) of the asymptote.
    pub asymptote: [f64; 3],
    /// Covariance of (S, Y, b).
    pub asymptote_covariance: [[f64; 3]; 3],
    /// S and Y of the line over the range.
    pub line: [f64; 2],
    /// Covariance of S and Y of the line.
    pub line_covariance: [[f64; 2]; 2],
    /// Mean and variance of q at each grid width.
    pub curve: Vec<(f64, f64)>,
    /// Log marginal likelihood, flat prior on S and Y (Rasmussen & Williams
    /// 2006, equation 2.45).
    pub log_marginal_likelihood: f64,
}

/// Posterior of one sweep at stated scales, all readings kept.
///
/// Errors: as [`super::fit_curve`], and `BadSetup` for a decay index beyond the family.
pub fn posterior_at(
    readings: &[CurveReading],
    setup: &CurveSetup,
    scales: &FixedScales,
) -> Result<FixedPosterior, CurveError> {
    super::check(readings, setup)?;
    if scales.decay_index >= DECAY_TIMES_MS.len() || scales.slope.is_nan() || scales.slope <= 0.0 {
        return Err(CurveError::BadSetup);
    }
    let collapsed = cells::collapse(readings, &vec![true; readings.len()]);
    if collapsed.widths.len() < 3 {
        return Err(CurveError::TooFewWidths {
            have: collapsed.widths.len(),
            need: 3,
        });
    }
    let s = scales.slope;
    let noise = Noise {
        read: scales.reading,
        repeatability: scales.repeatability,
        pulse_scatter: setup.pulse_scatter.map_or(0.0, |p| p.centre),
    };
    let node = cells::noise_node(&collapsed, setup, s, noise, 0.0);
    let wanted = kernel::Wanted {
        line_range: setup.line_range,
        grid: &setup.grid,
        nodes: &[],
        dead_time: scales.dead_time_ms,
    };
    let geometry = kernel::geometry(&collapsed, &wanted);
    let mut decays = [0.0; DECAY_TIMES_MS.len()];
    decays[scales.decay_index] = 1.0;
    let member = Member {
        amplitude: scales.slow_ms * scales.slow_ms,
        decays,
        long_end: scales.long_end_ms * scales.long_end_ms,
        local: scales.local_ms * scales.local_ms,
        leading: scales.decay_index,
        log_weight: 0.0,
        means: [(scales.mean_ms, 0.0); _],
        scout: true,
        probe: true,
    };
    evaluate(readings.len() as f64, setup, s, &geometry, &member, &node).ok_or(CurveError::Numerics)
}

fn evaluate(
    count: f64,
    setup: &CurveSetup,
    s: f64,
    geometry: &kernel::Geometry,
    member: &Member,
    node: &NoiseNode,
) -> Option<FixedPosterior> {
    let mean = member.means[0].0;
    let mut factored = posterior::Factored::default();
    if !posterior::factor(&Start::of(geometry, member), node, &mut factored) {
        return None;
    }
    let r = factored.regression;
    let log_evidence = r.evidence.at(mean);
    if !log_evidence.is_finite() {
        return None;
    }
    let prior = kernel::target_prior(geometry, member);
    let mut p = posterior::Projection::default();
    posterior::project(geometry, (member, &prior), &factored, &mut p);
    let target = |t: usize| (p.mean(t, mean), p.variance(t).0);
    // (slope, level, offset unit) to (S, Y, b).
    let to_physical = [
        [s, 0.0, 0.0],
        [-s * geometry.centre, s, 0.0],
        [0.0, 0.0, setup.offset_uncertainty],
    ];
    let apply = |v: &[f64; 3]| to_physical.map(|row| (0..3).map(|k| row[k] * v[k]).sum::<f64>());
    let mut asymptote = apply(&r.beta_at(mean));
    asymptote[OFFSET] += setup.offset_mean;
    let mut asymptote_covariance = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            asymptote_covariance[i][j] = posterior::dot(
                &to_physical[i],
                &posterior::times(&r.covariance, &to_physical[j]),
            );
        }
    }
    let sl = p.slope_with_level();
    let (slope, level) = (target(0), target(1));
    let c = geometry.centre;
    let sy = sl - c * slope.1;
    let yy = level.1 - 2.0 * c * sl + c * c * slope.1;
    Some(FixedPosterior {
        asymptote,
        asymptote_covariance,
        line: [s * slope.0, s * (level.0 - c * slope.0)],
        line_covariance: [[s * s * slope.1, s * s * sy], [s * s * sy, s * s * yy]],
        curve: (kernel::LINE_TARGETS..geometry.targets.len())
            .map(|t| {
                let (m, v) = target(t);
                (s * m, s * s * v)
            })
            .collect(),
        // Density of delivered per pulse; the flat prior is on S and Y.
        log_marginal_likelihood: log_evidence
            - (count - 2.0) * s.ln()
            - 0.5 * (count - 2.0) * (2.0 * std::f64::consts::PI).ln(),
    })
}
