//! Deviations, spread and verdict.

use std::collections::BTreeMap;

use serde_json::json;

use super::range::range_quantile;
use super::risk::guard_factor;
use super::{Deviation, OperatingPoint, SetMatch, Verdict};
use crate::finding::{Finding, Kind, Place};
use crate::fit::Delivered;
use crate::units::{Estimate, NORMAL_95, Unit, significant};

/// More readings than this many times those there are nobody makes.
const MOST_TIMES: f64 = 30.0;

/// What the user asked of the comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Criterion {
    /// Largest spread that counts as matched, percent; `None` = no verdict.
    pub tolerance_percent: Option<f64>,
    /// Risk of a wrong verdict, percent.
    pub risk_percent: f64,
}

/// One injector with the delivered quantity at each operating point; `None`
/// where the point lies outside what was measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Member {
    /// Injector id.
    pub injector: String,
    /// Unit of the delivered quantities.
    pub unit: Unit,
    /// By operating point, in their order.
    pub delivered: Vec<Option<Delivered>>,
}

/// Scores a set of members at common operating points.
///
/// *Method*: docs/methods.md, "The set". The deviation of a member from the set
/// mean is in percent of the mean; effects common to the set enter with their
/// sign, so that what is equal for all cancels. The true spread is at most the
/// largest pairwise difference plus its one-sided limit at the risk (the pair
/// that is truly farthest apart is among the pairs, so one limit suffices); it is
/// at least the largest pairwise difference minus a limit that holds for all
/// pairs at once (Tukey's range, the risk divided by the number of points).
/// *Assumes*: independent normal readings, degrees of freedom large.
///
/// Members that miss a point are left out of that point, with a finding.
/// `None` with fewer than two members at every point.
pub fn score(
    members: &[Member],
    points: Vec<OperatingPoint>,
    stage: Option<String>,
    criterion: Criterion,
) -> Option<SetMatch> {
    let mut findings = Vec::new();
    let mut deviations = Vec::new();
    let mut spreads = Vec::new();
    for (index, point) in points.iter().enumerate() {
        let present = present_members(members, index, point, &mut findings);
        if present.len() < 2 {
            continue;
        }
        let set = PointSet::new(&present);
        deviations.extend(
            present
                .iter()
                .enumerate()
                .map(|(i, (member, delivered))| set.deviation(i, member, delivered, &point.label)),
        );
        spreads.push(set);
    }
    if spreads.is_empty() {
        return None;
    }
    let spread = Spread::new(&spreads, criterion.risk_percent / 100.0);
    let verdict = criterion
        .tolerance_percent
        .map(|tolerance| spread.verdict(tolerance));
    if let (Some(Verdict::Undecided), Some(tolerance)) = (verdict, criterion.tolerance_percent) {
        findings.push(spread.undecided(tolerance));
    }
    let worst = deviations
        .iter()
        .max_by(|a, b| a.percent.abs().total_cmp(&b.percent.abs()));
    Some(SetMatch {
        stage,
        verdict,
        tolerance_percent: criterion.tolerance_percent,
        risk_percent: criterion.risk_percent,
        spread_percent: Some(spread.estimate()),
        spread_bounds_percent: Some([spread.lower, spread.upper]),
        worst_injector: worst.map(|d| d.injector.clone()),
        operating_points: points,
        deviations,
        findings,
    })
}

/// The members measured at a point; the others are told in a finding.
fn present_members<'a>(
    members: &'a [Member],
    index: usize,
    point: &OperatingPoint,
    findings: &mut Vec<Finding>,
) -> Vec<(&'a Member, &'a Delivered)> {
    let mut present = Vec::new();
    for member in members {
        match &member.delivered[index] {
            // A quantity of zero or less has no relative deviation.
            Some(delivered) if delivered.value > 0.0 => present.push((member, delivered)),
            _ => findings.push(Finding::new(
                Kind::OperatingPointOutside,
                Place {
                    injector: Some(member.injector.clone()),
                    ..Place::default()
                },
                &[
                    ("label", json!(point.label)),
                    ("injector", json!(member.injector)),
                ],
            )),
        }
    }
    present
}

