//! What did cleaning change?
//!
//! In: sweeps of the same injectors before and after. Out: a [`Comparison`] with
//! intervals and verdicts. It must not know files or layouts.

mod change;
mod common_range;
mod leakage;
mod linear_range;

use serde::Serialize;

pub use change::{Change, ChangeVerdict};
use change::{Judged, dead_time_change, flow_change, repeatability_change, worst_of};
use common_range::align;
use leakage::{LeakageChange, leakage_change};
use linear_range::linear_range_change;

use super::{Criterion, OperatingPoint, SetMatch, at_condition, members_at, score};
use crate::capture::InjectorCheck;
use crate::fit::SweepFit;
use crate::units::{Estimate, Unit};

/// Changes that matter; smaller ones count as unchanged. Choices of this program:
/// a tenth of the spreads that are commonly asked of matched sets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CompareLimits {
    /// Flow, percent.
    pub flow_percent: f64,
    /// Dead time, µs.
    pub dead_time_us: f64,
    /// Repeatability and leakage, as a factor above 1.
    pub factor: f64,
    /// Whether the same effect in both is the same error: the same bench, vessel and gauge.
    pub same_bench: bool,
}

impl Default for CompareLimits {
    fn default() -> Self {
        Self {
            flow_percent: 0.5,
            dead_time_us: 10.0,
            factor: 1.25,
            same_bench: true,
        }
    }
}

/// One side of the comparison.
#[derive(Debug, Clone, Copy)]
pub struct Side<'a> {
    /// (injector, sweep), the stage in question only.
    pub fits: &'a [(&'a str, &'a SweepFit)],
    /// Checks beside the flow.
    pub checks: &'a [&'a InjectorCheck],
}

/// What changed in one injector.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InjectorChange {
    /// Injector id.
    pub injector: String,
    /// Condition that was compared, V.
    pub voltage_v: Option<f64>,
    /// Condition that was compared, kPa.
    pub pressure_kpa: Option<f64>,
    /// Change of the slope, percent of before.
    pub flow_change_percent: Option<Estimate>,
    /// Change of the dead time, µs.
    pub dead_time_change_us: Option<Estimate>,
    /// Repeatability after over before.
    pub repeatability_ratio: Option<Estimate>,
    /// Linear flow range before and after, ms.
    pub linear_flow_range_ms: [Option<[f64; 2]>; 2],
    /// Change of the start of the linear flow range, ms; below zero reaches shorter pulses.
    pub linear_from_change_ms: Option<Estimate>,
    /// Leakage before and after, mm³/min.
    pub leakage_mm3_per_min: [Option<f64>; 2],
    /// Change of leakage; null unless both sides state its doubt.
    pub leakage_change_cc_per_min: Option<Estimate>,
    /// Verdict of the whole.
    pub verdict: ChangeVerdict,
    /// Verdicts one by one.
    pub changes: Vec<Change>,
    /// Why, in words.
    pub reasons: Vec<String>,
}

/// What changed in the set.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpreadChange {
    /// Score before.
    pub before_percent: Estimate,
    /// Score after.
    pub after_percent: Estimate,
    /// After minus before, percentage points; its interval joins the far ends of
    /// both, so it is rather too wide.
    pub change_percent: Estimate,
    /// Verdict.
    pub verdict: ChangeVerdict,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Injectors that are in both, in the order of before.
    pub injectors: Vec<InjectorChange>,
    /// Change of the spread of those, where two or more can be compared.
    pub spread: Option<SpreadChange>,
    /// Ids that are only in one of them.
    pub only_before: Vec<String>,
    /// Ids that are only in one of them.
    pub only_after: Vec<String>,
    /// What was taken for granted.
    pub assumed: Vec<String>,
}

/// Compares the same injectors before and after.
///
/// *Method*: docs/methods.md, "Before and after". Changes of slope and dead time with
/// their uncertainty; what an effect adds to both with one sign cancels.
/// `points` are where the spread of the set is compared.
pub fn compare(
    before: Side,
    after: Side,
    points: &[OperatingPoint],
    limits: CompareLimits,
) -> Comparison {
    let (ids_before, ids_after) = (ids(before.fits), ids(after.fits));
    let both: Vec<&str> = ids_before
        .iter()
        .copied()
        .filter(|id| ids_after.contains(id))
        .collect();
    let without = |all: &[&str]| -> Vec<String> {
        all.iter()
            .filter(|id| !both.contains(id))
            .map(|id| (*id).to_owned())
            .collect()
    };
    let injectors = both
        .iter()
        .map(|id| injector_change(id, before, after, limits))
        .collect();
    let assumed = if limits.same_bench {
        "both were measured on the same bench: vessel, gauge and supply err alike before and after, and that cancels"
    } else {
        "the benches are not the same: nothing cancels"
    };
    Comparison {
        injectors,
        spread: spread_change(before.fits, after.fits, &both, points),
        only_before: without(&ids_before),
        only_after: without(&ids_after),
        assumed: vec![
            assumed.to_owned(),
            "flow is better when higher, dead time when shorter, as dirt takes flow and delays opening".to_owned(),
        ],
    }
}

fn ids<'a>(fits: &[(&'a str, &SweepFit)]) -> Vec<&'a str> {
    let mut ids: Vec<&str> = Vec::new();
    for (id, _) in fits {
        if !ids.contains(id) {
            ids.push(id);
        }
    }
    ids
}

