//! Deviations, spread and verdict.

use serde_json::json;

use super::figures::{self, FigureSets};
use super::group::{Deviates, Group, Reading, Spread};
use super::{Deviation, OperatingPoint, SetMatch, Verdict};
use crate::finding::{Finding, Kind, Place};
use crate::fit::{Delivered, SweepFit};
use crate::units::{Estimate, NORMAL_95, Unit};

/// What the user asked of the comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Criterion {
    /// Largest spread of the delivered quantity that counts as matched, percent; without
    /// any tolerance there is no verdict.
    pub tolerance_percent: Option<f64>,
    /// Largest spread of the flow, percent; `None` = flow does not decide.
    pub flow_tolerance_percent: Option<f64>,
    /// Largest spread of the dead time, µs; `None` = dead time does not decide.
    pub dead_time_tolerance_us: Option<f64>,
    /// Risk of a wrong verdict, percent.
    pub risk_percent: f64,
}

impl Criterion {
    /// No tolerance at the usual risk of 5 %: a score without a verdict.
    pub const NONE: Self = Self {
        tolerance_percent: None,
        flow_tolerance_percent: None,
        dead_time_tolerance_us: None,
        risk_percent: 5.0,
    };

    /// Whether anything is asked for.
    pub fn asks(&self) -> bool {
        [
            self.tolerance_percent,
            self.flow_tolerance_percent,
            self.dead_time_tolerance_us,
        ]
        .iter()
        .any(Option::is_some)
    }
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
/// `fits`: (injector, sweep) of the set, for flow and dead time at the points' conditions;
/// empty = the delivered quantity alone.
/// *Method*: docs/methods.md, "The set". The deviation of a member from the set
/// mean is in percent of the mean; effects common to the set enter with their
/// sign, so that what is equal for all cancels. The true spread is at most the
/// largest pairwise difference plus its one-sided limit at the risk (the pair
/// that is truly farthest apart is among the pairs, so one limit suffices); it is
/// at least the largest pairwise difference minus a limit that holds for all
/// pairs at once (Tukey's range, the risk divided by the number of comparisons that
/// decide).
/// *Assumes*: independent normal readings, degrees of freedom large.
///
/// Members that miss a point are left out of that point, with a finding, as are members
/// read in another basis than the first. `None` with fewer than two members at every point.
pub fn score(
    members: &[Member],
    fits: &[(&str, &SweepFit)],
    points: Vec<OperatingPoint>,
    stage: Option<String>,
    criterion: Criterion,
) -> Option<SetMatch> {
    let mut findings = Vec::new();
    let unit = members.first()?.unit;
    let members = of_one_unit(members, unit, &mut findings);
    let mut deviations = Vec::new();
    let mut groups = Vec::new();
    for (index, point) in points.iter().enumerate() {
        let present = present_members(&members, index, point, &mut findings);
        if present.len() < 2 {
            continue;
        }
        let readings: Vec<Reading> = present.iter().map(|(_, d)| reading(d)).collect();
        let group = Group::new(&readings, Deviates::Relative);
        deviations.extend(
            present
                .iter()
                .enumerate()
                .map(|(i, (member, d))| deviation(&group, i, member, d, &point.label)),
        );
        groups.push(group);
    }
    if groups.is_empty() {
        return None;
    }
    let sets = figures::sets(fits, unit, &points, &mut findings);
    let risk = criterion.risk_percent / 100.0;
    let family = family(&criterion, groups.len(), sets.len());
    let spread = Spread::new(&groups, risk, family);
    let mut verdicts: Vec<Verdict> = Vec::new();
    if let Some(tolerance) = criterion.tolerance_percent {
        let verdict = spread.verdict(tolerance);
        if verdict == Verdict::Undecided {
            findings.push(spread.undecided("delivered quantity", tolerance, Unit::Percent));
        }
        verdicts.push(verdict);
    }
    let flow_and_dead_time: Vec<_> = sets
        .iter()
        .map(|set: &FigureSets| set.told(&criterion, family, &mut verdicts, &mut findings))
        .collect();
    let worst = deviations
        .iter()
        .max_by(|a, b| a.percent.abs().total_cmp(&b.percent.abs()));
    Some(SetMatch {
        stage,
        verdict: overall(&verdicts),
        tolerance_percent: criterion.tolerance_percent,
        flow_tolerance_percent: criterion.flow_tolerance_percent,
        dead_time_tolerance_us: criterion.dead_time_tolerance_us,
        risk_percent: criterion.risk_percent,
        spread_percent: Some(spread.estimate(Unit::Percent)),
        spread_bounds_percent: Some([spread.lower, spread.upper]),
        worst_injector: worst.map(|d| d.injector.clone()),
        operating_points: points,
        deviations,
        flow_and_dead_time,
        findings,
    })
}

/// How many comparisons could each call a matched set not matched.
fn family(criterion: &Criterion, points: usize, conditions: usize) -> usize {
    let figures = [
        criterion.flow_tolerance_percent,
        criterion.dead_time_tolerance_us,
    ];
    points + conditions * figures.iter().flatten().count()
}

/// Not matched if any is, else undecided if any is; `None` where nothing was asked.
fn overall(verdicts: &[Verdict]) -> Option<Verdict> {
    [Verdict::NotMatched, Verdict::Undecided, Verdict::Matched]
        .into_iter()
        .find(|v| verdicts.contains(v))
}

fn reading(delivered: &Delivered) -> Reading<'_> {
    Reading {
        value: delivered.value,
        standard_uncertainty: delivered.standard_uncertainty,
        shared: &delivered.shared,
    }
}

