//! Microseconds that one sweep takes on one core, and what came out, as one JSON object.
//!
//! `cargo run --release --example sweep_speed -- SWEEP.csv [RANGE_FROM RANGE_TO]`, rows `width_ms,pulses,delivered_mm3`
//! without a header. `benches/sweep.py` holds the same mathematics in NumPy beside it.
#![allow(clippy::print_stdout)]

use std::hint::black_box;
use std::time::Instant;

use meniscus::fit::curve::{CurveReading, CurveSetup, FixedScales, Scale, fit_curve, posterior_at};
use meniscus::fit::line::{ScaleSource, Weights, fit_line};

/// Scales at which the posterior is compared.
const SCALES: FixedScales = FixedScales {
    slope: 4.2,
    dead_time_ms: 0.6,
    decay_index: 2,
    slow_ms: 0.06,
    local_ms: 0.025,
    long_end_ms: 0.08,
    mean_ms: -0.07,
    reading: 350.0,
    repeatability: 0.004,
};

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let text = std::fs::read_to_string(&arguments[0]).expect("a file of readings");
    let readings: Vec<CurveReading> = text
        .lines()
        .map(|row| {
            let cells: Vec<f64> = row
                .split(',')
                .map(|c| c.parse().expect("a number"))
                .collect();
            CurveReading {
                width_ms: cells[0],
                pulses: cells[1],
                delivered: cells[2],
                extra_variance: 0.0,
                period_ms: None,
            }
        })
        .collect();
    let mut setup = CurveSetup::of_division(1000.0, 300.0, (2.0, 12.0), &readings);
    setup.grid = readings.iter().map(|r| r.width_ms).collect();
    setup.grid.dedup();
    let known = CurveSetup {
        reading: Scale::known(SCALES.reading),
        repeatability: Scale::known(SCALES.repeatability),
        ..setup.clone()
    };
    let x: Vec<f64> = readings.iter().map(|r| r.width_ms).collect();
    let y: Vec<f64> = readings.iter().map(|r| r.delivered / r.pulses).collect();
    let u: Vec<f64> = readings.iter().map(|r| SCALES.reading / r.pulses).collect();
    let line =
        || fit_line(&x, &y, Weights::FromUncertainty(&u), ScaleSource::Stated).expect("a line");
    let posterior = || posterior_at(&readings, &known, &SCALES).expect("a posterior");
    let curve = || fit_curve(&readings, &setup).expect("a curve");
    let (a, p, c) = (line(), posterior(), curve());
    let told = serde_json::json!({
        "line": {"us": microseconds(20_000, line), "slope": a.slope, "intercept": a.intercept},
        "posterior": {
            "us": microseconds(2_000, posterior),
            "line": p.line,
            "covariance": p.line_covariance,
            "log_likelihood": p.log_marginal_likelihood,
        },
        "curve": {"us": microseconds(200, curve), "dead_time_ms": c.line.dead_time.value},
    });
    println!("{told}");
}

/// Least time of five rounds, per call.
fn microseconds<T>(calls: u32, what: impl Fn() -> T) -> f64 {
    let round = |_| {
        let start = Instant::now();
        for _ in 0..calls {
            black_box(what());
        }
        1e6 * start.elapsed().as_secs_f64() / f64::from(calls)
    };
    (0..5).map(round).fold(f64::INFINITY, f64::min)
}
