//! Does one value lie further out than chance explains?
//!
//! Values, or a fitted line, go in; test statistics with their limits come
//! out. It must not remove anything: that is for whoever knows why.

use super::distribution::{t_two_sided_p_value, t_upper};
use super::error::{FitError, require_finite, require_length};
use super::line::{LineFit, ScaleSource};

/// Whether an outlier is sought on one stated side or on either.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    /// Only the largest, or only the smallest, was under suspicion beforehand.
    One,
    /// Either end.
    Two,
}

/// The value furthest from the mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grubbs {
    /// |value − mean|/s of the furthest value.
    pub g: f64,
    /// Where it stands, from 0.
    pub index: usize,
    /// Mean of all values.
    pub mean: f64,
    /// Standard deviation of all values, divisor n − 1.
    pub sd: f64,
}

/// One point's distance from the line that the other points give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StudentisedResidual {
    /// Residual over its standard deviation, estimated without this point
    /// (scale from scatter) or stated. Infinite where the other points lie
    /// exactly on a line and this one does not. `None` for a point that alone
    /// decides the line (leverage 1).
    pub value: Option<f64>,
    /// Probability of so large a value for the worst of n points (Bonferroni:
    /// n times the two-sided p, at most 1); `None` with `value`.
    pub p_value: Option<f64>,
}

/// Gives the value of G above which the furthest of `n` values is an outlier
/// at significance `alpha`.
///
/// `n` ≥ 3, 0 < `alpha` < 1.
///
/// *Method*: G = (n − 1)/√n · √(t²/(n − 2 + t²)), t the upper α/n (one side) or
/// α/(2n) (two) point of Student's t with n − 2 degrees of freedom.
/// *Source*: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.1.
/// *Errors*: [`FitError::TooFewPoints`], [`FitError::OutOfDomain`].
pub fn grubbs_critical(n: usize, alpha: f64, sides: Sides) -> Result<f64, FitError> {
    if n < 3 {
        return Err(FitError::TooFewPoints { have: n, need: 3 });
    }
    require_alpha(alpha)?;
    let count = n as f64;
    let tail = match sides {
        Sides::One => alpha / count,
        Sides::Two => alpha / (2.0 * count),
    };
    let t = t_upper(tail, Some(count - 2.0))?;
    Ok((count - 1.0) / count.sqrt() * (t * t / (count - 2.0 + t * t)).sqrt())
}

/// Gives Grubbs's statistic of the value furthest from the mean.
///
/// *Errors*: [`FitError::TooFewPoints`] below three values,
/// [`FitError::NotFinite`], [`FitError::NoScatter`] where all are equal.
pub fn grubbs_statistic(values: &[f64]) -> Result<Grubbs, FitError> {
    let n = values.len();
    if n < 3 {
        return Err(FitError::TooFewPoints { have: n, need: 3 });
    }
    require_finite("value", values)?;
    let ones = vec![1.0; n];
    let mean = super::line::weighted_mean(values, &ones);
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let sd = (squares / (n - 1) as f64).sqrt();
    if sd == 0.0 {
        return Err(FitError::NoScatter);
    }
    let mut furthest = Grubbs {
        g: 0.0,
        index: 0,
        mean,
        sd,
    };
    for (index, v) in values.iter().enumerate() {
        let g = (v - mean).abs() / sd;
        if g > furthest.g {
            furthest = Grubbs {
                g,
                index,
                ..furthest
            };
        }
    }
    Ok(furthest)
}

/// Gives the externally studentised residual of every point of a line; `x` is what
/// the line was fitted to.
///
/// *Method*: with scale from scatter t = r·√w/(s₍ᵢ₎·√(1 − h)), where
/// s₍ᵢ₎² = (SS − w·r²/(1 − h))/(n − 3) is the residual variance without the
/// point, n − 3 degrees of freedom; with stated scale z = r·√w/√(1 − h).
/// *Source*: Cook & Weisberg, Residuals and Influence in Regression (1982),
/// 2.2.1 (from memory).
/// *Errors*: [`FitError::TooFewPoints`] below four points with scale from
/// scatter.
/// *Numerics*: a residual within four units in the last place of the largest
/// |y| counts as zero, so that an exact line has no outliers.
pub fn studentised_residuals(
    fit: &LineFit,
    x: &[f64],
) -> Result<Vec<StudentisedResidual>, FitError> {
    require_length("x", x.len(), fit.residuals.len())?;
    let dof = limit_dof(fit)?;
    let rounding = (fit.rounding_sum_of_squares / fit.sum_of_weights).sqrt();
    let n = fit.residuals.len() as f64;
    (0..fit.residuals.len())
        .map(|i| {
            let Some(value) = studentise(fit, x[i], i, rounding) else {
                return Ok(StudentisedResidual {
                    value: None,
                    p_value: None,
                });
            };
            let p = n * t_two_sided_p_value(value, dof)?;
            Ok(StudentisedResidual {
                value: Some(value),
                p_value: Some(p.min(1.0)),
            })
        })
        .collect()
}

