//! Several injectors' readings of one quantity: deviations from their mean, differences
//! of pairs, the spread with its bounds.

use std::collections::BTreeMap;

use serde_json::json;

use super::Verdict;
use super::range::range_quantile;
use super::risk::guard_factor;
use crate::finding::{Finding, Kind, Place};
use crate::units::{Estimate, Unit};

/// One injector's figure with what it shares with others.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reading<'a> {
    pub value: f64,
    pub standard_uncertainty: f64,
    /// Signed contribution of each shared effect, in the unit of the value.
    pub shared: &'a BTreeMap<String, f64>,
}

/// In what deviations are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Deviates {
    /// In percent of the mean.
    Relative,
    /// In thousandths of the unit: milliseconds as µs.
    Thousandths,
}

/// Readings about their mean, in the unit of the deviations.
pub(super) struct Group {
    /// Deviation of each from the mean.
    deviation: Vec<f64>,
    /// Share of its own deviation that a reading's coefficient of the mean has: the mean
    /// in the denominator moves too.
    by_mean: Vec<f64>,
    /// Variance of that which no other member shares.
    own_variance: Vec<f64>,
    own_sum: f64,
    /// Effects that several have.
    shared: BTreeMap<String, Effect>,
    /// From the readings' unit to that of the deviations.
    factor: f64,
}

/// Signed contributions of an effect, by member, and their sum.
struct Effect {
    parts: Vec<f64>,
    sum: f64,
}

impl Group {
    /// `readings`: at least one; for [`Deviates::Relative`] of a mean above zero.
    pub fn new(readings: &[Reading], deviates: Deviates) -> Self {
        let count = readings.len() as f64;
        let mean = readings.iter().map(|r| r.value).sum::<f64>() / count;
        let factor = match deviates {
            Deviates::Relative => 100.0 / mean,
            Deviates::Thousandths => 1000.0,
        };
        let mut holders: BTreeMap<&str, usize> = BTreeMap::new();
        for id in readings.iter().flat_map(|r| r.shared.keys()) {
            *holders.entry(id).or_default() += 1;
        }
        let mut shared: BTreeMap<String, Effect> = BTreeMap::new();
        let mut own_variance = Vec::with_capacity(readings.len());
        for (i, reading) in readings.iter().enumerate() {
            let mut own = reading.standard_uncertainty.powi(2);
            for (id, part) in reading.shared {
                // An effect that one member alone has is its own.
                if holders[id.as_str()] > 1 {
                    own -= part * part;
                    let effect = shared.entry(id.clone()).or_insert_with(|| Effect {
                        parts: vec![0.0; readings.len()],
                        sum: 0.0,
                    });
                    effect.parts[i] = factor * part;
                    effect.sum += factor * part;
                }
            }
            own_variance.push(factor * factor * own.max(0.0));
        }
        Self {
            deviation: readings.iter().map(|r| factor * (r.value - mean)).collect(),
            by_mean: readings
                .iter()
                .map(|r| match deviates {
                    Deviates::Relative => r.value / mean,
                    Deviates::Thousandths => 1.0,
                })
                .collect(),
            own_sum: own_variance.iter().sum(),
            own_variance,
            shared,
            factor,
        }
    }

    pub fn len(&self) -> usize {
        self.deviation.len()
    }

    /// Whether an effect is common to several members.
    pub fn shares(&self, id: &str) -> bool {
        self.shared.contains_key(id)
    }

    /// Deviation of member `i` and its standard uncertainty.
    ///
    /// ∂(deviation of i)/∂(reading j), in units of the factor, is δ_ij − m/n with what the
    /// mean moves in m; the sums over j are taken once for the group.
    pub fn deviation(&self, i: usize) -> (f64, f64) {
        let m = self.by_mean[i] / self.len() as f64;
        let own = m * m * self.own_sum + self.own_variance[i] * (1.0 - 2.0 * m);
        let common: f64 = self
            .shared
            .values()
            .map(|effect| (effect.parts[i] - m * effect.sum).powi(2))
            .sum();
        (self.deviation[i], (own.max(0.0) + common).sqrt())
    }

