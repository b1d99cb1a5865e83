//! Lines: ordinary, weighted, through the origin, with errors in both axes.

use super::{Case, Expectation, Got, argument};
use meniscus::fit::fieller::{FiellerSet, crossing_set, fieller_g, x_intercept, x_intercept_set};
use meniscus::fit::line::{LineFit, ScaleSource, Weights, fit_line};
use meniscus::fit::origin::fit_through_origin;
use meniscus::fit::york::{YorkFit, fit_york};
use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scale {
    Scatter,
    Stated,
}

impl Scale {
    pub fn source(self) -> ScaleSource {
        match self {
            Scale::Scatter => ScaleSource::Scatter,
            Scale::Stated => ScaleSource::Stated,
        }
    }
}

/// Uncertainties as given, or from weights 1/u².
fn uncertainty(u: Option<&Vec<f64>>, w: Option<&Vec<f64>>) -> Option<Vec<f64>> {
    u.cloned()
        .or_else(|| w.map(|w| w.iter().map(|w| 1.0 / w.sqrt()).collect()))
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineCase {
    name: String,
    x: Vec<f64>,
    y: Vec<f64>,
    u_y: Option<Vec<f64>>,
    w_y: Option<Vec<f64>>,
    #[serde(default)]
    shift_x: f64,
    scale: Scale,
    expect: BTreeMap<String, Expectation>,
}

impl LineCase {
    fn fit(&self) -> LineFit {
        let x: Vec<f64> = self.x.iter().map(|x| x + self.shift_x).collect();
        let u = uncertainty(self.u_y.as_ref(), self.w_y.as_ref());
        let weights = u
            .as_ref()
            .map_or(Weights::Equal, |u| Weights::FromUncertainty(u));
        fit_line(&x, &self.y, weights, self.scale.source()).unwrap()
    }
}

impl Case for LineCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, arguments: &[&str]) -> Option<Got> {
        let fit = self.fit();
        if key.starts_with("fieller_")
            || key.starts_with("level_")
            || key.starts_with("calibration_")
        {
            return set_quantity(&fit, key, arguments);
        }
        if key == "dof" && fit.degrees_of_freedom.is_none() {
            return Some(Got::Text("infinite"));
        }
        parameter(&fit, key)
            .or_else(|| read_off(&fit, key, arguments))
            .map(Got::Number)
    }
}

/// Parameters, covariance and sums of squares.
fn parameter(fit: &LineFit, key: &str) -> Option<f64> {
    let [[var_a, cov], [_, var_b]] = fit.covariance;
    let s = fit.residual_sd.unwrap();
    let crossing = || x_intercept(fit.intercept, fit.slope, fit.covariance).unwrap();
    Some(match key {
        "intercept" => fit.intercept,
        "slope" => fit.slope,
        "u_intercept" => var_a.sqrt(),
        "u_slope" => var_b.sqrt(),
        "var_intercept" => var_a,
        "var_slope" => var_b,
        "cov" => cov,
        "cov_unscaled" => cov / (s * s),
        "corr" => cov / (var_a * var_b).sqrt(),
        "residual_sd" => s,
        "residual_mean_square" => s * s,
        "rss" => fit.residual_sum_of_squares,
        "r_squared" => fit.r_squared?,
        "f" => fit.slope * fit.slope / var_b,
        "regression_ss" => fit.slope * fit.slope * fit.sxx,
        "chi_squared" => fit.chi_squared?,
        "dof" => fit.degrees_of_freedom?,
        "residual_dof" => fit.residual_degrees_of_freedom as f64,
        "x_intercept" => crossing().value,
        "minus_x_intercept" => -crossing().value,
        "u_x_intercept" => crossing().standard_uncertainty,
        _ => return None,
    })
}

/// Values read from the line: `mean_response@x[,u(x)]`, `inverse@y,u(y)`,
/// `u_calibration@y,m` for the mean of m new observations.
fn read_off(fit: &LineFit, key: &str, arguments: &[&str]) -> Option<f64> {
    let at = argument(arguments, 0)?;
    let second = argument(arguments, 1);
    let new_mean = || fit.residual_sd.unwrap() / second.unwrap().sqrt();
    Some(match key {
        "mean_response" => fit.mean_response(at).value,
        "u_mean_response" => match second {
            None => fit.mean_response(at).standard_uncertainty,
            Some(u) => fit.mean_response_at(at, u).standard_uncertainty,
        },
        "inverse" => fit.inverse(at, second?).unwrap().value,
        "u_inverse" => fit.inverse(at, second?).unwrap().standard_uncertainty,
        "u_calibration" => fit.inverse(at, new_mean()).unwrap().standard_uncertainty,
        _ => return None,
    })
}

