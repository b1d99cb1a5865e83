//! The figures of a sweep as one flat record: what `fit --lines` writes, for tables of many runs.

use serde::Serialize;

use super::across::unequal_slopes;
use super::capture_fit::fit_sweep;
use super::describe::{Told, figures};
use super::doubts::Noticed;
use super::line_range::default_line_range;
use super::prepared::Prepared;
use super::{FitOptions, Model, ModelChoice, Scale, SweepFit, Weighting};
use crate::capture::{Bench, Sweep};
use crate::finding::Kind;
use crate::units::{Basis, Estimate};

/// One sweep in one line. Flow is mm³/ms or mg/ms and a delivered quantity mm³ or mg, by `basis`;
/// `_u` is a standard uncertainty, `_low` and `_high` are the limits of the 95 % interval, null
/// where that side is unbounded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepLine<'a> {
    /// Injector id.
    pub injector: &'a str,
    /// Capture file.
    pub source: &'a str,
    /// Stage.
    pub stage: Option<&'a str>,
    /// Supply voltage set point, V.
    pub voltage_v: Option<f64>,
    /// Differential pressure set point, kPa.
    pub pressure_kpa: Option<f64>,
    /// Volume or mass.
    pub basis: Basis,
    /// Which model the figures come from.
    pub model: Model,
    /// How readings were weighted.
    pub weighting: Weighting,
    /// Where the size of the scatter was taken from.
    pub scale: Scale,
    /// Readings of the sweep.
    pub readings: usize,
    /// Readings that the figures rest on.
    pub used: usize,
    /// Shortest pulse width of the line range, ms.
    pub line_from_ms: Option<f64>,
    /// Longest pulse width of the line range, ms.
    pub line_to_ms: Option<f64>,
    /// Slope S over the line range; null where no line can be drawn.
    pub slope: Option<f64>,
    /// Its standard uncertainty.
    pub slope_u: Option<f64>,
    /// Its lower limit.
    pub slope_low: Option<f64>,
    /// Its upper limit.
    pub slope_high: Option<f64>,
    /// Dead time X, ms.
    pub dead_time_ms: Option<f64>,
    /// Its standard uncertainty, ms.
    pub dead_time_u_ms: Option<f64>,
    /// Its lower limit, ms.
    pub dead_time_low_ms: Option<f64>,
    /// Its upper limit, ms.
    pub dead_time_high_ms: Option<f64>,
    /// Flow-offset Y = −S·X per pulse.
    pub flow_offset: Option<f64>,
    /// Its standard uncertainty.
    pub flow_offset_u: Option<f64>,
    /// Covariance of slope and flow-offset.
    pub covariance: Option<f64>,
    /// Effective degrees of freedom of the slope; null means infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Residual standard deviation of a line with equal weights, per pulse.
    pub residual_sd: Option<f64>,
    /// Share of variance explained.
    pub r_squared: Option<f64>,
    /// Chance of a larger lack of fit of the straight line without any bend.
    pub lack_of_fit_p: Option<f64>,
    /// Shortest width whose linearity deviation stays within the limit, ms.
    pub linear_from_ms: Option<f64>,
    /// Longest such width, ms.
    pub linear_to_ms: Option<f64>,
    /// Flow held open.
    pub static_flow: Option<f64>,
    /// Kinds of doubt about this fit.
    pub findings: Vec<Kind>,
}

impl<'a> SweepLine<'a> {
    /// The line of a described sweep of `injector`.
    pub fn of(injector: &'a str, fit: &'a SweepFit) -> Self {
        let findings = fit.findings.iter().map(|f| f.kind).collect();
        let used = fit.points.iter().filter(|p| p.used).count();
        Self::with(injector, fit, [fit.points.len(), used], findings)
    }

