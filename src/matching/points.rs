//! Where a set is compared, and what each injector delivers there.

use std::collections::{HashMap, HashSet};

use super::{Member, OperatingPoint};
use crate::capture::{SAME_PRESSURE_KPA, SAME_VOLTAGE_V};
use crate::fit::{Delivered, DeliveryCurve, SweepFit};

/// Voltage at which an engine runs, V: the common condition nearest to it is compared by default.
/// Common practice, no source.
const RUNNING_VOLTAGE: f64 = 14.0;
/// Differential pressure that most port-injection systems hold, kPa. Common practice, no source.
const USUAL_PRESSURE: f64 = 300.0;

/// Relative difference below which two pulse widths are one.
const SAME_WIDTH: f64 = 1e-6;

/// An operating point as typed: what is not stated is taken from the common condition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WantedPoint {
    /// Pulse width, ms.
    pub pulse_width_ms: f64,
    /// Supply voltage, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure, kPa.
    pub pressure_kpa: Option<f64>,
}

/// Whether two set points are the same: within `within`, or both not stated.
fn same(a: Option<f64>, b: Option<f64>, within: f64) -> bool {
    match (a, b) {
        (Some(a), Some(b)) => (a - b).abs() < within,
        (None, None) => true,
        _ => false,
    }
}

/// Whether a sweep was run at this voltage (within 0.05 V) and pressure (within 0.5 kPa).
pub fn at_condition(sweep: &SweepFit, voltage_v: Option<f64>, pressure_kpa: Option<f64>) -> bool {
    same(sweep.voltage_v, voltage_v, SAME_VOLTAGE_V)
        && same(sweep.pressure_kpa, pressure_kpa, SAME_PRESSURE_KPA)
}

/// How far a sweep's condition lies from 14 V and 300 kPa, in logarithms.
pub(super) fn off_usual(sweep: &SweepFit) -> f64 {
    let off = |value: Option<f64>, usual: f64| value.map_or(0.0, |v| (v / usual).ln().abs());
    off(sweep.voltage_v, RUNNING_VOLTAGE) + off(sweep.pressure_kpa, USUAL_PRESSURE)
}

/// The condition shared by most injectors; among those the one nearest to 14 V
/// and 300 kPa. `fits` are (injector, sweep) of one stage.
fn common_condition(fits: &[(&str, &SweepFit)]) -> Option<(Option<f64>, Option<f64>)> {
    let mut conditions: Vec<(&SweepFit, HashSet<&str>)> = Vec::new();
    for (id, sweep) in fits.iter().filter(|(_, s)| s.delivery.is_some()) {
        let known = |(c, _): &&mut (&SweepFit, _)| at_condition(sweep, c.voltage_v, c.pressure_kpa);
        match conditions.iter_mut().find(known) {
            Some((_, ids)) => {
                ids.insert(id);
            }
            None => conditions.push((sweep, HashSet::from([*id]))),
        }
    }
    let (best, _) = conditions
        .into_iter()
        .max_by(|(a, shared_a), (b, shared_b)| {
            shared_a
                .len()
                .cmp(&shared_b.len())
                .then(off_usual(b).total_cmp(&off_usual(a)))
        })?;
    Some((best.voltage_v, best.pressure_kpa))
}

