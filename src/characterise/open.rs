//! What the bench file leaves open, and which answer would help most.

use serde_json::json;

use crate::capture::Bench;
use crate::finding::{Finding, Kind, Place};
use crate::fit::{FittedInjector, SweepFit};
use crate::units::significant;

/// Relative standard uncertainty of a gauge nobody stated: ±2 % of the reading.
/// Common practice, no source.
const USUAL_GAUGE: f64 = 0.0115;
/// Standard uncertainty of a supply nobody stated, V. Common practice, no source.
const USUAL_SUPPLY: f64 = 0.1;
/// Movement of the dead time with voltage where the capture cannot tell, µs/V:
/// that of a port injector near 14 V. Common practice, no source.
const USUAL_PER_VOLT: f64 = 100.0;
/// Relative standard uncertainty of a scale nobody stated: ±0.5 % of a glass
/// cylinder. Common practice, no source.
const USUAL_SCALE: f64 = 0.0029;

/// An answer that is missing, with what it leaves in doubt: dead time in µs, flow in percent.
struct Open {
    what: &'static str,
    doubt: Option<[f64; 2]>,
}

/// Says which of the five answers about the bench are missing and which of them
/// matters most; nothing where vessel, pressure and supply are all stated.
///
/// *Method*: for the vessel the median of the sweeps' budgets (reading, reading
/// offset, which a straight line states beside its budget) and a usual tolerance; for gauge and supply what a usual one would add,
/// flow going with the root of the pressure.
pub(super) fn finding(bench: &Bench, injectors: &[FittedInjector]) -> Option<Finding> {
    let sweeps: Vec<&SweepFit> = injectors
        .iter()
        .flat_map(|i| &i.sweeps)
        .filter(|s| s.delivery.is_some())
        .collect();
    let mut open = Vec::new();
    if !bench.vessels.iter().any(|v| v.division.is_some()) {
        open.push(Open {
            what: "the vessel",
            doubt: Some(of_vessel(&sweeps)),
        });
    }
    if bench
        .pressure
        .as_ref()
        .is_none_or(|p| p.uncertainty.is_none())
    {
        open.push(Open {
            what: "the pressure gauge",
            doubt: Some([0.0, 50.0 * USUAL_GAUGE]),
        });
    }
    if bench
        .supply
        .as_ref()
        .is_none_or(|s| s.uncertainty.is_none())
    {
        open.push(Open {
            what: "the supply voltage",
            doubt: Some([USUAL_PER_VOLT * USUAL_SUPPLY, 0.0]),
        });
    }
    if open.is_empty() || sweeps.is_empty() {
        return None;
    }
    if bench.fluid.as_ref().is_none_or(|f| f.density.is_none()) {
        open.push(Open {
            what: "the fluid's density",
            doubt: None,
        });
    }
    if bench.driver.is_none() {
        open.push(Open {
            what: "the driver",
            doubt: None,
        });
    }
    let has_dead_time = sweeps.iter().any(|s| s.dead_time.is_some());
    let facts = [
        ("list", json!(listed(&open))),
        ("most", json!(most(&open, has_dead_time))),
    ];
    Some(Finding::new(Kind::BenchOpen, Place::default(), &facts))
}

fn of_vessel(sweeps: &[&SweepFit]) -> [f64; 2] {
    let median = |part: fn(&crate::fit::BudgetRow) -> f64| {
        let mut sizes: Vec<f64> = sweeps
            .iter()
            .map(|s| {
                let rows = s
                    .budget
                    .iter()
                    .filter(|r| r.component.starts_with("reading"));
                rows.map(|r| part(r).powi(2)).sum::<f64>().sqrt()
            })
            .collect();
        sizes.sort_by(f64::total_cmp);
        sizes.get(sizes.len() / 2).copied().unwrap_or(0.0)
    };
    // A straight line leaves the reading offset out of its budget and says so beside it.
    let beside = sweeps
        .iter()
        .flat_map(|s| &s.findings)
        .filter(|f| f.kind == Kind::OffsetNotInLine)
        .filter_map(|f| f.facts.get("us")?.as_f64())
        .fold(0.0, f64::max);
    [
        median(|r| r.dead_time_us).hypot(beside),
        median(|r| r.slope_percent).hypot(100.0 * USUAL_SCALE),
    ]
}

fn listed(open: &[Open]) -> String {
    let names: Vec<&str> = open.iter().map(|o| o.what).collect();
    match names.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
        _ => names.join(""),
    }
}

fn most(open: &[Open], has_dead_time: bool) -> String {
    let largest = |k: usize| {
        open.iter()
            .filter_map(|o| o.doubt.map(|d| (o.what, d[k])))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .filter(|(_, size)| *size > 0.0)
    };
    let mut parts = Vec::new();
    if has_dead_time && let Some((what, us)) = largest(0) {
        let us = significant(us, 2);
        parts.push(format!(
            "{what} would help the dead time most (about {us} µs)"
        ));
    }
    if let Some((what, percent)) = largest(1) {
        let percent = significant(percent, 2);
        parts.push(format!(
            "{what} would help the flow most (about {percent} %)"
        ));
    }
    parts.join(", ")
}
