//! The straight line through the readings of the line range, nothing else: no
//! reading is set aside here, since a bend would look like an outlier.

use super::core::Core;
use super::fieller::x_intercept;
use super::lack_of_fit::lack_of_fit;
use super::line::{LineFit, ScaleSource, Weights, fit_line};
use super::noise::Noise;
use super::prepared::Prepared;
use super::{BudgetRow, Evaluation, FitError, LackOfFit, Model, Scale, WeightChoice, Weighting};

/// Fits the line of a sweep.
///
/// # Errors
/// [`FitError`] where the readings of the line range make no line.
pub(super) fn fit_by_line(prepared: &Prepared<'_>, choice: WeightChoice) -> Result<Core, FitError> {
    let index = &prepared.in_line_range;
    let x: Vec<f64> = index
        .iter()
        .map(|i| prepared.sweep.readings[*i].pulse_width_ms)
        .collect();
    let y: Vec<f64> = index.iter().map(|i| prepared.per_pulse(*i)).collect();
    let u: Vec<f64> = index.iter().map(|i| uncertainty(prepared, *i)).collect();
    let floor: Vec<f64> = index
        .iter()
        .map(|i| prepared.instrument.reading_floor / prepared.sweep.readings[*i].pulses)
        .collect();
    let (line, weighting, scale) = fit(&x, &y, &u, &floor, weighting(prepared, choice), choice)?;

    let lack = lack_of_fit(&x, &line)?.and_then(|l| {
        Some(LackOfFit {
            f: l.f?,
            numerator_dof: l.dof_lack_of_fit,
            denominator_dof: l.dof_pure_error,
            p: l.p_value?,
        })
    });
    let mut reading_uncertainty = vec![None; prepared.sweep.readings.len()];
    for (k, i) in index.iter().enumerate() {
        // The scatter's own size where it set the scale.
        let factor = match (scale, line.residual_sd) {
            (Scale::Scatter, Some(sd)) => sd,
            _ => 1.0,
        };
        reading_uncertainty[*i] = Some(if weighting == Weighting::Equal {
            factor
        } else {
            u[k] * factor
        });
    }
    let covariance = line.covariance;
    let dead_time_us = x_intercept(line.intercept, line.slope, covariance)
        .map_or(0.0, |x| 1000.0 * x.standard_uncertainty);
    Ok(Core {
        model: Model::Line,
        weighting,
        scale,
        slope: line.slope,
        offset: line.intercept,
        covariance: [
            [covariance[1][1], covariance[0][1]],
            [covariance[0][1], covariance[0][0]],
        ],
        degrees_of_freedom: line.degrees_of_freedom,
        r_squared: line.r_squared,
        residual_sd: line.residual_sd.filter(|_| weighting == Weighting::Equal),
        lack_of_fit: lack,
        fitted: vec![None; prepared.standing.len()],
        reading_uncertainty,
        left_out: vec![None; prepared.standing.len()],
        outliers: Vec::new(),
        curve: None,
        budget: vec![BudgetRow {
            component: "scatter of the readings".to_owned(),
            kind: if scale == Scale::Stated {
                Evaluation::B
            } else {
                Evaluation::A
            },
            dead_time_us,
            slope_percent: 100.0 * (covariance[1][1].sqrt() / line.slope).abs(),
        }],
    })
}

/// Standard uncertainty of one reading per pulse, up to a common factor: only the ratios of
/// repeatability and pulse scatter to reading uncertainty matter, the scatter sets the scale.
fn uncertainty(prepared: &Prepared<'_>, i: usize) -> f64 {
    let noise = Noise {
        read: prepared.reading_uncertainty(i),
        repeatability: prepared.instrument.repeatability.0,
        pulse_scatter: prepared.instrument.stated_pulse_scatter(),
    };
    let pulses = prepared.sweep.readings[i].pulses;
    let variance = noise.variance(pulses, prepared.delivered[i]);
    (variance + prepared.carrying_variance[i]).sqrt() / pulses
}

fn weighting(prepared: &Prepared<'_>, choice: WeightChoice) -> Weighting {
    let stated = prepared.instrument.division_stated || prepared.instrument.reading_stated;
    match choice {
        WeightChoice::Auto if stated => Weighting::Uncertainty,
        WeightChoice::Auto | WeightChoice::Equal => Weighting::Equal,
    }
}

/// The line with its weights and scale: from the scatter, but never below what
/// the division alone does to a reading; identical rounded repeats do not mean no
/// scatter. Ordinary least squares asked for by name stays what it is.
fn fit(
    x: &[f64],
    y: &[f64],
    u: &[f64],
    floor: &[f64],
    weighting: Weighting,
    choice: WeightChoice,
) -> Result<(LineFit, Weighting, Scale), FitError> {
    let weights = match weighting {
        Weighting::Equal => Weights::Equal,
        Weighting::Uncertainty => Weights::FromUncertainty(u),
    };
    if choice == WeightChoice::Equal {
        return Ok((
            fit_line(x, y, weights, ScaleSource::Scatter)?,
            weighting,
            Scale::Scatter,
        ));
    }
    let unit = if weighting == Weighting::Equal {
        1.0
    } else {
        root_mean_square(u)
    };
    let least = root_mean_square(floor).max(ROUNDING * root_mean_square(y));
    if x.len() > 2 {
        let line = fit_line(x, y, weights, ScaleSource::Scatter)?;
        if line.residual_sd.is_some_and(|sd| sd * unit >= least) {
            return Ok((line, weighting, Scale::Scatter));
        }
    }
    let known = x.len() > 2 && floor.iter().all(|f| *f > 0.0);
    let stated = Weights::FromUncertainty(if known { floor } else { u });
    let line = fit_line(x, y, stated, ScaleSource::Stated)?;
    Ok((line, Weighting::Uncertainty, Scale::Stated))
}

/// Scatter below this share of the readings is that of arithmetic.
const ROUNDING: f64 = 1e-9;

fn root_mean_square(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}
