//! The exact search behind [`super::pick`]: which `size` of `n` items lie closest together.
//!
//! In: amounts above zero at each operating point. Out: the best sets with proof.
//! It knows no injector names and no uncertainties.
//!
//! Each set is reached once: first its smallest item at the first point, then,
//! from the items chosen so far, the one farthest from them among the rest of
//! the set. So a branch starts with its farthest item and its box is known early.

use super::problem::{Chosen, Found, Problem, ratio_limit};

/// Relative slack of the comparisons: rounding of a sum of a few hundred terms.
const ROUNDING: f64 = 1e-12;
/// Items from which nearest neighbours are taken for a first answer.
const FIRST_CENTRES: usize = 200;

/// What a search may cost.
#[derive(Debug, Clone, Copy)]
pub(super) struct Effort {
    /// How many sets to keep, best first.
    pub keep: usize,
    /// Branches after which to give up the proof.
    pub node_limit: u64,
}

/// What a search found.
#[derive(Debug, Clone)]
pub(super) struct Searched {
    /// Best sets, best first.
    pub found: Vec<Found>,
    /// No set has a smaller spread than this ratio.
    pub lower_bound: f64,
    /// Whether the first set is proved best.
    pub proved: bool,
    /// Branches looked at.
    pub nodes: u64,
}

/// What makes one set better than another.
#[derive(Debug, Clone, Copy)]
enum Goal<'a> {
    /// A smaller spread.
    Spread,
    /// A smaller range of a second figure among sets of a spread up to the limit.
    Tie { figure: &'a [f64], limit: f64 },
}

/// Finds the best sets.
///
/// *Method*: depth-first branch and bound; lower bound of a branch from the box
/// of the items chosen and the largest mean that the rest can bring. Branches of
/// the root are taken in the order of their nearest-neighbour bound. Where the
/// node limit ends the proof, the search is repeated for sets better than a
/// fraction of the best, which prunes harder; the first that ends proves that
/// fraction as lower bound.
/// *Assumes*: at least `size` items.
pub(super) fn search(problem: &Problem, effort: Effort) -> Searched {
    // Neighbours at the first point lie side by side in memory: half the time at 10,000 items.
    let order = by_first_point(problem);
    let amounts: Vec<f64> = order
        .iter()
        .flat_map(|&i| &problem.amounts[i * problem.points..(i + 1) * problem.points])
        .copied()
        .collect();
    let mut place = vec![0; order.len()];
    order
        .iter()
        .enumerate()
        .for_each(|(new, &old)| place[old] = new);
    let required: Vec<usize> = problem.required.iter().map(|&i| place[i]).collect();
    let mut searched = search_in_order(
        &Problem {
            amounts: &amounts,
            required: &required,
            ..*problem
        },
        effort,
    );
    for found in &mut searched.found {
        found.members.iter_mut().for_each(|m| *m = order[*m]);
        found.members.sort_unstable();
    }
    searched
}

fn by_first_point(problem: &Problem) -> Vec<usize> {
    let mut order: Vec<usize> = (0..problem.items()).collect();
    order.sort_by(|a, b| {
        problem
            .amount(*a, 0)
            .total_cmp(&problem.amount(*b, 0))
            .then(a.cmp(b))
    });
    order
}

fn search_in_order(problem: &Problem, effort: Effort) -> Searched {
    let mut state = State::new(*problem, Goal::Spread, effort, f64::INFINITY);
    let roots = state.seed();
    let reached = match state.run(&roots) {
        Ended::Whole => {
            let lower_bound = state.found.first().map_or(f64::INFINITY, |f| f.spread);
            return Searched {
                lower_bound,
                proved: true,
                nodes: state.nodes,
                found: state.found,
            };
        }
        Ended::AtBound(bound) => bound,
    };
    let mut nodes = state.nodes;
    let mut found = state.found;
    let mut lower_bound = reached.min(found[0].spread);
    for fraction in [0.97, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3] {
        let target = found[0].spread * fraction;
        let part = Effort {
            keep: 1,
            node_limit: effort.node_limit / 4,
        };
        let mut below = State::new(*problem, Goal::Spread, part, target);
        let roots = below.seed();
        let ended = below.run(&roots);
        nodes += below.nodes;
        for better in below.found {
            keep_best(&mut found, better, effort.keep);
        }
        if ended == Ended::Whole {
            lower_bound = lower_bound.max(target).min(found[0].spread);
            break;
        }
    }
    let proved = lower_bound >= found[0].spread;
    Searched {
        found,
        lower_bound,
        proved,
        nodes,
    }
}

/// Among all sets whose spread equals that of `best`, the one whose range of
/// `figure` is smallest, as far as the branches allowed have shown.
pub(super) fn break_tie(problem: &Problem, best: &Found, figure: &[f64], node_limit: u64) -> Found {
    let limit = best.spread * (1.0 + ROUNDING);
    let effort = Effort {
        keep: 1,
        node_limit,
    };
    let mut state = State::new(*problem, Goal::Tie { figure, limit }, effort, limit);
    state.best_tie = range_of(figure, &best.members);
    state.found = vec![best.clone()];
    let roots = state.seed();
    state.run(&roots);
    state.found.swap_remove(0)
}

