//! The 95 % intervals of the curve fit hold the truth of simulated benches
//! about as often as they say; `cargo run --release --example coverage` says it
//! at length.

#[path = "../../examples/bench_sim/mod.rs"]
#[allow(dead_code)]
mod bench_sim;

use bench_sim::bench::{self, Counts, Scenario, Vessel};
use bench_sim::laws::WORKED_ON;
use meniscus::fit::curve::{Interval, fit_curve};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

const SEED: u64 = 20_260_412;
const BENCHES: u64 = 280;

struct Judged {
    /// Error over standard uncertainty of X, S and q at 2, 3 and 5 ms.
    x: f64,
    s: f64,
    q: [f64; 3],
    /// Whether the intervals held X and S.
    held: [bool; 2],
}

fn held(interval: Interval, truth: f64) -> bool {
    interval[0].is_none_or(|lo| lo <= truth) && interval[1].is_none_or(|hi| truth <= hi)
}

fn judge(i: u64) -> Judged {
    let scenario = Scenario {
        name: "mixed",
        counts: Counts::Mixed,
        vessel: Vessel::Division(1000.0),
        widths: 12,
        repeats: 3,
        // The prior of the offset is drawn from, not sat on.
        offset: 300.0 * [-1.2, -0.5, 0.1, 0.6, 1.1][(i % 5) as usize],
        repeatability: 0.003,
        pulse_scatter: 0.0,
        misread: 0.0,
        drift: 0.0,
        voltage: (10.0, 16.0),
    };
    let mut rng = ChaCha8Rng::seed_from_u64(SEED + i);
    let law = WORKED_ON[i as usize % WORKED_ON.len()];
    let bench = bench::run(&scenario, law, &mut rng);
    let grid = [2.0, 3.0, 5.0];
    let fit = fit_curve(&bench.readings, &bench::setup(&scenario, &bench, &grid))
        .expect("twelve widths of a working injector can be fitted");
    let (s, x) = bench.line;
    let over =
        |q: &meniscus::fit::curve::Quantity, truth: f64| (q.value - truth) / q.standard_uncertainty;
    Judged {
        x: over(&fit.line.dead_time, x),
        s: over(&fit.line.slope, s),
        q: [0, 1, 2].map(|k| over(&fit.curve[k].delivered, bench.injector.delivery(grid[k]))),
        held: [
            held(fit.interval_dead_time([[0.0; 2]; 2]), x),
            held(fit.interval_slope(0.0), s),
        ],
    }
}

fn root_mean_square(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let n = values.clone().count() as f64;
    (values.map(|v| v * v).sum::<f64>() / n).sqrt()
}

/// 280 benches leave ±1.3 % on a share of 95 % and ±4 % on the root mean square
/// of errors over uncertainties: intervals too narrow by a factor 1.3 would hold
/// 87 % with a ratio of 1.2 or more, too wide by 1.3 a ratio of 0.7.
#[test]
fn intervals_hold_the_truth_as_often_as_they_say() {
    let judged: Vec<Judged> = (0..BENCHES).into_par_iter().map(judge).collect();
    let share =
        |k: usize| 100.0 * judged.iter().filter(|j| j.held[k]).count() as f64 / BENCHES as f64;
    let figures = format!(
        "seed {SEED}: X held {:.1} %, S held {:.1} %, ratios X {:.2} S {:.2} q {:.2}",
        share(0),
        share(1),
        root_mean_square(judged.iter().map(|j| j.x)),
        root_mean_square(judged.iter().map(|j| j.s)),
        root_mean_square(judged.iter().flat_map(|j| j.q)),
    );
    println!("{figures}");
    for k in [0, 1] {
        assert!((92.0..=99.5).contains(&share(k)), "{figures}");
    }
    let ratio_x = root_mean_square(judged.iter().map(|j| j.x));
    let ratio_s = root_mean_square(judged.iter().map(|j| j.s));
    assert!((0.8..1.13).contains(&ratio_x), "{figures}");
    assert!((0.8..1.13).contains(&ratio_s), "{figures}");
}

/// One misreading in 36 is set aside and moves X by less than its uncertainty.
#[test]
fn one_misreading_does_not_move_the_dead_time() {
    let scenario = Scenario {
        name: "filled",
        counts: Counts::Filled,
        vessel: Vessel::Division(1000.0),
        widths: 12,
        repeats: 3,
        offset: 0.0,
        repeatability: 0.003,
        pulse_scatter: 0.0,
        misread: 0.0,
        drift: 0.0,
        voltage: (12.0, 14.0),
    };
    for i in 0..12 {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED + i);
        let mut bench = bench::run(&scenario, WORKED_ON[i as usize % 7], &mut rng);
        let setup = bench::setup(&scenario, &bench, &[]);
        let clean = fit_curve(&bench.readings, &setup).unwrap();
        for size in [-10_000.0, 5000.0] {
            let which = (7 * i as usize + 3) % 36;
            bench.readings[which].delivered += size;
            let fit = fit_curve(&bench.readings, &setup).unwrap();
            bench.readings[which].delivered -= size;
            assert!(!fit.readings[which].used(), "seed {} size {size}", SEED + i);
            assert!(fit.readings[which].log_odds.unwrap() > 0.0);
            let moved = (fit.line.dead_time.value - clean.line.dead_time.value).abs();
            assert!(
                moved < clean.line.dead_time.standard_uncertainty,
                "seed {}",
                SEED + i
            );
        }
    }
}
