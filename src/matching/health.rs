//! Is an injector fit for service? Flow beside coil, insulation, leakage and spray.
//!
//! In: the sweeps and checks of a set, criteria. Out: a verdict per injector with
//! its reasons and what was not checked. It must not know files or layouts.

mod criteria;

use serde::Serialize;

pub use criteria::{CriteriaError, HealthCriteria, ResistanceClass, read_criteria};

use super::guard_factor;
use crate::capture::InjectorCheck;
use crate::fit::SweepFit;
use crate::units::{Estimate, Unit};

/// Verdict on one injector.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Serviceability {
    /// Nothing against it in what was checked.
    Serviceable,
    /// Usable; something should be known or watched.
    ServiceableWithRemark,
    /// Beyond a limit.
    Replace,
}

/// What is known of one injector.
#[derive(Debug, Clone, Copy)]
pub struct HealthInput<'a> {
    /// Injector id.
    pub injector: &'a str,
    /// Sweep at the condition that is judged.
    pub sweep: Option<&'a SweepFit>,
    /// Checks beside the flow.
    pub check: Option<&'a InjectorCheck>,
}

/// Verdict with reasons.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InjectorHealth {
    /// Injector id.
    pub injector: String,
    /// Verdict, from what was checked alone.
    pub verdict: Serviceability,
    /// Why it is not plainly serviceable, in words.
    pub reasons: Vec<String>,
    /// Checks that were not made.
    pub missing: Vec<String>,
}

/// Judges each injector of a set.
///
/// A measured figure is beyond a limit when it is so by more than its guard band
/// (one-sided, at the risk of the criteria); within the guard band it is a remark.
pub fn health(set: &[HealthInput], criteria: &HealthCriteria) -> Vec<InjectorHealth> {
    let median_of = |figure: &dyn Fn(&HealthInput) -> Option<f64>| {
        let mut values: Vec<f64> = set.iter().filter_map(figure).collect();
        values.sort_by(f64::total_cmp);
        let half = values.len() / 2;
        match values.len() {
            // Of one or two nobody can say which is off.
            0..=2 => None,
            n if n % 2 == 1 => Some(values[half]),
            _ => Some(f64::midpoint(values[half - 1], values[half])),
        }
    };
    let medians = Medians {
        slope: median_of(&|i| Some(i.sweep?.slope.as_ref()?.value)),
        dead_time: median_of(&|i| Some(i.sweep?.dead_time.as_ref()?.value)),
        resistance: median_of(&|i| i.check?.coil_resistance),
    };
    set.iter()
        .map(|input| judge(input, &medians, criteria))
        .collect()
}

struct Medians {
    slope: Option<f64>,
    dead_time: Option<f64>,
    resistance: Option<f64>,
}

/// Gathers reasons; the verdict is the worst of them.
struct Judgement {
    verdict: Serviceability,
    reasons: Vec<String>,
    missing: Vec<String>,
}

impl Judgement {
    fn because(&mut self, verdict: Serviceability, reason: String) {
        self.verdict = self.verdict.max(verdict);
        self.reasons.push(reason);
    }

    fn missing(&mut self, what: &str) {
        self.missing.push(what.to_owned());
    }

    /// A departure with its doubt against two limits, all in `unit`.
    fn departure(
        &mut self,
        what: &str,
        value: f64,
        guard: Option<f64>,
        limits: [f64; 2],
        unit: &str,
    ) {
        let [remark, replace] = limits;
        let size = value.abs();
        if guard.is_some_and(|guard| size - guard > replace) {
            self.because(
                Serviceability::Replace,
                format!(
                    "{what} {value:+.1} {unit}, beyond {replace} {unit} by more than its doubt"
                ),
            );
        } else if size > replace {
            self.because(Serviceability::ServiceableWithRemark, format!("{what} {value:+.1} {unit}, beyond {replace} {unit} but within its doubt: measure again"));
        } else if size > remark {
            self.because(
                Serviceability::ServiceableWithRemark,
                format!("{what} {value:+.1} {unit}"),
            );
        }
    }
}

fn judge(input: &HealthInput, medians: &Medians, criteria: &HealthCriteria) -> InjectorHealth {
    let mut judgement = Judgement {
        verdict: Serviceability::Serviceable,
        reasons: Vec::new(),
        missing: Vec::new(),
    };
    judge_flow(input.sweep, medians, criteria, &mut judgement);
    judge_coil(input.check, medians, criteria, &mut judgement);
    judge_tightness(input.check, criteria, &mut judgement);
    InjectorHealth {
        injector: input.injector.to_owned(),
        verdict: judgement.verdict,
        reasons: judgement.reasons,
        missing: judgement.missing,
    }
}

