//! How often the intervals of the curve fit hold the truth, on simulated
//! benches: `cargo run --release --example coverage -- --benches 2000 --seed 1`.
//! `--held-back` takes the laws that were kept away from the work on the method,
//! `--by-law` splits every scenario, `--only K` runs scenario K, `--brief` a few.

mod bench_sim;

use bench_sim::bench::{self, Bench, Counts, Scenario, Vessel};
use bench_sim::laws::{HELD_BACK, Law, WORKED_ON};
use meniscus::fit::curve::{Interval, fit_curve};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use std::io::Write;
use std::time::Instant;

/// Widths at which delivered quantity is judged, ms.
const GRID: [f64; 5] = [1.5, 2.0, 3.0, 5.0, 10.0];

/// One bench judged.
#[derive(Clone)]
struct Outcome {
    x_error: f64,
    s_error: f64,
    ols_x_error: f64,
    u_x: f64,
    x_half: f64,
    s_half: f64,
    covered: [bool; 5],
    q_error: [f64; 5],
    q_covered: [bool; 5],
    micros: f64,
    flagged: (usize, usize, usize),
}

fn holds(interval: Interval, truth: f64) -> bool {
    interval[0].is_none_or(|lo| lo <= truth) && interval[1].is_none_or(|hi| truth <= hi)
}

/// Least squares of D/N on w over the range: X and whether its interval
/// (Student, Fieller to first order) holds the truth.
fn least_squares(bench: &Bench) -> (f64, bool) {
    let (lo, hi) = bench.line_range;
    let points: Vec<(f64, f64)> = bench
        .readings
        .iter()
        .filter(|r| r.width_ms >= lo && r.width_ms <= hi)
        .map(|r| (r.width_ms, r.delivered / r.pulses))
        .collect();
    let n = points.len() as f64;
    let w = points.iter().map(|p| p.0).sum::<f64>() / n;
    let q = points.iter().map(|p| p.1).sum::<f64>() / n;
    let ww: f64 = points.iter().map(|p| (p.0 - w).powi(2)).sum();
    let slope = points.iter().map(|p| (p.0 - w) * (p.1 - q)).sum::<f64>() / ww;
    let x = w - q / slope;
    let rss: f64 = points
        .iter()
        .map(|p| (p.1 - q - slope * (p.0 - w)).powi(2))
        .sum();
    let u = (rss / (n - 2.0) * (1.0 / n + (x - w).powi(2) / ww)).sqrt() / slope;
    (x, (x - bench.line.1).abs() <= 2.05 * u)
}

fn judge(scenario: &Scenario, law: Law, seed: u64) -> Option<Outcome> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let bench = bench::run(scenario, law, &mut rng);
    let setup = bench::setup(scenario, &bench, &GRID);
    let clock = Instant::now();
    let fit = fit_curve(&bench.readings, &setup).ok()?;
    let none = [[0.0; 2]; 2];
    let intervals = [
        fit.interval_dead_time(none),
        fit.interval_slope(0.0),
        fit.interval_asymptote_dead_time(none),
        fit.interval_asymptote_slope(0.0),
    ];
    let micros = clock.elapsed().as_secs_f64() * 1e6;
    let (s, x) = bench.line;
    let (ols_x, ols_covered) = least_squares(&bench);
    let half = |i: Interval| match i {
        [Some(lo), Some(hi)] => 0.5 * (hi - lo),
        _ => f64::INFINITY,
    };
    let mut q_error = [f64::NAN; 5];
    let mut q_covered = [true; 5];
    for (i, &w) in GRID.iter().enumerate() {
        let q = bench.injector.delivery(w);
        if w - bench.asymptote.1 > 0.4 {
            q_error[i] = 100.0 * (fit.curve[i].delivered.value / q - 1.0);
            q_covered[i] = holds(fit.interval_delivered(i, 0.0), q);
        }
    }
    let mut flagged = (0, 0, 0);
    for (r, &wrong) in fit.readings.iter().zip(&bench.misread) {
        let out = r.usage == meniscus::fit::curve::ReadingUse::Misreading;
        flagged.0 += usize::from(wrong && out);
        flagged.1 += usize::from(wrong && !out);
        flagged.2 += usize::from(!wrong && out);
    }
    Some(Outcome {
        x_error: 1000.0 * (fit.line.dead_time.value - x),
        s_error: 100.0 * (fit.line.slope.value / s - 1.0),
        ols_x_error: 1000.0 * (ols_x - x),
        u_x: 1000.0 * fit.line.dead_time.standard_uncertainty,
        x_half: 1000.0 * half(intervals[0]),
        s_half: 100.0 * half(intervals[1]) / s,
        covered: [
            holds(intervals[0], x),
            holds(intervals[1], s),
            holds(intervals[2], bench.asymptote.1),
            holds(intervals[3], bench.asymptote.0),
            ols_covered,
        ],
        q_error,
        q_covered,
        micros,
        flagged,
    })
}

