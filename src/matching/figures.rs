//! Flow and dead time of a set: deviations from its mean with their joint covariance.

use std::collections::HashMap;

use super::group::{Deviates, Group, Reading, Spread};
use super::{Criterion, FigureDeviation, FlowAndDeadTime, OperatingPoint, Verdict, at_condition};
use crate::finding::{Finding, Kind, Place};
use crate::fit::SweepFit;
use crate::units::{Estimate, NORMAL_95, Unit};

/// The common line range must hold this share of the longest, or flow and dead time of
/// the injectors are different quantities.
const SHARE: f64 = 0.5;

/// Flow and dead time of the set at one condition.
pub(super) struct FigureSets {
    voltage_v: Option<f64>,
    pressure_kpa: Option<f64>,
    line_range_ms: [f64; 2],
    injectors: Vec<String>,
    flow: Group,
    dead_time: Group,
    /// Covariance of flow and dead time that each injector shares with no other.
    own_covariance: Vec<f64>,
    own_covariance_sum: f64,
}

/// One injector with slope and dead time over the range in question.
struct Figures {
    injector: String,
    slope: Estimate,
    dead_time: Estimate,
    /// Covariance of slope and dead time, everything included.
    covariance: f64,
}

/// The sets at the conditions of the operating points where two injectors or more have
/// flow and dead time.
pub(super) fn sets(
    fits: &[(&str, &SweepFit)],
    unit: Unit,
    points: &[OperatingPoint],
    findings: &mut Vec<Finding>,
) -> Vec<FigureSets> {
    let mut conditions: Vec<&OperatingPoint> = Vec::new();
    for point in points {
        let known = |c: &&OperatingPoint| {
            c.voltage_v == point.voltage_v && c.pressure_kpa == point.pressure_kpa
        };
        if !conditions.iter().any(known) {
            conditions.push(point);
        }
    }
    conditions
        .into_iter()
        .filter_map(|at| set_at(fits, unit, at, findings))
        .collect()
}

fn set_at(
    fits: &[(&str, &SweepFit)],
    unit: Unit,
    at: &OperatingPoint,
    findings: &mut Vec<Finding>,
) -> Option<FigureSets> {
    let mut here: Vec<(&str, &SweepFit, [f64; 2])> = Vec::new();
    let mut known: HashMap<&str, usize> = HashMap::new();
    for (id, sweep) in fits {
        let fitted = sweep.slope.as_ref().is_some_and(|s| s.value > 0.0)
            && sweep.dead_time.is_some()
            && sweep.covariance.is_some()
            && sweep.basis.amount_unit() == unit
            && at_condition(sweep, at.voltage_v, at.pressure_kpa);
        let Some(range) = sweep.line_range_ms.filter(|_| fitted) else {
            continue;
        };
        // The last sweep of an injector counts.
        match known.get(id) {
            Some(place) => here[*place] = (id, sweep, range),
            None => {
                known.insert(id, here.len());
                here.push((id, sweep, range));
            }
        }
    }
    if here.len() < 2 {
        return None;
    }
    let lo = here.iter().map(|(_, _, r)| r[0]).fold(f64::MIN, f64::max);
    let hi = here.iter().map(|(_, _, r)| r[1]).fold(f64::MAX, f64::min);
    let longest = here.iter().map(|(_, _, r)| r[1] - r[0]).fold(0.0, f64::max);
    let figures: Option<Vec<Figures>> = here
        .iter()
        .map(|(id, sweep, range)| figures(id, sweep, *range, [lo, hi]))
        .collect();
    let Some(figures) = figures.filter(|_| hi - lo >= SHARE * longest) else {
        findings.push(Finding::new(
            Kind::FiguresNotCompared,
            Place {
                voltage_v: at.voltage_v,
                pressure_kpa: at.pressure_kpa,
                ..Place::default()
            },
            &[],
        ));
        return None;
    };
    Some(joined(figures, at, [lo, hi]))
}

/// Slope and dead time over the common range: the fit's own, or the line of the delivery
/// curve with the fit's uncertainty.
fn figures(id: &str, sweep: &SweepFit, own: [f64; 2], common: [f64; 2]) -> Option<Figures> {
    let (mut slope, mut dead_time) = (sweep.slope.clone()?, sweep.dead_time.clone()?);
    slope.standard_uncertainty?;
    dead_time.standard_uncertainty?;
    let matrix = &sweep.covariance.as_ref()?.matrix;
    // X = −Y/S: dX = −(dY + X·dS)/S.
    let covariance = -(matrix[0][1] + dead_time.value * matrix[0][0]) / slope.value;
    let same = own
        .iter()
        .zip(common)
        .all(|(a, b)| (a - b).abs() <= 1e-9 * b.abs());
    if !same {
        let [s, x] = sweep.delivery.as_ref()?.line_over(common)?;
        slope.value = s;
        dead_time.value = x;
    }
    Some(Figures {
        injector: id.to_owned(),
        slope,
        dead_time,
        covariance,
    })
}

