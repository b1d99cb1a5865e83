//! The whole delivery curve, from which slope, dead time and departure come together.

use super::core::{Core, Outlier};
use super::curve::{
    CurveError, CurveFit, CurveReading, CurveSetup, Misreading, ReadingUse, Scale as Prior,
    fit_curve,
};
use super::describe::ladder;
use super::prepared::{Prepared, Standing};
use super::{BudgetRow, Evaluation, FitOptions, Instrument, Model, Scale, Weighting};

/// How well the uncertainty of one reading is known beforehand: standard
/// deviation of its logarithm, where only the division is known.
const READING_LOG_SD: f64 = 0.4;
/// The same where the uncertainty itself is stated.
const STATED_READING_LOG_SD: f64 = 0.1;

/// Fits the delivery curve of a sweep.
///
/// # Errors
/// [`CurveError`] where the readings do not carry a curve.
pub(super) fn fit_by_curve(
    prepared: &Prepared<'_>,
    options: &FitOptions,
) -> Result<Core, CurveError> {
    let index = &prepared.by_width;
    let readings: Vec<CurveReading> = index.iter().map(|i| reading(prepared, *i)).collect();
    let Some([lo, hi]) = prepared.line_range else {
        return Err(CurveError::TooFewWidths { have: 0, need: 1 });
    };
    let setup = setup(prepared, &readings, (lo, hi));
    let mut fit = fit_curve(&readings, &setup)?;
    if options.keep_all {
        // Judged as usual, kept all the same: what looks misread is still told.
        let judged = fit;
        fit = fit_curve(
            &readings,
            &CurveSetup {
                misreading: None,
                ..setup
            },
        )?;
        for (kept, judged) in fit.readings.iter_mut().zip(&judged.readings) {
            kept.log_odds = judged
                .log_odds
                .filter(|_| judged.usage == ReadingUse::Misreading);
        }
    }
    Ok(core(prepared, index, fit))
}

fn reading(prepared: &Prepared<'_>, i: usize) -> CurveReading {
    let reading = &prepared.sweep.readings[i];
    // A start reading adds the reading's own variance once more.
    let start = if reading.start_subtracted {
        prepared.instrument.reading_uncertainty.powi(2)
    } else {
        0.0
    };
    CurveReading {
        width_ms: reading.pulse_width_ms,
        pulses: reading.pulses,
        delivered: prepared.delivered[i],
        extra_variance: prepared.carrying_variance[i] + start,
        period_ms: reading.period_ms,
    }
}

fn setup(prepared: &Prepared<'_>, readings: &[CurveReading], line_range: (f64, f64)) -> CurveSetup {
    CurveSetup {
        grid: prepared.widths.clone(),
        nodes: ladder(prepared.widths.clone()),
        misreading: Some(Misreading::usual(readings)),
        ..curve_setup(&prepared.instrument, line_range)
    }
}

/// What is known beforehand of readings with this instrument, for a line over a
/// range of pulse widths in ms; no grid, and no reading judged.
pub fn curve_setup(instrument: &Instrument, line_range: (f64, f64)) -> CurveSetup {
    let log_sd = if instrument.reading_stated {
        STATED_READING_LOG_SD
    } else {
        READING_LOG_SD
    };
    CurveSetup {
        reading: Prior::about(
            instrument.reading_uncertainty,
            log_sd,
            instrument.reading_floor,
        ),
        repeatability: Prior::about(instrument.repeatability.0, instrument.repeatability.1, 0.0),
        pulse_scatter: instrument
            .pulse_scatter
            .map(|(value, log_sd)| Prior::about(value, log_sd, 0.0)),
        offset_mean: instrument.offset_mean,
        offset_uncertainty: instrument.offset_uncertainty,
        line_range,
        grid: Vec::new(),
        nodes: Vec::new(),
        misreading: None,
    }
}

/// Hands the curve's figures over by the sweep's own reading numbers.
fn core(prepared: &Prepared<'_>, index: &[usize], fit: CurveFit) -> Core {
    let count = prepared.standing.len();
    let mut reading_uncertainty = vec![None; count];
    let mut fitted = vec![None; count];
    let mut left_out = vec![None; count];
    let mut outliers = Vec::new();
    for (judged, i) in fit.readings.iter().zip(index) {
        let pulses = prepared.sweep.readings[*i].pulses;
        fitted[*i] = Some(judged.fitted / pulses);
        let misread = judged.log_odds.is_some_and(|odds| odds > 0.0);
        match judged.usage {
            ReadingUse::Used => reading_uncertainty[*i] = Some(judged.reading_uncertainty / pulses),
            ReadingUse::BeyondDutyLimit => left_out[*i] = Some("duty cycle above the limit"),
            ReadingUse::TooShort => left_out[*i] = Some("so short that the injector may not open"),
            ReadingUse::Misreading => {
                left_out[*i] = Some("set aside: the other readings contradict it")
            }
        }
        if judged.usage == ReadingUse::Misreading || (judged.used() && misread) {
            outliers.push(Outlier {
                index: *i,
                size: prepared.delivered[*i] - judged.fitted,
                set_aside: !judged.used(),
            });
        }
    }
    outliers.sort_by_key(|outlier| outlier.index);
    debug_assert!(
        index
            .iter()
            .all(|i| prepared.standing[*i] == Standing::Used)
    );
    let c = fit.line.covariance;
    Core {
        model: Model::Curve,
        weighting: Weighting::Uncertainty,
        scale: Scale::Both,
        slope: fit.line.slope.value,
        offset: fit.line.flow_offset.value,
        covariance: [[c[0][0], c[0][1]], [c[1][0], c[1][1]]],
        degrees_of_freedom: None,
        r_squared: None,
        residual_sd: None,
        lack_of_fit: None,
        fitted,
        reading_uncertainty,
        left_out,
        outliers,
        budget: budget(&fit),
        curve: Some(Box::new(fit)),
    }
}

/// The rows that come from the readings: shares of the variance turned into
/// standard uncertainties.
fn budget(fit: &CurveFit) -> Vec<BudgetRow> {
    let x = 1000.0 * fit.line.dead_time.standard_uncertainty;
    let s = 100.0 * (fit.line.slope.standard_uncertainty / fit.line.slope.value).abs();
    let (of_x, of_s) = (&fit.dead_time_shares, &fit.slope_shares);
    let rows = [
        (
            "reading of the vessel",
            Evaluation::A,
            of_x.reading,
            of_s.reading,
        ),
        (
            "repeatability",
            Evaluation::A,
            of_x.repeatability,
            of_s.repeatability,
        ),
        ("reading offset", Evaluation::B, of_x.offset, of_s.offset),
        (
            "shape of the delivery curve",
            Evaluation::B,
            of_x.departure,
            of_s.departure,
        ),
        (
            "choice among curves and scatters",
            Evaluation::A,
            of_x.scales,
            of_s.scales,
        ),
    ];
    rows.map(|(component, kind, share_x, share_s)| BudgetRow {
        component: component.to_owned(),
        kind,
        dead_time_us: x * share_x.max(0.0).sqrt(),
        slope_percent: s * share_s.max(0.0).sqrt(),
    })
    .to_vec()
}