fn judge_flow(
    sweep: Option<&SweepFit>,
    medians: &Medians,
    criteria: &HealthCriteria,
    judgement: &mut Judgement,
) {
    let k = guard_factor(criteria.risk_percent / 100.0);
    let own = |e: &Estimate| {
        // What the set shares moves the median as well.
        let common: f64 = e.shared.values().map(|s| s * s).sum();
        e.standard_uncertainty
            .map(|u| k * (u * u - common).max(0.0).sqrt())
    };
    match (sweep.and_then(|s| s.slope.as_ref()), medians.slope) {
        (Some(slope), Some(median)) => {
            let guard = own(slope).map(|g| 100.0 * g / median);
            let limits = [criteria.flow_remark_percent, criteria.flow_replace_percent];
            judgement.departure(
                "flow off the set's median by",
                100.0 * (slope.value / median - 1.0),
                guard,
                limits,
                "%",
            );
        }
        (None, _) => judgement.missing("flow"),
        // Too few injectors for a median: nothing to say about one.
        (Some(_), None) => {}
    }
    match (sweep.and_then(|s| s.dead_time.as_ref()), medians.dead_time) {
        (Some(dead_time), Some(median)) => {
            let guard = own(dead_time).map(|g| 1000.0 * g);
            let limits = [criteria.dead_time_remark_us, criteria.dead_time_replace_us];
            judgement.departure(
                "dead time off the set's median by",
                1000.0 * (dead_time.value - median),
                guard,
                limits,
                Unit::Microsecond.sign(),
            );
        }
        (None, _) => judgement.missing("dead time"),
        (Some(_), None) => {}
    }
    match sweep.and_then(|s| s.scatter.repeatability_percent.as_ref()) {
        Some(r) if r.value > criteria.repeatability_remark_percent => judgement.because(
            Serviceability::ServiceableWithRemark,
            format!(
                "repeatability {:.2} %, above {} %",
                r.value, criteria.repeatability_remark_percent
            ),
        ),
        Some(_) => {}
        None => judgement.missing("repeatability"),
    }
}

fn judge_coil(
    check: Option<&InjectorCheck>,
    medians: &Medians,
    criteria: &HealthCriteria,
    judgement: &mut Judgement,
) {
    match check.and_then(|c| c.coil_resistance) {
        Some(ohm) => {
            if !criteria
                .resistance_classes
                .iter()
                .any(|class| (class.from_ohm..=class.to_ohm).contains(&ohm))
            {
                let names: Vec<&str> = criteria
                    .resistance_classes
                    .iter()
                    .map(|c| c.name.as_str())
                    .collect();
                judgement.because(
                    Serviceability::Replace,
                    format!("coil {ohm} ohm lies in no class ({})", names.join(", ")),
                );
            } else if let Some(median) = medians.resistance {
                let off = 100.0 * (ohm / median - 1.0);
                // No doubt is stated with a resistance, so the limit is taken as it is.
                let limits = [
                    criteria.resistance_remark_percent,
                    criteria.resistance_replace_percent,
                ];
                judgement.departure(
                    "coil resistance off the set's median by",
                    off,
                    Some(0.0),
                    limits,
                    "%",
                );
            }
        }
        None => judgement.missing("coil resistance"),
    }
    match check.and_then(|c| c.insulation) {
        Some(ohm) if ohm < criteria.insulation_replace_ohm => judgement.because(
            Serviceability::Replace,
            format!(
                "insulation {ohm} ohm, below {} ohm",
                criteria.insulation_replace_ohm
            ),
        ),
        Some(_) => {}
        None => judgement.missing("insulation"),
    }
}

fn judge_tightness(
    check: Option<&InjectorCheck>,
    criteria: &HealthCriteria,
    judgement: &mut Judgement,
) {
    match check.and_then(|c| c.leakage) {
        Some(leak) => {
            let u = check.and_then(|c| c.leakage_uncertainty).unwrap_or(0.0);
            let guard = guard_factor(criteria.risk_percent / 100.0) * u;
            let [remark, replace] = [
                criteria.leakage_remark_mm3_per_min,
                criteria.leakage_replace_mm3_per_min,
            ];
            let told = |limit: f64| format!("leakage {leak} mm³/min, above {limit} mm³/min");
            if leak - guard > replace {
                judgement.because(Serviceability::Replace, told(replace));
            } else if leak > replace {
                judgement.because(
                    Serviceability::ServiceableWithRemark,
                    format!("{}, but within its doubt", told(replace)),
                );
            } else if leak > remark {
                judgement.because(Serviceability::ServiceableWithRemark, told(remark));
            }
        }
        None => judgement.missing("leakage"),
    }
    match check.and_then(|c| c.spray.as_deref()) {
        Some(spray) => {
            let holds = |words: &[String]| {
                words
                    .iter()
                    .any(|w| spray.to_lowercase().contains(&w.to_lowercase()))
            };
            if holds(&criteria.spray_replace_words) {
                judgement.because(Serviceability::Replace, format!("spray: {spray}"));
            } else if holds(&criteria.spray_remark_words) {
                judgement.because(
                    Serviceability::ServiceableWithRemark,
                    format!("spray: {spray}"),
                );
            }
        }
        None => judgement.missing("spray"),
    }
}