/// Volumes and masses have no common mean: those read in another basis are told.
fn of_one_unit<'a>(
    members: &'a [Member],
    unit: Unit,
    findings: &mut Vec<Finding>,
) -> Vec<&'a Member> {
    let (same, other): (Vec<_>, Vec<_>) = members.iter().partition(|m| m.unit == unit);
    findings.extend(other.into_iter().map(|member| {
        Finding::new(
            Kind::OtherBasis,
            Place {
                injector: Some(member.injector.clone()),
                ..Place::default()
            },
            &[
                ("injector", json!(member.injector)),
                ("unit", json!(member.unit.word())),
                ("usual", json!(unit.word())),
            ],
        )
    }));
    same
}

/// Share of the largest quantity of a set from which on one is more than nothing: no mixture
/// burns with less, and nothing has no relative deviation.
const NOTHING: f64 = 1e-6;

/// The members measured at a point; the others are told in a finding.
fn present_members<'a>(
    members: &[&'a Member],
    index: usize,
    point: &OperatingPoint,
    findings: &mut Vec<Finding>,
) -> Vec<(&'a Member, &'a Delivered)> {
    let delivered = members.iter().filter_map(|m| m.delivered[index].as_ref());
    let largest = delivered.map(|d| d.value).fold(0.0, f64::max);
    let mut present = Vec::new();
    for member in members {
        let why_not = match &member.delivered[index] {
            Some(delivered) if delivered.value > NOTHING * largest => {
                present.push((*member, delivered));
                continue;
            }
            Some(_) => Kind::GivesNothing,
            None => Kind::OperatingPointOutside,
        };
        findings.push(Finding::new(
            why_not,
            Place {
                injector: Some(member.injector.clone()),
                voltage_v: point.voltage_v,
                pressure_kpa: point.pressure_kpa,
                ..Place::default()
            },
            &[
                ("label", json!(point.label)),
                ("injector", json!(member.injector)),
            ],
        ));
    }
    present
}

fn deviation(
    group: &Group,
    i: usize,
    member: &Member,
    delivered: &Delivered,
    label: &str,
) -> Deviation {
    let (percent, u) = group.deviation(i);
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
        mixture_percent: 100.0 * (1.0 / (1.0 + percent / 100.0) - 1.0),
    }
}
