//! How many matched sets does a stock hold?
//!
//! In: a [`Stock`], the size of a set and the tolerance. Out: [`ManySets`]: disjoint
//! sets within the tolerance, how many there can be at most, and what is left.

mod bound;
mod neighbours;
mod packing;
mod program;
mod small;

use serde::Serialize;

use super::pick::stock_upper_bound;
use super::{Pick, PickError, PickRequest, Stock, pick};
use bound::upper_bound;
use neighbours::Neighbours;
use packing::{Dice, Packing, greedy, improve};

/// What is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct SetsRequest {
    /// Injectors in a set, 2 or more.
    pub size: usize,
    /// Largest measured spread of a set, percent.
    pub tolerance_percent: f64,
    /// Ids to leave alone.
    pub exclude: Vec<String>,
    /// Risk of the bounds, percent.
    pub risk_percent: f64,
    /// What it may cost.
    pub effort: SetsEffort,
}

impl SetsRequest {
    /// A request with the defaults.
    pub fn new(size: usize, tolerance_percent: f64) -> Self {
        Self {
            size,
            tolerance_percent,
            exclude: Vec::new(),
            risk_percent: 5.0,
            effort: SetsEffort::default(),
        }
    }
}

/// Counts of work, not of time: the same answer on every machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SetsEffort {
    /// Rebuilds of small neighbourhoods.
    pub moves: usize,
    /// Rounds of pricing for the bound.
    pub rounds: usize,
    /// Stocks above this many injectors get the simple bound alone.
    pub largest_priced: usize,
}

impl Default for SetsEffort {
    fn default() -> Self {
        Self {
            moves: 30_000,
            rounds: 120,
            largest_priced: 2_000,
        }
    }
}

/// One of the sets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StockSet {
    /// Ids in the order of the stock.
    pub injectors: Vec<String>,
    /// Measured spread at the worst point, percent.
    pub spread_percent: f64,
    /// One-sided upper bound of the true spread at the risk, percent, whichever
    /// set was picked; `None` where an uncertainty is not stated.
    pub spread_upper_percent: Option<f64>,
    /// Whether the number of sets is proved largest.
    pub proved_best: bool,
}

/// How many sets there can be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SetsBound {
    /// No way of sorting gives more sets than this.
    pub sets_at_most: usize,
    /// The same before rounding down.
    pub fractional: f64,
    /// How far the sets found stay below it, percent of it.
    pub gap_percent: f64,
    /// Whether the number found is proved largest.
    pub proved_most: bool,
}

/// The answer.
#[derive(Debug, Clone, PartialEq)]
pub struct ManySets {
    /// Sets, best first.
    pub sets: Vec<StockSet>,
    /// How many there can be.
    pub bound: SetsBound,
    /// Ids in no set, in the order of the stock.
    pub left_over: Vec<String>,
    /// The most alike of those, where there are enough; beyond the tolerance or
    /// the number of sets could grow.
    pub best_left_over: Option<Pick>,
}

/// Sorts a stock into as many sets as possible.
///
/// *Method*: docs/methods.md, "Many sets". Greedy from the edge of the stock, a
/// linear program's prices for the bound and as a guide, then tearing down and
/// rebuilding neighbourhoods; small stocks to the proved largest number.
///
/// # Errors
/// [`PickError::SizeTooSmall`], [`PickError::Unknown`] for an id to exclude.
pub fn pick_sets(stock: &Stock, request: &SetsRequest) -> Result<ManySets, PickError> {
    if request.size < 2 {
        return Err(PickError::SizeTooSmall { size: request.size });
    }
    let ids = |i: &usize| stock.items()[*i].injector.clone();
    let known = |id: &String| {
        stock.items().iter().any(|i| i.injector == *id)
            || stock.left_out().iter().any(|l| l.injector == *id)
    };
    if let Some(id) = request.exclude.iter().find(|id| !known(id)) {
        return Err(PickError::Unknown {
            injector: id.clone(),
            similar: None,
        });
    }
    let usable: Vec<usize> = (0..stock.items().len())
        .filter(|i| !request.exclude.contains(&stock.items()[*i].injector))
        .collect();
    let usable_stock = stock.only(&usable);
    let amounts = usable_stock.relative_amounts();
    let (packing, bound) = best_packing(&amounts, stock.points().len(), request);
    let mut sets: Vec<StockSet> = packing
        .iter()
        .map(|set| {
            let members: Vec<usize> = set.iter().map(|i| *i as usize).collect();
            StockSet {
                injectors: members
                    .iter()
                    .map(|i| usable_stock.items()[*i].injector.clone())
                    .collect(),
                spread_percent: 100.0 * spread(&amounts, stock.points().len(), set),
                spread_upper_percent: stock_upper_bound(
                    &usable_stock,
                    &members,
                    request.risk_percent,
                ),
                proved_best: bound.proved_most,
            }
        })
        .collect();
    sets.sort_by(|a, b| {
        a.spread_percent
            .total_cmp(&b.spread_percent)
            .then(a.injectors.cmp(&b.injectors))
    });
    let mut taken = vec![false; usable.len()];
    packing
        .iter()
        .flatten()
        .for_each(|i| taken[*i as usize] = true);
    let left: Vec<usize> = (0..usable.len())
        .filter(|i| !taken[*i])
        .map(|i| usable[i])
        .collect();
    let best_left_over = pick(&stock.only(&left), &PickRequest::new(request.size)).ok();
    Ok(ManySets {
        sets,
        bound,
        left_over: left.iter().map(ids).collect(),
        best_left_over,
    })
}