    fn with(
        injector: &'a str,
        fit: &'a SweepFit,
        [readings, used]: [usize; 2],
        findings: Vec<Kind>,
    ) -> Self {
        let value = |e: &Option<Estimate>| e.as_ref().map(|e| e.value);
        let u = |e: &Option<Estimate>| e.as_ref().and_then(|e| e.standard_uncertainty);
        let limit = |e: &Option<Estimate>, k: usize| e.as_ref().and_then(|e| e.interval_95[k]);
        let end = |range: Option<[f64; 2]>, k: usize| range.map(|range| range[k]);
        Self {
            injector,
            source: &fit.source,
            stage: fit.stage.as_deref(),
            voltage_v: fit.voltage_v,
            pressure_kpa: fit.pressure_kpa,
            basis: fit.basis,
            model: fit.model,
            weighting: fit.weighting,
            scale: fit.scale,
            readings,
            used,
            line_from_ms: end(fit.line_range_ms, 0),
            line_to_ms: end(fit.line_range_ms, 1),
            slope: value(&fit.slope),
            slope_u: u(&fit.slope),
            slope_low: limit(&fit.slope, 0),
            slope_high: limit(&fit.slope, 1),
            dead_time_ms: value(&fit.dead_time),
            dead_time_u_ms: u(&fit.dead_time),
            dead_time_low_ms: limit(&fit.dead_time, 0),
            dead_time_high_ms: limit(&fit.dead_time, 1),
            flow_offset: value(&fit.flow_offset),
            flow_offset_u: u(&fit.flow_offset),
            covariance: fit.covariance.as_ref().map(|c| c.matrix[0][1]),
            degrees_of_freedom: fit.slope.as_ref().and_then(|s| s.degrees_of_freedom),
            residual_sd: fit.scatter.residual_sd,
            r_squared: fit.r_squared,
            lack_of_fit_p: fit.lack_of_fit.as_ref().map(|l| l.p),
            linear_from_ms: end(fit.linear_flow_range_ms, 0),
            linear_to_ms: end(fit.linear_flow_range_ms, 1),
            static_flow: value(&fit.static_flow),
            findings,
        }
    }
}

/// The figures of a sweep by the straight line, without words, points and delivery curve.
#[derive(Debug, Clone, PartialEq)]
pub struct LineFigures {
    fit: SweepFit,
    readings: usize,
    used: usize,
    kinds: Vec<Kind>,
}

impl LineFigures {
    /// The line of this sweep of `injector`.
    pub fn line<'a>(&'a self, injector: &'a str) -> SweepLine<'a> {
        let counts = [self.readings, self.used];
        SweepLine::with(injector, &self.fit, counts, self.kinds.clone())
    }
}

/// Fits the sweeps of one injector by the straight line where nothing but the readings
/// themselves bears on them: no bench file, no measured voltage or pressure, no vessel.
///
/// The figures are those of [`fit_capture`](super::fit_capture) for the same sweeps, to the bit.
/// `None` where another model or weighting is asked for, rows are dropped by hand, or a sweep
/// makes no line: those take the long way.
pub fn lines_of_injector(
    sweeps: &[Sweep],
    source: &str,
    options: &FitOptions,
) -> Option<Vec<LineFigures>> {
    if options.model != ModelChoice::Line || !options.dropped.is_empty() {
        return None;
    }
    let bench = Bench::default();
    // Collected into an option they would be moved as the list grows.
    let mut figures = Vec::with_capacity(sweeps.len());
    for sweep in sweeps {
        figures.push(line_of_sweep(sweep, source, &bench, options)?);
    }
    let fits: Vec<&SweepFit> = figures.iter().map(|f| &f.fit).collect();
    for unequal in unequal_slopes(&fits) {
        figures[unequal.sweep].kinds.push(Kind::SlopesDiffer);
    }
    Some(figures)
}

fn line_of_sweep(
    sweep: &Sweep,
    source: &str,
    bench: &Bench,
    options: &FitOptions,
) -> Option<LineFigures> {
    let plain = sweep.readings.iter().all(|r| {
        r.voltage_actual_v.is_none() && r.pressure_actual_kpa.is_none() && r.vessel.is_none()
    });
    let range = options
        .line_range_ms
        .or_else(|| default_line_range(std::iter::once(sweep)));
    let prepared = Prepared::new(sweep, source, bench, range, options);
    if !plain || prepared.widths.len() < 2 {
        return None;
    }
    let fitted = fit_sweep(&prepared, options).ok()?;
    let used = prepared.in_line_range.len();
    let told = Told {
        prepared: &prepared,
        core: fitted.core,
        effects: Vec::new(),
        other: None,
    };
    let mut noticed = Noticed::nothing(false);
    let fit = figures(&told, Vec::new(), options, &mut noticed).ok()?;
    Some(LineFigures {
        fit,
        readings: sweep.readings.len(),
        used,
        kinds: noticed.kinds,
    })
}
