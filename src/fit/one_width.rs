//! A sweep of few pulse widths: what was delivered at each, as read. Of one width
//! a line is drawn only where a static flow gives its slope.

use std::collections::BTreeMap;

use serde_json::json;

use super::core::{LEVEL, effective_dof};
use super::describe::undescribed;
use super::distribution::coverage_factor;
use super::fieller::{FiellerSet, x_intercept_set};
use super::prepared::Prepared;
use super::type_b::{Sensitivity, effects};
use super::{BudgetRow, Covariance, DeliveryCurve, Evaluation, FitOptions, Scale, SweepFit};
use crate::capture::Bench;
use crate::finding::{Finding, Kind};
use crate::units::{Estimate, NORMAL_95, Unit};

/// Describes a sweep whose usable readings have one pulse width.
pub(super) fn describe(prepared: &Prepared<'_>, bench: &Bench, options: &FitOptions) -> SweepFit {
    let mut fit = undescribed(
        prepared,
        options,
        "one pulse width makes no line",
        "`match` compares injectors at this width; for flow and dead time run at least three widths",
    );
    let width = prepared.widths[0];
    let read = mean_reading(prepared, width);
    let mean = read.mean;
    let offset = prepared.instrument.offset_uncertainty * read.inverse_pulses;
    for (i, point) in fit.points.iter_mut().enumerate() {
        if prepared.used().any(|k| k == i) {
            point.used = true;
            point.fitted = Some(mean);
            point.reason = None;
        }
    }
    fit.delivery = as_read(prepared, bench, Sensitivity::default(), 0.0);
    fit.as_read.clone_from(&fit.delivery);
    if let Some(slope) = fit.static_flow.clone() {
        through_static(
            prepared,
            &mut fit,
            &slope,
            width,
            mean,
            read.variance + offset * offset,
        );
    }
    fit
}

/// Up to this many widths a line or curve has nothing left that would test it.
const FEW_WIDTHS: usize = 3;

/// Means at the measured widths of a sweep that has few of them, each with its
/// doubt and with what is shared (scale, pressure, supply, reading offset);
/// `None` for more widths, or none.
///
/// `slope` (mm³/ms or mg/ms) carries a doubt of the dead time to the delivered
/// quantity; 0 where it is not known.
///
/// *Method*: docs/methods.md, "The set", quick check.
pub(super) fn as_read(
    prepared: &Prepared<'_>,
    bench: &Bench,
    sensitivity: Sensitivity,
    slope: f64,
) -> Option<DeliveryCurve> {
    let widths = &prepared.widths;
    if widths.is_empty() || widths.len() > FEW_WIDTHS {
        return None;
    }
    let effects = effects(bench, prepared, sensitivity);
    let mut shared: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    let (mut delivered, mut standard_uncertainty) = (Vec::new(), Vec::new());
    for width in widths {
        let read = mean_reading(prepared, *width);
        let mean = read.mean - prepared.instrument.offset_mean * read.inverse_pulses;
        let offset = prepared.instrument.offset_uncertainty * read.inverse_pulses;
        let parts = effects
            .iter()
            .map(|e| (e.id.clone(), e.on_delivered(mean, slope)))
            .chain([(prepared.instrument.offset_effect_id(), offset)]);
        let mut variance = read.variance;
        for (id, part) in parts {
            variance += part * part;
            shared.entry(id).or_default().push(part);
        }
        delivered.push(mean);
        standard_uncertainty.push(variance.sqrt());
    }
    Some(DeliveryCurve {
        pulse_width_ms: widths.clone(),
        delivered,
        standard_uncertainty,
        degrees_of_freedom: None,
        shared,
    })
}

/// Readings of a width that may be used.
fn at_width<'p>(prepared: &'p Prepared<'_>, width: f64) -> impl Iterator<Item = usize> + 'p {
    prepared
        .used()
        .filter(move |i| prepared.sweep.readings[*i].pulse_width_ms == width)
}

/// The readings of one width, taken together.
struct MeanReading {
    /// Delivered per pulse.
    mean: f64,
    /// Its variance from reading and repeatability.
    variance: f64,
    /// Mean of 1/pulses: what turns a reading offset into one per pulse.
    inverse_pulses: f64,
}

