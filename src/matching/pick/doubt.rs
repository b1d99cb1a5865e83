//! What noise leaves of a pick: the bound of its spread and its lead.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::matching::{Stock, guard_factor, range_quantile};

/// How far the best set is ahead of the next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Lead {
    /// Difference of the measured spreads, percentage points.
    pub percent: f64,
    /// Its standard uncertainty; `None` where an uncertainty is not stated.
    pub standard_uncertainty: Option<f64>,
    /// Whether the lead is smaller than its one-sided limit at the risk.
    pub within_noise: Option<bool>,
}

/// The spread of a set at its worst point, with how it moves with each reading.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SetFigures {
    /// As a ratio.
    spread: f64,
    /// d spread / d amount, by (item, point).
    sensitivity: BTreeMap<(usize, usize), f64>,
}

impl SetFigures {
    /// *Method*: spread = (q_h − q_l)/m, so ∂/∂q_i = (δ_ih − δ_il)/m − spread/(n·m).
    pub(super) fn new(stock: &Stock, members: &[usize]) -> Self {
        let count = members.len() as f64;
        (0..stock.points().len())
            .map(|p| {
                let value = |i: &usize| stock.items()[*i].amounts[p].value;
                let mean = members.iter().map(value).sum::<f64>() / count;
                let by_value = |a: &&usize, b: &&usize| value(a).total_cmp(&value(b));
                let low = *members.iter().min_by(by_value).expect("a set has members");
                let high = *members.iter().max_by(by_value).expect("a set has members");
                let spread = (value(&high) - value(&low)) / mean;
                let mut sensitivity: BTreeMap<_, _> = members
                    .iter()
                    .map(|&i| ((i, p), -spread / (count * mean)))
                    .collect();
                *sensitivity.entry((high, p)).or_default() += 1.0 / mean;
                *sensitivity.entry((low, p)).or_default() -= 1.0 / mean;
                Self {
                    spread,
                    sensitivity,
                }
            })
            .max_by(|a, b| a.spread.total_cmp(&b.spread))
            .expect("a stock has a point")
    }
}

/// The lead of `best` over `second`; what both share cancels.
///
/// *Assumes*: readings of different operating points are independent, normal.
pub(super) fn lead(
    stock: &Stock,
    best: &SetFigures,
    second: &SetFigures,
    risk_percent: f64,
) -> Lead {
    let mut sensitivity = second.sensitivity.clone();
    for (key, s) in &best.sensitivity {
        *sensitivity.entry(*key).or_default() -= s;
    }
    let percent = 100.0 * (second.spread - best.spread);
    let standard_uncertainty = uncertainty(stock, &sensitivity).map(|u| 100.0 * u);
    let k = guard_factor(risk_percent / 100.0);
    Lead {
        percent,
        standard_uncertainty,
        within_noise: standard_uncertainty.map(|u| percent < k * u),
    }
}

/// Standard uncertainty of a linear form of the amounts, by (item, point).
fn uncertainty(stock: &Stock, sensitivity: &BTreeMap<(usize, usize), f64>) -> Option<f64> {
    let mut own = 0.0;
    let mut common: BTreeMap<&str, f64> = BTreeMap::new();
    for (&(item, point), s) in sensitivity {
        let amount = &stock.items()[item].amounts[point];
        own += s * s * amount.own_variance()?;
        for (id, part) in &amount.shared {
            *common.entry(id).or_default() += s * part;
        }
    }
    Some((own + common.values().map(|c| c * c).sum::<f64>()).sqrt())
}

/// Upper bound of the true spread of `members`, percent, that holds at the risk
/// whichever members were picked from the stock.
///
/// *Method*: the readings of a picked set are alike partly by luck. The bound of
/// every pair therefore holds for all pairs of the whole stock at once: Tukey's
/// range of the stock, the risk divided by the number of points.
/// *Assumes*: independent normal readings, degrees of freedom large.
pub(in crate::matching) fn stock_upper_bound(
    stock: &Stock,
    members: &[usize],
    risk_percent: f64,
) -> Option<f64> {
    let points = stock.points().len();
    let k = range_quantile(risk_percent / 100.0 / points as f64, stock.items().len()) / 2f64.sqrt();
    let mut upper = 0.0f64;
    for p in 0..points {
        let mean = members
            .iter()
            .map(|&i| stock.items()[i].amounts[p].value)
            .sum::<f64>()
            / members.len() as f64;
        for &i in members {
            for &j in members.iter().filter(|&&j| j != i) {
                let pair: BTreeMap<_, _> = [((i, p), 1.0), ((j, p), -1.0)].into();
                let difference =
                    stock.items()[i].amounts[p].value - stock.items()[j].amounts[p].value;
                upper = upper.max((difference + k * uncertainty(stock, &pair)?) / mean);
            }
        }
    }
    Some(100.0 * upper)
}