pub(super) fn range_of(figure: &[f64], members: &[usize]) -> f64 {
    let (lo, hi) = members.iter().fold((f64::MAX, f64::MIN), |(lo, hi), &i| {
        (lo.min(figure[i]), hi.max(figure[i]))
    });
    hi - lo
}

/// Inserts in order of spread, then members; drops doubles and what is beyond `keep`.
fn keep_best(found: &mut Vec<Found>, new: Found, keep: usize) {
    if found.iter().any(|f| f.members == new.members) {
        return;
    }
    found.push(new);
    found.sort_by(|a, b| {
        a.spread
            .total_cmp(&b.spread)
            .then(a.members.cmp(&b.members))
    });
    found.truncate(keep);
}

/// An item that may join, with its distance from the box of the chosen ones.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    /// Logarithm of the factor by which the box must grow.
    distance: f64,
    /// Sum over the points of the amount over the smallest chosen: raises the mean.
    weight: f64,
    item: usize,
}

/// How far a search came.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Ended {
    /// Every set was looked at or ruled out.
    Whole,
    /// The limit came first; sets not looked at have at least this spread.
    AtBound(f64),
}

struct State<'a> {
    problem: Problem<'a>,
    goal: Goal<'a>,
    effort: Effort,
    /// Sets must be better than this, whatever was found.
    ceiling: f64,
    best_tie: f64,
    found: Vec<Found>,
    nodes: u64,
    /// Items by rising amount at the first point.
    order: Vec<usize>,
}

impl<'a> State<'a> {
    fn new(problem: Problem<'a>, goal: Goal<'a>, effort: Effort, ceiling: f64) -> Self {
        let order = by_first_point(&problem);
        Self {
            problem,
            goal,
            effort,
            ceiling,
            best_tie: f64::INFINITY,
            found: Vec::new(),
            nodes: 0,
            order,
        }
    }

    /// Sets at or above this spread are of no use.
    fn threshold(&self) -> f64 {
        match self.goal {
            Goal::Tie { limit, .. } => limit,
            Goal::Spread if self.found.len() < self.effort.keep => self.ceiling,
            Goal::Spread => self
                .found
                .last()
                .map_or(self.ceiling, |f| f.spread.min(self.ceiling)),
        }
    }

    fn useless(&self, bound: f64) -> bool {
        match self.goal {
            Goal::Tie { limit, .. } => bound > limit * (1.0 + ROUNDING),
            Goal::Spread => bound >= self.threshold() * (1.0 - ROUNDING),
        }
    }

    fn offer(&mut self, members: &[usize]) {
        let spread = self.problem.spread(members);
        if self.useless(spread) {
            return;
        }
        let mut members = members.to_vec();
        members.sort_unstable();
        match self.goal {
            Goal::Spread => keep_best(&mut self.found, Found { spread, members }, self.effort.keep),
            Goal::Tie { figure, .. } => {
                let range = range_of(figure, &members);
                if range < self.best_tie {
                    self.best_tie = range;
                    self.found = vec![Found { spread, members }];
                }
            }
        }
    }

    /// First answers from nearest neighbours, then the branches of the root with
    /// their lower bounds, best first.
    fn seed(&mut self) -> Vec<(f64, usize)> {
        if !self.problem.required.is_empty() {
            return Vec::new();
        }
        let count = self.problem.items();
        let all: Vec<usize> = self.order.clone();
        let step = (count / FIRST_CENTRES).max(1);
        for at in (step / 2..count).step_by(step) {
            let chosen = Chosen::new(&self.problem, &[all[at]]);
            let rest: Vec<usize> = all.iter().copied().filter(|i| *i != all[at]).collect();
            let mut near = self.candidates(&chosen, &rest);
            self.offer_nearest(&chosen, &mut near);
        }
        let mut roots = Vec::with_capacity(count);
        for at in 0..count {
            let chosen = Chosen::new(&self.problem, &[all[at]]);
            let mut near = self.candidates(&chosen, self.window(at));
            let need = self.problem.size - 1;
            if near.len() < need {
                continue;
            }
            self.offer_nearest(&chosen, &mut near);
            // The box must reach the nearest items that could fill the set.
            let factor = near[need - 1].distance.exp();
            let k = self.problem.size as f64;
            let bound = k * (factor - 1.0) / (1.0 + (k - 1.0) * factor);
            if !self.useless(bound) {
                roots.push((bound, at));
            }
        }
        roots.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        roots
    }

    /// Items that follow `order[at]` at the first point and can share a set with it.
    fn window(&self, at: usize) -> &[usize] {
        let limit = self.problem.amount(self.order[at], 0)
            * ratio_limit(self.threshold(), self.problem.size);
        let limit = limit * (1.0 + ROUNDING);
        let end = self
            .order
            .partition_point(|i| self.problem.amount(*i, 0) <= limit);
        &self.order[at + 1..end.max(at + 1)]
    }

