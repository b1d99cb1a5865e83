//! Which straight line y = a + b·x lies closest to these points, and with what
//! covariance?
//!
//! Slices of x, y and (where stated) standard uncertainties of y go in; the
//! line with its full covariance comes out. It must not decide which points
//! belong to the line.

use super::error::{FitError, require_finite, require_length};

/// A point whose weight is below this fraction of the largest moves nothing in
/// f64, yet would count as a degree of freedom.
const LEAST_RELATIVE_WEIGHT: f64 = f64::EPSILON;

/// How much each point counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Weights<'a> {
    /// All alike (ordinary least squares).
    Equal,
    /// Weight 1/u² with u the standard uncertainty of each y, unit of y.
    FromUncertainty(&'a [f64]),
}

/// Where the scale of the covariance comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScaleSource {
    /// The scatter of the points about the line; stated uncertainties count
    /// only relative to each other.
    Scatter,
    /// The stated uncertainties, taken at their word.
    Stated,
}

/// A straight line y = intercept + slope·x with its covariance.
///
/// Weights are w = 1/u², or 1 where all count alike.
#[derive(Debug, Clone, PartialEq)]
pub struct LineFit {
    /// b, unit of y over unit of x.
    pub slope: f64,
    /// a, value of the line at x = 0, unit of y.
    pub intercept: f64,
    /// Covariance of (a, b): [[u²(a), cov(a,b)], [cov(a,b), u²(b)]].
    pub covariance: [[f64; 2]; 2],
    /// sqrt(Σ w·r²/(n − 2)): unit of y with equal weights, else a pure number
    /// that is near 1 where the stated uncertainties are right. `None` for two
    /// points, which leave nothing over.
    pub residual_sd: Option<f64>,
    /// n − 2.
    pub residual_degrees_of_freedom: usize,
    /// Degrees of freedom of the covariance: n − 2 where it comes from
    /// scatter, `None` (infinite) where uncertainties are stated.
    pub degrees_of_freedom: Option<f64>,
    /// Coefficient of determination about the weighted mean. `None` where it
    /// means nothing: two points, or y without spread.
    pub r_squared: Option<f64>,
    /// Σ w·r².
    pub residual_sum_of_squares: f64,
    /// What the rounding of y alone may leave in the sum of squares: four units
    /// in the last place of the largest |y| at every point. Scatter below it is
    /// no scatter.
    pub rounding_sum_of_squares: f64,
    /// Σ (r/u)², to be held against n − 2; `None` with equal weights.
    pub chi_squared: Option<f64>,
    /// Where the scale of `covariance` comes from.
    pub scale_source: ScaleSource,
    /// Weighted mean of x.
    pub x_mean: f64,
    /// The line at `x_mean`; uncorrelated with the slope.
    pub y_at_x_mean: f64,
    /// u² of `y_at_x_mean`.
    pub variance_at_x_mean: f64,
    /// Σ w.
    pub sum_of_weights: f64,
    /// Σ w·(x − x_mean)².
    pub sxx: f64,
    /// w of each point.
    pub weights: Vec<f64>,
    /// y − (a + b·x) of each point, unit of y.
    pub residuals: Vec<f64>,
}

/// A value read from a line, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Predicted {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, same unit.
    pub standard_uncertainty: f64,
}

