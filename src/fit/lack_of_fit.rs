//! Do repeats at the same x scatter less than the points about the line?
//!
//! x, the fitted line and its residuals go in; the F test of lack of fit comes
//! out. It must not decide what follows from a small p: dropping points until
//! the test falls silent is not a definition of a line.

use super::distribution::f_p_value;
use super::error::{FitError, require_length};
use super::line::LineFit;

/// The split of the residual sum of squares into lack of fit and pure error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// Σ over x of W·(ȳ − line)².
    pub lack_of_fit_sum_of_squares: f64,
    /// Σ w·(y − ȳ)² within equal x.
    pub pure_error_sum_of_squares: f64,
    /// Different x less two.
    pub dof_lack_of_fit: f64,
    /// Points less different x.
    pub dof_pure_error: f64,
    /// Mean square of lack of fit over that of pure error. `None` where the
    /// repeats are identical to rounding: that says that the reading is coarse
    /// and nothing about the line.
    pub f: Option<f64>,
    /// Probability of an F at least as large on a straight line; `None` with `f`.
    pub p_value: Option<f64>,
}

/// Tests whether the means at each x leave the line by more than the repeats
/// explain.
///
/// `x` are the x that `fit` was made from, in the same order; x are repeats
/// when exactly equal, so nominal values belong here. `None` where there are
/// no repeats, or no more than two different x.
///
/// *Method*: F = [SS_lof/(m − 2)]/[SS_pe/(n − m)], m different x, weights those
/// of the fit.
/// *Source*: Draper & Smith, Applied Regression Analysis, ch. 2 (from memory).
/// *Assumes*: repeats are independent readings, not one reading copied.
/// *Errors*: [`FitError::LengthsDiffer`].
pub fn lack_of_fit(x: &[f64], fit: &LineFit) -> Result<Option<LackOfFit>, FitError> {
    require_length("x", x.len(), fit.residuals.len())?;
    let order = in_order(x);
    let groups = || order.chunk_by(|i, j| x[*i] == x[*j]);
    let (n, m) = (x.len(), groups().count());
    if n == m || m < 3 {
        return Ok(None);
    }
    let (mut lack, mut pure) = (0.0, 0.0);
    for group in groups() {
        // At one x residuals differ from y by a constant only.
        let here = || group.iter().map(|i| (fit.residuals[*i], fit.weights[*i]));
        let weight: f64 = here().map(|(_, w)| w).sum();
        // The mean about the first: equal residuals then have exactly their own value as mean.
        let first = fit.residuals[group[0]];
        let mean = first + here().map(|(r, w)| w * (r - first)).sum::<f64>() / weight;
        lack += weight * mean * mean;
        pure += here()
            .map(|(r, w)| w * (r - mean) * (r - mean))
            .sum::<f64>();
    }
    let (dof1, dof2) = ((m - 2) as f64, (n - m) as f64);
    let f = (pure > fit.rounding_sum_of_squares).then(|| (lack / dof1) / (pure / dof2));
    let p_value = f.map(|f| f_p_value(f, dof1, Some(dof2))).transpose()?;
    Ok(Some(LackOfFit {
        lack_of_fit_sum_of_squares: lack,
        pure_error_sum_of_squares: pure,
        dof_lack_of_fit: dof1,
        dof_pure_error: dof2,
        f,
        p_value,
    }))
}

/// Indices in order of x.
fn in_order(x: &[f64]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..x.len()).collect();
    order.sort_by(|i, j| x[*i].total_cmp(&x[*j]));
    order
}

#[cfg(test)]
mod tests {
    use super::super::line::{ScaleSource, Weights, fit_line};
    use super::*;

    fn test(x: &[f64], y: &[f64]) -> Option<LackOfFit> {
        let fit = fit_line(x, y, Weights::Equal, ScaleSource::Scatter).unwrap();
        lack_of_fit(x, &fit).unwrap()
    }

    #[test]
    fn without_repeats_or_with_two_x_there_is_no_test() {
        assert_eq!(test(&[1.0, 2.0, 3.0], &[1.0, 2.1, 2.9]), None);
        assert_eq!(test(&[1.0, 1.0, 2.0, 2.0], &[1.0, 1.1, 2.0, 2.1]), None);
    }

    #[test]
    fn identical_repeats_give_no_verdict() {
        let got = test(
            &[1.0, 1.0, 2.0, 2.0, 3.0, 3.0],
            &[0.1, 0.1, 0.7, 0.7, 0.9, 0.9],
        )
        .unwrap();
        assert_eq!((got.f, got.p_value), (None, None));
        assert!(got.lack_of_fit_sum_of_squares > 0.01);
    }

    #[test]
    fn split_adds_up_and_follows_a_case_worked_by_hand() {
        // Means 1, 3, 2 at x = 1, 2, 3, each repeated ±0.1: slope 0.5, mean 2,
        // deviations of the means −0.5, 1, −0.5: SS_lof = 2·1.5, SS_pe = 6·0.01.
        let x = [1.0, 1.0, 2.0, 2.0, 3.0, 3.0];
        let got = test(&x, &[0.9, 1.1, 2.9, 3.1, 1.9, 2.1]).unwrap();
        assert!((got.lack_of_fit_sum_of_squares - 3.0).abs() < 1e-14);
        assert!((got.pure_error_sum_of_squares - 0.06).abs() < 1e-14);
        assert_eq!((got.dof_lack_of_fit, got.dof_pure_error), (1.0, 3.0));
        assert!((got.f.unwrap() - 150.0).abs() < 1e-10);
    }
}
