//! Small stocks: every set is listed and the largest number of disjoint ones proved.

use microlp::{ComparisonOp, OptimizationDirection, Problem, SolveOptions};

use super::neighbours::Neighbours;
use super::spread;

/// Above this many sets the integer program takes too long.
const MOST_LISTED: usize = 1_500;

/// The largest number of disjoint sets within `tolerance` (a ratio), proved;
/// `None` where the stock holds too many sets or the solver gives up.
///
/// *Method*: one 0/1 variable per set, each item in one set at most; branch and bound.
pub(super) fn most_sets(near: &Neighbours, tolerance: f64) -> Option<Vec<Vec<u32>>> {
    let sets = every_set(near, tolerance)?;
    if sets.is_empty() {
        return Some(Vec::new());
    }
    let mut program = Problem::new(OptimizationDirection::Maximize);
    let taken: Vec<_> = sets.iter().map(|_| program.add_binary_var(1.0)).collect();
    for item in 0..near.items() as u32 {
        let row: Vec<_> = sets
            .iter()
            .zip(&taken)
            .filter(|(s, _)| s.contains(&item))
            .map(|(_, v)| (*v, 1.0))
            .collect();
        if row.len() > 1 {
            program.add_constraint(row.as_slice(), ComparisonOp::Le, 1.0);
        }
    }
    let mut options = SolveOptions::default();
    options.node_limit = Some(20_000);
    let outcome = program.solve_with(options).ok()?;
    if !outcome.is_optimal() {
        return None;
    }
    let solution = outcome.into_solution().ok()?;
    Some(
        sets.into_iter()
            .zip(taken)
            .filter(|(_, v)| solution.var_value(*v) > 0.5)
            .map(|(s, _)| s)
            .collect(),
    )
}

/// Every set within the tolerance; `None` where there are too many.
fn every_set(near: &Neighbours, tolerance: f64) -> Option<Vec<Vec<u32>>> {
    let amounts: Vec<f64> = (0..near.items() as u32)
        .flat_map(|i| (0..near.points()).map(move |p| (i, p)))
        .map(|(i, p)| near.amount(i, p))
        .collect();
    let mut sets = Vec::new();
    let mut steps = 0usize;
    for first in 0..near.items() as u32 {
        let candidates: Vec<u32> = near
            .of(first)
            .iter()
            .copied()
            .filter(|j| *j > first)
            .collect();
        let mut open = vec![(vec![first], candidates)];
        while let Some((chosen, candidates)) = open.pop() {
            steps += 1;
            if sets.len() > MOST_LISTED || steps > 1_000 * MOST_LISTED {
                return None;
            }
            if chosen.len() == near.size() {
                // A rounding slack: a set at the tolerance exactly is within it.
                if spread(&amounts, near.points(), &chosen) <= tolerance * (1.0 + 1e-12) {
                    sets.push(chosen);
                }
                continue;
            }
            for (position, &next) in candidates.iter().enumerate() {
                let rest: Vec<u32> = candidates[position + 1..]
                    .iter()
                    .copied()
                    .filter(|j| near.of(next).binary_search(j).is_ok())
                    .collect();
                if chosen.len() + 1 + rest.len() >= near.size() {
                    let mut with = chosen.clone();
                    with.push(next);
                    open.push((with, rest));
                }
            }
        }
    }
    Some(sets)
}