fn mean(v: impl Iterator<Item = f64>) -> f64 {
    let (mut n, mut s) = (0.0, 0.0);
    for x in v {
        n += 1.0;
        s += x;
    }
    s / n
}

fn median(mut v: Vec<f64>) -> f64 {
    v.sort_by(f64::total_cmp);
    v[v.len() / 2]
}

/// One line of the table.
fn line(name: &str, outcomes: &[Outcome]) -> String {
    let n = outcomes.len();
    let percent = |f: &dyn Fn(&Outcome) -> bool| {
        100.0 * outcomes.iter().filter(|o| f(o)).count() as f64 / n as f64
    };
    let bias = mean(outcomes.iter().map(|o| o.x_error));
    let scatter = mean(outcomes.iter().map(|o| (o.x_error - bias).powi(2))).sqrt();
    let s_bias = mean(outcomes.iter().map(|o| o.s_error));
    let s_scatter = mean(outcomes.iter().map(|o| (o.s_error - s_bias).powi(2))).sqrt();
    let ols_bias = mean(outcomes.iter().map(|o| o.ols_x_error));
    let q_rms: Vec<String> = (0..GRID.len())
        .map(|i| {
            let ms = mean(
                outcomes
                    .iter()
                    .map(|o| o.q_error[i])
                    .filter(|e| e.is_finite())
                    .map(|e| e * e),
            );
            format!("{:.2}", ms.sqrt())
        })
        .collect();
    let judged: Vec<bool> = outcomes
        .iter()
        .flat_map(|o| {
            (0..GRID.len())
                .filter(|&i| o.q_error[i].is_finite())
                .map(|i| o.q_covered[i])
        })
        .collect();
    let q_covered = 100.0 * judged.iter().filter(|c| **c).count() as f64 / judged.len() as f64;
    let t: [usize; 3] = outcomes.iter().fold([0; 3], |a, o| {
        [a[0] + o.flagged.0, a[1] + o.flagged.1, a[2] + o.flagged.2]
    });
    format!(
        "{name:<22}{n:>5} |{bias:>6.1}{scatter:>6.1}{:>6.1}{:>6.1} |{s_bias:>6.2}{s_scatter:>5.2}{:>5.2} |{:>6.1}{:>6.1}{:>6.1}{:>6.1}{q_covered:>6.1} | {:<24} |{ols_bias:>6.1}{:>6.1} | {}/{}/{} {:>5.0}",
        median(outcomes.iter().map(|o| o.u_x).collect()),
        median(outcomes.iter().map(|o| o.x_half).collect()),
        median(outcomes.iter().map(|o| o.s_half).collect()),
        percent(&|o| o.covered[0]),
        percent(&|o| o.covered[1]),
        percent(&|o| o.covered[2]),
        percent(&|o| o.covered[3]),
        q_rms.join("/"),
        percent(&|o| o.covered[4]),
        t[0],
        t[1],
        t[2],
        median(outcomes.iter().map(|o| o.micros).collect()),
    )
}

/// A scenario from its parts.
fn scenario(name: &'static str, counts: Counts, vessel: Vessel, repeats: usize) -> Scenario {
    Scenario {
        name,
        counts,
        vessel,
        widths: 12,
        repeats,
        offset: 0.0,
        repeatability: 0.003,
        pulse_scatter: 0.0,
        misread: 0.0,
        drift: 0.0,
        voltage: (10.0, 16.0),
    }
}

