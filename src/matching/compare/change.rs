//! One change with its interval and what can be said of it.

use std::collections::BTreeMap;

use serde::Serialize;

use super::CompareLimits;
use crate::fit::SweepFit;
use crate::fit::distribution::coverage_factor;
use crate::units::{Estimate, Unit};

/// What can be said of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ChangeVerdict {
    /// Better, beyond doubt.
    Improved,
    /// Any change is too small to matter.
    Unchanged,
    /// Worse, beyond doubt.
    Worse,
    /// The readings do not say.
    Undecided,
}

/// One verdict with its reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// What was compared, as `flow`.
    pub of: String,
    /// Verdict.
    pub verdict: ChangeVerdict,
    /// Why, in words.
    pub reason: String,
}

/// A change with its verdict.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Judged {
    pub estimate: Estimate,
    pub change: Change,
}

impl Judged {
    /// The same change, of which nothing can be said.
    pub(super) fn undecided(mut self, why: &str) -> Self {
        self.change.verdict = ChangeVerdict::Undecided;
        self.change.reason = format!("{} undecided: {why}", self.change.of);
        self
    }
}

/// Which way is better.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Better {
    Higher,
    Lower,
}

/// Of several verdicts: worse if any is, else improved if any is, else undecided
/// if any is or there is none.
pub(super) fn worst_of(changes: &[Change]) -> ChangeVerdict {
    let has = |verdict| changes.iter().any(|c| c.verdict == verdict);
    if has(ChangeVerdict::Worse) {
        ChangeVerdict::Worse
    } else if has(ChangeVerdict::Improved) {
        ChangeVerdict::Improved
    } else if changes.is_empty() || has(ChangeVerdict::Undecided) {
        ChangeVerdict::Undecided
    } else {
        ChangeVerdict::Unchanged
    }
}

/// Unchanged where the interval lies within [`low`, `high`]; improved or worse where
/// it excludes `none`; else undecided.
pub(super) fn judge(
    interval: [Option<f64>; 2],
    [low, none, high]: [f64; 3],
    better: Better,
) -> ChangeVerdict {
    let [Some(lo), Some(hi)] = interval else {
        return ChangeVerdict::Undecided;
    };
    if lo >= low && hi <= high {
        ChangeVerdict::Unchanged
    } else if lo > none || hi < none {
        if (lo > none) == (better == Better::Higher) {
            ChangeVerdict::Improved
        } else {
            ChangeVerdict::Worse
        }
    } else {
        ChangeVerdict::Undecided
    }
}

/// Two estimates whose difference is taken, each with its factor: the change is
/// Σ factor·value, to first order.
struct Difference<'a> {
    before: &'a Estimate,
    after: &'a Estimate,
    factor_before: f64,
    factor_after: f64,
}

impl Difference<'_> {
    /// Standard uncertainty and degrees of freedom.
    ///
    /// *Method*: what is not shared adds in squares; each shared effect adds with
    /// its sign where it is the same in both. Degrees of freedom by Welch and
    /// Satterthwaite (GUM G.4.1) from the parts not shared.
    fn uncertainty(&self, same_bench: bool) -> Option<(f64, Option<f64>)> {
        let own = |e: &Estimate, factor: f64| -> Option<f64> {
            let common: f64 = e.shared.values().map(|s| s * s).sum();
            Some(factor * factor * (e.standard_uncertainty?.powi(2) - common).max(0.0))
        };
        let (own_before, own_after) = (
            own(self.before, self.factor_before)?,
            own(self.after, self.factor_after)?,
        );
        let mut shared: BTreeMap<(&str, bool), f64> = BTreeMap::new();
        for (estimate, factor, is_after) in [
            (self.before, self.factor_before, false),
            (self.after, self.factor_after, true),
        ] {
            for (id, part) in &estimate.shared {
                *shared.entry((id, is_after && !same_bench)).or_default() += factor * part;
            }
        }
        let variance = own_before + own_after + shared.values().map(|s| s * s).sum::<f64>();
        let part = |own: f64, dof: Option<f64>| dof.map_or(0.0, |dof| own * own / dof);
        let sum = part(own_before, self.before.degrees_of_freedom)
            + part(own_after, self.after.degrees_of_freedom);
        let dof = (sum > 0.0).then(|| (variance * variance / sum).max(1.0));
        Some((variance.sqrt(), dof))
    }

    fn estimate(&self, value: f64, unit: Unit, same_bench: bool) -> Estimate {
        let known = self.uncertainty(same_bench);
        let dof = known.and_then(|(_, dof)| dof);
        match coverage_factor(0.95, dof) {
            Ok(k) => Estimate::symmetric(value, unit, known.map(|(u, _)| u), dof, k),
            // No factor, no interval: unknown, not zero.
            Err(_) => Estimate::symmetric(value, unit, None, None, 0.0),
        }
    }
}

