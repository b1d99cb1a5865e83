//! How long picking takes and how it grows with the stock.
//!
//! `cargo run --release --example pick_speed`, with `-- sets` for many sets. Stocks are drawn as in the
//! comparison with general solvers: log-normal, spread 4 %, points independent.
#![allow(clippy::print_stdout)]

use std::time::Instant;

use meniscus::matching::{
    Candidate, PickRequest, SetsRequest, Stock, StockAmount, pick, pick_sets,
};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

fn stock(count: usize, points: usize, correlation: f64, seed: u64) -> Stock {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let candidates = (0..count)
        .map(|i| {
            let common = normal();
            let amounts = (0..points)
                .map(|_| {
                    let z = correlation.sqrt() * common + (1.0 - correlation).sqrt() * normal();
                    Some(StockAmount {
                        value: (1e6 * (0.04 * z).exp()).round(),
                        standard_uncertainty: None,
                        shared: std::collections::BTreeMap::new(),
                    })
                })
                .collect();
            Candidate {
                injector: format!("{i:05}"),
                amounts,
                dead_time_ms: None,
                flow: None,
            }
        })
        .collect();
    Stock::new((0..points).map(|p| format!("p{p}")).collect(), candidates).expect("a valid stock")
}

fn sets() {
    for (count, correlation) in [
        (100, 0.7),
        (100, 0.0),
        (1_000, 0.7),
        (1_024, 0.7),
        (1_024, 0.0),
        (10_000, 0.7),
    ] {
        for seed in 1..=2 {
            let stock = stock(count, 3, correlation, seed);
            let start = Instant::now();
            let answer = pick_sets(&stock, &SetsRequest::new(8, 2.0)).expect("a valid request");
            println!(
                "sets: correlation {correlation} n {count} seed {seed}: {:.2} s, {} sets, at most {} ({:.2}), gap {:.1} %, proved {}, {} left over",
                start.elapsed().as_secs_f64(),
                answer.sets.len(),
                answer.bound.sets_at_most,
                answer.bound.fractional,
                answer.bound.gap_percent,
                answer.bound.proved_most,
                answer.left_over.len(),
            );
        }
    }
}

fn main() {
    if std::env::args().any(|a| a == "sets") {
        return sets();
    }
    for correlation in [0.0, 0.7] {
        for (count, points, size) in [
            (100, 3, 8),
            (1_000, 3, 8),
            (10_000, 3, 8),
            (10_000, 5, 8),
            (2_000, 5, 8),
            (10_000, 3, 4),
            (10_000, 3, 12),
            (10_000, 3, 16),
            (1_000, 3, 32),
            (10_000, 3, 32),
            (2_000, 5, 24),
        ] {
            for seed in 1..=3 {
                let stock = stock(count, points, correlation, seed);
                let start = Instant::now();
                let answer = pick(&stock, &PickRequest::new(size)).expect("enough injectors");
                println!(
                    "correlation {correlation} n {count} points {points} size {size} seed {seed}: {:.3} s, spread {:.5} %, at least {:.5} %, proved {}, {} nodes",
                    start.elapsed().as_secs_f64(),
                    answer.best.spread_percent,
                    answer.best.spread_at_least_percent.unwrap_or(f64::NAN),
                    answer.best.proved_best,
                    answer.nodes,
                );
            }
        }
    }
}