/// Fits y = a + b·x by weighted least squares.
///
/// `x` and `y` of equal length, at least two different x (three points where
/// the scale comes from scatter).
///
/// *Method*: minimise Σ w(y − a − bx)²; Gram and Schmidt on the design centred at
/// the weighted mean of x, with one refinement, so that a large common offset of
/// x costs no digits. covariance = φ·(XᵀWX)⁻¹ with φ = 1 for
/// [`ScaleSource::Stated`] and φ = Σwr²/(n − 2) for [`ScaleSource::Scatter`].
/// *Source*: ISO/TS 28037:2010 clause 6 (stated) and annex E (scatter).
/// *Assumes*: x exact or nearly so (else [`super::york`]); errors independent.
/// *Errors*: [`FitError::LengthsDiffer`], [`FitError::NotFinite`],
/// [`FitError::TooFewPoints`], [`FitError::TooFewDistinctX`],
/// [`FitError::UncertaintyNotPositive`], [`FitError::WeightVanishes`],
/// [`FitError::NoStatedUncertainty`] for `Stated` with `Equal`.
/// *Numerics*: points exactly on a line give zero scatter and zero covariance
/// under `Scatter`.
///
/// ```
/// use meniscus::fit::line::{fit_line, ScaleSource, Weights};
/// // Delivery per pulse in mm³ over pulse width in ms.
/// let width = [2.0, 4.0, 6.0, 8.0];
/// let delivered = [5.05, 13.38, 21.83, 30.20];
/// let line = fit_line(&width, &delivered, Weights::Equal, ScaleSource::Scatter).unwrap();
/// assert!((line.slope - 4.195).abs() < 1e-12);
/// ```
pub fn fit_line(
    x: &[f64],
    y: &[f64],
    weights: Weights<'_>,
    scale: ScaleSource,
) -> Result<LineFit, FitError> {
    let weight = check_design(x, y, weights, scale)?;
    let n = x.len();
    require_two_distinct(x)?;
    if n < 3 && scale == ScaleSource::Scatter {
        return Err(FitError::TooFewPoints { have: n, need: 3 });
    }
    let sum_of_weights = total(&weight);
    let x_mean = mean_about(x, &weight, sum_of_weights);
    let y_mean = mean_about(y, &weight, sum_of_weights);
    let sxx = squares_about(x_mean, x, &weight);
    let (offset, slope) = solve_centred((x, x_mean), (y, y_mean), &weight, [sum_of_weights, sxx]);

    let residuals: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - y_mean) - offset - slope * (x - x_mean))
        .collect();
    let rss = weighted_squares(&residuals, &weight);
    let residual_sd = (n > 2).then(|| (rss / (n - 2) as f64).sqrt());
    let phi = match (scale, residual_sd) {
        (ScaleSource::Scatter, Some(s)) => s * s,
        _ => 1.0,
    };
    let (var_mean, var_slope) = (phi / sum_of_weights, phi / sxx);
    let (low, high) = extremes(y);
    let rounding = 4.0 * f64::EPSILON * high.max(-low);
    let y_at_x_mean = y_mean + offset;
    let cov = -x_mean * var_slope;
    Ok(LineFit {
        slope,
        intercept: y_at_x_mean - slope * x_mean,
        covariance: [
            [var_mean + x_mean * x_mean * var_slope, cov],
            [cov, var_slope],
        ],
        residual_sd,
        residual_degrees_of_freedom: n - 2,
        degrees_of_freedom: (scale == ScaleSource::Scatter).then_some((n - 2) as f64),
        r_squared: if n > 2 {
            determination(rss, y, y_mean, &weight)
        } else {
            None
        },
        residual_sum_of_squares: rss,
        rounding_sum_of_squares: sum_of_weights * rounding * rounding,
        chi_squared: matches!(weights, Weights::FromUncertainty(_)).then_some(rss),
        scale_source: scale,
        x_mean,
        y_at_x_mean,
        variance_at_x_mean: var_mean,
        sum_of_weights,
        sxx,
        weights: weight,
        residuals,
    })
}

impl LineFit {
    /// How much a point of the fit, at `x` with its weight, bears on the line there: its
    /// place on the diagonal of the hat matrix, between 0 and 1, sum 2.
    pub fn leverage(&self, x: f64, weight: f64) -> f64 {
        let d = x - self.x_mean;
        weight * (1.0 / self.sum_of_weights + d * d / self.sxx)
    }

    /// Gives the line at `x` with the standard uncertainty of the mean response.
    ///
    /// *Method*: u² = u²(ȳ) + (x − x̄)²·u²(b), equal to
    /// u²(a) + x²·u²(b) + 2x·cov(a, b) but without its cancellation.
    /// *Source*: JCGM 100:2008 H.3.4.
    pub fn mean_response(&self, x: f64) -> Predicted {
        self.mean_response_at(x, 0.0)
    }

