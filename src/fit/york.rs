//! Which straight line fits points that are uncertain in x and in y?
//!
//! For pulse widths that are themselves only known within an uncertainty.
//! Points with both uncertainties go in; the line with its covariance comes out.

use super::error::{FitError, require_finite, require_length};
use super::line::{ScaleSource, Weights, fit_line};

const MOST_ITERATIONS: usize = 500;
/// The slope has settled when a step moves it by less than this fraction of the
/// spread of y over the spread of x: rounding of the sums alone gives a few
/// units in the last place, and a flat line has no other scale.
const SETTLED: f64 = 8.0 * f64::EPSILON;

/// A straight line through points uncertain in both axes.
#[derive(Debug, Clone, PartialEq)]
pub struct YorkFit {
    /// b, unit of y over unit of x.
    pub slope: f64,
    /// a, unit of y.
    pub intercept: f64,
    /// Covariance of (a, b), evaluated at the adjusted points.
    pub covariance: [[f64; 2]; 2],
    /// Σ W(y − a − bx)², to be held against n − 2.
    pub chi_squared: f64,
    /// n − 2 where the scale comes from scatter, else `None` (infinite).
    pub degrees_of_freedom: Option<f64>,
    /// Where the scale of `covariance` comes from.
    pub scale_source: ScaleSource,
    /// How many steps the slope took to settle.
    pub iterations: usize,
}

/// Fits y = a + b·x to points with standard uncertainties in both axes.
///
/// All slices of equal length; `x_uncertainty` and `y_uncertainty` not
/// negative; `correlation` of each point's two errors within −1…1, `None` for
/// independent ones. At least two points (three with scale from scatter).
///
/// *Method*: the unified equations of York et al.: with
/// W = 1/(u²(y) + b²u²(x) − 2b·r·u(x)u(y)), U, V the distances from the
/// weighted means and β = W[U·u²(y) + b·V·u²(x) − (bU + V)·r·u(x)u(y)],
/// b = ΣWβV/ΣWβU until it settles; a = ȳ − b·x̄. Covariance at the adjusted
/// abscissae x̄ + β: u²(b) = 1/ΣW(β − β̄)², u²(a) = 1/ΣW + x_adj²·u²(b),
/// cov = −x_adj·u²(b) with x_adj = x̄ + β̄; times chi²/(n − 2) for `Scatter`.
/// *Source*: York, Evensen, López Martínez & De Basabe Delgado, Am. J. Phys. 72
/// (2004) 367–375, eq. 13; ISO/TS 28037:2010 clause 7 has the same covariance.
/// Exact first-order propagation (Kalantar, Meas. Sci. Technol. 3 (1992) 1113)
/// gives another, also published, standard error for the same line, usually
/// 1 % or so smaller or larger; the two differ in second order of the scatter.
/// *Errors*: as [`fit_line`], [`FitError::OutOfDomain`] for a correlation,
/// [`FitError::UncertaintyNotPositive`] for a point with no uncertainty at all,
/// [`FitError::NoConvergence`].
pub fn fit_york(
    x: &[f64],
    x_uncertainty: &[f64],
    y: &[f64],
    y_uncertainty: &[f64],
    correlation: Option<&[f64]>,
    scale: ScaleSource,
) -> Result<YorkFit, FitError> {
    let points = gather(x, x_uncertainty, y, y_uncertainty, correlation)?;
    let n = points.len();
    if n < 3 && scale == ScaleSource::Scatter {
        return Err(FitError::TooFewPoints { have: n, need: 3 });
    }
    let mut slope = first_slope(x, y)?;
    for iterations in 1..=MOST_ITERATIONS {
        let step = Step::at(slope, &points)?;
        let next = step.next_slope(&points);
        if !next.is_finite() {
            break;
        }
        if (next - slope).abs() <= SETTLED * step.slope_scale(&points) {
            let step = Step::at(next, &points)?;
            return Ok(step.into_fit(next, &points, scale, iterations));
        }
        slope = next;
    }
    Err(FitError::NoConvergence {
        iterations: MOST_ITERATIONS,
    })
}