/// The pair of sweeps of one condition: of those that both sides ran, the one
/// nearest to 14 V and 300 kPa.
fn pair<'a>(id: &str, before: Side<'a>, after: Side<'a>) -> Option<(&'a SweepFit, &'a SweepFit)> {
    let of = |side: Side<'a>| {
        side.fits
            .iter()
            .filter(move |(i, _)| *i == id)
            .map(|(_, s)| *s)
    };
    let pairs = of(before).filter_map(|b| {
        let mut same = of(after).filter(|a| at_condition(a, b.voltage_v, b.pressure_kpa));
        same.next_back().map(|a| (b, a))
    });
    pairs.min_by(|(a, _), (b, _)| {
        super::points::off_usual(a).total_cmp(&super::points::off_usual(b))
    })
}

fn check<'a>(side: Side<'a>, id: &str) -> Option<&'a InjectorCheck> {
    side.checks.iter().rev().find(|c| c.id == id).copied()
}

fn injector_change(id: &str, before: Side, after: Side, limits: CompareLimits) -> InjectorChange {
    let pair = pair(id, before, after);
    let checks = [check(before, id), check(after, id)];
    let aligned = pair.map_or(Ok(None), |(b, a)| align(b, a));
    let compared = match &aligned {
        Ok(Some(both)) => Some((&both.before, &both.after)),
        _ => pair,
    };
    let mut flow = compared.and_then(|(b, a)| flow_change(b, a, limits));
    let mut dead_time = compared.and_then(|(b, a)| dead_time_change(b, a, limits));
    let repeatability = pair.and_then(|(b, a)| repeatability_change(b, a, limits));
    if let Err(why) = &aligned {
        flow = flow.map(|j| j.undecided(why));
        dead_time = dead_time.map(|j| j.undecided(why));
    }
    let linear_from = pair.and_then(|(b, a)| linear_range_change(b, a));
    let mut leaking = None;
    let mut as_stated = None;
    match leakage_change(checks, limits.factor) {
        Some(LeakageChange::Judged(judged)) => leaking = Some(judged),
        Some(LeakageChange::AsStated(change)) => as_stated = Some(change),
        None => {}
    }
    let judged: Vec<&Judged> = [&flow, &dead_time, &linear_from, &repeatability, &leaking]
        .into_iter()
        .flatten()
        .collect();
    let mut changes: Vec<Change> = judged.iter().map(|j| j.change.clone()).collect();
    changes.extend(as_stated);
    let mut reasons: Vec<String> = changes.iter().map(|c| c.reason.clone()).collect();
    if let Ok(Some(both)) = &aligned {
        reasons.push(both.note.clone());
    }
    if pair.is_none() {
        reasons.push("no voltage and pressure was run both before and after".to_owned());
    } else if flow.is_none() {
        reasons.push(
            "flow cannot be compared: no slope on one side, or volume against mass".to_owned(),
        );
    }
    let range = |sweep: Option<&SweepFit>| sweep.and_then(|s| s.linear_flow_range_ms);
    InjectorChange {
        injector: id.to_owned(),
        voltage_v: pair.and_then(|(b, _)| b.voltage_v),
        pressure_kpa: pair.and_then(|(b, _)| b.pressure_kpa),
        linear_flow_range_ms: [range(pair.map(|p| p.0)), range(pair.map(|p| p.1))],
        linear_from_change_ms: linear_from.map(|j| j.estimate),
        leakage_mm3_per_min: checks.map(|c| c.and_then(|c| c.leakage)),
        leakage_change_cc_per_min: leaking.map(|j| j.estimate),
        verdict: worst_of(&changes),
        flow_change_percent: flow.map(|j| j.estimate),
        dead_time_change_us: dead_time.map(|j| j.estimate),
        repeatability_ratio: repeatability.map(|j| j.estimate),
        changes,
        reasons,
    }
}

fn spread_change(
    before: &[(&str, &SweepFit)],
    after: &[(&str, &SweepFit)],
    both: &[&str],
    points: &[OperatingPoint],
) -> Option<SpreadChange> {
    let score_of = |fits: &[(&str, &SweepFit)]| -> Option<SetMatch> {
        let fits: Vec<_> = fits
            .iter()
            .filter(|(id, _)| both.contains(id))
            .copied()
            .collect();
        let members = members_at(&fits, points);
        let set = score(&members, &[], points.to_vec(), None, Criterion::NONE)?;
        // A point that one injector misses would compare different sets.
        (set.deviations.len() == both.len() * points.len()).then_some(set)
    };
    let (before, after) = (
        score_of(before)?.spread_percent?,
        score_of(after)?.spread_percent?,
    );
    let difference = |a: Option<f64>, b: Option<f64>| Some(a? - b?);
    let interval_95 = [
        difference(after.interval_95[0], before.interval_95[1]),
        difference(after.interval_95[1], before.interval_95[0]),
    ];
    let verdict = match interval_95 {
        [_, Some(hi)] if hi < 0.0 => ChangeVerdict::Improved,
        [Some(lo), _] if lo > 0.0 => ChangeVerdict::Worse,
        _ => ChangeVerdict::Undecided,
    };
    let change = Estimate {
        interval_95,
        ..Estimate::symmetric(after.value - before.value, Unit::Percent, None, None, 0.0)
    };
    Some(SpreadChange {
        before_percent: before,
        after_percent: after,
        change_percent: change,
        verdict,
    })
}