/// The members at one point, relative to their mean.
struct PointSet {
    /// Delivered quantity over the set mean.
    ratio: Vec<f64>,
    /// Variance of that which no other member shares.
    own_variance: Vec<f64>,
    /// Signed shared contributions, over the set mean, by effect.
    shared: BTreeMap<String, Vec<f64>>,
}

impl PointSet {
    fn new(present: &[(&Member, &Delivered)]) -> Self {
        let count = present.len() as f64;
        let mean = present.iter().map(|(_, d)| d.value).sum::<f64>() / count;
        let mut holders: BTreeMap<&str, usize> = BTreeMap::new();
        for id in present.iter().flat_map(|(_, d)| d.shared.keys()) {
            *holders.entry(id).or_default() += 1;
        }
        let mut shared: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        let mut own_variance = Vec::with_capacity(present.len());
        for (i, (_, delivered)) in present.iter().enumerate() {
            let mut own = delivered.standard_uncertainty.powi(2);
            for (id, part) in &delivered.shared {
                // An effect that one member alone has is its own.
                if holders[id.as_str()] > 1 {
                    own -= part * part;
                    let parts = shared
                        .entry(id.clone())
                        .or_insert_with(|| vec![0.0; present.len()]);
                    parts[i] = part / mean;
                }
            }
            own_variance.push(own.max(0.0) / (mean * mean));
        }
        Self {
            ratio: present.iter().map(|(_, d)| d.value / mean).collect(),
            own_variance,
            shared,
        }
    }

    /// Standard uncertainty of Σ c_i·ratio_i.
    fn uncertainty(&self, coefficients: &[f64]) -> f64 {
        let own: f64 = coefficients
            .iter()
            .zip(&self.own_variance)
            .map(|(c, v)| c * c * v)
            .sum();
        let common: f64 = self
            .shared
            .values()
            .map(|parts| {
                coefficients
                    .iter()
                    .zip(parts)
                    .map(|(c, s)| c * s)
                    .sum::<f64>()
                    .powi(2)
            })
            .sum();
        (own + common).sqrt()
    }

    fn deviation(
        &self,
        i: usize,
        member: &Member,
        delivered: &Delivered,
        label: &str,
    ) -> Deviation {
        let count = self.ratio.len() as f64;
        // d(q_i/mean)/dq_j in units of the mean: δ_ij − ratio_i/n
        let mut coefficients = vec![-self.ratio[i] / count; self.ratio.len()];
        coefficients[i] += 1.0;
        let u = 100.0 * self.uncertainty(&coefficients);
        let percent = 100.0 * (self.ratio[i] - 1.0);
        let mut estimate = Estimate::symmetric(
            delivered.value,
            member.unit,
            Some(delivered.standard_uncertainty),
            None,
            NORMAL_95,
        );
        estimate.shared.clone_from(&delivered.shared);
        Deviation {
            injector: member.injector.clone(),
            operating_point: label.to_owned(),
            delivered: estimate,
            percent,
            interval_95: [Some(percent - NORMAL_95 * u), Some(percent + NORMAL_95 * u)],
            standard_uncertainty: Some(u),
            // The air is the same: fuel up by x makes the air-fuel ratio 1/(1+x) of the target.
            mixture_percent: 100.0 * (1.0 / self.ratio[i] - 1.0),
        }
    }