#[derive(Debug, Clone, Copy)]
struct Point {
    x: f64,
    y: f64,
    var_x: f64,
    var_y: f64,
    cov: f64,
}

fn gather(
    x: &[f64],
    ux: &[f64],
    y: &[f64],
    uy: &[f64],
    correlation: Option<&[f64]>,
) -> Result<Vec<Point>, FitError> {
    for (what, slice) in [
        ("x", x),
        ("x uncertainty", ux),
        ("y", y),
        ("y uncertainty", uy),
    ] {
        require_length(what, slice.len(), x.len())?;
        require_finite(what, slice)?;
    }
    if let Some(r) = correlation {
        require_length("correlation", r.len(), x.len())?;
    }
    let mut points = Vec::with_capacity(x.len());
    for index in 0..x.len() {
        let (sx, sy) = (ux[index], uy[index]);
        if let Some(&value) = [sx, sy].iter().find(|u| **u < 0.0) {
            return Err(FitError::UncertaintyNotPositive { index, value });
        }
        if sx == 0.0 && sy == 0.0 {
            return Err(FitError::UncertaintyNotPositive { index, value: 0.0 });
        }
        let r = correlation.map_or(0.0, |r| r[index]);
        if !(-1.0..=1.0).contains(&r) {
            return Err(FitError::OutOfDomain {
                what: "correlation",
                value: r,
            });
        }
        points.push(Point {
            x: x[index],
            y: y[index],
            var_x: sx * sx,
            var_y: sy * sy,
            cov: r * sx * sy,
        });
    }
    Ok(points)
}

/// Slope of the unweighted line, to start from.
fn first_slope(x: &[f64], y: &[f64]) -> Result<f64, FitError> {
    let ones = vec![1.0; x.len()];
    let start = fit_line(x, y, Weights::FromUncertainty(&ones), ScaleSource::Stated)?;
    Ok(start.slope)
}

/// Weights, centre and adjusted distances that go with one slope.
struct Step {
    weight: Vec<f64>,
    x_mean: f64,
    y_mean: f64,
    beta: Vec<f64>,
}

impl Step {
    fn at(slope: f64, points: &[Point]) -> Result<Step, FitError> {
        let mut weight = Vec::with_capacity(points.len());
        for (index, p) in points.iter().enumerate() {
            let variance = p.var_y + slope * slope * p.var_x - 2.0 * slope * p.cov;
            let w = 1.0 / variance;
            if variance <= 0.0 || !w.is_finite() {
                // A flat line through a point that is exact in y, or a
                // correlation of one along the line.
                return Err(FitError::UncertaintyNotPositive {
                    index,
                    value: variance.max(0.0).sqrt(),
                });
            }
            weight.push(w);
        }
        let xs: Vec<f64> = points.iter().map(|p| p.x).collect();
        let ys: Vec<f64> = points.iter().map(|p| p.y).collect();
        let x_mean = super::line::weighted_mean(&xs, &weight);
        let y_mean = super::line::weighted_mean(&ys, &weight);
        let beta = points
            .iter()
            .zip(&weight)
            .map(|(p, w)| {
                let (u, v) = (p.x - x_mean, p.y - y_mean);
                w * (u * p.var_y + slope * v * p.var_x - (slope * u + v) * p.cov)
            })
            .collect();
        Ok(Step {
            weight,
            x_mean,
            y_mean,
            beta,
        })
    }

    fn next_slope(&self, points: &[Point]) -> f64 {
        let (mut top, mut bottom) = (0.0, 0.0);
        for ((p, w), beta) in points.iter().zip(&self.weight).zip(&self.beta) {
            top += w * beta * (p.y - self.y_mean);
            bottom += w * beta * (p.x - self.x_mean);
        }
        top / bottom
    }