    /// Gives the line at an `x` that is itself known only to `x_uncertainty`.
    ///
    /// *Method*: as [`LineFit::mean_response`] with b²·u²(x) added.
    /// *Source*: ISO/TS 28037:2010 clause 11.
    pub fn mean_response_at(&self, x: f64, x_uncertainty: f64) -> Predicted {
        let d = x - self.x_mean;
        let from_x = self.slope * x_uncertainty;
        Predicted {
            value: self.y_at_x_mean + self.slope * d,
            standard_uncertainty: (self.variance_at_x_mean
                + d * d * self.covariance[1][1]
                + from_x * from_x)
                .sqrt(),
        }
    }

    /// Gives the x at which the line reaches `y`, by the delta method.
    ///
    /// `y_uncertainty` is that of a new observation (s/√m for the mean of m
    /// readings like those of the fit), 0 where y is a level and no
    /// observation, as for a dead time.
    ///
    /// *Method*: x = (y − a)/b, u²(x) = [u²(y) + u²(ȳ) + (x − x̄)²u²(b)]/b².
    /// *Source*: ISO/TS 28037:2010 clause 11.
    /// *Assumes*: the slope many standard uncertainties from zero; for an
    /// interval see [`super::fieller`].
    /// *Errors*: [`FitError::SlopeIsZero`].
    pub fn inverse(&self, y: f64, y_uncertainty: f64) -> Result<Predicted, FitError> {
        if self.slope == 0.0 {
            return Err(FitError::SlopeIsZero);
        }
        let d = (y - self.y_at_x_mean) / self.slope;
        let variance =
            y_uncertainty * y_uncertainty + self.variance_at_x_mean + d * d * self.covariance[1][1];
        Ok(Predicted {
            value: self.x_mean + d,
            standard_uncertainty: variance.sqrt() / self.slope.abs(),
        })
    }
}

/// Checks the slices and gives the weights.
pub(crate) fn check_design(
    x: &[f64],
    y: &[f64],
    weights: Weights<'_>,
    scale: ScaleSource,
) -> Result<Vec<f64>, FitError> {
    require_length("y", y.len(), x.len())?;
    require_finite("x", x)?;
    require_finite("y", y)?;
    if x.is_empty() {
        return Err(FitError::TooFewPoints { have: 0, need: 1 });
    }
    match weights {
        Weights::Equal if scale == ScaleSource::Stated => Err(FitError::NoStatedUncertainty),
        Weights::Equal => Ok(vec![1.0; x.len()]),
        Weights::FromUncertainty(u) => {
            require_length("uncertainty", u.len(), x.len())?;
            weights_from(u)
        }
    }
}

/// Gives 1/u², refusing what is no weight.
fn weights_from(uncertainty: &[f64]) -> Result<Vec<f64>, FitError> {
    require_finite("uncertainty", uncertainty)?;
    let weight: Vec<f64> = uncertainty.iter().map(|u| 1.0 / (u * u)).collect();
    let fine = |(u, w): (&f64, &f64)| *u > 0.0 && w.is_finite();
    if let Some(index) = uncertainty.iter().zip(&weight).position(|pair| !fine(pair)) {
        let value = uncertainty[index];
        return Err(FitError::UncertaintyNotPositive { index, value });
    }
    let (smallest, largest) = extremes(&weight);
    if smallest > LEAST_RELATIVE_WEIGHT * largest {
        return Ok(weight);
    }
    let index = weight.iter().position(|w| *w == smallest).unwrap_or(0);
    let ratio = smallest / largest;
    Err(FitError::WeightVanishes { index, ratio })
}

/// Refuses x that are all one value, to within their rounding.
fn require_two_distinct(x: &[f64]) -> Result<(), FitError> {
    let (low, high) = extremes(x);
    // Four units in the last place: less spread than the values' own rounding.
    let rounding = 4.0 * f64::EPSILON * low.abs().max(high.abs());
    if high - low > rounding {
        Ok(())
    } else {
        Err(FitError::TooFewDistinctX { have: 1, need: 2 })
    }
}

