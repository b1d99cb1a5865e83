//! How many disjoint sets there can be at most: prices of the items by column generation.

use rayon::prelude::*;

use super::neighbours::Neighbours;
use super::program::Program;

/// A proved upper bound with the prices that prove it.
#[derive(Debug, Clone)]
pub(super) struct Bound {
    /// Sets at most, before rounding down.
    pub value: f64,
    /// Price of each item: every set costs 1 or more, so the sum bounds the number.
    pub prices: Vec<f64>,
    /// Rounds of pricing that were run.
    pub rounds: usize,
}

/// A round that lowers the bound by less than this share is one of little use.
const LITTLE: f64 = 2e-4;
/// So many of those in a row end the work.
const PATIENCE: usize = 25;

/// Bounds the number of disjoint sets.
///
/// *Method*: the dual of the fractional packing program, min Σ y_i with Σ_{i∈S} y_i ≥ 1 for
/// every set S, sets being added as they turn out too cheap. Whatever the prices y ≥ 0, dividing
/// them by the price of the cheapest set makes them feasible, so Σ y / min_S y(S) is a
/// bound at every round. Prices between the best so far and the program's keep the rounds few.
/// *Source*: A. A. Farley, Operations Research 38 (1990) 922–923, the bound; P. Wentges,
/// Int. Trans. Oper. Res. 4 (1997) 151–162, the smoothing; from memory.
pub(super) fn upper_bound(near: &Neighbours, first_sets: &[Vec<u32>], max_rounds: usize) -> Bound {
    let mut best = trivial(near);
    if best.value < 1.0 || max_rounds == 0 {
        return best;
    }
    let after: Vec<Vec<u32>> = (0..near.items() as u32).map(|i| near.after(i)).collect();
    let mut program = Program::new(best.prices.clone());
    let start = cheap_sets(near, &after, &best.prices, 1.5);
    first_sets
        .iter()
        .cloned()
        .chain(start.into_iter().map(|(_, set)| set))
        .for_each(|set| program.add(set));
    let mut little = 0;
    for round in 1..=max_rounds {
        best.rounds = round;
        program.solve();
        let before = best.value;
        // Between the program's prices and the best first; where all sets known are cheap
        // enough there, the program's own.
        let mut new = 0;
        for smoothing in [SMOOTHING, 0.0] {
            new = price_and_add(near, &after, &mut program, smoothing, &mut best);
            if new > 0 {
                break;
            }
        }
        little = if best.value > before * (1.0 - LITTLE) {
            little + 1
        } else {
            0
        };
        // The whole number cannot fall below what the known sets pack in fractions.
        let settled = best.value.floor() <= program.packed().floor();
        if new == 0 || little >= PATIENCE || settled {
            break;
        }
        program.forget_dear(DEAR);
    }
    best
}

/// Share of the best prices so far in those that are priced.
const SMOOTHING: f64 = 0.5;
/// Sets dearer than this that the program does not use are forgotten.
const DEAR: f64 = 1.25;

/// Prices all sets, lowers the bound, adds what was too cheap; how many were added.
fn price_and_add(
    near: &Neighbours,
    after: &[Vec<u32>],
    program: &mut Program,
    smoothing: f64,
    best: &mut Bound,
) -> usize {
    let prices: Vec<f64> = program
        .prices
        .iter()
        .zip(&best.prices)
        .map(|(y, b)| (1.0 - smoothing) * y + smoothing * b)
        .collect();
    let found = cheap_sets(near, after, &prices, 1.0);
    let cheapest = found.iter().map(|(price, _)| *price).fold(1.0, f64::min);
    let bound = prices.iter().sum::<f64>() / cheapest;
    if bound < best.value {
        best.value = bound;
        best.prices = prices.iter().map(|y| y / cheapest).collect();
    }
    let new: Vec<Vec<u32>> = found
        .into_iter()
        .map(|(_, set)| set)
        .filter(|set| program.price(set) < 1.0)
        .collect();
    let count = new.len();
    new.into_iter().for_each(|set| program.add(set));
    count
}

/// Every item that has enough neighbours costs 1/size.
fn trivial(near: &Neighbours) -> Bound {
    let share = 1.0 / near.size() as f64;
    let free = vec![0.0; near.items()];
    let prices: Vec<f64> = (0..near.items() as u32)
        .map(|i| {
            let alone = near.cheapest(i, near.of(i), &free, 1.0).is_none();
            if alone { 0.0 } else { share }
        })
        .collect();
    Bound {
        value: prices.iter().sum(),
        prices,
        rounds: 0,
    }
}

/// For each item the cheapest set in which it is smallest at the first point, if below `below`.
fn cheap_sets(
    near: &Neighbours,
    after: &[Vec<u32>],
    prices: &[f64],
    below: f64,
) -> Vec<(f64, Vec<u32>)> {
    (0..near.items() as u32)
        .into_par_iter()
        .filter_map(|i| near.cheapest(i, &after[i as usize], prices, below))
        .collect()
}