fn joined(figures: Vec<Figures>, at: &OperatingPoint, range: [f64; 2]) -> FigureSets {
    let of = |pick: fn(&Figures) -> &Estimate, deviates| {
        let readings: Vec<Reading> = figures
            .iter()
            .map(|f| {
                let e = pick(f);
                Reading {
                    value: e.value,
                    standard_uncertainty: e
                        .standard_uncertainty
                        .expect("figures without a doubt were left out"),
                    shared: &e.shared,
                }
            })
            .collect();
        Group::new(&readings, deviates)
    };
    let flow = of(|f| &f.slope, Deviates::Relative);
    let dead_time = of(|f| &f.dead_time, Deviates::Thousandths);
    let own_covariance: Vec<f64> = figures
        .iter()
        .map(|f| {
            let common: f64 = f
                .slope
                .shared
                .iter()
                .filter(|(id, _)| flow.shares(id))
                .filter_map(|(id, part)| Some(part * f.dead_time.shared.get(id)?))
                .sum();
            f.covariance - common
        })
        .collect();
    FigureSets {
        voltage_v: at.voltage_v,
        pressure_kpa: at.pressure_kpa,
        line_range_ms: range,
        injectors: figures.into_iter().map(|f| f.injector).collect(),
        flow,
        dead_time,
        own_covariance_sum: own_covariance.iter().sum(),
        own_covariance,
    }
}

impl FigureSets {
    /// The set's flow and dead time as told; verdicts on tolerances that were stated are
    /// added to `verdicts`, doubts to `findings`.
    pub fn told(
        &self,
        criterion: &Criterion,
        family: usize,
        verdicts: &mut Vec<Verdict>,
        findings: &mut Vec<Finding>,
    ) -> FlowAndDeadTime {
        let risk = criterion.risk_percent / 100.0;
        let spread = |group: &Group| Spread::new(std::slice::from_ref(group), risk, family);
        let (flow, dead_time) = (spread(&self.flow), spread(&self.dead_time));
        let mut judge = |spread: &Spread, tolerance: Option<f64>, of: &str, unit| {
            let tolerance = tolerance?;
            let verdict = spread.verdict(tolerance);
            if verdict == Verdict::Undecided {
                findings.push(spread.undecided(of, tolerance, unit));
            }
            verdicts.push(verdict);
            Some(verdict)
        };
        FlowAndDeadTime {
            voltage_v: self.voltage_v,
            pressure_kpa: self.pressure_kpa,
            line_range_ms: self.line_range_ms,
            flow_verdict: judge(
                &flow,
                criterion.flow_tolerance_percent,
                "flow",
                Unit::Percent,
            ),
            dead_time_verdict: judge(
                &dead_time,
                criterion.dead_time_tolerance_us,
                "dead time",
                Unit::Microsecond,
            ),
            flow_spread_percent: flow.estimate(Unit::Percent),
            flow_spread_bounds_percent: [flow.lower, flow.upper],
            dead_time_spread_us: dead_time.estimate(Unit::Microsecond),
            dead_time_spread_bounds_us: [dead_time.lower, dead_time.upper],
            deviations: (0..self.injectors.len())
                .map(|i| self.deviation(i))
                .collect(),
        }
    }

    fn deviation(&self, i: usize) -> FigureDeviation {
        let (flow, u_flow) = self.flow.deviation(i);
        let (dead_time, u_dead) = self.dead_time.deviation(i);
        let of = |value, u, unit| Estimate::symmetric(value, unit, Some(u), None, NORMAL_95);
        let covariance = self.flow.covariance(
            &self.dead_time,
            i,
            &self.own_covariance,
            self.own_covariance_sum,
        );
        let product = u_flow * u_dead;
        FigureDeviation {
            injector: self.injectors[i].clone(),
            flow_percent: of(flow, u_flow, Unit::Percent),
            dead_time_us: of(dead_time, u_dead, Unit::Microsecond),
            correlation: (product > 0.0).then(|| (covariance / product).clamp(-1.0, 1.0)),
        }
    }
}