/// Sums that are taken side by side: a single one waits for each of its terms.
const SIDE_BY_SIDE: usize = 4;

/// Σ f over three slices of equal length.
fn sum(a: &[f64], b: &[f64], c: &[f64], f: impl Fn(f64, f64, f64) -> f64) -> f64 {
    let (a, a_rest) = a.as_chunks::<SIDE_BY_SIDE>();
    let (b, b_rest) = b.as_chunks::<SIDE_BY_SIDE>();
    let (c, c_rest) = c.as_chunks::<SIDE_BY_SIDE>();
    let mut sums = [0.0; SIDE_BY_SIDE];
    for ((a, b), c) in a.iter().zip(b).zip(c) {
        for (i, sum) in sums.iter_mut().enumerate() {
            *sum += f(a[i], b[i], c[i]);
        }
    }
    let rest = a_rest.iter().zip(b_rest).zip(c_rest);
    rest.fold(sums.iter().sum(), |sum, ((a, b), c)| sum + f(*a, *b, *c))
}

/// Smallest and largest of finite values.
fn extremes(values: &[f64]) -> (f64, f64) {
    let (chunks, rest) = values.as_chunks::<SIDE_BY_SIDE>();
    let first = values.first().copied().unwrap_or(0.0);
    let (mut low, mut high) = ([first; SIDE_BY_SIDE], [first; SIDE_BY_SIDE]);
    let mut take = |i: usize, v: f64| {
        low[i] = if v < low[i] { v } else { low[i] };
        high[i] = if v > high[i] { v } else { high[i] };
    };
    for chunk in chunks {
        for (i, v) in chunk.iter().enumerate() {
            take(i, *v);
        }
    }
    rest.iter().for_each(|v| take(0, *v));
    let all = |of: [f64; SIDE_BY_SIDE], pick: fn(f64, f64) -> f64| of.into_iter().fold(first, pick);
    (all(low, f64::min), all(high, f64::max))
}

/// Σ v.
fn total(values: &[f64]) -> f64 {
    sum(values, values, values, |v, _, _| v)
}

/// Weighted mean, taken about the first value and corrected once, so that a
/// large common offset costs no digits.
pub(crate) fn weighted_mean(values: &[f64], weight: &[f64]) -> f64 {
    mean_about(values, weight, total(weight))
}

/// The same where the sum of the weights is known.
fn mean_about(values: &[f64], weight: &[f64], total: f64) -> f64 {
    let about =
        |origin: f64| origin + sum(values, weight, weight, |v, w, _| w * (v - origin)) / total;
    about(about(values[0]))
}

/// Σ w·v².
pub(crate) fn weighted_squares(values: &[f64], weight: &[f64]) -> f64 {
    squares_about(0.0, values, weight)
}

/// Σ w·(v − mean)².
fn squares_about(mean: f64, values: &[f64], weight: &[f64]) -> f64 {
    sum(values, weight, weight, |v, w, _| {
        w * (v - mean) * (v - mean)
    })
}

/// Offset and slope of y on x, both less their means, by orthogonalisation of the weighted, centred design.
///
/// The two columns are orthogonal but for rounding, so that one step of Gram and Schmidt leaves
/// nothing over, and a second step on what is left takes back the rounding of the first.
fn solve_centred(
    (x, x_mean): (&[f64], f64),
    (y, y_mean): (&[f64], f64),
    weight: &[f64],
    [sum_of_weights, sxx]: [f64; 2],
) -> (f64, f64) {
    let step = |offset: f64, slope: f64| {
        let left = |x: f64, y: f64| (y - y_mean) - offset - slope * (x - x_mean);
        let up = sum(x, y, weight, |x, y, w| w * left(x, y));
        let along = sum(x, y, weight, |x, y, w| w * (x - x_mean) * left(x, y));
        (offset + up / sum_of_weights, slope + along / sxx)
    };
    let (offset, slope) = step(0.0, 0.0);
    step(offset, slope)
}