fn limit_dof(fit: &LineFit) -> Result<Option<f64>, FitError> {
    match fit.scale_source {
        ScaleSource::Stated => Ok(None),
        ScaleSource::Scatter if fit.residuals.len() < 4 => Err(FitError::TooFewPoints {
            have: fit.residuals.len(),
            need: 4,
        }),
        ScaleSource::Scatter => Ok(Some(fit.residuals.len() as f64 - 3.0)),
    }
}

fn studentise(fit: &LineFit, x: f64, i: usize, rounding: f64) -> Option<f64> {
    let free = 1.0 - fit.leverage(x, fit.weights[i]);
    // Below this 1 − h is rounding of h alone.
    if free <= 8.0 * f64::EPSILON {
        return None;
    }
    let r = fit.residuals[i];
    if r.abs() <= rounding {
        return Some(0.0);
    }
    let standardised = r * (fit.weights[i] / free).sqrt();
    if fit.scale_source == ScaleSource::Stated {
        return Some(standardised);
    }
    let n = fit.residuals.len() as f64;
    let total = fit.residual_sum_of_squares;
    let without = total - standardised * standardised;
    // The difference is known to the rounding of the total only, which each of
    // n squares has added to.
    if without <= 4.0 * n * f64::EPSILON * total {
        return Some(f64::INFINITY.copysign(r));
    }
    Some(standardised / (without / (n - 3.0)).sqrt())
}

fn require_alpha(alpha: f64) -> Result<(), FitError> {
    if alpha > 0.0 && alpha < 1.0 {
        Ok(())
    } else {
        Err(FitError::OutOfDomain {
            what: "alpha",
            value: alpha,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::line::{Weights, fit_line};
    use super::*;

    #[test]
    fn one_point_off_an_exact_line_is_infinitely_far() {
        let x = [1.0, 2.0, 3.0, 4.0, 5.0];
        let y = [2.0, 4.0, 7.0, 8.0, 10.0];
        let fit = fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).unwrap();
        let got = studentised_residuals(&fit, &x).unwrap();
        assert_eq!(got[2].value, Some(f64::INFINITY));
        assert_eq!(got[2].p_value, Some(0.0));
    }

    #[test]
    fn an_exact_line_has_no_outliers() {
        let x: Vec<f64> = (0..9).map(|i| 0.1 * f64::from(i)).collect();
        let y: Vec<f64> = x.iter().map(|x| 4.2 * (x - 0.7)).collect();
        let fit = fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).unwrap();
        for r in studentised_residuals(&fit, &x).unwrap() {
            assert_eq!((r.value, r.p_value), (Some(0.0), Some(1.0)));
        }
    }

    #[test]
    fn a_point_alone_at_its_x_decides_the_line_and_has_no_verdict() {
        let x = [1.0, 1.0, 1.0, 5.0];
        let y = [1.0, 1.1, 0.9, 7.0];
        let fit = fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).unwrap();
        assert_eq!(studentised_residuals(&fit, &x).unwrap()[3].value, None);
    }

    #[test]
    fn studentising_equals_fitting_without_the_point() {
        let x = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let y = [1.1, 1.9, 3.2, 4.9, 4.8, 6.1];
        let fit = fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).unwrap();
        let got = studentised_residuals(&fit, &x).unwrap();
        for i in 0..x.len() {
            let drop = |v: &[f64]| [&v[..i], &v[i + 1..]].concat();
            let rest = fit_line(&drop(&x), &drop(&y), Weights::Equal, ScaleSource::Scatter);
            let rest = rest.unwrap();
            let s = rest.residual_sd.unwrap();
            let there = rest.mean_response(x[i]);
            let spread = (s * s + there.standard_uncertainty.powi(2)).sqrt();
            let want = (y[i] - there.value) / spread;
            assert!((got[i].value.unwrap() - want).abs() < 1e-12, "{i}");
        }
    }
}
