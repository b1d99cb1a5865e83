//! What the sweeps of one injector tell about each other: how its dead time
//! moves with voltage and pressure, and whether its flow is the same at all
//! voltages of one pressure.

use std::collections::HashMap;

use serde_json::json;

use super::SweepFit;
use super::distribution::chi_squared_p_value;
use super::prepared::Prepared;
use super::type_b::Sensitivity;
use crate::capture::Sweep;
use crate::finding::{Finding, Kind, Place};

/// Chance below which unequal slopes are told.
const UNEQUAL_P: f64 = 0.01;

/// dX/dV and dX/dP of each sweep from its injector's neighbouring set points;
/// `dead_times` in ms, one a sweep.
pub(super) fn sensitivities(
    prepared: &[Prepared<'_>],
    dead_times: &[Option<f64>],
) -> Vec<Sensitivity> {
    type SetPoint = fn(&Sweep) -> Option<f64>;
    let (voltage, pressure): (SetPoint, SetPoint) = (|s| s.voltage_v, |s| s.pressure_kpa);
    let along = |moving: SetPoint, fixed: SetPoint| {
        let group = |i: usize| {
            let s = prepared[i].sweep;
            (
                &s.injector,
                &s.stage,
                prepared[i].source,
                fixed(s).map(f64::to_bits),
            )
        };
        let mut curves: HashMap<_, Vec<(f64, f64)>> = HashMap::new();
        for (i, dead_time) in dead_times.iter().enumerate() {
            if let (Some(at), Some(dead_time)) = (
                moving(prepared[i].sweep),
                dead_time.filter(|x| x.is_finite()),
            ) {
                curves.entry(group(i)).or_default().push((at, dead_time));
            }
        }
        curves
            .values_mut()
            .for_each(|curve| curve.sort_by(|a, b| a.0.total_cmp(&b.0)));
        (0..prepared.len())
            .map(|i| slope_at(curves.get(&group(i))?, moving(prepared[i].sweep)?))
            .collect::<Vec<_>>()
    };
    let (per_volt, per_kpa) = (along(voltage, pressure), along(pressure, voltage));
    per_volt
        .into_iter()
        .zip(per_kpa)
        .map(|(per_volt, per_kpa)| Sensitivity { per_volt, per_kpa })
        .collect()
}

/// Slope of a polyline (x rising) at its node `at`: over both neighbours, or the one there is.
fn slope_at(curve: &[(f64, f64)], at: f64) -> Option<f64> {
    let here = curve.iter().position(|(x, _)| *x == at)?;
    let (x0, y0) = curve[here.saturating_sub(1)];
    let (x1, y1) = curve[(here + 1).min(curve.len() - 1)];
    (x1 > x0).then(|| (y1 - y0) / (x1 - x0))
}

/// Looks whether the slopes of long pulses at the voltages of one pressure agree
/// within what they do not share; the first sweep of a group that fails says so.
/// Dead times stay unshared either way: not refusing equality does not prove it.
///
/// *Method*: χ² = Σ (S_i − S̄)²/u_i² over k voltages, S̄ the weighted mean, against
/// the χ² distribution of k − 1 degrees of freedom; told as F = χ²/(k − 1).
pub(super) fn check_equal_slopes(injector: &str, sweeps: &mut [SweepFit]) {
    let fits: Vec<&SweepFit> = sweeps.iter().collect();
    for UnequalSlopes { sweep, f, p } in unequal_slopes(&fits) {
        let place = sweeps[sweep].place(injector);
        sweeps[sweep].findings.push(Finding::new(
            Kind::SlopesDiffer,
            Place {
                voltage_v: None,
                ..place
            },
            &[("f", json!(f)), ("p", json!(100.0 * p))],
        ));
    }
}

/// Slopes at the voltages of one pressure that do not agree.
pub(super) struct UnequalSlopes {
    /// The first sweep of the group.
    pub sweep: usize,
    /// χ²/(k − 1).
    pub f: f64,
    /// Chance of a larger one.
    pub p: f64,
}

/// The groups of sweeps of one injector whose slopes do not agree, as [`check_equal_slopes`] tells.
pub(super) fn unequal_slopes(sweeps: &[&SweepFit]) -> Vec<UnequalSlopes> {
    let mut unequal = Vec::new();
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in 0..sweeps.len() {
        let same = |j: usize| {
            let (a, b) = (sweeps[i], sweeps[j]);
            a.source == b.source && a.stage == b.stage && a.pressure_kpa == b.pressure_kpa
        };
        match groups.iter_mut().find(|group| same(group[0])) {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    for group in groups {
        let slopes: Vec<(f64, f64)> = group.iter().filter_map(|i| own_slope(sweeps[*i])).collect();
        if slopes.len() < 2 {
            continue;
        }
        let weight: f64 = slopes.iter().map(|(_, v)| 1.0 / v).sum();
        let mean = slopes.iter().map(|(s, v)| s / v).sum::<f64>() / weight;
        let chi_squared: f64 = slopes.iter().map(|(s, v)| (s - mean).powi(2) / v).sum();
        let dof = (slopes.len() - 1) as f64;
        if let Ok(p) = chi_squared_p_value(chi_squared, dof)
            && p < UNEQUAL_P
        {
            unequal.push(UnequalSlopes {
                sweep: group[0],
                f: chi_squared / dof,
                p,
            });
        }
    }
    unequal
}

/// Slope of long pulses and the variance that it shares with no other sweep.
fn own_slope(sweep: &SweepFit) -> Option<(f64, f64)> {
    let slope = sweep
        .asymptote
        .as_ref()
        .map(|a| &a.slope)
        .or(sweep.slope.as_ref())?;
    let common: f64 = slope.shared.values().map(|part| part * part).sum();
    let own = slope.standard_uncertainty?.powi(2) - common;
    (own > 0.0).then_some((slope.value, own))
}