/// Mean of the readings of a width, each weighted by its variance from reading and
/// repeatability: a train of few pulses is read less well. Readings of one count weigh alike.
fn mean_reading(prepared: &Prepared<'_>, width: f64) -> MeanReading {
    // Delivered per pulse, its variance from reading, 1/pulses.
    let values: Vec<[f64; 3]> = at_width(prepared, width)
        .map(|i| {
            let pulses = prepared.sweep.readings[i].pulses;
            let read = prepared.reading_uncertainty(i) / pulses;
            [prepared.per_pulse(i), read * read, 1.0 / pulses]
        })
        .collect();
    let count = values.len() as f64;
    let about = values.iter().map(|v| v[0]).sum::<f64>() / count;
    let repeatability = prepared.instrument.repeatability_of_few * about;
    let variances: Vec<f64> = values
        .iter()
        .map(|[_, read, _]| read + repeatability * repeatability)
        .collect();
    let least = variances.iter().copied().fold(f64::INFINITY, f64::min);
    // The best reading weighs 1; so do all where nothing at all is doubtful.
    let weights: Vec<f64> = variances
        .iter()
        .map(|v| if least > 0.0 { least / v } else { 1.0 })
        .collect();
    let all: f64 = weights.iter().sum();
    let mean_of = |value: &dyn Fn(&[f64; 3]) -> f64| -> f64 {
        let weighted = values.iter().zip(&weights).map(|(v, w)| w * value(v));
        weighted.sum::<f64>() / all
    };
    let mean = mean_of(&|v| v[0]);
    let scatter = all * mean_of(&|v| (v[0] - mean).powi(2));
    // The few repeats there are, pooled with the assumption as if it were four more.
    let variance = (scatter + 4.0 * least) / (count - 1.0 + 4.0);
    let by_reading = values.iter().zip(&weights).map(|(v, w)| w * w * v[1]);
    MeanReading {
        mean,
        variance: variance.max(by_reading.sum::<f64>() / all) / all,
        inverse_pulses: mean_of(&|v| v[2]),
    }
}

/// The line through the reading with the static flow as its slope: X = w − q/S, its limits
/// Fieller's, since a static flow may be hardly known.
fn through_static(
    prepared: &Prepared<'_>,
    fit: &mut SweepFit,
    slope: &Estimate,
    width: f64,
    mean: f64,
    variance: f64,
) {
    let (Some(u_slope), true) = (slope.standard_uncertainty, slope.value > 0.0) else {
        return;
    };
    let basis = prepared.sweep.basis;
    let dead_time = width - mean / slope.value;
    let from_slope = mean / (slope.value * slope.value) * u_slope;
    let u_dead_time = (variance / (slope.value * slope.value) + from_slope * from_slope).sqrt();
    let offset = -slope.value * dead_time;
    // Y = q − S·w, so that cov(S, Y) = −w·u²(S)
    let var_slope = u_slope * u_slope;
    let var_offset = variance + width * width * var_slope;
    fit.scale = Scale::Stated;
    fit.slope = Some(slope.clone());
    // Only the slope's doubt may rest on a scatter.
    let dof = |own: f64, total: f64| effective_dof(own, total, slope.degrees_of_freedom);
    let dof_dead_time = dof(from_slope * from_slope, u_dead_time * u_dead_time);
    let shared = -width * var_slope;
    // Far from the reading only the slope's doubt is left, and with it the slope's degrees of
    // freedom: a slope that may be zero by these leaves the dead time open.
    let flow_may_be_zero = slope.interval_95[0].is_none_or(|lo| lo <= 0.0);
    let set = x_intercept_set(
        offset,
        slope.value,
        [[var_offset, shared], [shared, var_slope]],
        if flow_may_be_zero {
            slope.degrees_of_freedom
        } else {
            dof_dead_time
        },
        LEVEL,
    );
    let (interval_95, open_set) = set.map_or_else(
        |_| ([None, None], Some("not known".to_owned())),
        FiellerSet::of_dead_times,
    );
    fit.dead_time = Some(Estimate {
        value: dead_time,
        unit: Unit::Millisecond,
        standard_uncertainty: Some(u_dead_time),
        degrees_of_freedom: dof_dead_time,
        interval_95,
        shared: BTreeMap::new(),
    });
    let dof_offset = dof(width * width * var_slope, var_offset);
    fit.flow_offset = Some(Estimate::symmetric(
        offset,
        basis.amount_unit(),
        Some(var_offset.sqrt()),
        dof_offset,
        coverage_factor(LEVEL, dof_offset).unwrap_or(NORMAL_95),
    ));
    let matrix = [[var_slope, shared], [shared, var_offset]];
    fit.covariance = Some(Covariance::of_line(matrix));
    fit.budget = vec![
        BudgetRow {
            component: "reading at the one width".to_owned(),
            kind: Evaluation::B,
            dead_time_us: 1000.0 * variance.sqrt() / slope.value,
            slope_percent: 0.0,
        },
        BudgetRow {
            component: "static flow as slope".to_owned(),
            kind: Evaluation::B,
            dead_time_us: 1000.0 * from_slope,
            slope_percent: 100.0 * u_slope / slope.value,
        },
    ];
    let place = || prepared.sweep.place(prepared.source);
    let from_static = Finding::new(Kind::SlopeFromStatic, place(), &[("width", json!(width))]);
    let unbounded =
        open_set.map(|set| Finding::new(Kind::DeadTimeUnbounded, place(), &[("set", json!(set))]));
    fit.findings = [Some(from_static), unbounded]
        .into_iter()
        .flatten()
        .collect();
}
