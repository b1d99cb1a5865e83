//! Misreadings: predictive odds of each reading given all others.

use super::average::{self, Candidate, Model, log_sum};
use super::posterior;
use super::{CurveReading, CurveSetup, Misreading};

/// Logarithm of the odds for a misreading, of each reading that is in use or
/// set aside (`None` elsewhere), each given all readings in use but itself.
///
/// Method: leave-one-out predictive densities (Rasmussen & Williams 2006,
/// section 5.4.2) by taking one reading's information back out of the
/// posterior of its cell; averaged over scales with the weights that the other
/// readings give, which is the weighted mean of the likelihood ratios.
pub(super) fn log_odds(
    readings: &[CurveReading],
    set_aside: &[bool],
    model: &mut Model,
    setup: &CurveSetup,
    misreading: &Misreading,
) -> Judgement {
    let mut inside = vec![Vec::new(); readings.len()];
    let mut outside = vec![Vec::new(); readings.len()];
    let candidates = average::weigh(model, setup);
    let model = &*model;
    average::for_each_group(model, &candidates, model.before_nodes, |group| {
        for candidate in group.candidates {
            for (i, reading) in readings.iter().enumerate() {
                let cell = model.cells.of_reading[i];
                if cell.is_none() && !set_aside[i] {
                    continue;
                }
                let (own, other) =
                    densities(reading, cell, model, setup, misreading, group, candidate);
                if cell.is_some() {
                    // Weight given the others: divide by what this reading said.
                    inside[i].push(candidate.log_weight);
                    outside[i].push(candidate.log_weight + other - own);
                } else {
                    inside[i].push(candidate.log_weight + own);
                    outside[i].push(candidate.log_weight + other);
                }
            }
        }
    });
    let prior = (misreading.prior / (1.0 - misreading.prior)).ln();
    let log_odds: Vec<Option<f64>> = inside
        .iter()
        .zip(&outside)
        .map(|(a, b)| {
            (!a.is_empty()).then(|| prior + log_sum(b.iter().copied()) - log_sum(a.iter().copied()))
        })
        .collect();
    let accused: Vec<bool> = log_odds
        .iter()
        .map(|o| o.is_some_and(|o| o > 0.0))
        .collect();
    let confirmed = confirmed(readings, set_aside, &accused, model, candidates.first());
    Judgement {
        log_odds,
        confirmed,
    }
}

/// What is said of each reading.
pub(super) struct Judgement {
    /// Log odds for a misreading; `None` where it was not judged.
    pub log_odds: Vec<Option<f64>>,
    /// Whether the odds accuse it and most of the other readings of its width and
    /// count agree with it.
    pub confirmed: Vec<bool>,
}

/// Standard deviations of a difference up to which two readings agree.
const AGREE: f64 = 3.0;

/// A reading that its repeats confirm is no misreading: where the family cannot
/// follow a kink of the curve, all repeats of a width stand apart together, and
/// it is the curve that is wrong. Noise scales are those of the best combination.
fn confirmed(
    readings: &[CurveReading],
    set_aside: &[bool],
    accused: &[bool],
    model: &Model,
    best: Option<&Candidate>,
) -> Vec<bool> {
    let Some(node) = best.map(|c| &model.nodes[c.node]) else {
        return vec![false; readings.len()];
    };
    let judged = |i: usize| model.cells.of_reading[i].is_some() || set_aside[i];
    let variance = |r: &CurveReading| {
        let own = node.noise.variance(r.pulses, r.delivered) + r.extra_variance;
        own / (r.pulses * r.pulses)
    };
    let agree = |a: &CurveReading, b: &CurveReading| {
        let spread = variance(a) + variance(b);
        (a.delivered / a.pulses - b.delivered / b.pulses).abs() <= AGREE * spread.sqrt()
    };
    (0..readings.len())
        .map(|i| {
            if !accused[i] {
                return false;
            }
            let (mut for_it, mut against) = (0, 0);
            for j in (0..readings.len()).filter(|&j| j != i && judged(j)) {
                // Counts that differ much answer an offset differently.
                let counts = readings[j].pulses / readings[i].pulses;
                if readings[j].width_ms != readings[i].width_ms || !(0.8..=1.25).contains(&counts) {
                    continue;
                }
                if agree(&readings[i], &readings[j]) {
                    for_it += 1;
                } else {
                    against += 1;
                }
            }
            for_it > against
        })
        .collect()
}

/// Log predictive density of one reading as a good one and as a misreading.
fn densities(
    reading: &CurveReading,
    cell: Option<usize>,
    model: &Model,
    setup: &CurveSetup,
    misreading: &Misreading,
    group: &average::Group,
    candidate: &Candidate,
) -> (f64, f64) {
    let per_pulse = 1.0 / (reading.pulses * model.scale);
    let offset = setup.offset_uncertainty * per_pulse;
    let target = model.target_of(reading.width_ms);
    let (mean, variance, with_offset) = group.target(candidate, target);
    let regression = &group.regressions[candidate.mean];
    let mut m = mean + offset * regression.beta[posterior::OFFSET];
    let mut s2 = variance
        + 2.0 * offset * with_offset
        + offset * offset * regression.covariance[posterior::OFFSET][posterior::OFFSET];
    let y = (reading.delivered - setup.offset_mean) * per_pulse;
    let v = match cell {
        Some(c) => group.node.variances[c],
        None => {
            let own = group.node.noise.variance(reading.pulses, m / per_pulse);
            (own + reading.extra_variance) * per_pulse * per_pulse
        }
    };
    if cell.is_some() {
        let precision = 1.0 / s2 - 1.0 / v;
        if precision <= 1e-9 / s2 {
            // The reading alone carries a direction: nothing can speak against it.
            return (0.0, 0.0);
        }
        m = (m / s2 - y / v) / precision;
        s2 = 1.0 / precision;
    }
    let wide = (misreading.spread * per_pulse).powi(2);
    let log_normal = |total: f64| -0.5 * (total.ln() + (y - m) * (y - m) / total);
    (log_normal(s2 + v), log_normal(s2 + v + wide))
}
