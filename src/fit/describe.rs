//! From a fitted core to everything that is told about a sweep.

use std::collections::BTreeMap;

use serde_json::json;

use super::core::{Core, Doubted};
use super::doubts::Noticed;
use super::prepared::{Prepared, Standing};
use super::static_flow;
use super::type_b::TypeB;
use super::{
    Asymptote, BudgetRow, Covariance, DeliveryCurve, Evaluation, FitError, FitOptions,
    LinearityDeviation, Model, OtherFit, Point, Scale, Scatter, SweepFit, Weighting, doubts,
};
use crate::finding::{Finding, Kind};
use crate::units::{Basis, Estimate, NORMAL_95, Unit};

/// Ratio of neighbouring widths of the delivery curve that is stored for prediction, and steps
/// after which they stand further apart.
const DELIVERY_STEP: f64 = 1.1;
const DELIVERY_STEPS: f64 = 64.0;

/// A core with its type B effects and, beside it, the other model's fit.
pub(super) struct Told<'a> {
    pub prepared: &'a Prepared<'a>,
    pub core: Core,
    pub effects: Vec<TypeB>,
    /// The fit not used, and why.
    pub other: Option<(Core, String)>,
}

/// Describes a fitted sweep.
///
/// # Errors
/// [`FitError`] where slope or dead time have no meaning.
pub(super) fn describe(told: &Told<'_>, options: &FitOptions) -> Result<SweepFit, FitError> {
    let points = empty_points(told.prepared);
    let mut noticed = Noticed::nothing(true);
    let mut fit = figures(told, points, options, &mut noticed)?;
    fit.delivery = Some(delivery(told));
    fit.findings = noticed.worded.unwrap_or_default();
    Ok(fit)
}

/// Describes a fitted sweep but for its delivery curve; `points` are the readings to tell about,
/// none where only the figures are wanted. The doubts go to `noticed`.
///
/// # Errors
/// As [`describe`].
pub(super) fn figures(
    told: &Told<'_>,
    points: Vec<Point>,
    options: &FitOptions,
    noticed: &mut Noticed,
) -> Result<SweepFit, FitError> {
    let Told {
        prepared,
        core,
        effects,
        ..
    } = told;
    let basis = prepared.sweep.basis;
    let mut fit = empty(prepared, points, options);
    if core.slope <= 0.0 {
        return Err(FitError::SlopeNotPositive { slope: core.slope });
    }
    let dead_time = core.dead_time(effects)?;
    let slope = core.slope_doubted(effects)?;
    let offset = core.offset_doubted(effects)?;

    fit.model = core.model;
    fit.weighting = core.weighting;
    fit.scale = core.scale;
    let mut shown_slope = estimate(&slope, basis.flow_unit(), effects, |e| {
        e.on_slope(core.slope)
    });
    let mut shown_dead_time = estimate(&dead_time.doubted, Unit::Millisecond, effects, |e| {
        e.dead_time_ms
    });
    if let Some(common) = core.common_offset(prepared.instrument.offset_uncertainty) {
        let id = prepared.instrument.offset_effect_id();
        shown_slope.shared.insert(id.clone(), common.slope);
        shown_dead_time.shared.insert(id, common.dead_time_ms);
    }
    fit.slope = Some(shown_slope);
    fit.dead_time = Some(shown_dead_time);
    fit.flow_offset = Some(estimate(&offset, basis.amount_unit(), effects, |e| {
        e.on_offset(core.slope, core.offset)
    }));
    fit.covariance = Some(Covariance::of_line(core.total_covariance(effects)));
    fit.r_squared = core.r_squared;
    fit.lack_of_fit.clone_from(&core.lack_of_fit);
    fit.scatter.residual_sd = core.residual_sd;
    fit.linearity_deviation = deviations(told);
    fit.linear_flow_range_ms = linear_range(&fit.linearity_deviation, fit.line_range_ms, options);
    fit.budget = budget(told);
    fit.other_fits = told.other.iter().filter_map(other_fit(basis)).collect();
    if let Some(curve) = &core.curve {
        let (offset, noise) = (&curve.offset, &curve.noise);
        let amount = basis.amount_unit();
        fit.reading_offset = Some(spread_estimate(
            (offset.value, offset.standard_uncertainty),
            amount,
            1.0,
        ));
        fit.scatter.reading = Some(spread_estimate(noise.reading, amount, 1.0));
        fit.scatter.repeatability_percent =
            Some(spread_estimate(noise.repeatability, Unit::Percent, 100.0));
        fit.scatter.pulse = (noise.pulse_scatter.0 > 0.0)
            .then(|| spread_estimate(noise.pulse_scatter, amount, 1.0));
    }
    fit.asymptote = asymptote(core, basis, effects)?;
    fill_points(told, &mut fit.points);
    doubts::gather(told, &dead_time, &fit, options, noticed);
    Ok(fit)
}