/// Change of the slope in percent; `None` where a slope is missing, the bases
/// differ, or the slope before is not above zero.
pub(super) fn flow_change(
    before: &SweepFit,
    after: &SweepFit,
    limits: CompareLimits,
) -> Option<Judged> {
    let (b, a) = (before.slope.as_ref()?, after.slope.as_ref()?);
    if before.basis != after.basis || b.value <= 0.0 {
        return None;
    }
    let difference = Difference {
        before: b,
        after: a,
        factor_before: -100.0 * a.value / (b.value * b.value),
        factor_after: 100.0 / b.value,
    };
    let estimate = difference.estimate(
        100.0 * (a.value / b.value - 1.0),
        Unit::Percent,
        limits.same_bench,
    );
    let limit = limits.flow_percent;
    let verdict = judge(estimate.interval_95, [-limit, 0.0, limit], Better::Higher);
    Some(judged("flow", estimate, verdict, "%", 2))
}

/// Change of the dead time, µs; `None` where one is missing.
pub(super) fn dead_time_change(
    before: &SweepFit,
    after: &SweepFit,
    limits: CompareLimits,
) -> Option<Judged> {
    let (b, a) = (before.dead_time.as_ref()?, after.dead_time.as_ref()?);
    let difference = Difference {
        before: b,
        after: a,
        factor_before: -1000.0,
        factor_after: 1000.0,
    };
    let estimate = difference.estimate(
        1000.0 * (a.value - b.value),
        Unit::Microsecond,
        limits.same_bench,
    );
    let limit = limits.dead_time_us;
    let verdict = judge(estimate.interval_95, [-limit, 0.0, limit], Better::Lower);
    Some(judged(
        "dead time",
        estimate,
        verdict,
        Unit::Microsecond.sign(),
        0,
    ))
}

/// Repeatability after over before; the interval is that of the logarithm.
pub(super) fn repeatability_change(
    before: &SweepFit,
    after: &SweepFit,
    limits: CompareLimits,
) -> Option<Judged> {
    let figure = |s: &SweepFit| {
        s.scatter
            .repeatability_percent
            .clone()
            .filter(|e| e.value > 0.0)
    };
    let (b, a) = (figure(before)?, figure(after)?);
    let ratio = a.value / b.value;
    let relative = |e: &Estimate| e.standard_uncertainty.map(|u| u / e.value);
    let u = relative(&a).zip(relative(&b)).map(|(a, b)| a.hypot(b));
    let k = coverage_factor(0.95, None).ok()?;
    let mut estimate = Estimate::symmetric(ratio, Unit::Ratio, u.map(|u| ratio * u), None, k);
    estimate.interval_95 = [
        u.map(|u| ratio * (-k * u).exp()),
        u.map(|u| ratio * (k * u).exp()),
    ];
    let verdict = judge(
        estimate.interval_95,
        [1.0 / limits.factor, 1.0, limits.factor],
        Better::Lower,
    );
    Some(judged("repeatability", estimate, verdict, "times", 2))
}

/// A change with its verdict and both in words, to `places` decimals.
pub(super) fn judged(
    of: &str,
    estimate: Estimate,
    verdict: ChangeVerdict,
    unit: &str,
    places: usize,
) -> Judged {
    let word = match verdict {
        ChangeVerdict::Improved => "improved",
        ChangeVerdict::Unchanged => "unchanged",
        ChangeVerdict::Worse => "worse",
        ChangeVerdict::Undecided => "undecided",
    };
    let range = match estimate.interval_95 {
        [Some(lo), Some(hi)] => format!("95 %: {lo:+.places$} to {hi:+.places$}"),
        _ => "its doubt is unknown".to_owned(),
    };
    let reason = format!("{of} {word}: {:+.places$} {unit} ({range})", estimate.value);
    Judged {
        change: Change {
            of: of.to_owned(),
            verdict,
            reason,
        },
        estimate,
    }
}