    /// √(ΣWV²/ΣWU²), spread of y over spread of x.
    fn slope_scale(&self, points: &[Point]) -> f64 {
        let (mut rise, mut run) = (0.0, 0.0);
        for (p, w) in points.iter().zip(&self.weight) {
            rise += w * (p.y - self.y_mean) * (p.y - self.y_mean);
            run += w * (p.x - self.x_mean) * (p.x - self.x_mean);
        }
        (rise / run).sqrt()
    }

    fn into_fit(
        self,
        slope: f64,
        points: &[Point],
        scale: ScaleSource,
        iterations: usize,
    ) -> YorkFit {
        let n = points.len();
        let total: f64 = self.weight.iter().sum();
        let beta_mean = super::line::weighted_mean(&self.beta, &self.weight);
        let mut spread = 0.0;
        let mut chi_squared = 0.0;
        for ((p, w), beta) in points.iter().zip(&self.weight).zip(&self.beta) {
            let residual = (p.y - self.y_mean) - slope * (p.x - self.x_mean);
            spread += w * (beta - beta_mean) * (beta - beta_mean);
            chi_squared += w * residual * residual;
        }
        let phi = match scale {
            ScaleSource::Stated => 1.0,
            ScaleSource::Scatter => chi_squared / (n - 2) as f64,
        };
        let x_adjusted = self.x_mean + beta_mean;
        let var_b = phi / spread;
        let cov = -x_adjusted * var_b;
        YorkFit {
            slope,
            intercept: self.y_mean - slope * self.x_mean,
            covariance: [
                [phi / total + x_adjusted * x_adjusted * var_b, cov],
                [cov, var_b],
            ],
            chi_squared,
            degrees_of_freedom: (scale == ScaleSource::Scatter).then_some((n - 2) as f64),
            scale_source: scale,
            iterations,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const X: [f64; 4] = [2.0, 4.0, 7.0, 9.0];
    const Y: [f64; 4] = [5.1, 13.2, 26.3, 34.1];

    #[test]
    fn without_uncertainty_in_x_it_is_the_weighted_line() {
        let uy = [0.1, 0.2, 0.2, 0.3];
        let york = fit_york(&X, &[0.0; 4], &Y, &uy, None, ScaleSource::Stated).unwrap();
        let line = fit_line(&X, &Y, Weights::FromUncertainty(&uy), ScaleSource::Stated).unwrap();
        // Two routes in f64 on four points: a few units in the last place.
        assert!((york.slope / line.slope - 1.0).abs() < 1e-13);
        for i in 0..2 {
            for j in 0..2 {
                let ratio = york.covariance[i][j] / line.covariance[i][j];
                assert!((ratio - 1.0).abs() < 1e-12, "{i} {j}");
            }
        }
    }

    #[test]
    fn a_flat_line_settles() {
        let some = [0.1; 4];
        let y = [1.1, 0.9, 0.9, 1.1];
        let x = [1.0, 2.0, 3.0, 4.0];
        let got = fit_york(&x, &some, &y, &some, None, ScaleSource::Stated).unwrap();
        // Symmetric about x = 2.5, so flat but for rounding.
        assert!(got.slope.abs() < 1e-15 && (got.intercept - 1.0).abs() < 1e-15);
    }

    #[test]
    fn faulty_points_are_refused() {
        let fit = |ux: &[f64], uy: &[f64], r: Option<&[f64]>| {
            fit_york(&X, ux, &Y, uy, r, ScaleSource::Stated)
        };
        let some = [0.1; 4];
        assert!(matches!(
            fit(&[0.1, 0.0, 0.1, 0.1], &[0.1, 0.0, 0.1, 0.1], None),
            Err(FitError::UncertaintyNotPositive { index: 1, .. })
        ));
        assert!(fit(&[0.1, -0.1, 0.1, 0.1], &some, None).is_err());
        assert!(fit(&some, &some, Some(&[0.0, 0.0, 2.0, 0.0])).is_err());
        assert!(fit(&some, &some[..3], None).is_err());
    }
}
