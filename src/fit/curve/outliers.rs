//! Misreadings: predictive odds of each reading given all others.

use super::average::{self, Asked, Candidate, Model};
use super::cells::NoiseNode;
use super::log_sum::LogSum;
use super::posterior::OFFSET;
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
    let candidates = average::weigh(model, setup, Asked::Probes);
    let model = &*model;
    let in_use = |i: usize| model.cells.of_reading[i].is_some();
    let judged = |i: usize| in_use(i) || set_aside[i];
    // Weights, with the densities of the readings in use in them.
    let mut weights = LogSum::NOTHING;
    // Weight times density of each, as a good reading and as a misreading.
    let mut sums = vec![[LogSum::NOTHING; 2]; readings.len()];
    let targets: Vec<usize> = readings
        .iter()
        .map(|reading| model.target_of(reading.width_ms))
        .collect();
    let count = model.before_nodes();
    let mut expected = Vec::with_capacity(count);
    average::for_each_group(model, &candidates, count, |group| {
        for candidate in group.candidates {
            weights = weights.and(candidate.log_weight);
            expected.clear();
            let mean = group.mean_of(candidate);
            expected.extend((0..count).map(|t| {
                let (variance, with_offset) = group.projection.variance(t);
                (group.projection.mean(t, mean), variance, with_offset)
            }));
            let regression = &group.factored.regression;
            let offset = regression.beta_at(mean)[OFFSET];
            for (i, reading) in readings.iter().enumerate() {
                if !judged(i) {
                    continue;
                }
                let cell = model.cells.of_reading[i];
                let said = Said {
                    expected: expected[targets[i]],
                    offset: (offset, regression.covariance[OFFSET][OFFSET]),
                    node: group.node,
                };
                let densities = said.densities(reading, cell, model, setup, misreading);
                let mut own = candidate.log_weight;
                let [good, misread] = &mut sums[i];
                if !in_use(i) {
                    own += densities.good();
                    *good = good.and(own);
                }
                *misread = misread.and(own + densities.ratio);
            }
        }
    });
    let prior = (misreading.prior / (1.0 - misreading.prior)).ln();
    let odds = |i: usize| {
        let [good, misread] = sums[i];
        // Weight given the others: divided by what the reading itself said.
        let good = if in_use(i) { weights } else { good };
        prior + misread.value() - good.value()
    };
    let log_odds: Vec<Option<f64>> = (0..readings.len())
        .map(|i| judged(i).then(|| odds(i)).filter(|odds| !odds.is_nan()))
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
    let Some(node) = best.map(|c| &model.nodes[c.node].scales) else {
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

/// What one combination says of one reading.
struct Said<'a> {
    /// Mean, variance and covariance with the offset of the curve at its width.
    expected: (f64, f64, f64),
    /// Mean and variance of the offset.
    offset: (f64, f64),
    node: &'a NoiseNode,
}

/// Predictive densities of one reading given the others.
struct Densities {
    /// Logarithm of that of a misreading over that of a good reading.
    ratio: f64,
    /// Squared distance from what is expected.
    square: f64,
    /// Variance of a good reading.
    variance: f64,
}

impl Densities {
    /// Logarithm of that of a good reading, apart from a constant.
    fn good(&self) -> f64 {
        -0.5 * (self.variance.ln() + self.square / self.variance)
    }
}

impl Said<'_> {
    fn densities(
        &self,
        reading: &CurveReading,
        cell: Option<usize>,
        model: &Model,
        setup: &CurveSetup,
        misreading: &Misreading,
    ) -> Densities {
        let per_pulse = 1.0 / (reading.pulses * model.scale);
        let offset = setup.offset_uncertainty * per_pulse;
        let (mean, variance, with_offset) = self.expected;
        let mut m = mean + offset * self.offset.0;
        let mut s2 = variance + 2.0 * offset * with_offset + offset * offset * self.offset.1;
        let y = (reading.delivered - setup.offset_mean) * per_pulse;
        let v = match cell {
            Some(c) => self.node.variances[c],
            None => {
                let own = self.node.noise.variance(reading.pulses, m / per_pulse);
                (own + reading.extra_variance) * per_pulse * per_pulse
            }
        };
        if cell.is_some() {
            let precision = 1.0 / s2 - 1.0 / v;
            if precision <= 1e-9 / s2 {
                // The reading alone carries a direction: nothing can speak against it.
                return Densities {
                    ratio: 0.0,
                    square: 0.0,
                    variance: 1.0,
                };
            }
            m = (m / s2 - y / v) / precision;
            s2 = 1.0 / precision;
        }
        let (variance, square) = (s2 + v, (y - m) * (y - m));
        let wide = variance + (misreading.spread * per_pulse).powi(2);
        Densities {
            ratio: 0.5 * (square / variance - square / wide - (wide / variance).ln()),
            square,
            variance,
        }
    }
}
