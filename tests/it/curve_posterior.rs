//! The algebra of the curve fit agrees with scikit-learn's.

use meniscus::fit::curve::{CurveReading, CurveSetup, FixedScales, Scale, posterior_at};
use serde_json::Value;

const PUBLISHED: &str = include_str!("../published/curve/gp_posterior.json");

fn number(v: &Value) -> f64 {
    v.as_f64().expect("a number")
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array().expect("a list").iter().map(number).collect()
}

/// Every entry to 1e-9 of itself.
fn agree(name: &str, ours: &[f64], theirs: &[f64]) {
    assert_eq!(ours.len(), theirs.len(), "{name}");
    for (a, b) in ours.iter().zip(theirs) {
        assert!(((a - b) / b).abs() < 1e-9, "{name}: {a} against {b}");
    }
}

#[test]
fn posterior_at_fixed_scales_agrees_with_scikit_learn() {
    let doc: Value = serde_json::from_str(PUBLISHED).unwrap();
    let readings: Vec<CurveReading> = doc["readings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|r| {
            let r = numbers(r);
            CurveReading {
                width_ms: r[0],
                pulses: r[1],
                delivered: r[2],
                extra_variance: r[3],
                period_ms: Some(number(&doc["period_ms"])),
            }
        })
        .collect();
    let s = &doc["setup"];
    let range = numbers(&s["line_range"]);
    let setup = CurveSetup {
        reading: Scale::known(1.0),
        repeatability: Scale::known(0.0),
        pulse_scatter: Some(Scale::known(number(&s["pulse_scatter"]))),
        offset_mean: number(&s["offset_mean"]),
        offset_uncertainty: number(&s["offset_uncertainty"]),
        line_range: (range[0], range[1]),
        grid: numbers(&s["grid"]),
        nodes: Vec::new(),
        misreading: None,
    };
    let c = &doc["scales"];
    let scales = FixedScales {
        slope: number(&c["slope"]),
        dead_time_ms: number(&c["dead_time_ms"]),
        decay_index: c["decay_index"].as_u64().unwrap() as usize,
        slow_ms: number(&c["slow_ms"]),
        local_ms: number(&c["local_ms"]),
        long_end_ms: number(&c["long_end_ms"]),
        mean_ms: number(&c["mean_ms"]),
        reading: number(&c["reading"]),
        repeatability: number(&c["repeatability"]),
    };
    let p = posterior_at(&readings, &setup, &scales).unwrap();
    let e = &doc["expected"];
    let flat = |v: &Value| {
        v.as_array()
            .unwrap()
            .iter()
            .flat_map(numbers)
            .collect::<Vec<f64>>()
    };
    agree("asymptote", &p.asymptote, &numbers(&e["asymptote"]));
    agree(
        "asymptote covariance",
        p.asymptote_covariance.as_flattened(),
        &flat(&e["asymptote_covariance"]),
    );
    agree("line", &p.line, &numbers(&e["line"]));
    agree(
        "line covariance",
        p.line_covariance.as_flattened(),
        &flat(&e["line_covariance"]),
    );
    let means: Vec<f64> = p.curve.iter().map(|q| q.0).collect();
    let variances: Vec<f64> = p.curve.iter().map(|q| q.1).collect();
    agree("curve", &means, &numbers(&e["curve"]));
    agree("curve variance", &variances, &numbers(&e["curve_variance"]));
    agree(
        "log marginal likelihood",
        &[p.log_marginal_likelihood],
        &[number(&e["log_marginal_likelihood"])],
    );
}
