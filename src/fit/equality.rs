//! Have these groups of points one slope, or several?
//!
//! Each group's own line goes in; the extra-sum-of-squares test and the common
//! slope come out.

use super::distribution::{chi_squared_p_value, f_p_value};
use super::error::FitError;
use super::line::{LineFit, ScaleSource};

/// The test whether several lines are parallel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EqualityOfSlopes {
    /// Weighted mean of the slopes: the slope of parallel lines.
    pub common_slope: f64,
    /// Its standard uncertainty, were the lines parallel.
    pub common_slope_uncertainty: f64,
    /// Σ Sxx·(b − b_common)², what parallel lines leave over more than
    /// separate ones.
    pub extra_sum_of_squares: f64,
    /// Residual sum of squares of the separate lines together.
    pub separate_sum_of_squares: f64,
    /// Pooled residual standard deviation; `None` where no point is left over.
    pub pooled_sd: Option<f64>,
    /// Groups less one.
    pub dof_slopes: f64,
    /// Points less two per group; `None` (infinite) where scaled by stated
    /// uncertainties.
    pub dof_residual: Option<f64>,
    /// Extra mean square over residual mean square (over 1 where stated).
    pub f: f64,
    /// Probability of an F at least as large with parallel lines.
    pub p_value: f64,
}

/// Tests whether the lines of several groups share one slope.
///
/// `fits` are the separate lines, two or more, all with equal weights or all
/// with stated uncertainties (their weights must be on one scale).
///
/// *Method*: F = [(RSS_parallel − RSS_separate)/(k − 1)]/[RSS_separate/(N − 2k)]
/// with RSS_parallel − RSS_separate = Σ Sxx(b − b_common)²; with
/// [`ScaleSource::Stated`] the numerator alone, as chi-squared over k − 1.
/// *Source*: Venables & Ripley, Modern Applied Statistics with S, 4th ed., 6.1.
/// *Assumes*: one residual variance for all groups; groups independent.
/// *Errors*: [`FitError::TooFewPoints`] below two groups or where nothing is
/// left over, [`FitError::NoScatter`] where the separate lines are exact,
/// [`FitError::NoStatedUncertainty`] for `Stated` with equal weights.
pub fn equality_of_slopes(
    fits: &[LineFit],
    scale: ScaleSource,
) -> Result<EqualityOfSlopes, FitError> {
    let k = fits.len();
    if k < 2 {
        return Err(FitError::TooFewPoints { have: k, need: 2 });
    }
    if scale == ScaleSource::Stated && fits.iter().any(|f| f.chi_squared.is_none()) {
        return Err(FitError::NoStatedUncertainty);
    }
    let total_sxx: f64 = fits.iter().map(|f| f.sxx).sum();
    let common_slope = fits.iter().map(|f| f.sxx * f.slope).sum::<f64>() / total_sxx;
    let extra: f64 = fits
        .iter()
        .map(|f| f.sxx * (f.slope - common_slope).powi(2))
        .sum();
    let separate: f64 = fits.iter().map(|f| f.residual_sum_of_squares).sum();
    let left_over: usize = fits.iter().map(|f| f.residual_degrees_of_freedom).sum();
    let dof_slopes = (k - 1) as f64;
    let dof2 = left_over as f64;
    let pooled_sd = (left_over > 0).then(|| (separate / dof2).sqrt());
    let (dof_residual, f, p_value, phi) = match scale {
        ScaleSource::Stated => {
            let p = chi_squared_p_value(extra, dof_slopes)?;
            (None, extra / dof_slopes, p, 1.0)
        }
        ScaleSource::Scatter => {
            if left_over == 0 {
                return Err(FitError::TooFewPoints {
                    have: 2 * k,
                    need: 2 * k + 1,
                });
            }
            if separate <= fits.iter().map(|f| f.rounding_sum_of_squares).sum() {
                return Err(FitError::NoScatter);
            }
            let phi = separate / dof2;
            let f = extra / dof_slopes / phi;
            (Some(dof2), f, f_p_value(f, dof_slopes, Some(dof2))?, phi)
        }
    };
    Ok(EqualityOfSlopes {
        common_slope,
        common_slope_uncertainty: (phi / total_sxx).sqrt(),
        extra_sum_of_squares: extra,
        separate_sum_of_squares: separate,
        pooled_sd,
        dof_slopes,
        dof_residual,
        f,
        p_value,
    })
}

#[cfg(test)]
mod tests {
    use super::super::line::{Weights, fit_line};
    use super::*;

    fn line(x: &[f64], y: &[f64]) -> LineFit {
        fit_line(x, y, Weights::Equal, ScaleSource::Scatter).unwrap()
    }

    #[test]
    fn one_group_or_exact_lines_are_refused() {
        let exact = line(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0]);
        assert_eq!(
            equality_of_slopes(std::slice::from_ref(&exact), ScaleSource::Scatter),
            Err(FitError::TooFewPoints { have: 1, need: 2 })
        );
        assert_eq!(
            equality_of_slopes(&[exact.clone(), exact.clone()], ScaleSource::Scatter),
            Err(FitError::NoScatter)
        );
        assert_eq!(
            equality_of_slopes(&[exact.clone(), exact], ScaleSource::Stated),
            Err(FitError::NoStatedUncertainty)
        );
    }

    #[test]
    fn stated_uncertainties_give_a_chi_squared_test() {
        let u = [0.1; 3];
        let fit = |y: &[f64]| {
            fit_line(
                &[1.0, 2.0, 3.0],
                y,
                Weights::FromUncertainty(&u),
                ScaleSource::Stated,
            )
            .unwrap()
        };
        let fits = [fit(&[1.0, 2.0, 3.0]), fit(&[1.0, 2.2, 3.4])];
        let got = equality_of_slopes(&fits, ScaleSource::Stated).unwrap();
        // u(b)² = 0.01/2 each; z = 0.2/√0.01 = 2, F = z², by hand.
        assert!((got.f - 4.0).abs() < 1e-12);
        assert_eq!(got.dof_residual, None);
        assert!((got.p_value - 0.045_500_263_896_358_42).abs() < 1e-12);
    }
}
