//! Which line through the origin lies closest to these points?
//!
//! For a slope where the intercept is known beforehand. It must not be used to
//! hide an intercept: its statistics are about zero and look better than they
//! are.

use super::error::FitError;
use super::line::{ScaleSource, Weights, check_design, weighted_squares};

/// A straight line y = slope·x.
#[derive(Debug, Clone, PartialEq)]
pub struct OriginFit {
    /// Unit of y over unit of x.
    pub slope: f64,
    /// Standard uncertainty of the slope.
    pub slope_uncertainty: f64,
    /// sqrt(Σ w·r²/(n − 1)), see [`LineFit::residual_sd`](super::line::LineFit::residual_sd); `None` for one point.
    pub residual_sd: Option<f64>,
    /// n − 1 where the scale comes from scatter, else `None` (infinite).
    pub degrees_of_freedom: Option<f64>,
    /// 1 − Σwr²/Σwy², about zero and not about the mean, so not to be compared
    /// with that of a line with intercept. `None` for one point or y all zero.
    pub r_squared_about_zero: Option<f64>,
    /// Σ w·r².
    pub residual_sum_of_squares: f64,
    /// Where the scale comes from.
    pub scale_source: ScaleSource,
    /// y − b·x of each point, unit of y.
    pub residuals: Vec<f64>,
}

/// Fits y = b·x by weighted least squares.
///
/// For a line that must pass through another point, hand over x and y less
/// that point. At least one x that is not zero, and two points where the scale
/// comes from scatter.
///
/// *Method*: b = Σwxy/Σwx², u²(b) = φ/Σwx², φ as in [`fit_line`](super::line::fit_line) with n − 1.
/// *Source*: NIST StRD NoInt1 and NoInt2 for the statistics about zero.
/// *Errors*: as [`fit_line`](super::line::fit_line).
pub fn fit_through_origin(
    x: &[f64],
    y: &[f64],
    weights: Weights<'_>,
    scale: ScaleSource,
) -> Result<OriginFit, FitError> {
    let weight = check_design(x, y, weights, scale)?;
    let n = x.len();
    if x.iter().all(|v| *v == 0.0) {
        return Err(FitError::TooFewDistinctX { have: 0, need: 1 });
    }
    if n < 2 && scale == ScaleSource::Scatter {
        return Err(FitError::TooFewPoints { have: n, need: 2 });
    }
    let sxx = weighted_squares(x, &weight);
    let sxy: f64 = weight
        .iter()
        .zip(x.iter().zip(y))
        .map(|(w, (x, y))| w * x * y)
        .sum();
    let slope = sxy / sxx;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    let rss = weighted_squares(&residuals, &weight);
    let residual_sd = (n > 1).then(|| (rss / (n - 1) as f64).sqrt());
    let root_phi = match (scale, residual_sd) {
        (ScaleSource::Scatter, Some(s)) => s,
        _ => 1.0,
    };
    let syy = weighted_squares(y, &weight);
    Ok(OriginFit {
        slope,
        slope_uncertainty: root_phi / sxx.sqrt(),
        residual_sd,
        degrees_of_freedom: (scale == ScaleSource::Scatter).then_some((n - 1) as f64),
        r_squared_about_zero: (n > 1 && syy > 0.0).then(|| 1.0 - rss / syy),
        residual_sum_of_squares: rss,
        scale_source: scale,
        residuals,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_point_needs_a_stated_uncertainty() {
        let fit = |w, s| fit_through_origin(&[4.0], &[8.0], w, s);
        assert_eq!(
            fit(Weights::Equal, ScaleSource::Scatter),
            Err(FitError::TooFewPoints { have: 1, need: 2 })
        );
        let got = fit(Weights::FromUncertainty(&[0.2]), ScaleSource::Stated).unwrap();
        assert_eq!((got.slope, got.residual_sd), (2.0, None));
        // u(b) = u/x, by hand.
        assert!((got.slope_uncertainty - 0.05).abs() < 1e-16);
    }

    #[test]
    fn x_all_zero_has_no_slope() {
        let got = fit_through_origin(&[0.0; 3], &[1.0; 3], Weights::Equal, ScaleSource::Scatter);
        assert_eq!(got, Err(FitError::TooFewDistinctX { have: 0, need: 1 }));
    }
}