/// A sweep without figures: why, and what to measure.
pub(super) fn undescribed(
    prepared: &Prepared<'_>,
    options: &FitOptions,
    why: &str,
    advice: &str,
) -> SweepFit {
    let mut fit = empty(prepared, empty_points(prepared), options);
    fit.findings.push(Finding::new(
        Kind::NotFitted,
        prepared.sweep.place(prepared.source),
        &[("why", json!(why)), ("advice", json!(advice))],
    ));
    fit
}

/// What is known before any fit: conditions, static flow, the readings.
fn empty(prepared: &Prepared<'_>, points: Vec<Point>, options: &FitOptions) -> SweepFit {
    let sweep = prepared.sweep;
    SweepFit {
        source: prepared.source.to_owned(),
        voltage_v: sweep.voltage_v,
        pressure_kpa: sweep.pressure_kpa,
        stage: sweep.stage.clone(),
        basis: sweep.basis,
        model: Model::Line,
        weighting: Weighting::Equal,
        scale: Scale::Scatter,
        slope: None,
        dead_time: None,
        flow_offset: None,
        reading_offset: None,
        covariance: None,
        line_range_ms: prepared.line_range,
        linear_flow_range_ms: None,
        linearity_limit_percent: options.linearity_limit_percent,
        asymptote: None,
        linearity_deviation: Vec::new(),
        delivery: None,
        as_read: None,
        static_flow: static_flow::static_flow(prepared),
        scatter: Scatter {
            reading: None,
            repeatability_percent: None,
            pulse: None,
            residual_sd: None,
        },
        r_squared: None,
        lack_of_fit: None,
        other_fits: Vec::new(),
        budget: Vec::new(),
        points,
        findings: Vec::new(),
    }
}

/// The readings before any fit.
fn empty_points(prepared: &Prepared<'_>) -> Vec<Point> {
    prepared
        .sweep
        .readings
        .iter()
        .zip(&prepared.standing)
        .map(|(reading, standing)| Point {
            source: prepared.source.to_owned(),
            line: reading.line,
            pulse_width_ms: reading.pulse_width_ms,
            pulses: reading.pulses,
            open_time_s: reading.open_time_s,
            delivered: match reading.open_time_s {
                Some(seconds) => reading.delivered / (1000.0 * seconds),
                None => reading.delivered / reading.pulses,
            },
            fitted: None,
            standard_uncertainty: None,
            deviation_percent: None,
            used: false,
            reason: match standing {
                Standing::Used => None,
                Standing::Static => Some("static flow".to_owned()),
                Standing::LeftOut(reason) => Some(reason.clone()),
            },
        })
        .collect()
}

/// A doubted value with what each shared effect contributes.
fn estimate(
    doubted: &Doubted,
    unit: Unit,
    effects: &[TypeB],
    part: impl Fn(&TypeB) -> f64,
) -> Estimate {
    Estimate {
        value: doubted.value,
        unit,
        standard_uncertainty: Some(doubted.standard_uncertainty),
        degrees_of_freedom: doubted.degrees_of_freedom,
        interval_95: doubted.interval_95,
        shared: effects
            .iter()
            .map(|e| (e.id.clone(), part(e)))
            .filter(|(_, p)| *p != 0.0)
            .collect(),
    }
}

/// Mean and standard deviation as an estimate.
fn spread_estimate((mean, sd): (f64, f64), unit: Unit, factor: f64) -> Estimate {
    Estimate::symmetric(mean * factor, unit, Some(sd * factor), None, NORMAL_95)
}

fn asymptote(core: &Core, basis: Basis, effects: &[TypeB]) -> Result<Option<Asymptote>, FitError> {
    Ok(core
        .asymptote(effects)?
        .map(|(slope, dead_time)| Asymptote {
            slope: estimate(&slope, basis.flow_unit(), effects, |e| {
                e.on_slope(core.slope)
            }),
            dead_time: estimate(&dead_time, Unit::Millisecond, effects, |e| e.dead_time_ms),
        }))
}

