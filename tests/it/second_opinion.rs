//! Our line against linregress, which goes by a pseudo-inverse.
//!
//! Traps of that crate: a constant or collinear regressor is no error there;
//! its p-values move with the unit where standard errors are tiny; it has no
//! weights, no covariance and no line through the origin. So only ordinary
//! lines of moderate numbers are compared, and the design is checked by us.

use linregress::{FormulaRegressionBuilder, RegressionDataBuilder, RegressionModel};
use meniscus::fit::line::{ScaleSource, Weights, fit_line};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn other(x: &[f64], y: &[f64]) -> Result<RegressionModel, linregress::Error> {
    let data = vec![("y", y.to_vec()), ("x", x.to_vec())];
    let data = RegressionDataBuilder::new().build_from(data)?;
    FormulaRegressionBuilder::new()
        .data(&data)
        .formula("y ~ x")
        .fit()
}

fn compare(x: &[f64], y: &[f64], room: f64) {
    let ours = fit_line(x, y, Weights::Equal, ScaleSource::Scatter).unwrap();
    let theirs = other(x, y).unwrap();
    let (parameters, errors) = (theirs.parameters(), theirs.se());
    let pairs = [
        (ours.intercept, parameters[0]),
        (ours.slope, parameters[1]),
        (ours.covariance[0][0].sqrt(), errors[0]),
        (ours.covariance[1][1].sqrt(), errors[1]),
        (ours.r_squared.unwrap(), theirs.rsquared()),
    ];
    for (ours, theirs) in pairs {
        let off = (ours / theirs - 1.0).abs();
        assert!(
            off < room,
            "{ours} against {theirs}: {off:e} with x = {x:?}"
        );
    }
}

#[test]
fn norris_agrees_with_the_second_opinion() {
    let file = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/published/nist_norris.toml"
    );
    let sheet: toml::Table = toml::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    let case = &sheet["case"][0];
    let column = |name: &str| -> Vec<f64> {
        case[name]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_float().unwrap())
            .collect()
    };
    // Uncentred there: squares of x to 1e6 cost it about six of sixteen digits.
    compare(&column("x"), &column("y"), 1e-9);
}

#[test]
fn random_lines_agree_with_the_second_opinion() {
    for seed in 0..20 {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let n = rng.random_range(3..40);
        let x: Vec<f64> = (0..n)
            .map(|i| f64::from(i) * 0.3 + rng.random_range(0.1..0.3))
            .collect();
        let y: Vec<f64> = x
            .iter()
            .map(|x| 4.2 * (x - 0.7) + rng.random_range(-0.1..0.1))
            .collect();
        // x to about 10: two to three digits lost there.
        compare(&x, &y, 1e-10);
    }
}

#[test]
fn a_constant_x_passes_there_and_is_refused_here() {
    let (x, y) = ([2.0; 4], [1.0, 2.0, 3.0, 4.5]);
    assert!(other(&x, &y).is_ok());
    assert!(fit_line(&x, &y, Weights::Equal, ScaleSource::Scatter).is_err());
}
