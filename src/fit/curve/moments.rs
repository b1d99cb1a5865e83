//! Moments of what a mixture says of its targets, four targets side by side.

use super::average::Group;
use super::posterior::{OFFSET, Told};
use super::tiles::{LANES, Lanes};

/// Weights of the components of a group, times powers of their means of the
/// leading shape: the components of a group differ in nothing else.
#[derive(Clone, Copy)]
pub(super) struct GroupWeight([f64; 3]);

impl GroupWeight {
    /// Of components given as (weight, mean).
    pub fn of(components: &[(f64, f64)]) -> Self {
        let mut sums = [0.0; 3];
        for &(weight, mean) in components {
            sums[0] += weight;
            sums[1] += weight * mean;
            sums[2] += weight * mean * mean;
        }
        Self(sums)
    }

    /// Σ weight · (a + mean·b).
    fn of_one(&self, (a, b): (f64, f64)) -> f64 {
        self.0[0] * a + self.0[1] * b
    }

    /// Σ weight · (a + mean·b)·(c + mean·d).
    fn of_two(&self, (a, b): (f64, f64), (c, d): (f64, f64)) -> f64 {
        self.0[0] * a * c + self.0[1] * (a * d + b * c) + self.0[2] * b * d
    }
}

/// What a mixture says of the targets, as sums over its components.
#[derive(Default)]
pub(super) struct Moments {
    quads: Vec<Quad>,
    /// Slope and level of the line, and the offset.
    partners: [Partner; 3],
}

/// Means are counted from those of the first group: squares of the whole would cancel.
#[derive(Clone, Copy)]
struct Quad {
    origin: Lanes,
    mean: Lanes,
    square: Lanes,
    /// Covariance with the offset within the components.
    offset_within: Lanes,
    /// Products with the partners.
    with: [Lanes; 3],
}

#[derive(Clone, Copy, Default)]
struct Partner {
    origin: f64,
    mean: f64,
}

/// Mean, variance and covariances of one target over the mixture.
pub(super) struct TargetMoments {
    /// Mean.
    pub mean: f64,
    /// Variance.
    pub variance: f64,
    /// Covariance with the offset within the components.
    pub offset_within: f64,
    /// Covariance with slope and level of the line and with the offset; those with the
    /// line mean nothing for a node.
    pub with: [f64; 3],
}

impl Moments {
    /// Adds the components of a group.
    pub fn add(&mut self, group: &Group, weight: &GroupWeight) {
        let told = group.projection.told();
        let regression = &group.factored.regression;
        let partners = [
            (told[0].mean[0], told[0].per_mean[0]),
            (told[0].mean[1], told[0].per_mean[1]),
            (regression.beta[OFFSET], regression.beta_per_mean[OFFSET]),
        ];
        if self.quads.is_empty() {
            self.quads.extend(told.iter().map(Quad::from_here));
            self.partners = partners.map(|(origin, _)| Partner { origin, mean: 0.0 });
        }
        let mut from_origin = partners;
        for (at, partner) in from_origin.iter_mut().zip(&mut self.partners) {
            at.0 -= partner.origin;
            partner.mean += weight.of_one(*at);
        }
        for (quad, told) in self.quads.iter_mut().zip(told) {
            quad.add(told, weight, &from_origin);
        }
    }

    /// Of one target.
    pub fn of(&self, target: usize) -> TargetMoments {
        let (quad, lane) = (&self.quads[target / LANES], target % LANES);
        let mean = quad.mean[lane];
        TargetMoments {
            mean: quad.origin[lane] + mean,
            variance: (quad.square[lane] - mean * mean).max(0.0),
            offset_within: quad.offset_within[lane],
            with: std::array::from_fn(|k| quad.with[k][lane] - mean * self.partners[k].mean),
        }
    }
}

impl Quad {
    fn from_here(told: &Told) -> Self {
        Self {
            origin: told.mean,
            mean: [0.0; LANES],
            square: [0.0; LANES],
            offset_within: [0.0; LANES],
            with: [[0.0; LANES]; 3],
        }
    }

    fn add(&mut self, told: &Told, weight: &GroupWeight, partners: &[(f64, f64); 3]) {
        let all = weight.0[0];
        let within = [told.with_line[0], told.with_line[1], told.with_offset];
        for lane in 0..LANES {
            let own = (told.mean[lane] - self.origin[lane], told.per_mean[lane]);
            self.mean[lane] += weight.of_one(own);
            self.square[lane] += all * told.variance[lane] + weight.of_two(own, own);
            self.offset_within[lane] += all * told.with_offset[lane];
            for k in 0..3 {
                self.with[k][lane] += all * within[k][lane] + weight.of_two(own, partners[k]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sums say what adding up component by component says.
    #[test]
    fn weight_of_a_group_is_the_sum_over_its_components() {
        let components = [(0.2, 0.0), (0.5, -1.33), (0.05, 0.4)];
        let weight = GroupWeight::of(&components);
        let (one, two) = ((3.0, 0.7), (-2.0, 0.1));
        let at = |(a, b): (f64, f64), mean: f64| a + mean * b;
        let direct: f64 = components.iter().map(|&(w, m)| w * at(one, m)).sum();
        assert!((weight.of_one(one) - direct).abs() < 1e-15);
        let direct: f64 = components
            .iter()
            .map(|&(w, m)| w * at(one, m) * at(two, m))
            .sum();
        assert!((weight.of_two(one, two) - direct).abs() < 1e-15);
    }
}