fn other_fit(basis: Basis) -> impl Fn(&(Core, String)) -> Option<OtherFit> {
    move |(core, why_not)| {
        let (slope, offset) = (
            core.slope_doubted(&[]).ok()?,
            core.offset_doubted(&[]).ok()?,
        );
        let dead_time = core.dead_time(&[]).ok()?.doubted;
        Some(OtherFit {
            model: core.model,
            why_not: why_not.clone(),
            slope: estimate(&slope, basis.flow_unit(), &[], |_| 0.0),
            dead_time: estimate(&dead_time, Unit::Millisecond, &[], |_| 0.0),
            flow_offset: estimate(&offset, basis.amount_unit(), &[], |_| 0.0),
        })
    }
}

/// Departure from the line at each measured width.
fn deviations(told: &Told<'_>) -> Vec<LinearityDeviation> {
    let Told { prepared, core, .. } = told;
    let dead_time = core.dead_time_value();
    let k = NORMAL_95;
    let width = |i: &usize| prepared.sweep.readings[*i].pulse_width_ms;
    prepared
        .by_width
        .chunk_by(|i, j| width(i) == width(j))
        .zip(&prepared.widths)
        .map(|(readings, &width)| {
            let line = core.line_at(width);
            if width <= dead_time || line <= 0.0 {
                return LinearityDeviation {
                    pulse_width_ms: width,
                    percent: None,
                    interval_95: [None, None],
                };
            }
            if let Some(point) = core.curve_point(width) {
                return LinearityDeviation {
                    pulse_width_ms: width,
                    percent: point.deviation_percent.map(|d| d.value),
                    interval_95: point.deviation_interval_95,
                };
            }
            let (mean, u) = mean_of(prepared, core, readings);
            let percent = 100.0 * (mean / line - 1.0);
            let half = u.map(|u| {
                let var_line = core.covariance[1][1]
                    + 2.0 * width * core.covariance[0][1]
                    + width * width * core.covariance[0][0];
                100.0 * k * (u * u + var_line.max(0.0)).sqrt() / line
            });
            LinearityDeviation {
                pulse_width_ms: width,
                percent: Some(percent),
                interval_95: [half.map(|h| percent - h), half.map(|h| percent + h)],
            }
        })
        .collect()
}

/// Mean delivered quantity of readings and its uncertainty, the latter where any of them
/// was fitted.
fn mean_of(prepared: &Prepared<'_>, core: &Core, readings: &[usize]) -> (f64, Option<f64>) {
    let count = readings.len() as f64;
    let sum: f64 = readings.iter().map(|i| prepared.per_pulse(*i)).sum();
    let (mut known, mut squares) = (0.0, 0.0);
    for u in readings.iter().filter_map(|i| core.reading_uncertainty[*i]) {
        known += 1.0;
        squares += u * u;
    }
    let u = (known > 0.0).then(|| (squares / known / count).sqrt());
    (sum / count, u)
}

/// The longest run of neighbouring widths whose deviation stays within the
/// limit; of runs with as many widths the later one.
fn linear_range(
    deviations: &[LinearityDeviation],
    line_range: Option<[f64; 2]>,
    options: &FitOptions,
) -> Option<[f64; 2]> {
    line_range?;
    let within = |d: &LinearityDeviation| {
        d.percent
            .is_some_and(|p| p.abs() <= options.linearity_limit_percent)
    };
    deviations
        .chunk_by(|a, b| within(a) == within(b))
        .filter(|run| run.len() > 1 && within(&run[0]))
        .max_by_key(|run| run.len())
        .map(|run| [run[0].pulse_width_ms, run[run.len() - 1].pulse_width_ms])
}

/// The delivery curve on a grid for prediction: the measured widths and others
/// between them.
fn delivery(told: &Told<'_>) -> DeliveryCurve {
    let Told {
        prepared,
        core,
        effects,
        ..
    } = told;
    let nodes = grid(prepared, core);
    let values: Vec<(f64, f64)> = nodes.iter().map(|w| core.delivered(*w)).collect();
    let delivered: Vec<f64> = values.iter().map(|v| v.0).collect();
    let standard_uncertainty = values
        .iter()
        .map(|(q, variance)| {
            let b: f64 = effects
                .iter()
                .map(|e| e.on_delivered(*q, core.slope).powi(2))
                .sum();
            (variance + b).sqrt()
        })
        .collect();
    let mut shared: BTreeMap<String, Vec<f64>> = effects
        .iter()
        .map(|e| {
            (
                e.id.clone(),
                delivered
                    .iter()
                    .map(|q| e.on_delivered(*q, core.slope))
                    .collect(),
            )
        })
        .collect();
    if let Some(common) = core.common_offset(prepared.instrument.offset_uncertainty) {
        let sensitivity = |w: &f64| core.curve_node(*w).map_or(0.0, |n| n.offset_sensitivity);
        let parts = nodes.iter().map(|w| common.size * sensitivity(w)).collect();
        shared.insert(prepared.instrument.offset_effect_id(), parts);
    }
    DeliveryCurve {
        shared,
        degrees_of_freedom: core.degrees_of_freedom,
        delivered,
        standard_uncertainty,
        pulse_width_ms: nodes,
    }
}

