//! The generated cross-checks of `reference_scipy.json`.

use super::Outcome;
use meniscus::fit::distribution::{
    RELATIVE_PRECISION, chi_squared_p_value, chi_squared_quantile, f_p_value, t_two_sided_p_value,
    t_upper,
};
use meniscus::fit::lack_of_fit::lack_of_fit;
use meniscus::fit::line::{ScaleSource, Weights, fit_line};
use meniscus::fit::outlier::studentised_residuals;
use meniscus::fit::robust::{theil_sen, theil_sen_interval};
use serde::Deserialize;

/// The other program works in f64 too, by a pseudo-inverse of the design
/// without centring: squares of x up to 4e3 cost it four to five digits of
/// sixteen.
const LINE: f64 = 1e-10;
/// Tail probabilities: both sides f64, the incomplete beta function at 1e-13.
const TAIL: f64 = 1e-11;
/// Order statistics of differences of numbers with few decimals.
const EXACT: f64 = 1e-12;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code)]
struct Reference {
    kind: String,
    generated: String,
    seed: u64,
    versions: serde_json::Value,
    lines: Vec<Line>,
    lack_of_fit: Vec<LackCase>,
    theil_sen: Vec<TheilSenCase>,
    t_quantiles: Vec<Quantile>,
    tails: Vec<Tail>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    x: Vec<f64>,
    y: Vec<f64>,
    u: Option<Vec<f64>>,
    intercept: f64,
    slope: f64,
    covariance: [[f64; 2]; 2],
    covariance_stated: Option<[[f64; 2]; 2]>,
    residual_sd: f64,
    r_squared: f64,
    mean_response_at: f64,
    mean_response_u: f64,
    leverages: Option<Vec<f64>>,
    studentised: Option<Vec<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LackCase {
    x: Vec<f64>,
    y: Vec<f64>,
    f: f64,
    p: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TheilSenCase {
    x: Vec<f64>,
    y: Vec<f64>,
    level: f64,
    slope: f64,
    intercept: f64,
    low: f64,
    high: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Quantile {
    dof: Option<f64>,
    tail: f64,
    t: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Tail {
    what: String,
    value: f64,
    dof1: f64,
    dof2: Option<f64>,
    p: f64,
}

/// Collects what was compared.
#[derive(Default)]
struct Tally {
    checked: usize,
    complaints: Vec<String>,
}

impl Tally {
    fn same(&mut self, what: &str, got: f64, want: f64, relative: f64) {
        self.checked += 1;
        let off = (got - want).abs();
        let reached = off <= relative * want.abs();
        if !reached {
            let line = format!("{what}: {got:e}, expected {want:e}, off by {off:e}");
            self.complaints.push(line);
        }
    }

    fn same_covariance(&mut self, what: &str, got: [[f64; 2]; 2], want: [[f64; 2]; 2]) {
        for i in 0..2 {
            for j in 0..2 {
                self.same(&format!("{what} {i} {j}"), got[i][j], want[i][j], LINE);
            }
        }
    }
}

pub fn run(text: &str) -> Outcome {
    let reference: Reference = match serde_json::from_str(text) {
        Ok(reference) => reference,
        Err(e) => return (0, vec![e.to_string()]),
    };
    if reference.kind != "reference" {
        return (0, vec![format!("unknown kind {}", reference.kind)]);
    }
    let mut tally = Tally::default();
    for (i, case) in reference.lines.iter().enumerate() {
        check_line(&mut tally, &format!("lines/{i}"), case);
    }
    for (i, case) in reference.lack_of_fit.iter().enumerate() {
        let fit = fit_line(&case.x, &case.y, Weights::Equal, ScaleSource::Scatter).unwrap();
        let got = lack_of_fit(&case.x, &fit).unwrap().unwrap();
        let what = format!("lack_of_fit/{i}");
        tally.same(&format!("{what}/f"), got.f.unwrap(), case.f, LINE);
        tally.same(&format!("{what}/p"), got.p_value.unwrap(), case.p, LINE);
    }
    for (i, case) in reference.theil_sen.iter().enumerate() {
        let line = theil_sen(&case.x, &case.y).unwrap();
        let (low, high) = theil_sen_interval(&case.x, &case.y, case.level).unwrap();
        let what = format!("theil_sen/{i}");
        tally.same(&format!("{what}/slope"), line.slope, case.slope, EXACT);
        let name = format!("{what}/intercept");
        tally.same(&name, line.intercept, case.intercept, EXACT);
        tally.same(&format!("{what}/low"), low, case.low, EXACT);
        tally.same(&format!("{what}/high"), high, case.high, EXACT);
    }
    for case in &reference.t_quantiles {
        let what = format!("t quantile, dof {:?}, tail {}", case.dof, case.tail);
        let got = t_upper(case.tail, case.dof).unwrap();
        tally.same(&what, got, case.t, RELATIVE_PRECISION);
    }
    for case in &reference.tails {
        check_tail(&mut tally, case);
    }
    (tally.checked, tally.complaints)
}

fn check_line(tally: &mut Tally, what: &str, case: &Line) {
    let weights = match &case.u {
        Some(u) => Weights::FromUncertainty(u),
        None => Weights::Equal,
    };
    let fit = fit_line(&case.x, &case.y, weights, ScaleSource::Scatter).unwrap();
    let mut same = |name: &str, got, want| tally.same(&format!("{what}/{name}"), got, want, LINE);
    same("intercept", fit.intercept, case.intercept);
    same("slope", fit.slope, case.slope);
    same("residual_sd", fit.residual_sd.unwrap(), case.residual_sd);
    same("r_squared", fit.r_squared.unwrap(), case.r_squared);
    let there = fit.mean_response(case.mean_response_at);
    same(
        "mean_response_u",
        there.standard_uncertainty,
        case.mean_response_u,
    );
    for (i, want) in case.leverages.iter().flatten().enumerate() {
        same("leverage", fit.leverage(case.x[i], fit.weights[i]), *want);
    }
    if let Some(studentised) = &case.studentised {
        let got = studentised_residuals(&fit, &case.x).unwrap();
        for (got, want) in got.iter().zip(studentised) {
            same("studentised", got.value.unwrap(), *want);
        }
    }
    tally.same_covariance(what, fit.covariance, case.covariance);
    if let Some(stated) = case.covariance_stated {
        let fit = fit_line(&case.x, &case.y, weights, ScaleSource::Stated).unwrap();
        tally.same_covariance(&format!("{what}/stated"), fit.covariance, stated);
    }
}

fn check_tail(tally: &mut Tally, case: &Tail) {
    let what = format!(
        "{} {} with {} and {:?}",
        case.what, case.value, case.dof1, case.dof2
    );
    let (got, want) = match case.what.as_str() {
        "f" => (f_p_value(case.value, case.dof1, case.dof2), case.p),
        "chi_squared" => (chi_squared_p_value(case.value, case.dof1), case.p),
        "chi_squared_quantile" => (chi_squared_quantile(1.0 - case.p, case.dof1), case.value),
        "t" => (t_two_sided_p_value(case.value, Some(case.dof1)), case.p),
        _ => {
            tally.complaints.push(format!("{what}: no such tail"));
            return;
        }
    };
    tally.same(&what, got.unwrap(), want, TAIL);
}