/// (max − min)/mean at the worst point.
fn spread(amounts: &[f64], points: usize, set: &[u32]) -> f64 {
    (0..points)
        .map(|p| {
            let values = || set.iter().map(|i| amounts[*i as usize * points + p]);
            let (lo, hi) =
                values().fold((f64::MAX, f64::MIN), |(lo, hi), v| (lo.min(v), hi.max(v)));
            (hi - lo) * set.len() as f64 / values().sum::<f64>()
        })
        .fold(0.0, f64::max)
}

/// The sets found and the bound of their number.
fn best_packing(
    amounts: &[f64],
    points: usize,
    request: &SetsRequest,
) -> (Vec<Vec<u32>>, SetsBound) {
    let (k, tolerance) = (request.size as f64, request.tolerance_percent / 100.0);
    // All but the smallest equal to the largest: no set within the tolerance has a larger ratio.
    let denominator = k - tolerance * (k - 1.0);
    let necessary = if denominator > 0.0 {
        (k + tolerance) / denominator
    } else {
        f64::INFINITY
    };
    // All but the largest equal to the smallest: every set of this ratio is within the tolerance.
    let sufficient = if tolerance < k {
        (k + tolerance * (k - 1.0)) / (k - tolerance)
    } else {
        f64::INFINITY
    };
    let rounding = 1.0 - 1e-12;
    let wide = Neighbours::new(amounts, points, request.size, necessary / rounding);
    let narrow = Neighbours::new(amounts, points, request.size, sufficient * rounding);
    let degrees: Vec<f64> = (0..narrow.items() as u32)
        .map(|i| narrow.of(i).len() as f64)
        .collect();
    let first = greedy(&narrow, &degrees);
    let rounds = if wide.items() <= request.effort.largest_priced {
        request.effort.rounds
    } else {
        0
    };
    let bound = upper_bound(&wide, &first.sets, rounds);
    // A move costs more in a large stock, and is needed less.
    let moves = request.effort.moves * 2_000 / wide.items().max(2_000);
    let enough = (bound.value + 1e-6).floor() as usize;
    let packing = search_packing(&narrow, first, &degrees, &bound.prices, moves, enough);
    let mut sets = packing.sets;
    let mut at_most = enough.max(sets.len());
    if sets.len() < at_most
        && let Some(most) = small::most_sets(&wide, tolerance)
    {
        at_most = most.len();
        sets = most;
    }
    let gap = if at_most == 0 {
        0.0
    } else {
        100.0 * (1.0 - sets.len() as f64 / at_most as f64)
    };
    let bound = SetsBound {
        sets_at_most: at_most,
        // Where listing all sets proved fewer, that is the bound.
        fractional: if at_most < enough {
            at_most as f64
        } else {
            bound.value
        },
        gap_percent: gap,
        proved_most: sets.len() == at_most,
    };
    (sets, bound)
}

/// Two starts, the better one improved in two ways, the better result taken.
fn search_packing(
    near: &Neighbours,
    first: Packing,
    degrees: &[f64],
    prices: &[f64],
    moves: usize,
    enough: usize,
) -> Packing {
    let by_price = greedy(near, prices);
    let start = if by_price.sets.len() > first.sets.len() {
        by_price
    } else {
        first
    };
    // Any fixed numbers serve as seeds.
    let way = |guide: &[f64], seed: u64| {
        improve(
            near,
            start.clone(),
            guide,
            moves,
            enough,
            &mut Dice::new(seed),
        )
    };
    let (one, other) = rayon::join(|| way(prices, 20_260_101), || way(degrees, 20_260_102));
    if other.sets.len() > one.sets.len() {
        other
    } else {
        one
    }
}