    /// Covariance of member `i`'s deviations in two quantities; `own`: covariance of each
    /// member's two readings that no other member shares, in the units of the readings, and
    /// their sum.
    pub fn covariance(&self, other: &Group, i: usize, own: &[f64], own_sum: f64) -> f64 {
        let count = self.len() as f64;
        let (a, b) = (self.by_mean[i] / count, other.by_mean[i] / count);
        let apart = self.factor * other.factor * (a * b * own_sum + own[i] * (1.0 - a - b));
        let common: f64 = self
            .shared
            .iter()
            .filter_map(|(id, here)| {
                let there = other.shared.get(id)?;
                Some((here.parts[i] - a * here.sum) * (there.parts[i] - b * there.sum))
            })
            .sum();
        apart + common
    }

    /// An ordered pair: difference, its uncertainty, and the part of the variance that
    /// comes from effects that several members share.
    ///
    /// The coefficients are +1, −1 and, where the mean in the denominator moves too,
    /// −a for all.
    fn pair(&self, i: usize, j: usize) -> [f64; 3] {
        let a = (self.by_mean[i] - self.by_mean[j]) / self.len() as f64;
        let own = self.own_sum * a * a
            + self.own_variance[i] * (1.0 - 2.0 * a)
            + self.own_variance[j] * (1.0 + 2.0 * a);
        let common: f64 = self
            .shared
            .values()
            .map(|effect| (effect.parts[i] - effect.parts[j] - a * effect.sum).powi(2))
            .sum();
        let difference = self.deviation[i] - self.deviation[j];
        [difference, (own.max(0.0) + common).sqrt(), common]
    }

    /// No pair is more uncertain than this.
    fn most_uncertain(&self) -> f64 {
        let a = reach(&self.by_mean) / self.len() as f64;
        let largest = self.own_variance.iter().fold(0.0, |a: f64, b| a.max(*b));
        let own = self.own_sum * a * a + 2.0 * largest * (1.0 + 2.0 * a);
        let common: f64 = self
            .shared
            .values()
            .map(|effect| (reach(&effect.parts) + a * effect.sum.abs()).powi(2))
            .sum();
        (own + common).sqrt()
    }
}

/// Largest less smallest.
fn reach(values: &[f64]) -> f64 {
    let largest = values.iter().fold(f64::MIN, |a, b| a.max(*b));
    largest - values.iter().fold(f64::MAX, |a, b| a.min(*b))
}

/// The largest difference, with one-sided bounds at the risk and the 95 % interval.
pub(super) struct Spread {
    pub value: f64,
    pub lower: f64,
    pub upper: f64,
    interval_95: [f64; 2],
    standard_uncertainty: f64,
    /// The pair behind each bound: difference, uncertainty, shared variance.
    at_lower: [f64; 3],
    at_upper: [f64; 3],
    /// Coverage factors of the bounds.
    factors: [f64; 2],
}

/// What the pairs looked at so far reach. Bounds come in twos: at the criterion's risk, at 2.5 %.
struct Reached {
    /// Standard uncertainties that the upper bounds of one pair stand off.
    one_sided: [f64; 2],
    value: f64,
    standard_uncertainty: f64,
    uppers: [f64; 2],
    lowers: [f64; 2],
    at_lower: [f64; 3],
    at_upper: [f64; 3],
    best_lower: f64,
    factor_lower: f64,
}

impl Reached {
    fn of(one_sided: [f64; 2]) -> Self {
        Self {
            one_sided,
            value: f64::MIN,
            standard_uncertainty: 0.0,
            uppers: [f64::MIN; 2],
            lowers: [0.0; 2],
            at_lower: [0.0; 3],
            at_upper: [0.0; 3],
            best_lower: f64::MIN,
            factor_lower: one_sided[0],
        }
    }