/// Operating points of the comparison: as wanted, else, where all sweeps have few
/// widths, those they share, else three pulse widths of the
/// common line range (its ends and the measured width nearest to their geometric
/// mean) at the common condition.
///
/// `fits` are (injector, sweep) of one stage. Empty where nothing can be compared.
pub fn operating_points(fits: &[(&str, &SweepFit)], wanted: &[WantedPoint]) -> Vec<OperatingPoint> {
    let Some((voltage_v, pressure_kpa)) = common_condition(fits) else {
        return Vec::new();
    };
    if !wanted.is_empty() {
        let mut points: Vec<OperatingPoint> = Vec::new();
        for w in wanted {
            let point = point(
                w.pulse_width_ms,
                w.voltage_v.or(voltage_v),
                w.pressure_kpa.or(pressure_kpa),
            );
            // Asked for twice, it is still one point.
            if !points.iter().any(|p| p.label == point.label) {
                points.push(point);
            }
        }
        return points;
    }
    let here: Vec<&SweepFit> = fits
        .iter()
        .filter(|(_, s)| at_condition(s, voltage_v, pressure_kpa) && s.delivery.is_some())
        .map(|(_, s)| *s)
        .collect();
    if let Some(widths) = common_widths(&here) {
        return widths
            .into_iter()
            .map(|w| point(w, voltage_v, pressure_kpa))
            .collect();
    }
    let ranges = here.iter().filter_map(|s| {
        let [first, last] = s.delivery.as_ref()?.range()?;
        let [lo, hi] = s.line_range_ms.unwrap_or([first, last]);
        Some([lo.max(first), hi.min(last)])
    });
    let [lo, hi] = ranges.fold([f64::MIN, f64::MAX], |a, b| {
        [a[0].max(b[0]), a[1].min(b[1])]
    });
    if !(lo.is_finite() && hi.is_finite() && lo <= hi) {
        return Vec::new();
    }
    let target = (lo.max(hi * 1e-3) * hi).sqrt();
    let middle = here
        .iter()
        .flat_map(|s| s.points.iter().map(|p| p.pulse_width_ms))
        .filter(|w| *w > lo && *w < hi)
        .min_by(|a, b| (a / target).ln().abs().total_cmp(&(b / target).ln().abs()));
    let mut widths = vec![lo];
    widths.extend(middle);
    if hi > lo {
        widths.push(hi);
    }
    widths
        .into_iter()
        .map(|w| point(w, voltage_v, pressure_kpa))
        .collect()
}

/// Pulse widths that all sweeps have as read; `None` where any of them has none,
/// or they share none.
fn common_widths(sweeps: &[&SweepFit]) -> Option<Vec<f64>> {
    let (first, rest) = sweeps.split_first()?;
    let mut widths = first.as_read.as_ref()?.pulse_width_ms.clone();
    for sweep in rest {
        let curve = sweep.as_read.as_ref()?;
        widths.retain(|w| node(curve, *w).is_some());
    }
    (!widths.is_empty()).then_some(widths)
}

/// What was delivered at a width that was measured, as read.
fn node(curve: &DeliveryCurve, width_ms: f64) -> Option<Delivered> {
    let measured = curve
        .pulse_width_ms
        .iter()
        .find(|w| (**w - width_ms).abs() < SAME_WIDTH * width_ms)?;
    curve.at(*measured)
}

/// Whether the sweeps are compared as read: each has few widths, and each point is
/// at a measured one.
pub fn compared_as_read(fits: &[(&str, &SweepFit)], points: &[OperatingPoint]) -> bool {
    !fits.is_empty()
        && fits.iter().all(|(_, sweep)| {
            sweep.as_read.as_ref().is_some_and(|curve| {
                points.iter().all(|at| {
                    !at_condition(sweep, at.voltage_v, at.pressure_kpa)
                        || node(curve, at.pulse_width_ms).is_some()
                })
            })
        })
}

fn point(pulse_width_ms: f64, voltage_v: Option<f64>, pressure_kpa: Option<f64>) -> OperatingPoint {
    let mut label = format!("{pulse_width_ms} ms");
    if let Some(volts) = voltage_v {
        label.push_str(&format!(", {volts} V"));
    }
    if let Some(kpa) = pressure_kpa {
        label.push_str(&format!(", {} kPa", (kpa * 10.0).round() / 10.0));
    }
    OperatingPoint {
        label,
        pulse_width_ms,
        voltage_v,
        pressure_kpa,
    }
}

/// What each injector delivers at each point; the last sweep of a condition
/// counts where an injector was run more than once.
pub fn members_at(fits: &[(&str, &SweepFit)], points: &[OperatingPoint]) -> Vec<Member> {
    let mut members: Vec<Member> = Vec::new();
    let mut places: HashMap<&str, usize> = HashMap::new();
    for (id, sweep) in fits {
        let place = *places.entry(id).or_insert_with(|| {
            members.push(Member {
                injector: (*id).to_owned(),
                unit: sweep.basis.amount_unit(),
                delivered: vec![None; points.len()],
            });
            members.len() - 1
        });
        let member = &mut members[place];
        for (slot, at) in member.delivered.iter_mut().zip(points) {
            if at_condition(sweep, at.voltage_v, at.pressure_kpa) {
                let as_read = sweep
                    .as_read
                    .as_ref()
                    .and_then(|d| node(d, at.pulse_width_ms));
                let delivered = as_read.or_else(|| {
                    let curve = sweep.delivery.as_ref()?;
                    curve.at(at.pulse_width_ms)
                });
                *slot = delivered.or_else(|| slot.take());
            }
        }
    }
    members
}
