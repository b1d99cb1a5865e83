//! Choosing readings by exchange: add the reading that gains most for its time,
//! then swap readings while that makes the criterion smaller.
//!
//! It knows candidates by number only: what a reading is and what the criterion
//! means is the caller's to say.

/// Changes of the criterion by less than this share are no gain.
const GAIN: f64 = 1e-6;
/// Rounds of exchange at most: the criterion falls in each, this only bounds the time.
const MOST_ROUNDS: usize = 1000;

/// Improves a design of candidate readings within a budget.
///
/// `costs[i] > 0` is what one reading of candidate i takes; `counts` the design to
/// start from, which must be within the budget and acceptable. `criterion` is
/// smaller for better designs, infinite for those that are not acceptable. The
/// result costs no more than the budget and is never worse than the start.
///
/// *Method*: greedy growth by the fall of ln(criterion) per cost, then exchange of
/// one reading for another, best pair first (V. V. Fedorov, Theory of Optimal
/// Experiments, 1972, from memory), until neither gains.
pub fn exchange(
    costs: &[f64],
    counts: Vec<u32>,
    budget: f64,
    criterion: impl Fn(&[u32]) -> f64,
) -> Vec<u32> {
    let mut state = State {
        value: criterion(&counts),
        spent: spent(costs, &counts),
        counts,
    };
    for _ in 0..MOST_ROUNDS {
        let grown = grow(costs, budget, &criterion, &mut state);
        let swapped = swap(costs, budget, &criterion, &mut state);
        if !grown && !swapped {
            break;
        }
    }
    state.counts
}

struct State {
    counts: Vec<u32>,
    value: f64,
    spent: f64,
}

/// What a design costs in all.
pub fn spent(costs: &[f64], counts: &[u32]) -> f64 {
    costs
        .iter()
        .zip(counts)
        .map(|(c, n)| c * f64::from(*n))
        .sum()
}

/// Adds the reading of best gain per cost until none fits or gains.
fn grow(costs: &[f64], budget: f64, criterion: &impl Fn(&[u32]) -> f64, state: &mut State) -> bool {
    let mut grown = false;
    loop {
        let mut best: Option<(usize, f64, f64)> = None;
        for (i, cost) in costs.iter().enumerate() {
            if state.spent + cost > budget {
                continue;
            }
            state.counts[i] += 1;
            let value = criterion(&state.counts);
            state.counts[i] -= 1;
            let gain = (state.value / value).ln() / cost;
            if value < state.value * (1.0 - GAIN) && best.is_none_or(|b| gain > b.1) {
                best = Some((i, gain, value));
            }
        }
        let Some((i, _, value)) = best else {
            return grown;
        };
        state.counts[i] += 1;
        state.spent += costs[i];
        state.value = value;
        grown = true;
    }
}

/// Makes the best swap of one reading for another, or takes one away that is of no use.
fn swap(costs: &[f64], budget: f64, criterion: &impl Fn(&[u32]) -> f64, state: &mut State) -> bool {
    let mut best: Option<(usize, usize, f64)> = None;
    for out in 0..costs.len() {
        if state.counts[out] == 0 {
            continue;
        }
        state.counts[out] -= 1;
        let left = state.spent - costs[out];
        for (into, cost) in costs.iter().enumerate() {
            if into == out || left + cost > budget {
                continue;
            }
            state.counts[into] += 1;
            let value = criterion(&state.counts);
            state.counts[into] -= 1;
            let limit = best.map_or(state.value * (1.0 - GAIN), |b| b.2);
            if value < limit {
                best = Some((out, into, value));
            }
        }
        state.counts[out] += 1;
    }
    let Some((out, into, value)) = best else {
        return false;
    };
    state.counts[out] -= 1;
    state.counts[into] += 1;
    state.spent += costs[into] - costs[out];
    state.value = value;
    true
}