    /// The pairs of a group; `for_all`: standard uncertainties that hold for all of them at once.
    fn by_group(&mut self, group: &Group, for_all: [f64; 2]) {
        let most = group.most_uncertain();
        let mut order: Vec<usize> = (0..group.len()).collect();
        order.sort_by(|a, b| group.deviation[*b].total_cmp(&group.deviation[*a]));
        // A set of thousands has millions of pairs; from the farthest on, those that
        // cannot move a bound any more end the search.
        for &i in &order {
            let mut first = true;
            for &j in order.iter().rev().filter(|j| **j != i) {
                let pair = group.pair(i, j);
                if !self.may_move(pair[0], most) {
                    break;
                }
                first = false;
                self.by_pair(pair, for_all);
            }
            if first {
                break;
            }
        }
    }

    /// Whether a pair of this difference may move a bound, its uncertainty at `most`.
    fn may_move(&self, difference: f64, most: f64) -> bool {
        difference >= self.value.min(self.best_lower).min(self.lowers[1])
            || (0..2).any(|k| difference + self.one_sided[k] * most >= self.uppers[k])
    }

    fn by_pair(&mut self, pair: [f64; 3], for_all: [f64; 2]) {
        let [difference, u, _] = pair;
        if difference >= self.value {
            (self.value, self.standard_uncertainty) = (difference, u);
        }
        if difference + self.one_sided[0] * u > self.uppers[0] {
            self.at_upper = pair;
        }
        if difference - for_all[0] * u > self.best_lower {
            self.best_lower = difference - for_all[0] * u;
            self.at_lower = pair;
            self.factor_lower = for_all[0];
        }
        for k in 0..2 {
            self.uppers[k] = self.uppers[k].max(difference + self.one_sided[k] * u);
            self.lowers[k] = self.lowers[k].max(difference - for_all[k] * u);
        }
    }
}

impl Spread {
    /// `groups`: at least one, of at least two members; `family`: number of comparisons
    /// of which each may call a matched set not matched.
    pub fn new(groups: &[Group], risk: f64, family: usize) -> Self {
        let risks = [risk, 0.025];
        let mut reached = Reached::of(risks.map(guard_factor));
        // By number of members: the quantile is an integral.
        let mut for_all = BTreeMap::new();
        for group in groups {
            let for_all = for_all.entry(group.len()).or_insert_with(|| {
                risks.map(|risk| range_quantile(risk / family as f64, group.len()) / 2f64.sqrt())
            });
            reached.by_group(group, *for_all);
        }
        Self {
            value: reached.value,
            lower: reached.lowers[0],
            upper: reached.uppers[0],
            interval_95: [reached.lowers[1], reached.uppers[1]],
            standard_uncertainty: reached.standard_uncertainty,
            at_lower: reached.at_lower,
            at_upper: reached.at_upper,
            factors: [reached.factor_lower, reached.one_sided[0]],
        }
    }

    pub fn verdict(&self, tolerance: f64) -> Verdict {
        if self.upper <= tolerance {
            Verdict::Matched
        } else if self.lower > tolerance {
            Verdict::NotMatched
        } else {
            Verdict::Undecided
        }
    }

    pub fn estimate(&self, unit: Unit) -> Estimate {
        let [lo, hi] = self.interval_95;
        Estimate {
            value: self.value,
            unit,
            standard_uncertainty: Some(self.standard_uncertainty),
            degrees_of_freedom: None,
            interval_95: [Some(lo), Some(hi)],
            shared: BTreeMap::new(),
        }
    }