    /// Every pair: difference and its uncertainty, in percent of the mean.
    ///
    /// The coefficients are +1, −1 and, since the mean in the denominator moves
    /// too, −d/n for all; their sums are taken once, so that a pair costs no more
    /// than its effects.
    fn pairs(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let count = self.ratio.len();
        let own_sum: f64 = self.own_variance.iter().sum();
        let sums: Vec<f64> = self
            .shared
            .values()
            .map(|parts| parts.iter().sum())
            .collect();
        let others = move |i| (0..count).filter(move |j| *j != i).map(move |j| (i, j));
        (0..count).flat_map(others).map(move |(i, j)| {
            let difference = self.ratio[i] - self.ratio[j];
            let a = difference / count as f64;
            let own = own_sum * a * a
                + self.own_variance[i] * (1.0 - 2.0 * a)
                + self.own_variance[j] * (1.0 + 2.0 * a);
            let common: f64 = self
                .shared
                .values()
                .zip(&sums)
                .map(|(parts, sum)| (parts[i] - parts[j] - a * sum).powi(2))
                .sum();
            (100.0 * difference, 100.0 * (own.max(0.0) + common).sqrt())
        })
    }
}

/// The spread at the worst point, with one-sided bounds at the risk and the 95 % interval.
struct Spread {
    value: f64,
    lower: f64,
    upper: f64,
    interval_95: [f64; 2],
    standard_uncertainty: f64,
}

impl Spread {
    fn new(sets: &[PointSet], risk: f64) -> Self {
        let one_sided = [risk, 0.025].map(guard_factor);
        let (mut value, mut standard_uncertainty) = (f64::MIN, 0.0);
        let (mut uppers, mut lowers) = ([f64::MIN; 2], [0.0_f64; 2]);
        // One pass: a set of thousands has millions of pairs, and none is kept.
        for set in sets {
            let for_all = [risk, 0.025].map(|risk| {
                range_quantile(risk / sets.len() as f64, set.ratio.len()) / 2f64.sqrt()
            });
            for (difference, u) in set.pairs() {
                if difference >= value {
                    (value, standard_uncertainty) = (difference, u);
                }
                for k in 0..2 {
                    uppers[k] = uppers[k].max(difference + one_sided[k] * u);
                    lowers[k] = lowers[k].max(difference - for_all[k] * u);
                }
            }
        }
        Self {
            value,
            lower: lowers[0],
            upper: uppers[0],
            interval_95: [lowers[1], uppers[1]],
            standard_uncertainty,
        }
    }

    fn verdict(&self, tolerance: f64) -> Verdict {
        if self.upper <= tolerance {
            Verdict::Matched
        } else if self.lower > tolerance {
            Verdict::NotMatched
        } else {
            Verdict::Undecided
        }
    }

    fn estimate(&self) -> Estimate {
        let [lo, hi] = self.interval_95;
        Estimate {
            value: self.value,
            unit: Unit::Percent,
            standard_uncertainty: Some(self.standard_uncertainty),
            degrees_of_freedom: None,
            interval_95: [Some(lo), Some(hi)],
            shared: BTreeMap::new(),
        }
    }

    /// How many times the readings would decide: the nearer bound must come to
    /// the tolerance, and it shrinks with the square root of their number.
    fn undecided(&self, tolerance: f64) -> Finding {
        let gap = (self.value - tolerance).abs().max(0.01 * tolerance);
        let reach = if self.value > tolerance {
            self.value - self.lower
        } else {
            self.upper - self.value
        };
        let factor = (reach / gap).powi(2).max(1.1);
        let how = if factor > MOST_TIMES {
            "the spread lies so near the tolerance that more readings will not tell; see which \
             injector is farthest from the mean, or state what you can live with as the tolerance"
                .to_owned()
        } else {
            let factor = significant(factor, 2);
            format!(
                "about {factor} times as many readings (or pulses) would decide, if the spread \
                 stays where it is"
            )
        };
        Finding::new(
            Kind::Undecided,
            Place::default(),
            &[
                ("lower", json!(self.lower)),
                ("upper", json!(self.upper)),
                ("tolerance", json!(tolerance)),
                ("factor", json!(factor)),
                ("how", json!(how)),
            ],
        )
    }
}