/// Widths at which the curve is asked for: all measured ones for the whole
/// curve, those of the line range for a line.
pub(super) fn grid(prepared: &Prepared<'_>, core: &Core) -> Vec<f64> {
    let [lo, hi] = prepared.line_range.unwrap_or([0.0, f64::MAX]);
    let inside = |w: &&f64| core.curve.is_some() || (**w >= lo && **w <= hi);
    ladder(prepared.widths.iter().filter(inside).copied().collect())
}

/// Puts further widths between those given, so that neighbours stand no further apart
/// than [`DELIVERY_STEP`].
pub(super) fn ladder(mut widths: Vec<f64>) -> Vec<f64> {
    widths.sort_by(f64::total_cmp);
    // Two nodes closer than this are one: slopes between them would be rounding.
    widths.dedup_by(|b, a| *b - *a < 1e-6 * *b);
    let [first, .., last] = widths[..] else {
        return widths;
    };
    let step = DELIVERY_STEP.ln().max((last / first).ln() / DELIVERY_STEPS);
    let between = widths.windows(2).flat_map(|pair| {
        let apart = (pair[1] / pair[0]).ln();
        let steps = (apart / step).ceil();
        (0..steps as usize).map(move |i| pair[0] * (apart * i as f64 / steps).exp())
    });
    between.chain([last]).collect()
}

fn budget(told: &Told<'_>) -> Vec<BudgetRow> {
    let mut rows = told.core.budget.clone();
    rows.extend(told.effects.iter().map(|e| BudgetRow {
        component: e.component.to_owned(),
        kind: Evaluation::B,
        dead_time_us: 1000.0 * e.dead_time_ms.abs(),
        slope_percent: 100.0 * e.relative.abs(),
    }));
    rows
}

/// Fills in what the fit says about each reading.
fn fill_points(told: &Told<'_>, points: &mut [Point]) {
    let Told { prepared, core, .. } = told;
    let dead_time = core.dead_time_value();
    for (i, point) in points.iter_mut().enumerate() {
        if prepared.sweep.readings[i].is_static() {
            continue;
        }
        let line = core.line_at(point.pulse_width_ms);
        point.fitted = Some(core.fitted[i].unwrap_or(line));
        point.standard_uncertainty = core.reading_uncertainty[i];
        if point.pulse_width_ms > dead_time && line > 0.0 {
            point.deviation_percent = Some(100.0 * (point.delivered / line - 1.0));
        }
        let outlier = core.outliers.iter().find(|o| o.index == i);
        point.used = prepared.standing[i] == Standing::Used
            && core.reading_uncertainty[i].is_some()
            && !outlier.is_some_and(|o| o.set_aside);
        if !point.used && point.reason.is_none() {
            point.reason = Some(
                core.left_out[i]
                    .unwrap_or("outside the line range")
                    .to_owned(),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_of_the_delivery_curve_hold_those_measured_and_stand_close() {
        let measured = vec![5.0, 0.8, 1.0, 1.05, 20.0, 5.0];
        let widths = ladder(measured.clone());
        assert!(measured.iter().all(|w| widths.contains(w)));
        assert!(
            widths.is_sorted_by(|a, b| a < b && b / a < 1.1 + 1e-9),
            "{widths:?}"
        );
        assert_eq!((widths[0], widths.len()), (0.8, 37));
        // Widths that no injector has do not make a long file.
        assert!(ladder(vec![1e-9, 1e9]).len() <= 65);
        assert_eq!(ladder(vec![2.0, 2.0]), [2.0]);
        assert!(ladder(Vec::new()).is_empty());
    }

    /// 2 and 2.000001 are nearer than a millionth: one node, and ln 2/ln 1.1 = 7.3, so eight
    /// steps to 4.
    #[test]
    fn widths_a_millionth_apart_are_one_node() {
        let widths = ladder(vec![2.0, 2.000_001, 4.0]);
        assert_eq!((widths.len(), widths[0], widths[8]), (9, 2.0, 4.0));
        let apart = |pair: &[f64]| pair[1] / pair[0] - 2f64.powf(0.125);
        assert!(widths.windows(2).all(|pair| apart(pair).abs() < 1e-12));
        assert_eq!(ladder(vec![2.0, 2.000_004]).len(), 2);
    }
}