fn scenarios() -> Vec<Scenario> {
    let ml = Vessel::Division(1000.0);
    let half = Vessel::Division(500.0);
    let s = scenario;
    vec![
        s("filled", Counts::Filled, ml, 3),
        Scenario {
            offset: -300.0,
            ..s("filled b-", Counts::Filled, ml, 3)
        },
        s("mixed", Counts::Mixed, ml, 3),
        Scenario {
            offset: -300.0,
            ..s("mixed b-", Counts::Mixed, ml, 3)
        },
        Scenario {
            offset: 300.0,
            ..s("mixed b+ half-mL 1x", Counts::Mixed, half, 1)
        },
        s("filled half-mL 1x", Counts::Filled, half, 1),
        s("filled balance 5x", Counts::Filled, Vessel::Balance, 5),
        Scenario {
            repeatability: 0.001,
            ..s("mixed balance r 0.1%", Counts::Mixed, Vessel::Balance, 3)
        },
        Scenario {
            repeatability: 0.001,
            ..s("filled r 0.1%", Counts::Filled, ml, 3)
        },
        Scenario {
            repeatability: 0.01,
            ..s("filled r 1%", Counts::Filled, ml, 3)
        },
        Scenario {
            repeatability: 0.01,
            ..s("mixed r 1%", Counts::Mixed, half, 3)
        },
        Scenario {
            misread: 0.02,
            ..s("filled misread 2%", Counts::Filled, ml, 3)
        },
        Scenario {
            misread: 0.02,
            offset: -300.0,
            ..s("mixed misread 2% b-", Counts::Mixed, ml, 3)
        },
        Scenario {
            widths: 8,
            ..s("filled 8 widths", Counts::Filled, ml, 3)
        },
        Scenario {
            widths: 6,
            ..s("mixed 6 widths", Counts::Mixed, ml, 3)
        },
        Scenario {
            drift: 0.003,
            ..s("filled drift", Counts::Filled, ml, 3)
        },
        Scenario {
            voltage: (8.0, 9.0),
            ..s("filled 8 V", Counts::Filled, ml, 3)
        },
        Scenario {
            pulse_scatter: 0.3,
            ..s("few p 0.3", Counts::Few, Vessel::Balance, 3)
        },
        Scenario {
            pulse_scatter: 1.0,
            ..s("few p 1", Counts::Few, Vessel::Balance, 3)
        },
        s("constant", Counts::Constant, ml, 3),
        Scenario {
            offset: -300.0,
            ..s("constant b-", Counts::Constant, half, 3)
        },
    ]
}

fn option(name: &str, default: u64) -> u64 {
    let arguments: Vec<String> = std::env::args().collect();
    arguments
        .iter()
        .position(|a| a == name)
        .and_then(|i| arguments.get(i + 1))
        .and_then(|v| v.parse().ok())
        .unwrap_or(default)
}

fn main() -> std::io::Result<()> {
    let benches = option("--benches", 400);
    let seed = option("--seed", 1);
    let held_back = std::env::args().any(|a| a == "--held-back");
    let by_law_too = std::env::args().any(|a| a == "--by-law");
    let laws: &[Law] = if held_back { &HELD_BACK } else { &WORKED_ON };
    let mut out = std::io::stdout().lock();
    writeln!(
        out,
        "{:<22}{:>5} |  bias scat   u(X) half |S bias scat half | cover X   S   as X  as S    q  | q rms % 1.5/2/3/5/10     | OLS bias cov | found/missed/good us",
        "scenario", "n"
    )?;
    let mut by_law: Vec<(Law, Vec<Outcome>)> = laws.iter().map(|&l| (l, Vec::new())).collect();
    let only = Some(option("--only", u64::MAX)).filter(|&k| k != u64::MAX);
    let brief = std::env::args().any(|a| a == "--brief");
    for (k, scenario) in scenarios().iter().enumerate() {
        if only.is_some_and(|o| o != k as u64) {
            continue;
        }
        if brief && ![0, 3, 4, 5, 6, 7, 10].contains(&k) {
            continue;
        }
        let outcomes: Vec<(Law, Outcome)> = (0..benches)
            .into_par_iter()
            .filter_map(|i| {
                let law = laws[i as usize % laws.len()];
                let bench_seed = seed
                    .wrapping_mul(1_000_003)
                    .wrapping_add(k as u64 * 100_000 + i);
                judge(scenario, law, bench_seed).map(|o| (law, o))
            })
            .collect();
        let all: Vec<Outcome> = outcomes.iter().map(|o| o.1.clone()).collect();
        writeln!(out, "{}", line(scenario.name, &all))?;
        if by_law_too {
            for &law in laws {
                let list: Vec<Outcome> = outcomes
                    .iter()
                    .filter(|o| o.0 == law)
                    .map(|o| o.1.clone())
                    .collect();
                writeln!(out, "{}", line(&format!("  {law:?}"), &list))?;
            }
        }
        if scenario.counts != Counts::Constant {
            for (law, list) in &mut by_law {
                list.extend(outcomes.iter().filter(|o| o.0 == *law).map(|o| o.1.clone()));
            }
        }
    }
    writeln!(out, "by law, filled and mixed counts")?;
    for (law, list) in by_law.iter().filter(|l| !l.1.is_empty()) {
        writeln!(out, "{}", line(&format!("{law:?}"), list))?;
    }
    Ok(())
}