/// 1 − Σwr²/Σw(y − ȳ)²; `None` where y has no spread beyond its rounding.
fn determination(rss: f64, y: &[f64], y_mean: f64, weight: &[f64]) -> Option<f64> {
    let total = squares_about(y_mean, y, weight);
    let rounding = weighted_squares(y, weight).sqrt() * f64::EPSILON;
    (total.sqrt() > rounding).then(|| 1.0 - rss / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bad_designs_are_refused_with_their_facts() {
        use FitError::*;
        let fit = |x: &[f64], y: &[f64]| fit_line(x, y, Weights::Equal, ScaleSource::Scatter);
        let weighted = |u: &[f64]| {
            fit_line(
                &[1.0, 2.0, 3.0],
                &[1.0, 2.0, 3.1],
                Weights::FromUncertainty(u),
                ScaleSource::Stated,
            )
        };
        assert_eq!(
            fit(&[1.0, 2.0], &[1.0]),
            Err(LengthsDiffer {
                what: "y",
                have: 1,
                need: 2
            })
        );
        assert_eq!(fit(&[], &[]), Err(TooFewPoints { have: 0, need: 1 }));
        assert_eq!(
            fit(&[1.0, 2.0], &[1.0, 2.0]),
            Err(TooFewPoints { have: 2, need: 3 })
        );
        assert_eq!(
            fit(&[0.1; 3], &[1.0, 2.0, 3.0]),
            Err(TooFewDistinctX { have: 1, need: 2 })
        );
        assert_eq!(
            fit(&[1.0, f64::NAN, 3.0], &[1.0, 2.0, 3.0]),
            Err(NotFinite {
                what: "x",
                index: 1
            })
        );
        assert_eq!(
            weighted(&[0.1, 0.0, 0.1]),
            Err(UncertaintyNotPositive {
                index: 1,
                value: 0.0
            })
        );
        assert!(matches!(
            weighted(&[0.1, 0.1, 1e9]),
            Err(WeightVanishes { index: 2, .. })
        ));
        assert_eq!(
            fit_line(
                &[1.0, 2.0, 3.0],
                &[1.0, 2.0, 3.0],
                Weights::Equal,
                ScaleSource::Stated
            ),
            Err(NoStatedUncertainty)
        );
    }

    #[test]
    fn two_points_with_stated_uncertainty_give_a_line_and_no_scatter() {
        let fit = fit_line(
            &[2.0, 4.0],
            &[3.0, 7.0],
            Weights::FromUncertainty(&[0.1, 0.1]),
            ScaleSource::Stated,
        )
        .unwrap();
        assert_eq!((fit.slope, fit.intercept), (2.0, -1.0));
        assert_eq!((fit.residual_sd, fit.r_squared), (None, None));
        assert_eq!(fit.degrees_of_freedom, None);
        // u²(b) = 2·0.1²/(4 − 2)², by hand.
        assert!((fit.covariance[1][1] - 0.005).abs() < 1e-17);
    }

    #[test]
    fn flat_y_has_no_coefficient_of_determination() {
        let fit = fit_line(
            &[1.0, 2.0, 3.0],
            &[0.1; 3],
            Weights::Equal,
            ScaleSource::Scatter,
        );
        assert_eq!(fit.unwrap().r_squared, None);
    }

    #[test]
    fn leverages_sum_to_the_number_of_parameters() {
        let u = [0.1, 0.3, 0.2, 0.5];
        let x = [1.0, 2.0, 4.0, 9.0];
        let fit = fit_line(
            &x,
            &[1.0, 2.2, 3.9, 9.3],
            Weights::FromUncertainty(&u),
            ScaleSource::Scatter,
        )
        .unwrap();
        let points = x.iter().zip(&fit.weights);
        let sum: f64 = points.map(|(x, w)| fit.leverage(*x, *w)).sum();
        assert!((sum - 2.0).abs() < 1e-14, "{sum}");
    }
}
