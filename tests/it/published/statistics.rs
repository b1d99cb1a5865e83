//! Outliers, robust lines, repeatability, equality of slopes, quantiles.

use super::lines::Scale;
use super::{Case, Expectation, Got, argument};
use meniscus::fit::distribution::coverage_factor;
use meniscus::fit::equality::equality_of_slopes;
use meniscus::fit::line::{LineFit, ScaleSource, Weights, fit_line};
use meniscus::fit::outlier::{Sides, grubbs_critical, grubbs_statistic};
use meniscus::fit::robust::{
    Cell, MAD_TO_SD, median, median_absolute_deviation, repeatability, repeated_median, theil_sen,
    theil_sen_interval,
};
use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GrubbsCase {
    name: String,
    values: Vec<f64>,
    expect: BTreeMap<String, Expectation>,
}

impl Case for GrubbsCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, arguments: &[&str]) -> Option<Got> {
        let critical = |sides| {
            let n = argument(arguments, 0)? as usize;
            grubbs_critical(n, argument(arguments, 1)?, sides).ok()
        };
        let statistic = || grubbs_statistic(&self.values).unwrap();
        Some(Got::Number(match key {
            "critical_one" => critical(Sides::One)?,
            "critical_two" => critical(Sides::Two)?,
            "g" => statistic().g,
            "index" => statistic().index as f64,
            "mean" => statistic().mean,
            "sd" => statistic().sd,
            _ => return None,
        }))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RobustCase {
    name: String,
    #[serde(default)]
    x: Vec<f64>,
    #[serde(default)]
    y: Vec<f64>,
    #[serde(default)]
    values: Vec<f64>,
    expect: BTreeMap<String, Expectation>,
}

impl Case for RobustCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, arguments: &[&str]) -> Option<Got> {
        let line = || theil_sen(&self.x, &self.y).unwrap();
        let repeated = || repeated_median(&self.x, &self.y).unwrap();
        let interval = || {
            let level = argument(arguments, 0)?;
            theil_sen_interval(&self.x, &self.y, level).ok()
        };
        let mad = || median_absolute_deviation(&self.values).unwrap();
        Some(Got::Number(match key {
            "theil_sen_slope" => line().slope,
            "theil_sen_intercept" => line().intercept,
            "sen_low" => interval()?.0,
            "sen_high" => interval()?.1,
            "repeated_median_slope" => repeated().slope,
            "repeated_median_intercept" => repeated().intercept,
            "median" => median(&self.values).unwrap(),
            "mad" => mad(),
            "scaled_mad" => MAD_TO_SD * mad(),
            _ => return None,
        }))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RepeatabilityCase {
    name: String,
    counts: Vec<usize>,
    means: Vec<f64>,
    sds: Vec<f64>,
    expect: BTreeMap<String, Expectation>,
}

impl Case for RepeatabilityCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, _: &[&str]) -> Option<Got> {
        let cells: Vec<Cell> = (0..self.counts.len())
            .map(|i| Cell {
                count: self.counts[i],
                mean: self.means[i],
                sd: self.sds[i],
            })
            .collect();
        let got = repeatability(&cells).unwrap();
        let within = got.repeatability_sd;
        Some(Got::Number(match key {
            "mean" => got.mean,
            "repeatability_sd" => within,
            "dof" => got.degrees_of_freedom,
            "between_sd" => got.between_sd,
            "between_sd_is_zero" => f64::from(u8::from(got.between_sd == 0.0)),
            "reproducibility_sd" => got.reproducibility_sd,
            "reproducibility_over_repeatability" => got.reproducibility_sd / within,
            "reproducibility_sd_uncut" => (got.between_variance_uncut + within * within).sqrt(),
            _ => return None,
        }))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Group {
    x: Vec<f64>,
    y: Vec<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EqualityCase {
    name: String,
    scale: Scale,
    groups: Vec<Group>,
    expect: BTreeMap<String, Expectation>,
}

impl Case for EqualityCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, _: &[&str]) -> Option<Got> {
        let fits: Vec<LineFit> = self
            .groups
            .iter()
            .map(|g| fit_line(&g.x, &g.y, Weights::Equal, ScaleSource::Scatter).unwrap())
            .collect();
        let got = equality_of_slopes(&fits, self.scale.source()).unwrap();
        Some(Got::Number(match key {
            "rss_parallel" => got.separate_sum_of_squares + got.extra_sum_of_squares,
            "rss_separate" => got.separate_sum_of_squares,
            "extra_ss" => got.extra_sum_of_squares,
            "f" => got.f,
            "p" => got.p_value,
            "pooled_sd" => got.pooled_sd?,
            "dof_slopes" => got.dof_slopes,
            "dof_residual" => got.dof_residual?,
            "common_slope" => got.common_slope,
            _ => return None,
        }))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DistributionCase {
    name: String,
    expect: BTreeMap<String, Expectation>,
}

impl Case for DistributionCase {
    fn name(&self) -> &str {
        &self.name
    }

    fn expect(&self) -> &BTreeMap<String, Expectation> {
        &self.expect
    }

    fn compute(&self, key: &str, arguments: &[&str]) -> Option<Got> {
        let dof = match *arguments.get(1)? {
            "inf" => None,
            text => Some(text.parse().unwrap()),
        };
        match key {
            "coverage" => coverage_factor(argument(arguments, 0)?, dof)
                .ok()
                .map(Got::Number),
            _ => None,
        }
    }
}