/// Confidence sets: `fieller_*@level` from the covariance alone,
/// `level_*@y,level` from the fit, `calibration_*@y,m,level` for m new
/// observations.
fn set_quantity(fit: &LineFit, key: &str, arguments: &[&str]) -> Option<Got> {
    let (family, part) = key.split_once('_')?;
    let level = argument(arguments, arguments.len().checked_sub(1)?)?;
    let dof = fit.degrees_of_freedom;
    let set = match family {
        "fieller" if part == "g" => {
            let g = fieller_g(fit.slope, fit.covariance[1][1], dof, level);
            return g.unwrap().map(Got::Number);
        }
        "fieller" => x_intercept_set(fit.intercept, fit.slope, fit.covariance, dof, level),
        "level" => crossing_set(fit, argument(arguments, 0)?, 0.0, level),
        _ => {
            let u = fit.residual_sd.unwrap() / argument(arguments, 1)?.sqrt();
            crossing_set(fit, argument(arguments, 0)?, u, level)
        }
    };
    Some(match (part, set.unwrap()) {
        ("kind", FiellerSet::Bounded { .. }) => Got::Text("bounded"),
        ("kind", FiellerSet::TwoRays { .. }) => Got::Text("two rays"),
        ("kind", FiellerSet::WholeLine) => Got::Text("whole line"),
        ("low", FiellerSet::Bounded { low, .. }) => Got::Number(low),
        ("high", FiellerSet::Bounded { high, .. }) => Got::Number(high),
        ("left_max", FiellerSet::TwoRays { left_max, .. }) => Got::Number(left_max),
        ("right_min", FiellerSet::TwoRays { right_min, .. }) => Got::Number(right_min),
        _ => return None,
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OriginCase {
    name: String,
    x: Vec<f64>,
    y: Vec<f64>,
    scale: Scale,
    expect: BTreeMap<String, Expectation>,
}

impl Case for OriginCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, _: &[&str]) -> Option<Got> {
        let fit =
            fit_through_origin(&self.x, &self.y, Weights::Equal, self.scale.source()).unwrap();
        Some(Got::Number(match key {
            "slope" => fit.slope,
            "u_slope" => fit.slope_uncertainty,
            "residual_sd" => fit.residual_sd?,
            "r_squared_about_zero" => fit.r_squared_about_zero?,
            "rss" => fit.residual_sum_of_squares,
            "f" => (fit.slope / fit.slope_uncertainty).powi(2),
            _ => return None,
        }))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YorkCase {
    name: String,
    x: Vec<f64>,
    u_x: Option<Vec<f64>>,
    w_x: Option<Vec<f64>>,
    y: Vec<f64>,
    u_y: Option<Vec<f64>>,
    w_y: Option<Vec<f64>>,
    scale: Scale,
    expect: BTreeMap<String, Expectation>,
}

impl YorkCase {
    fn uncertainties(&self) -> (Vec<f64>, Vec<f64>) {
        (
            uncertainty(self.u_x.as_ref(), self.w_x.as_ref()).unwrap(),
            uncertainty(self.u_y.as_ref(), self.w_y.as_ref()).unwrap(),
        )
    }

    fn fit(&self, x: &[f64], y: &[f64]) -> YorkFit {
        let (ux, uy) = self.uncertainties();
        fit_york(x, &ux, y, &uy, None, self.scale.source()).unwrap()
    }

    /// Covariance of (a, b) by first-order propagation: the fit repeated with
    /// each coordinate moved by a hundredth of its uncertainty either way.
    fn propagated(&self) -> [[f64; 2]; 2] {
        let (ux, uy) = self.uncertainties();
        let mut covariance = [[0.0; 2]; 2];
        for i in 0..self.x.len() {
            for (in_x, u) in [(true, ux[i]), (false, uy[i])] {
                let moved = |sign: f64| {
                    let (mut x, mut y) = (self.x.clone(), self.y.clone());
                    let coordinate = if in_x { &mut x[i] } else { &mut y[i] };
                    *coordinate += sign * 0.01 * u;
                    let fit = self.fit(&x, &y);
                    [fit.intercept, fit.slope]
                };
                let (up, down) = (moved(1.0), moved(-1.0));
                let effect = [0, 1].map(|k| (up[k] - down[k]) / 0.02);
                for r in 0..2 {
                    for c in 0..2 {
                        covariance[r][c] += effect[r] * effect[c];
                    }
                }
            }
        }
        covariance
    }
}

impl Case for YorkCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, _: &[&str]) -> Option<Got> {
        let fit = self.fit(&self.x, &self.y);
        let crossing = || x_intercept(fit.intercept, fit.slope, fit.covariance).unwrap();
        let swapped = || {
            let (ux, uy) = self.uncertainties();
            fit_york(&self.y, &uy, &self.x, &ux, None, self.scale.source()).unwrap()
        };
        Some(Got::Number(match key {
            "intercept" => fit.intercept,
            "slope" => fit.slope,
            "u_intercept" => fit.covariance[0][0].sqrt(),
            "u_slope" => fit.covariance[1][1].sqrt(),
            "cov" => fit.covariance[0][1],
            "chi_squared" => fit.chi_squared,
            "reduced_chi_squared" => fit.chi_squared / (self.x.len() - 2) as f64,
            "x_intercept" => crossing().value,
            "u_x_intercept" => crossing().standard_uncertainty,
            // x over y: its intercept is the x-intercept of y over x.
            "swapped_intercept" => swapped().intercept,
            "swapped_u_intercept" => swapped().covariance[0][0].sqrt(),
            "propagated_u_intercept" => self.propagated()[0][0].sqrt(),
            "propagated_u_slope" => self.propagated()[1][1].sqrt(),
            "propagated_cov" => self.propagated()[0][1],
            _ => return None,
        }))
    }
}