    fn offer_nearest(&mut self, chosen: &Chosen, near: &mut [Candidate]) {
        let need = self.problem.size - chosen.items.len();
        if near.len() < need {
            return;
        }
        near.select_nth_unstable_by(need - 1, |a, b| {
            a.distance.total_cmp(&b.distance).then(a.item.cmp(&b.item))
        });
        let mut members = chosen.items.clone();
        members.extend(near[..need].iter().map(|c| c.item));
        self.offer(&members);
    }

    /// Those of `items` that fit into a box with the chosen ones.
    fn candidates(&self, chosen: &Chosen, items: &[usize]) -> Vec<Candidate> {
        let limit = ratio_limit(self.threshold(), self.problem.size) * (1.0 + ROUNDING);
        let mut fitting = Vec::new();
        'item: for &item in items {
            let (mut factor, mut weight) = (1.0f64, 0.0);
            for p in 0..self.problem.points {
                let v = self.problem.amount(item, p);
                let (lo, hi) = (chosen.lo[p], chosen.hi[p]);
                if v > lo * limit || v * limit < hi {
                    continue 'item;
                }
                factor = factor.max(v / hi).max(lo / v);
                weight += v / lo;
            }
            fitting.push(Candidate {
                distance: factor.ln(),
                weight,
                item,
            });
        }
        fitting
    }

    /// Looks at every set, up to the node limit.
    fn run(&mut self, roots: &[(f64, usize)]) -> Ended {
        let required = self.problem.required;
        if !required.is_empty() {
            let chosen = Chosen::new(&self.problem, required);
            let rest: Vec<usize> = self
                .order
                .iter()
                .copied()
                .filter(|i| !required.contains(i))
                .collect();
            let mut near = self.candidates(&chosen, &rest);
            if chosen.items.len() < self.problem.size {
                self.offer_nearest(&chosen, &mut near);
            }
            let bound = chosen.lower_bound(self.problem.size);
            return if self.branch(&chosen, &rest) {
                Ended::Whole
            } else {
                Ended::AtBound(bound)
            };
        }
        for &(bound, at) in roots {
            // In the order of their bounds: none of the rest can help.
            if self.useless(bound) {
                break;
            }
            let chosen = Chosen::new(&self.problem, &[self.order[at]]);
            let window = self.window(at).to_vec();
            if !self.branch(&chosen, &window) {
                return Ended::AtBound(bound);
            }
        }
        Ended::Whole
    }

    /// Looks at every set of the chosen ones and some of `items`.
    fn branch(&mut self, chosen: &Chosen, items: &[usize]) -> bool {
        self.nodes += 1;
        if self.nodes > self.effort.node_limit {
            return false;
        }
        let need = self.problem.size - chosen.items.len();
        if need == 0 {
            self.offer(&chosen.items);
            return true;
        }
        let mut near = self.candidates(chosen, items);
        if near.len() < need || self.tie_is_hopeless(chosen) || self.mean_is_hopeless(chosen, &near)
        {
            return true;
        }
        near.sort_unstable_by(|a, b| {
            a.distance
                .total_cmp(&b.distance)
                .then(b.weight.total_cmp(&a.weight))
                .then(a.item.cmp(&b.item))
        });
        let order: Vec<usize> = near.iter().map(|c| c.item).collect();
        // The farthest item of the set is the last in this order.
        for last in need - 1..order.len() {
            let mut with = chosen.clone();
            with.add(&self.problem, order[last]);
            if self.useless(with.lower_bound(self.problem.size)) {
                continue;
            }
            if !self.branch(&with, &order[..last]) {
                return false;
            }
        }
        true
    }

    /// Whether the second figure of the chosen ones is no better than the best.
    fn tie_is_hopeless(&self, chosen: &Chosen) -> bool {
        match self.goal {
            Goal::Spread => false,
            Goal::Tie { figure, .. } => range_of(figure, &chosen.items) >= self.best_tie,
        }
    }

    /// Whether even the largest candidates leave the mean too small at some point.
    fn mean_is_hopeless(&self, chosen: &Chosen, near: &[Candidate]) -> bool {
        let size = self.problem.size;
        let need = size - chosen.items.len();
        // Where items still lie outside the box, the bound from the box is as good.
        let fixed = near.iter().all(|c| c.distance == 0.0);
        if !fixed {
            return false;
        }
        let mut values = Vec::with_capacity(near.len());
        (0..self.problem.points).any(|p| {
            values.clear();
            values.extend(near.iter().map(|c| self.problem.amount(c.item, p)));
            values.select_nth_unstable_by(need - 1, |a, b| b.total_cmp(a));
            let sum = chosen.sum[p] + values[..need].iter().sum::<f64>();
            self.useless((chosen.hi[p] - chosen.lo[p]) * size as f64 / sum)
        })
    }
}