    /// How many times the readings would decide, if the spread stays where it is.
    ///
    /// The pair behind the nearer bound must come to the tolerance. Its own variance
    /// shrinks with the number of readings; that of effects which several injectors
    /// share unequally (one vessel for some, another for the rest) does not, and where
    /// that alone keeps the bound beyond the tolerance no number of readings decides.
    pub fn undecided(&self, of: &str, tolerance: f64, unit: Unit) -> Finding {
        let ([difference, u, common], k) = if self.value > tolerance {
            (self.at_lower, self.factors[0])
        } else {
            (self.at_upper, self.factors[1])
        };
        let gap = (difference - tolerance).abs().max(0.01 * tolerance);
        let room = (gap / k).powi(2) - common;
        let own = (u * u - common).max(0.0);
        let mut facts = vec![
            ("of", json!(of)),
            ("lower", json!(self.lower)),
            ("upper", json!(self.upper)),
            ("tolerance", json!(tolerance)),
            ("unit", json!(unit.word())),
        ];
        if room > 0.0 {
            // Two digits: more would promise what nobody knows.
            let factor = (own / room).max(1.1);
            let step = 10f64.powf(factor.log10().floor() - 1.0);
            let whole = if step < 1.0 {
                (1.0 / step).round()
            } else {
                1.0
            };
            let rounded = if step < 1.0 {
                (factor * whole).ceil() / whole
            } else {
                (factor / step).ceil() * step
            };
            facts.push(("factor", json!(rounded)));
            Finding::new(Kind::Undecided, Place::default(), &facts)
        } else {
            facts.push(("shared", json!(k * common.sqrt())));
            Finding::new(Kind::UndecidedForGood, Place::default(), &facts)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Value, standard uncertainty, and the parts of two effects that all or some share.
    fn members() -> impl Strategy<Value = Vec<(f64, f64, f64, Option<f64>)>> {
        let part = -2.0..2.0f64;
        let member = (
            90.0..110.0f64,
            0.01..4.0f64,
            part.clone(),
            prop::option::of(part),
        );
        prop::collection::vec(member, 2..14)
    }

    /// Bound of a pair that differs by 1.5 with a variance of 0.16, of which 0.01 is shared, at 2
    /// standard uncertainties: to come within 2 the own 0.15 must shrink to (0.5/2)² − 0.01 = 0.0525,
    /// so 2.857 times the readings. Told in two digits, rounded up.
    #[test]
    fn how_many_times_the_readings_would_decide_is_told_in_two_digits() {
        let factor = |own: f64| {
            let spread = Spread {
                value: 1.5,
                lower: 0.7,
                upper: 2.3,
                interval_95: [0.0, 3.0],
                standard_uncertainty: 0.4,
                at_lower: [1.5, 9.0, 0.0],
                at_upper: [1.5, (own + 0.01f64).sqrt(), 0.01],
                factors: [9.0, 2.0],
            };
            let finding = spread.undecided("flow", 2.0, Unit::Percent);
            finding.facts["factor"].as_f64().unwrap()
        };
        assert_eq!(factor(0.15), 2.9);
        assert_eq!(factor(1.5), 29.0);
        assert_eq!(factor(15.0), 290.0);
        assert_eq!(factor(0.01), 1.1);
    }

    proptest! {
        /// The search from the farthest pair on finds what all pairs say.
        #[test]
        fn pairs_that_are_not_looked_at_move_no_bound(
            members in members(),
            relative in any::<bool>(),
        ) {
            let shared: Vec<BTreeMap<String, f64>> = members
                .iter()
                .map(|(_, _, all, some)| {
                    let all = Some(("all".to_owned(), *all));
                    all.into_iter().chain(some.map(|part| ("some".to_owned(), part))).collect()
                })
                .collect();
            let readings: Vec<Reading> = members
                .iter()
                .zip(&shared)
                .map(|((value, own, ..), shared)| Reading {
                    value: *value,
                    standard_uncertainty: shared
                        .values()
                        .fold(*own, |u: f64, part| u.hypot(*part)),
                    shared,
                })
                .collect();
            let deviates = if relative { Deviates::Relative } else { Deviates::Thousandths };
            let group = Group::new(&readings, deviates);
            let risks = [0.05, 0.025];
            let mut every = Reached::of(risks.map(guard_factor));
            let for_all = risks.map(|risk| range_quantile(risk, group.len()) / 2f64.sqrt());
            for i in 0..group.len() {
                for j in (0..group.len()).filter(|j| *j != i) {
                    every.by_pair(group.pair(i, j), for_all);
                }
            }
            let spread = Spread::new(&[group], 0.05, 1);
            prop_assert_eq!(spread.value, every.value);
            prop_assert_eq!([spread.lower, spread.upper], [every.lowers[0], every.uppers[0]]);
            prop_assert_eq!(spread.interval_95, [every.lowers[1], every.uppers[1]]);
        }
    }
}
